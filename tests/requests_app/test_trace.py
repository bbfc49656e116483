"""From a bottle to whoever got of it, and from an order back to the bottles."""

import csv
import io
import re

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from inventory.models import Lot, LotParent, Movement
from inventory.selectors import descendants_of, family_above, family_below
from requests_app.selectors import made_from, made_from_batch, went_into
from requests_app.services.claiming import claim_batch
from requests_app.services.closing import finish_batch
from requests_app.services.handing_over import hand_over_batch
from tests.requests_app.test_batches import do_steps

pytestmark = pytest.mark.django_db


def made(order, actor):
    batch = claim_batch(actor=actor, batch=order.batch)
    do_steps(batch, actor)
    return finish_batch(actor=actor, batch=batch)


@pytest.fixture
def child_of():
    """A bottle made of others, by a row alone: ``child_of(lot, lot)``."""

    def make(*parents: Lot, split: bool = False) -> Lot:
        first = parents[0]
        number = Lot.objects.count() + 1
        lot = Lot.objects.create(
            code=f"T{number:05d}",
            substance=first.substance,
            kind="solution",
            unit="mL",
            title=f"dilution {number}",
            split_from=first if split else None,
        )
        if not split:
            LotParent.objects.bulk_create([LotParent(child=lot, parent=parent) for parent in parents])
        return lot

    return make


def pour(sources: dict, targets: dict, actor, name="pouring") -> None:
    for number, (lot, amount) in enumerate(
        [*((lot, -amount) for lot, amount in sources.items()), *targets.items()]
    ):
        Movement.objects.create(
            lot=lot,
            kind="poured",
            amount=amount,
            actor=actor,
            pouring=name,
            idempotency_key=f"{name}#{number}",
        )


# --- from lot to lot ------------------------------------------------------------------------------
def test_fifty_steps_are_found_in_as_many_queries_as_one(salt, child_of, django_assert_num_queries, manager):
    chain = [salt]
    for _ in range(50):
        chain.append(child_of(chain[-1]))
    with django_assert_num_queries(2):
        assert set(family_below(salt).lots) == {lot.pk for lot in chain}
    with django_assert_num_queries(2):
        assert set(family_above(chain[-1]).lots) == {lot.pk for lot in chain}
    with django_assert_num_queries(1):
        assert len(descendants_of(salt)) == 50
    rows = went_into(salt, actor=manager)
    assert [row.depth for row in rows] == list(range(51))


def test_a_thousand_children_take_the_same_queries_as_two(client, prep, salt, child_of, manager):
    def queries() -> int:
        with CaptureQueriesContext(connection) as counted:
            assert client.get(f"/stock/lots/{salt.code}/trace/").status_code == 200
        return len(counted)

    client.force_login(prep)
    child_of(salt)
    child_of(salt)
    few = queries()
    lots = [
        Lot(code=f"W{number:05d}", substance=salt.substance, kind="solution", unit="mL")
        for number in range(998)
    ]
    Lot.objects.bulk_create(lots)
    children = Lot.objects.filter(code__startswith="W")
    LotParent.objects.bulk_create([LotParent(child=child, parent=salt) for child in children])
    assert queries() == few
    assert len(went_into(salt, actor=manager)) == 1001


def test_leftovers_poured_in_a_circle_end_the_walk(salt, child_of, prep, manager):
    first, second = child_of(salt), child_of(salt)
    pour({first: 5}, {second: 5}, prep, "there")
    pour({second: 5}, {first: 5}, prep, "and back")
    assert {lot.pk for lot in descendants_of(first)} == {second.pk}
    rows = went_into(first, actor=manager)
    assert [(row.lot.pk, row.again) for row in rows] == [
        (first.pk, False),
        (second.pk, False),
        (first.pk, True),
    ]


def test_what_was_split_off_and_poured_over_belongs_to_it(salt, child_of, prep, manager):
    smaller = child_of(salt, split=True)
    cup = child_of(
        salt.__class__.objects.create(code="X", substance=salt.substance, kind="solution", unit="mL")
    )
    pour({smaller: 2_000}, {cup: 2_000}, prep)
    assert [lot.pk for lot in descendants_of(salt)] == [smaller.pk, cup.pk]
    last = went_into(salt, actor=manager)[-1]
    assert (last.lot, last.way, last.amount, last.unit) == (cup, "poured", 2, "mL")
    assert {lot.pk for lot in family_above(cup).lots.values()} >= {salt.pk, smaller.pk}


def test_a_lot_that_two_ways_lead_to_is_told_once_with_what_follows(salt, child_of, manager):
    left, right = child_of(salt), child_of(salt)
    both = child_of(left, right)
    last = child_of(both)
    rows = [(row.lot.code, row.again) for row in went_into(salt, actor=manager)]
    assert rows.count((both.code, False)) == rows.count((both.code, True)) == 1
    assert rows.count((last.code, False)) == 1


