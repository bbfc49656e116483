"""What a corrected bench list means for the orders that came from it."""

from collections import defaultdict
from dataclasses import dataclass
from uuid import UUID

from django.http import Http404

from requests_app import states
from requests_app.models import BenchListVersion, ListSolution, Order


@dataclass(frozen=True, slots=True)
class Correction:
    """Open orders of older versions of a list, seen against its newest one.

    Attributes:
        version: the newest.
        follow: orders nobody has begun, each with the line as it was and as it is.
        begun: orders that are made or made already, whose line is changed.
        removed: orders nobody has begun whose line is gone.
        missing: an order of each meeting that has orders of the list, with a line that is new to it.
    """

    version: BenchListVersion
    follow: tuple[tuple[Order, ListSolution, ListSolution], ...]
    begun: tuple[Order, ...]
    removed: tuple[Order, ...]
    missing: tuple[tuple[Order, ListSolution], ...]

    @property
    def orders(self) -> tuple[Order, ...]:
        """All of the orders it speaks of, in key order."""
        found = {order.pk: order for order, _, _ in self.follow}
        found |= {order.pk: order for order in (*self.begun, *self.removed)}
        return tuple(found[key] for key in sorted(found))


def version_or_404(key: int) -> BenchListVersion:
    """A version of a bench list with its course."""
    found = BenchListVersion.objects.select_related("bench_list__course", "created_by").filter(pk=key).first()
    if found is None:
        raise Http404("There is no such version.")
    return found


def correction_of(version: BenchListVersion) -> Correction:
    """Which open orders a version concerns; the number of queries doesn't grow with them."""
    now = {one.line: one for one in _solutions(version.bench_list_id) if one.version_id == version.pk}
    was = {one.pk: one for one in _solutions(version.bench_list_id)}
    open_ones = (
        Order.objects.filter(
            list_solution__version__bench_list=version.bench_list_id,
            list_solution__version__number__lt=version.number,
            state__in=states.OPEN_ORDER_STATES,
        )
        .select_related(
            "ordered_by", "batch", "meeting__section__course", "meeting__section__room", "meeting__room"
        )
        .prefetch_related("sections", "components__substance")
        .order_by("due_at", "pk")
    )
    follow, begun, removed = [], [], []
    lines_of: dict[int, set[UUID]] = defaultdict(set)
    sample: dict[int, Order] = {}
    for order in open_ones:
        before = was[order.list_solution_id or 0]
        after = now.get(before.line)
        lines_of[order.meeting_id or 0] |= {
            one.line for one in was.values() if one.version_id == before.version_id
        }
        sample.setdefault(order.meeting_id or 0, order)
        if order.batch is not None and order.batch.state != states.QUEUED:
            if after is None or not _same(before, after):
                begun.append(order)
        elif after is None:
            removed.append(order)
        else:
            follow.append((order, before, after))
    ordered = set(
        Order.objects.filter(meeting__in=[key for key in sample if key])
        .exclude(state=states.CANCELLED)
        .values_list("meeting_id", "list_line")
    )
    missing = [
        (sample[key], one)
        for key, known in lines_of.items()
        for one in now.values()
        if key and one.line not in known and (key, one.line) not in ordered
    ]
    return Correction(version, tuple(follow), tuple(begun), tuple(removed), tuple(missing))


def _solutions(bench_list: int) -> list[ListSolution]:
    rows = ListSolution.objects.filter(version__bench_list=bench_list)
    return list(rows.prefetch_related("components__substance"))


def _same(before: ListSolution, after: ListSolution) -> bool:
    return line_values(before) == line_values(after)


def line_values(one: ListSolution) -> dict[str, object]:
    """What a line says that an order follows, as typed, by the draft's own names."""
    return {
        "components": tuple(
            (c.substance.key, c.target_value, c.target_unit, c.equivalents) for c in one.components.all()
        ),
        "volume_per_group": one.volume_per_group,
        "volume_unit": one.volume_unit,
        "spare_groups": one.spare_groups,
        "per_section": one.per_section,
        "overage_percent": one.overage_percent,
        "tolerance_percent": one.tolerance_percent,
        "temperature_c": one.temperature_c,
        "container": one.container,
        "notes": ". ".join(filter(None, [one.label, one.notes])),
    }
