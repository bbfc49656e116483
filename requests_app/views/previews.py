"""What the form would make as far as it is filled in, without telling anybody off while they type."""

from dataclasses import dataclass
from typing import Any

from prepdesk.calc.errors import RequestRefused
from requests_app import sheets
from requests_app.bench_time import plan_in_time
from requests_app.drafts import VolumeWanted, volume_of, volume_problem
from requests_app.forms import ComponentFormSet, OrderForm, draft_from
from requests_app.selectors.lateness import Lateness, lateness_of
from requests_app.services.approving import approval_reasons_for


@dataclass(frozen=True, slots=True)
class Preview:
    """The answer to what is typed so far.

    Attributes:
        missing: what is still to be filled in, in words.
        unread: sentences about what stands there and can't be used yet.
        volume: of the finished solution, once it can be added up.
        plan: once everything is there.
        waits: what the order would wait for, when only the shelf is short.
        late: whether it would be sent late, once the day is typed.
        approval: what a manager would be asked about.
        said: one line for a screen reader.
    """

    missing: tuple[str, ...] = ()
    unread: tuple[str, ...] = ()
    volume: VolumeWanted | None = None
    plan: dict[str, Any] | None = None
    waits: tuple[dict[str, Any], ...] = ()
    late: Lateness | None = None
    approval: tuple[str, ...] = ()

    @property
    def stops(self) -> list[dict[str, str]]:
        """What chemistry or apparatus forbids; empty when it can be made or only stock is missing."""
        if self.plan is None or self.waits:
            return []
        return sheets.stops(self.plan)

    @property
    def offers(self) -> list[dict[str, Any]]:
        """What would serve instead of what the plan takes or lacks."""
        return [] if self.plan is None else sheets.offers_in(self.plan)

    @property
    def warnings(self) -> list[dict[str, str]]:
        """What a person must know before it is made."""
        if self.plan is None:
            return []
        return [problem for problem in self.plan["problems"] if problem["severity"] == "warn"]

    @property
    def said(self) -> str:
        """One line for a screen reader."""
        if self.plan is None:
            return f"Still to fill in: {', '.join(self.missing)}." if self.missing else " ".join(self.unread)
        volume = self.plan["volume"]
        what = f"{self.plan['title']}, {volume['value']} {volume['unit']}"
        if self.plan["feasible"]:
            return f"{what}: can be made in {len(self.plan['steps'])} steps."
        return f"{what}: {'would have to wait' if self.waits else 'can’t be made like this'}."


def preview_of(form: OrderForm, components: ComponentFormSet) -> Preview:
    """Plan what the bound forms say, as far as they say it."""
    form.is_valid()
    components.is_valid()
    missing, unread = _open_points(form, components)
    if missing or unread:
        volume = volume_of(draft_from(form, ())) if _can_add_up(form) else None
        return Preview(missing=tuple(missing), unread=tuple(unread), volume=volume)
    draft = draft_from(form, components)
    problem = volume_problem(volume_of(draft))
    if problem:
        return Preview(unread=(problem,))
    try:
        # Until the day is typed there are no hours to ask the apparatus for.
        is_timed = form.cleaned_data.get("due_at") is not None
        _, plan = plan_in_time(draft) if is_timed else sheets.plan_for(draft)
    except RequestRefused as refused:
        return Preview(unread=tuple(error.text for error in refused.errors), volume=volume_of(draft))
    waits = tuple(sheets.waiting_reasons(plan)) if sheets.only_the_shelf_is_short(plan) else ()
    return Preview(
        volume=volume_of(draft),
        plan=plan,
        waits=waits,
        late=lateness_of(draft.due_at, plan) if is_timed else None,
        approval=tuple(approval_reasons_for(draft, plan)),
    )


# A plan needs these; everything else of the form may still be empty.
_NEEDED = {
    "sections": "the sections",
    "groups_per_section": "the groups in each section",
    "volume_per_group": "the volume for each group",
}
_NEEDED_OF_COMPONENT = {"substance": "the substance", "target": "its concentration"}
_READ = (
    "overage_percent",
    "spare_groups",
    "per_section",
    "tolerance_percent",
    "temperature_c",
    "volume_unit",
)


def _open_points(form: OrderForm, components: ComponentFormSet) -> tuple[list[str], list[str]]:
    missing: list[str] = []
    unread: list[str] = []
    for one in components:
        _sort(one, _NEEDED_OF_COMPONENT, ("unit", "equivalents"), missing, unread)
    _sort(form, _NEEDED, _READ, missing, unread)
    return list(dict.fromkeys(missing)), unread


def _sort(
    form: Any, needed: dict[str, str], read: tuple[str, ...], missing: list[str], unread: list[str]
) -> None:
    for name in (*needed, *read):
        for error in form.errors.as_data().get(name, ()):
            if error.code == "required":
                missing.append(needed.get(name, "a unit"))
            else:
                unread.extend(error.messages)


def _can_add_up(form: OrderForm) -> bool:
    return all(
        name in form.cleaned_data
        for name in (*_NEEDED, "volume_unit", "overage_percent", "spare_groups", "per_section")
    )
