"""Orders that wait are put into batches, one solution and week after the other."""

from collections.abc import Collection, Hashable, Iterator
from functools import partial

from django.db.models import Prefetch, QuerySet

from inventory.services import in_transaction_with_retries
from prepdesk.accounts.models import User
from requests_app import sheets, states
from requests_app.drafts import draft_of, solution_of
from requests_app.models import Batch, Order, OrderComponent
from requests_app.services.batching import make_batch


def put_into_batches(*, actor: User, orders: Collection[int], reason: str) -> Iterator[Batch | None]:
    """Make batches for those of these orders that wait and have none, each in a transaction of its own.

    Orders of one solution that are due in the same ISO week share a batch.

    Yields:
        The batch of a group; None where it can't be made now and the group waits, with the reasons.
    """
    groups: dict[Hashable, list[int]] = {}
    for order in _to_place(Order.objects.filter(pk__in=orders)):
        year, week, _ = sheets.local_date(order.due_at).isocalendar()
        groups.setdefault((solution_of(draft_of(order)), year, week), []).append(order.pk)
    for keys in groups.values():
        yield in_transaction_with_retries(partial(_make, actor, keys, reason))


def _make(actor: User, keys: list[int], reason: str) -> Batch | None:
    locked = list(_to_place(Order.objects.select_for_update().filter(pk__in=keys)))
    return make_batch(actor=actor, orders=locked, reason=reason) if locked else None


def _to_place(orders: QuerySet[Order]) -> QuerySet[Order]:
    waiting = orders.filter(state=states.WAITING, batch=None)
    components = OrderComponent.objects.select_related("substance")
    return waiting.prefetch_related("sections", Prefetch("components", components)).order_by("due_at", "pk")
