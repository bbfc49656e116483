"""Counting shelves: lines, two people, draws in between, posting, what nobody has seen."""

import pytest
from django.urls import reverse

from inventory import states
from inventory.models import Lot, Movement, Stocktake, StocktakeLine
from inventory.selectors import count_rows, lines_of, not_seen, stock_differences
from inventory.services import (
    CountedBefore,
    Found,
    add_place,
    begin_stocktake,
    count_lots,
    draw_holds,
    give_up_stocktake,
    hold_stock,
    post_stocktake,
    state_of_lines,
    undo_line,
)
from prepdesk.core.errors import Conflict, InvalidInput, NotAllowed, NotInThisState
from tests.inventory.conftest import new_key
from tests.inventory.test_pages import at_bench, page, words

__all__ = ["at_bench"]
pytestmark = pytest.mark.django_db
G = 1_000_000


@pytest.fixture
def cabinet(prep):
    room = add_place(actor=prep, name="Stockroom", kind="room")
    top = add_place(actor=prep, name="Top shelf", parent=room, kind="shelf")
    low = add_place(actor=prep, name="Low shelf", parent=room, kind="shelf")
    return {"room": room, "top": top, "low": low}


@pytest.fixture
def take(prep, cabinet):
    return begin_stocktake(actor=prep, place=cabinet["room"], idempotency_key="begin")


@pytest.fixture
def counted(prep, take):
    """Count one lot: ``counted(lot, "480")``."""

    def write(lot, amount, at=None, actor=prep, unit="g", **more):
        more.setdefault("idempotency_key", new_key())
        return count_lots(actor=actor, stocktake=take, found=[Found(lot, amount, unit)], at=at, **more)[0]

    return write


@pytest.fixture
def post(prep, take):
    def send(**more):
        return post_stocktake(actor=prep, stocktake=take, **{"seen": state_of_lines(take), **more})

    return send


def on_hand(lot) -> int:
    return Lot.objects.get(pk=lot.pk).on_hand


