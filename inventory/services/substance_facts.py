"""What the department keeps about a substance for its store: grade, shelf life, when to order again."""

from typing import Any, Final, NamedTuple

from inventory.amounts import as_text
from inventory.models import Substance, SubstanceEvent
from inventory.selectors import usual_unit
from inventory.services.transactions import atomic_with_retries
from inventory.services.typed import MAX_REASON, Reader
from prepdesk.access import policy
from prepdesk.accounts.models import User
from prepdesk.calc.storage import group_named
from prepdesk.core.errors import Conflict

# A hundred years: what keeps longer needs no date.
MOST_DAYS: Final = 36_500
_NAMES: Final = {
    "grade": "grade",
    "shelf_life_closed_days": "shelf life closed, in days",
    "shelf_life_opened_days": "shelf life opened, in days",
    "reorder_below": "order again below",
    "storage_group": "storage group",
    "restricted": "a manager approves each order",
}


class SubstanceFacts(NamedTuple):
    """The new values by field, and the reason."""

    values: dict[str, Any]
    reason: str


@atomic_with_retries
def edit_substance(
    *,
    actor: User,
    substance: Substance,
    grade: str,
    shelf_life_closed_days: str,
    shelf_life_opened_days: str,
    reorder_below: str,
    reorder_unit: str,
    storage_group: str = "",
    restricted: str = "",
    reason: str = "",
    idempotency_key: str | None = None,
    expected: str = "",
) -> Substance:
    """Change what the stockroom keeps about a substance; its history says what was before.

    Bottles on the shelf keep the expiry they have: a new shelf life counts for those that come or are
    opened from now on.

    Args:
        shelf_life_closed_days: whole days as typed, empty for none; opened likewise.
        reorder_below: as typed, in ``reorder_unit``, empty for none.
        storage_group: code of a group that the department decided on instead of the one its facts give.
        restricted: ``yes`` where a manager approves each order of it, ``no``, or empty to leave it; a manager
            decides that.
        idempotency_key: the same key changes once.
        expected: :func:`facts_as_shown` of the page; anything else now is stale.

    Raises:
        NotAllowed, InvalidInput: by field.
        Conflict: when somebody changed them since the page was shown.
    """
    policy.require(actor, "receive_lot")
    locked = Substance.objects.select_for_update().get(pk=substance.pk)
    if idempotency_key and SubstanceEvent.objects.filter(idempotency_key=idempotency_key).exists():
        return locked
    if expected and expected != facts_as_shown(locked):
        raise Conflict(
            f"Somebody changed the facts of {locked.name} since the page was shown. Nothing was saved; look "
            "at them again."
        )
    values, kept = check_facts(
        substance=locked,
        grade=grade,
        shelf_life_closed_days=shelf_life_closed_days,
        shelf_life_opened_days=shelf_life_opened_days,
        reorder_below=reorder_below,
        reorder_unit=reorder_unit,
        storage_group=storage_group,
        restricted=restricted,
        reason=reason,
    )
    if values.get("restricted", locked.restricted) != locked.restricted:
        policy.require(actor, "approve_order")
    changes = [
        f"{_NAMES[field]} “{_shown(locked, field, getattr(locked, field))}” to "
        f"“{_shown(locked, field, value)}”"
        for field, value in values.items()
        if getattr(locked, field) != value
    ]
    if not changes:
        return locked
    for field, value in values.items():
        setattr(locked, field, value)
    locked.save(update_fields=list(values))
    SubstanceEvent.objects.create(
        substance=locked,
        event="facts",
        actor=actor,
        reason=f"{'; '.join(changes)}. {kept}".strip(),
        idempotency_key=idempotency_key,
    )
    return locked


def facts_as_shown(substance: Substance) -> str:
    """The facts in one line, for a form to notice that they changed under it."""
    return "|".join(str(getattr(substance, field)) for field in _NAMES)


def check_facts(
    *,
    substance: Substance,
    grade: str,
    shelf_life_closed_days: str,
    shelf_life_opened_days: str,
    reorder_below: str,
    reorder_unit: str,
    storage_group: str = "",
    restricted: str = "",
    reason: str,
    counted_in: str = "",
) -> SubstanceFacts:
    """Read what was typed about a substance, without saving it.

    Args:
        counted_in: the unit of its stock, for whoever knows it already.

    Raises:
        InvalidInput: by field.
    """
    reader = Reader()
    values: dict[str, Any] = {
        "grade": reader.words("grade", grade, 60),
        "shelf_life_closed_days": _days(reader, "shelf_life_closed_days", shelf_life_closed_days),
        "shelf_life_opened_days": _days(reader, "shelf_life_opened_days", shelf_life_opened_days),
        "reorder_below": reader.amount(
            "reorder_below", reorder_below, reorder_unit, counted_in=counted_in or usual_unit(substance)
        )
        if reorder_below.strip()
        else None,
        "storage_group": storage_group,
    }
    if restricted:
        values["restricted"] = restricted == "yes"
    if storage_group and group_named(storage_group) is None:
        reader.refuse("storage_group", "There is no such storage group.")
    kept = reader.words("reason", reason, MAX_REASON)
    reader.done()
    return SubstanceFacts(values, kept)


def _days(reader: Reader, field: str, text: str) -> int | None:
    typed = reader.number(field, text, what="A shelf life", unit="days", most=str(MOST_DAYS))
    if not typed:
        return None
    if not typed.isdigit():
        reader.refuse(field, f"Type whole days; “{typed}” was typed.")
        return None
    return int(typed)


def _shown(substance: Substance, field: str, value: object) -> str:
    if field == "reorder_below" and isinstance(value, int):
        return as_text(value, usual_unit(substance))
    if field == "storage_group" and (group := group_named(str(value))):
        return group.name
    if isinstance(value, bool):
        return "yes" if value else "no"
    return "" if value is None else str(value)
