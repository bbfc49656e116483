"""In the admin the past can be read and not changed, not even by a superuser."""

import pytest
from django.urls import reverse

from inventory.models import Attachment, Lot, LotEvent, Movement, SubstanceEvent, WasteStream
from inventory.services import change_lot_state, hold_stock
from tests.inventory.test_lots import prepared

pytestmark = pytest.mark.django_db


@pytest.fixture
def root(client, person):
    client.force_login(person("root", "manager", is_superuser=True, is_staff=True))
    return client


@pytest.fixture
def rows(bottle, prep, salt):
    lot = bottle()
    made = prepared(prep, salt, [lot])
    hold = hold_stock(actor=prep, draws={lot.pk: 1_000_000}, purpose="B-2601", idempotency_key="h")[lot.pk]
    change_lot_state(actor=prep, lot=lot, event="quarantine", reason="Label came off")
    return {
        "movement": lot.movements.get(),
        "hold": hold,
        "lotevent": lot.events.get(),
        "lotparent": made.parent_links.get(),
        "lot": lot,
        "substanceevent": SubstanceEvent.objects.create(substance=salt, event="facts", actor=prep),
        "attachment": Attachment.objects.create(
            lot=lot, kind="other", name="a.pdf", size=1, stored_as="a", added_by=prep, idempotency_key="a"
        ),
        "wastestream": WasteStream.objects.create(name="Sink"),
    }


@pytest.mark.parametrize(
    "model",
    [
        "movement",
        "hold",
        "lotevent",
        "lotparent",
        "lot",
        "substanceevent",
        "attachment",
        "wastestream",
    ],
)
def test_a_superuser_reads_the_past_and_cannot_add_change_or_delete_it(root, rows, model):
    row = rows[model]

    def address(action: str, *args: object) -> str:
        return reverse(f"admin:inventory_{model}_{action}", args=args)

    assert root.get(address("changelist")).status_code == 200
    assert root.get(address("change", row.pk)).status_code == 200
    assert root.get(address("add")).status_code == 403
    assert root.post(address("change", row.pk), {"amount": "1", "reason": "x"}).status_code == 403
    assert root.post(address("delete", row.pk), {"post": "yes"}).status_code == 403
    bulk = {"action": "delete_selected", "_selected_action": [row.pk], "post": "yes"}
    root.post(address("changelist"), bulk)
    assert type(row).objects.get(pk=row.pk)


def test_nothing_was_written_by_looking(root, rows):
    before = Movement.objects.count(), LotEvent.objects.count(), list(Lot.objects.values())
    for model in rows:
        root.get(reverse(f"admin:inventory_{model}_changelist"))
    assert (Movement.objects.count(), LotEvent.objects.count(), list(Lot.objects.values())) == before


@pytest.mark.parametrize("model", ["place", "apparatusitem", "substance"])
def test_places_and_apparatus_can_be_mended_there(root, model):
    assert root.get(reverse(f"admin:inventory_{model}_changelist")).status_code == 200
