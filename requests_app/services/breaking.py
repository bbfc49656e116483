"""A piece of apparatus broke at the bench: there is one less of it from that moment."""

from inventory.models import ApparatusItem
from inventory.services import change_count, set_in_service
from prepdesk.access import policy
from prepdesk.accounts.models import User
from prepdesk.core.errors import InvalidInput
from requests_app.cards import items_of
from requests_app.models import Batch, Mishap, Sheet
from requests_app.services.mishaps import Sending, keep_mishap, once


def note_broken(
    *,
    actor: User,
    batch: Batch,
    step_number: int,
    item: ApparatusItem,
    idempotency_key: str,
    seen_version: int | None = None,
) -> Mishap:
    """A piece of the apparatus of this work broke: there is one less, and plans don't count on it again.

    A balance is taken out of service instead. Whoever else relies on it is told.

    Raises:
        InvalidInput: field ``item``: it isn't used here, or none was left by the list.
        Conflict, NotInThisState: as :func:`note_spill`.
    """
    policy.require(actor, "work_batch")
    sending = Sending(actor, batch, step_number, Mishap.Kind.BROKEN, idempotency_key, seen_version)

    def break_it(locked: Batch, sheet: Sheet) -> Mishap:
        if item.pk not in items_of(sheet.plan):
            raise InvalidInput({"item": "That is not used here. Choose what broke."})
        now = ApparatusItem.objects.select_for_update(no_key=True).get(pk=item.pk)
        reason, key = f"Broke at {locked.reference}", f"mishap-{idempotency_key}"
        if now.type == ApparatusItem.Type.BALANCE:
            set_in_service(
                actor=actor,
                item=now,
                in_service=False,
                reason=reason,
                idempotency_key=f"mishap-{idempotency_key}",
            )
        elif now.count:
            change_count(actor=actor, item=now, count=now.count - 1, reason=reason, idempotency_key=key)
        return keep_mishap(sending, batch=locked, sheet=sheet, text=item.words, lost={})

    return once(sending, break_it)