# --- lines ------------------------------------------------------------------------------------------------
def test_what_was_found_is_posted_as_corrections_with_reasons_in_one_stroke(
    prep, take, counted, post, bottle, cabinet
):
    less, more, same, gone = (bottle("500", place=cabinet["top"]) for _ in range(4))
    first, second = counted(less, "480"), counted(more, "0.51", unit="kg")
    counted(same, "500")
    post(reason="Counted twice", reasons={second.pk: "A second bottle"}, answers={gone.pk: "not_found"})
    assert [on_hand(lot) // G for lot in (less, more, same, gone)] == [480, 510, 500, 0]
    movements = Movement.objects.filter(kind="corrected").order_by("lot_id")
    assert [row.reason.split(": ", 1)[1] for row in movements] == [
        "Counted twice",
        "A second bottle",
        "Counted twice",
    ]
    first.refresh_from_db()
    assert first.movement.amount == -20 * G
    assert same.events.get().event == "count"
    assert Lot.objects.get(pk=gone.pk).state == states.EMPTY
    take.refresh_from_db()
    assert (take.state, take.closed_by) == ("posted", prep)
    assert stock_differences() == []


def test_a_draw_between_the_count_and_the_posting_is_not_undone(prep, counted, post, bottle, cabinet):
    lot = bottle("500", place=cabinet["top"])
    hold = hold_stock(actor=prep, draws={lot.pk: 100 * G}, purpose="B-2601", idempotency_key="h")[lot.pk]
    counted(lot, "490")
    draw_holds(actor=prep, amounts={hold.pk: 100 * G}, reason="Batch B-2601", idempotency_key="d")
    post(reason="Spilt")
    # 500 g less 100 g drawn less the 10 g that were missing before; 490 g would undo the draw.
    assert on_hand(lot) == 390 * G
    assert stock_differences() == []


def test_a_receipt_of_all_that_was_counted_cannot_be_drawn_below_nothing(
    prep, counted, post, bottle, cabinet
):
    lot = bottle("100", place=cabinet["top"])
    counted(lot, "40")
    hold = hold_stock(actor=prep, draws={lot.pk: 70 * G}, purpose="B-2601", idempotency_key="h")[lot.pk]
    draw_holds(actor=prep, amounts={hold.pk: 70 * G}, reason="Batch B-2601", idempotency_key="d")
    with pytest.raises(InvalidInput) as refusal:
        post(reason="Spilt")
    (told,) = refusal.value.errors.values()
    assert "30 g are on hand now. Count it again." in told
    assert on_hand(lot) == 30 * G


def test_holds_that_the_count_leaves_no_room_for_are_named_and_the_rest_is_not_posted(
    prep, take, counted, post, bottle, cabinet
):
    held, other = bottle("100", place=cabinet["top"]), bottle("100", place=cabinet["top"])
    hold_stock(actor=prep, draws={held.pk: 60 * G}, purpose="B-2601 for CH 101", idempotency_key="h")
    line = counted(held, "40")
    counted(other, "90")
    with pytest.raises(InvalidInput) as refusal:
        post(reason="Spilt")
    assert "60 g of" in refusal.value.errors[f"reason_{line.pk}"]
    assert "B-2601 for CH 101" in refusal.value.errors[f"reason_{line.pk}"]
    assert (on_hand(held), on_hand(other)) == (100 * G, 100 * G)
    post(reason="Spilt", leave=[line.pk])
    assert (on_hand(held), on_hand(other)) == (100 * G, 90 * G)
    line.refresh_from_db()
    assert line.outcome == states.LEFT_OPEN


def test_every_difference_needs_a_reason_and_every_unseen_lot_an_answer(counted, post, bottle, cabinet):
    lot, unseen = bottle("500", place=cabinet["top"]), bottle("500", place=cabinet["low"])
    counted(lot, "480")
    with pytest.raises(InvalidInput) as refusal:
        post()
    assert set(refusal.value.errors) == {"reason", f"answer_{unseen.pk}"}
    post(reason="Spilt", answers={unseen.pk: "left_open"})
    assert (on_hand(lot), on_hand(unseen)) == (480 * G, 500 * G)
    assert StocktakeLine.objects.get(lot=unseen).outcome == states.LEFT_OPEN


def test_the_same_form_sent_twice_counts_once_and_another_amount_is_refused(counted, bottle, cabinet, take):
    lot = bottle("500", place=cabinet["top"])
    one, two = (counted(lot, "480", idempotency_key="k") for _ in range(2))
    assert one.pk == two.pk
    with pytest.raises(Conflict):
        counted(lot, "470", idempotency_key="k")
    assert take.lines.count() == 1


def test_a_line_is_taken_back_and_counted_again_and_both_stay_readable(prep, take, counted, bottle, cabinet):
    lot = bottle("500", place=cabinet["top"])
    wrong = counted(lot, "48")
    undo_line(actor=prep, line=wrong)
    assert not_seen(take) == [lot]
    counted(lot, "480")
    assert [line.counted for line in lines_of(take)] == [480 * G]
    assert take.lines.count() == 2
    wrong.refresh_from_db()
    assert wrong.undone_by == prep


def test_what_another_person_counted_is_told_with_the_name_and_replaced_only_on_purpose(
    counted, bottle, cabinet, second_prep, take
):
    lot = bottle("500", place=cabinet["top"])
    counted(lot, "480")
    with pytest.raises(CountedBefore, match=r"Pia Brook counted .* 480 g"):
        counted(lot, "470", actor=second_prep)
    counted(lot, "470", actor=second_prep, again=True)
    assert [(line.counted, line.counted_by) for line in lines_of(take)] == [(470 * G, second_prep)]


def test_a_stale_page_of_differences_posts_nothing(take, counted, post, bottle, cabinet):
    lot, late = bottle("500", place=cabinet["top"]), bottle("500", place=cabinet["top"])
    counted(lot, "480")
    seen = state_of_lines(take)
    counted(late, "1")
    with pytest.raises(Conflict, match="Since the page was shown"):
        post(seen=seen, reason="Spilt")
    assert on_hand(late) == 500 * G


@pytest.mark.parametrize("event", ["post", "give_up"])
def test_a_closed_count_takes_no_more_lines_and_is_closed_once(
    event, prep, take, counted, post, bottle, cabinet
):
    lot = bottle("500", place=cabinet["top"])
    line = counted(lot, "500")
    if event == "post":
        post()
    else:
        give_up_stocktake(actor=prep, stocktake=take, reason="Fire drill")
    assert Stocktake.objects.get().state == states.STOCKTAKE_NEXT[states.COUNTING, event]
    for refused in (
        lambda: counted(lot, "1"),
        lambda: undo_line(actor=prep, line=line),
        lambda: post(reason="again"),
        lambda: give_up_stocktake(actor=prep, stocktake=take, reason="again"),
    ):
        with pytest.raises(NotInThisState, match="Pia Brook"):
            refused()
    assert on_hand(lot) == 500 * G


def test_an_instructor_counts_nothing(take, counted, post, bottle, cabinet, instructor):
    lot = bottle("500", place=cabinet["top"])
    with pytest.raises(NotAllowed):
        counted(lot, "1", actor=instructor)
    with pytest.raises(NotAllowed):
        begin_stocktake(actor=instructor, place=cabinet["top"], idempotency_key="x")


# --- the pages --------------------------------------------------------------------------------------------
def test_a_scanned_lot_is_counted_and_the_page_goes_on_at_the_same_shelf(at_bench, take, bottle, cabinet):
    lot = bottle("500", place=cabinet["top"])
    here = page("count", take.pk)
    asked = at_bench.get(here, {"at": cabinet["top"].code, "scan": lot.code.lower()})
    assert "By the ledger 500 g" in words(asked)
    key = asked.context["one"]["idempotency_key"].value()
    sent = {
        "scan": lot.code,
        "at": cabinet["top"].code,
        f"counted_{lot.pk}": "480,0",
        f"unit_{lot.pk}": "g",
        "idempotency_key": key,
    }
    answer = at_bench.post(here, sent)
    assert answer["Location"] == f"{here}?at={cabinet['top'].code}"
    assert "480 g counted, 20 g less than the ledger says" in words(at_bench.get(answer["Location"]))
    at_bench.post(here, sent)
    assert take.lines.count() == 1


def test_a_code_typed_as_an_amount_counts_nothing_and_says_so(at_bench, take, bottle, cabinet):
    lot, other = bottle("500", place=cabinet["top"]), bottle("500", place=cabinet["top"])
    for scan in (other.code, "L00001X", "4006381333931"):
        sent = {"scan": lot.code, f"counted_{lot.pk}": scan, f"unit_{lot.pk}": "g", "idempotency_key": "k"}
        answer = at_bench.post(page("count", take.pk), sent)
        assert answer.status_code == 422
        assert f'value="{scan}"' in answer.content.decode()
    assert "is a scanned code and no amount" in words(
        at_bench.post(page("count", take.pk), {**sent, f"counted_{lot.pk}": other.code})
    )
    assert take.lines.count() == 0


def test_a_scanned_shelf_is_where_one_stands_and_a_garbled_code_is_called_that(at_bench, take, cabinet, prep):
    here = page("count", take.pk)
    assert at_bench.get(here, {"scan": cabinet["low"].code})["Location"] == f"{here}?at={cabinet['low'].code}"
    assert "keyboard layout" in words(at_bench.get(here, {"scan": "Là&é\"'X"}))
    other = add_place(actor=prep, name="Elsewhere")
    assert "not part of this count" in words(at_bench.get(here, {"scan": other.code}))


def test_a_list_is_typed_down_and_only_what_was_typed_is_counted(at_bench, take, bottle, cabinet):
    lots = [bottle("500", place=cabinet["top"]) for _ in range(3)]
    sent = {f"counted_{lots[0].pk}": "500", f"counted_{lots[2].pk}": "0", "idempotency_key": "k"}
    at_bench.post(page("count", take.pk), {**sent, "at": cabinet["top"].code})
    assert {line.lot_id: line.counted for line in take.lines.all()} == {lots[0].pk: 500 * G, lots[2].pk: 0}
    wrong = at_bench.post(page("count", take.pk), {f"counted_{lots[1].pk}": "2.4.0", "idempotency_key": "j"})
    assert wrong.status_code == 422
    assert "2.4.0" in wrong.content.decode()


def test_a_blind_count_hides_what_the_ledger_expects_until_it_is_counted(at_bench, prep, bottle, cabinet):
    lot = bottle("473", place=cabinet["top"])
    blind = begin_stocktake(actor=prep, place=cabinet["top"], blind=True, idempotency_key="blind")
    for address in (
        page("count_close", blind.pk),
        page("count", blind.pk),
        f"{page('count', blind.pk)}?scan={lot.code}",
        page("count_paper", blind.pk),
    ):
        assert "473" not in words(at_bench.get(address)), address
    count_lots(actor=prep, stocktake=blind, found=[Found(lot, "470", "g")], at=None, idempotency_key="k")
    assert "473 g 470 g" in words(at_bench.get(page("count", blind.pk)))


def test_a_lot_found_elsewhere_is_counted_and_may_stay_there(at_bench, take, counted, bottle, cabinet):
    lot = bottle("500", place=cabinet["low"])
    line = counted(lot, "500", at=cabinet["top"])
    said = words(at_bench.get(page("count", take.pk), {"at": cabinet["top"].code}))
    assert "Found in Top shelf; by its record it stands in Stockroom / Low shelf" in said
    at_bench.post(page("count_move_here", take.pk, line.pk))
    lot.refresh_from_db()
    assert lot.place == cabinet["top"]


def test_two_on_one_shelf_are_told_of_each_other_and_two_on_two_are_not(
    client, take, counted, bottle, cabinet, second_prep
):
    counted(bottle("500", place=cabinet["top"]), "500", at=cabinet["top"])
    client.force_login(second_prep)
    here = page("count", take.pk)
    assert "is being counted by Pia Brook" in words(client.get(here, {"at": cabinet["top"].code}))
    assert "You are not alone" not in words(client.get(here, {"at": cabinet["low"].code}))


def test_a_second_count_by_another_person_is_offered_and_not_taken_silently(
    client, take, counted, bottle, cabinet, second_prep
):
    lot = bottle("500", place=cabinet["top"])
    counted(lot, "480")
    client.force_login(second_prep)
    sent = {"scan": lot.code, f"counted_{lot.pk}": "470", f"unit_{lot.pk}": "g", "idempotency_key": "k"}
    answer = client.post(page("count", take.pk), sent)
    assert answer.status_code == 409
    assert "Count it again" in words(answer)
    client.post(page("count", take.pk), {**sent, "again": "yes"})
    assert [line.counted for line in lines_of(take)] == [470 * G]


def test_the_differences_are_posted_from_their_page_and_stand_in_the_history(
    at_bench, take, counted, bottle, cabinet
):
    lot, unseen = bottle("500", place=cabinet["top"]), bottle("300", place=cabinet["low"])
    line = counted(lot, "480")
    close = page("count_close", take.pk)
    shown = at_bench.get(close)
    assert "500 g 480 g −20 g" in words(shown)
    sent = {"seen": shown.context["form"]["seen"].value(), "idempotency_key": "k"}
    refused = at_bench.post(close, sent)
    assert refused.status_code == 422
    assert "Say why they differ" in words(refused)
    assert f"{unseen.code} was not seen" in words(refused)
    sent |= {f"reason_{line.pk}": "Spilt", "reason": "Not on its shelf", f"answer_{unseen.pk}": "not_found"}
    assert at_bench.post(close, sent)["Location"] == page("count", take.pk)
    said = words(at_bench.get(page("count", take.pk)))
    assert "Posted" in said
    assert "Not found, corrected" in said
    assert "Spilt" in said
    assert (on_hand(lot), on_hand(unseen)) == (480 * G, 0)
    assert f"Count {take.pk}" in words(at_bench.get(page("counts")))
    late = at_bench.post(page("count", take.pk), {"scan": lot.code, f"counted_{lot.pk}": "1"})
    assert late.status_code == 409
    assert "was closed by Pia Brook" in words(late)


def test_many_lots_are_listed_in_a_bounded_number_of_queries(
    take, bottle, cabinet, django_assert_max_num_queries
):
    for _ in range(12):
        bottle("500", place=cabinet["top"])
    with django_assert_max_num_queries(8):
        rows = count_rows(take)
        assert len([row.name for row in rows]) == 12


def test_a_count_is_begun_from_a_place_once(at_bench, cabinet):
    begin = f"{reverse('inventory:counts')}?place={cabinet['top'].code}"
    assert f'value="{cabinet["top"].pk}" selected' in at_bench.get(begin).content.decode()
    sent = {"place": cabinet["top"].pk, "blind": "on", "note": "Autumn", "idempotency_key": "once"}
    first, second = (at_bench.post(begin, sent) for _ in range(2))
    assert first["Location"] == second["Location"]
    row = Stocktake.objects.get()
    assert (row.blind, row.note) == (True, "Autumn")


def test_whatever_has_no_answer_may_be_left_open_with_one_tick(at_bench, take, counted, bottle, cabinet):
    gone, *rest = (bottle("300", place=cabinet["low"]) for _ in range(3))
    sent = {"seen": state_of_lines(take), "rest_open": "on", "reason": "Gone", "idempotency_key": "k"}
    answer = at_bench.post(page("count_close", take.pk), {**sent, f"answer_{gone.pk}": "not_found"})
    assert answer.status_code == 302
    assert [on_hand(lot) // G for lot in (gone, *rest)] == [0, 300, 300]