# --- from a bottle to the sections ----------------------------------------------------------------
def test_a_bottle_is_followed_to_the_sections_with_amounts_times_and_people(
    salt, send, prep, instructor, manager
):
    handed = hand_over_batch(actor=prep, batch=made(send(), prep))
    waiting = send(room="305").batch
    rows = went_into(salt, actor=manager)
    assert [(row.depth, row.way) for row in rows] == [(0, "start"), (1, "drawn"), (1, "held")]
    drawn, held = rows[1:]
    # 2.00 mol/L of 58.44 g/mol: 990 mL hold 115.7 g (common practice); a litre flask makes 1000 mL of it.
    assert 115 < drawn.amount < 118
    assert drawn.unit == "g"
    assert (drawn.making.batch, drawn.lot) == (handed, handed.prepared_lot)
    assert drawn.making.made_by == drawn.making.handed_over_by == prep
    assert drawn.making.handed_over_at is not None
    (order,) = drawn.making.orders
    assert order.ordered_by == instructor
    assert [section.name for section in order.sections.all()] == ["A", "B", "C"]
    assert (held.making.batch, held.lot, held.making.handed_over_at) == (waiting, None, None)


def test_what_was_given_back_was_not_got(salt, send, prep, instructor, manager):
    from requests_app.services.orders import cancel_order

    cancel_order(actor=instructor, order=send())
    assert len(went_into(salt, actor=manager)) == 1


def test_the_page_of_a_bottle_shows_both_ways(client, salt, send, prep):
    batch = hand_over_batch(actor=prep, batch=made(send(), prep))
    order = batch.orders.get()
    client.force_login(prep)
    html = client.get(f"/stock/lots/{salt.code}/trace/").content.decode()
    for text in (batch.reference, order.reference, batch.prepared_lot.code, "CH 101", "A, B, C", "Pia Brook"):
        assert text in html
    assert "1 other lot, 1 batch and 1 order; 1 of the batches is handed over" in re.sub(r"\s+", " ", html)
    assert html.count("<ul") == html.count("</ul>")
    assert html.count("<li>") == html.count("</li>")
    up = client.get(f"/stock/lots/{batch.prepared_lot.code}/trace/").content.decode()
    assert salt.code in up
    assert f"maker’s lot number {salt.lot_number}" in up
    assert "assay 100.0 ± 0.1 %" in up


def test_the_lists_are_well_formed_whatever_the_shape(client, salt, child_of, prep):
    from xml.etree import ElementTree

    deep = salt
    for _ in range(9):
        child_of(deep)
        deep = child_of(deep)
    child_of(salt)
    client.force_login(prep)
    html = client.get(f"/stock/lots/{salt.code}/trace/").content.decode()
    part = html[html.index('<ul class="trace">') : html.index("</section>")]
    tree = ElementTree.fromstring(part.replace("&nbsp;", " "))
    assert len(list(tree.iter("li"))) == 20
    assert "Step 9:" in part


def test_the_page_of_a_bottle_is_not_for_those_who_see_no_ledger(client, instructor, salt):
    client.force_login(instructor)
    assert client.get(f"/stock/lots/{salt.code}/trace/").status_code == 403
    assert "trace" not in client.get(f"/stock/lots/{salt.code}/").content.decode().split("<main")[1]


def rows_of(answer) -> list[dict[str, str]]:
    text = b"".join(answer.streaming_content).decode().lstrip("\ufeff")
    return list(csv.DictReader(io.StringIO(text)))


def test_the_file_has_a_line_for_each_order_and_both_directions(client, salt, send, prep):
    batch = hand_over_batch(actor=prep, batch=made(send(), prep))
    client.force_login(prep)
    first, second, third = rows_of(client.get(f"/stock/lots/{salt.code}/trace/csv/"))
    assert (first["direction"], first["lot"], first["maker's lot number"]) == (
        "went into",
        salt.code,
        salt.lot_number,
    )
    assert (second["batch"], second["lot"], second["how"], second["sections"]) == (
        batch.reference,
        batch.prepared_lot.code,
        "drawn",
        "A B C",
    )
    assert second["handed over at"]
    assert third["direction"] == "made from"


# --- from an order back ---------------------------------------------------------------------------
def test_an_order_is_followed_back_to_the_received_bottle_with_its_certificate(salt, send, prep, manager):
    order = send()
    (start, held) = made_from_batch(order.batch, actor=manager)
    assert (start.lot, start.making.batch) == (None, order.batch)
    assert (held.lot, held.way) == (salt, "held")
    batch = made(order, prep)
    (start, drawn) = made_from(batch.prepared_lot, actor=manager)
    assert (start.lot, start.making.batch) == (batch.prepared_lot, batch)
    assert (drawn.lot, drawn.way, drawn.making) == (salt, "drawn", None)
    assert drawn.lot.assay_percent == "100.0"


def test_an_instructor_reads_what_went_into_their_own_order_and_nothing_of_others(
    client, instructor, colleague, salt, send, prep
):
    order = send()
    made(order, prep)
    client.force_login(instructor)
    html = client.get(f"/orders/{order.reference}/").content.decode()
    assert f"/orders/{order.reference}/trace/" in html
    html = client.get(f"/orders/{order.reference}/trace/").content.decode()
    assert salt.code in html
    assert "/batches/" not in html
    (first, _) = rows_of(client.get(f"/orders/{order.reference}/trace/csv/"))
    assert first["order"] == order.reference
    client.force_login(colleague)
    assert client.get(f"/orders/{order.reference}/trace/").status_code == 404
    assert client.get(f"/orders/{order.reference}/trace/csv/").status_code == 404


def test_a_waiting_order_says_that_no_bottle_is_chosen(client, instructor, bench, send):
    order = send()
    client.force_login(instructor)
    html = client.get(f"/orders/{order.reference}/trace/").content.decode()
    assert "no bottle is chosen" in html
