"""What people say to each other about an order; it stands with the order and is never changed."""

from typing import Final

from django.db import IntegrityError, transaction

from inventory.services import in_transaction_with_retries
from prepdesk.access import policy
from prepdesk.accounts.models import User
from prepdesk.core.errors import Conflict, InvalidInput, NotAllowed
from requests_app.models import Order, OrderComment
from requests_app.selectors import orders_visible_to
from requests_app.services.telling_changes import tell_comment

TEXT_LENGTH: Final = 2000


def comment_order(*, actor: User, order: Order, text: str, idempotency_key: str) -> OrderComment:
    """Say something about an order; the others concerned are told. The same form says it once.

    Raises:
        NotAllowed: an order that the actor may not see.
        InvalidInput: field ``text``, empty or longer than :data:`TEXT_LENGTH` characters.
        Conflict: the key was used for another comment.
    """
    policy.require(actor, "comment_order")
    said = text.replace("\r\n", "\n").strip()
    if not said:
        raise InvalidInput({"text": "Write something first."})
    if len(said) > TEXT_LENGTH:
        raise InvalidInput({"text": f"That is {len(said)} characters long; {TEXT_LENGTH} fit."})
    if not orders_visible_to(actor).filter(pk=order.pk).exists():
        raise NotAllowed("This order is another person's. Ask them, or a manager.")

    def say() -> OrderComment:
        key = f"{order.pk}-{actor.pk}-{idempotency_key}"[:120]
        try:
            with transaction.atomic():
                comment = OrderComment.objects.create(
                    order=order, author=actor, text=said, idempotency_key=key
                )
        except IntegrityError:
            first = OrderComment.objects.get(idempotency_key=key)
            if first.text != said:
                raise Conflict(
                    f"This form was sent before and said: “{first.text[:80]}”. Write a further comment."
                ) from None
            return first
        tell_comment(comment=comment)
        return comment

    return in_transaction_with_retries(say)
