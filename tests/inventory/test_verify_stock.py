"""The command that compares the ledger with its caches, and that it can fail."""

from io import StringIO

import pytest
from django.core.management import CommandError, call_command
from django.db import connection

from inventory.models import Hold
from inventory.services import draw_holds, hold_stock, reverse_movement, split_lot

pytestmark = pytest.mark.django_db


def verify() -> tuple[int, str]:
    out, err = StringIO(), StringIO()
    try:
        call_command("verify_stock", stdout=out, stderr=err)
    except CommandError as error:
        return error.returncode, f"{err.getvalue()}{error}"
    return 0, out.getvalue()


def tamper(sql: str, *values: object) -> None:
    """Change a row behind the ledger's back, as a hand in the database would."""
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            cursor.execute("SET CONSTRAINTS ALL IMMEDIATE")
            cursor.execute("ALTER TABLE inventory_movement DISABLE TRIGGER movement_is_append_only")
        cursor.execute(sql, values)


@pytest.fixture
def worked(bottle, prep):
    """A lot with an active, a drawn, a released and a reversed hold."""
    lot = bottle("100")
    holds = [
        hold_stock(actor=prep, draws={lot.pk: 10_000_000}, purpose=f"B-260{n}", idempotency_key=f"hold {n}")[
            lot.pk
        ]
        for n in range(4)
    ]
    _, drawn, released, undone = holds
    rows = draw_holds(
        actor=prep,
        amounts={drawn.pk: 9_900_000, released.pk: 0, undone.pk: 10_000_000},
        reason="Worked",
        idempotency_key="draw",
    )
    mistake = next(row for row in rows if row.hold_id == undone.pk)
    reverse_movement(actor=prep, movement=mistake, reason="Wrong bottle", idempotency_key="undo")
    return lot


def test_a_sound_ledger_is_said_to_be_sound(worked):
    code, said = verify()
    assert code == 0
    assert said.strip() == "No difference in 1 lots, 4 movements, 4 holds."


@pytest.mark.parametrize(
    ("sql", "words"),
    [
        (
            "UPDATE inventory_lot SET on_hand = on_hand + 1000000",
            "on hand is 91.1 g, but its rows make 90.1 g",
        ),
        ("UPDATE inventory_lot SET held = held - 5", "held is 9.999995 g, but its rows make 10 g"),
        ("UPDATE inventory_movement SET amount = amount + 2000000 WHERE kind = 'received'", "on hand"),
        ("DELETE FROM inventory_movement WHERE kind = 'reversed'", "on hand"),
        (
            "UPDATE inventory_hold SET state = 'released' WHERE state = 'drawn'",
            "but movements were drawn of it",
        ),
        ("UPDATE inventory_hold SET state = 'drawn' WHERE state = 'released'", "but no movement says so"),
        ("UPDATE inventory_hold SET state = 'active' WHERE state = 'released'", "held"),
        ("UPDATE inventory_movement SET amount = 30000000 WHERE kind = 'reversed'", "does not undo"),
        ("UPDATE inventory_movement SET amount = 30000000 WHERE kind = 'reversed'", "gave back more"),
    ],
)
def test_a_row_changed_behind_the_ledger_is_found(worked, sql, words):
    tamper(sql)
    code, said = verify()
    assert code == 1
    assert words in said
    assert worked.code in said


@pytest.mark.parametrize(
    ("sql", "words"),
    [
        (
            "UPDATE inventory_movement SET amount = 31000000 WHERE kind = 'poured' AND amount > 0",
            "out of nothing",
        ),
        (
            "UPDATE inventory_movement SET pouring = 'other' WHERE kind = 'poured' AND amount > 0",
            "out of nothing",
        ),
        (
            "DELETE FROM inventory_movement WHERE kind = 'reversed' AND amount > 0",
            "undone in 1 of its 2 rows",
        ),
        (
            "UPDATE inventory_movement SET pouring = '' WHERE kind = 'reversed'",
            "a part of a pouring by itself",
        ),
    ],
)
def test_a_pouring_that_was_broken_behind_the_ledger_is_found(bottle, prep, sql, words):
    lot = bottle("100")
    sent = {"amounts": ["30"], "unit": "g", "place": None, "reason": "Bench"}
    split_lot(actor=prep, lot=lot, **sent, idempotency_key="1")
    split_lot(actor=prep, lot=lot, **sent, idempotency_key="2")
    entry = lot.movements.filter(kind="poured").last()
    reverse_movement(actor=prep, movement=entry, reason="Wrong bottle", idempotency_key="undo")
    assert verify()[0] == 0
    tamper(sql)
    code, said = verify()
    assert code == 1
    assert words in said


def test_a_movement_of_another_lot_on_a_hold_is_found(worked, bottle):
    other = bottle("100")
    drawn = Hold.objects.filter(state="drawn").first()
    tamper("UPDATE inventory_movement SET lot_id = %s WHERE hold_id = %s", other.pk, drawn.pk)
    code, said = verify()
    assert code == 1
    assert "has a movement of another lot" in said
