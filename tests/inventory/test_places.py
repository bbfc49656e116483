"""Places as a tree; what stands there; what should not stand together."""

import pytest
from django.core.management import call_command
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from inventory import codes
from inventory.models import Lot, LotEvent, Place, Substance
from inventory.selectors import conflicts_if_put, place_tree, places, standing_in, storage_conflicts, within
from inventory.services import (
    add_place,
    change_place,
    move_lot,
    move_lots,
    receive_lot,
    reopen_place,
    retire_place,
)
from prepdesk.core.errors import InvalidInput, NotAllowed, NotInThisState
from tests.inventory.conftest import new_key
from tests.inventory.test_pages import at_bench, field_errors, page, words

__all__ = ["at_bench"]
pytestmark = pytest.mark.django_db


@pytest.fixture
def store(prep):
    """A room with two cabinets of two shelves each, and a refrigerator."""

    def add(name, parent=None, kind="shelf"):
        return add_place(actor=prep, name=name, parent=parent, kind=kind)

    room = add("Stockroom", kind="room")
    made = {"room": room, "cold": add("Refrigerator", room, "cold")}
    for cabinet in ("one", "two"):
        made[cabinet] = add(f"Cabinet {cabinet}", room, "cabinet")
        for shelf in ("top", "low"):
            made[f"{cabinet} {shelf}"] = add(f"{shelf.capitalize()} shelf", made[cabinet])
    return made


@pytest.fixture
def stand(prep):
    """Receive a bottle of a catalogue substance at a place: ``stand("acetone", place)``."""
    call_command("load_catalogue", verbosity=0)
    liquids = {"hydrochloric-acid", "nitric-acid", "acetone", "ethanol", "acetic-acid", "ammonia"}

    def receive(key, place, **more):
        kind = "liquid" if key in liquids else "solid"
        return receive_lot(
            actor=prep,
            substance=Substance.objects.get(key=key),
            place=place,
            **{
                "kind": kind,
                "amount": "500",
                "unit": "mL" if kind == "liquid" else "g",
                "idempotency_key": new_key(),
                **more,
            },
        )

    return receive


# --- the tree -----------------------------------------------------------------------------------------
def test_every_place_has_a_code_that_a_scanner_reads(store):
    for place in store.values():
        assert codes.is_sound(place.code)
        assert place.code.startswith("P")


def test_the_tree_says_what_is_in_what_and_counts_what_stands_inside(store, bottle, prep, instructor):
    bottle(place=store["one top"])
    bottle(place=store["one low"])
    tree = place_tree(actor=prep)
    assert [(node.place.name, node.depth, node.lots, node.lots_inside) for node in tree[:4]] == [
        ("Stockroom", 0, 0, 2),
        ("Cabinet one", 1, 0, 2),
        ("Low shelf", 2, 1, 1),
        ("Top shelf", 2, 1, 1),
    ]
    assert within(store["one"].pk) == {store[key].pk for key in ("one", "one top", "one low")}
    assert place_tree(actor=instructor) == []


def test_a_place_is_renamed_and_moved_with_all_that_is_in_it_but_never_into_itself(store, bottle, prep):
    lot = bottle(place=store["one top"])
    facts = {"kind": "cabinet", "note": "behind the door"}
    change_place(actor=prep, place=store["one"], name="Salts", parent=store["two low"], **facts)
    assert dict(places())[lot.place_id] == "Stockroom / Cabinet two / Low shelf / Salts / Top shelf"
    for inside in ("one", "one top"):
        with pytest.raises(InvalidInput) as refusal:
            change_place(actor=prep, place=store["one"], name="Salts", parent=store[inside], **facts)
        assert "inside it" in refusal.value.errors["parent"]


def test_only_an_empty_place_is_retired_and_its_name_stays(store, bottle, prep, instructor):
    lot = bottle(place=store["one top"])
    with pytest.raises(NotInThisState, match=lot.code):
        retire_place(actor=prep, place=store["one top"])
    with pytest.raises(NotInThisState, match="places inside it"):
        retire_place(actor=prep, place=store["one"])
    move_lot(actor=prep, lot=lot, place=store["two top"])
    retire_place(actor=prep, place=store["one top"])
    assert store["one top"].pk not in dict(places(in_use=True))
    with pytest.raises(NotInThisState, match="no longer in use"):
        move_lots(actor=prep, lots=[lot], place=store["one top"])
    assert "Top shelf" in lot.events.get(event="move").reason
    retire_place(actor=prep, place=store["one low"])
    retire_place(actor=prep, place=store["one"])
    reopen_place(actor=prep, place=store["one top"])
    assert {store["one top"].pk, store["one"].pk} <= set(dict(places(in_use=True)))
    with pytest.raises(NotAllowed):
        retire_place(actor=instructor, place=store["one top"])


# --- what should not stand together ---------------------------------------------------------------------
def test_an_acid_beside_a_base_needs_a_reason_which_is_kept(store, stand, prep):
    stand("sodium-hydroxide", store["one top"])
    with pytest.raises(InvalidInput) as refusal:
        stand("hydrochloric-acid", store["one low"])
    told = refusal.value.errors["storage_reason"]
    assert "It should not stand there." in told
    assert "sodium hydroxide" in told
    assert "gets very hot" in told
    assert "safety data sheets" in told
    acid = stand("hydrochloric-acid", store["one low"], storage_reason="Until Friday, in a tray")
    event = acid.events.get(event="against")
    assert event.reason.startswith(
        "Until Friday, in a tray. Against the rule: hydrochloric acid beside sodium hydroxide"
    )
    assert event.to_place == store["one low"]
    (conflict,) = storage_conflicts(standing_in(within(store["room"].pk)))
    assert conflict.where == "Stockroom / Cabinet one"
    assert "Until Friday, in a tray" in conflict.accepted[0]
    # Moved to a cabinet of its own, nothing is left to say.
    move_lot(actor=prep, lot=acid, place=store["two top"])
    assert storage_conflicts(standing_in(within(store["room"].pk))) == []


def test_moving_is_refused_as_a_whole_where_one_of_several_should_not_stand(store, stand, prep):
    stand("nitric-acid", store["one top"])
    salt, acetone = stand("sodium-chloride", store["two top"]), stand("acetone", store["two low"])
    with pytest.raises(InvalidInput):
        move_lots(actor=prep, lots=[salt, acetone], place=store["one low"])
    salt.refresh_from_db()
    assert salt.place == store["two top"]
    move_lots(actor=prep, lots=[salt], place=store["one low"])
    assert LotEvent.objects.filter(event="against").count() == 0


def test_shelf_rules_count_on_one_shelf_and_cabinet_rules_in_the_whole_cabinet(store, stand):
    stand("potassium-nitrate", store["one top"])
    sugar = stand("sucrose", store["one low"])
    assert conflicts_if_put(sugar, store["one low"]) == []
    assert [each.verdict.apart for each in conflicts_if_put(sugar, store["one top"])] == ["shelf"]
    assert conflicts_if_put(sugar, store["room"]) == [], "nobody knows beside what it stands in a room"


def test_a_flammable_liquid_is_refused_a_refrigerator_even_an_empty_one(store, stand):
    with pytest.raises(InvalidInput, match="refrigerator can ignite"):
        stand("acetone", store["cold"])


def test_a_weak_solution_is_not_judged_and_a_strong_one_is(store, stand):
    stand("sodium-hydroxide", store["one top"])
    weak = {"kind": "solution", "unit": "mL", "concentration_mol_per_l": "0.1"}
    stand("hydrochloric-acid", store["one top"], **weak)
    with pytest.raises(InvalidInput):
        stand("hydrochloric-acid", store["one top"], **{**weak, "concentration_mol_per_l": "6.0"})


def test_what_the_department_decides_replaces_the_table(store, stand):
    stand("ethanol", store["one top"])
    Substance.objects.filter(key="potassium-nitrate").update(storage_group="general")
    stand("potassium-nitrate", store["one top"])
    with pytest.raises(InvalidInput):
        stand("sodium-nitrate", store["one top"])


def test_an_unknown_substance_is_shown_as_unknown_and_never_as_harmless(store, stand, at_bench):
    own = Substance.objects.create(key="own", name="own salt", formula="BaS2O3.H2O")
    stand("sodium-chloride", store["one top"])
    lot = receive_lot(
        actor=at_bench_user(at_bench),
        substance=own,
        kind="solid",
        amount="5",
        unit="g",
        place=store["one top"],
        idempotency_key="own",
    )
    said = words(at_bench.get(page("storage_conflicts")))
    assert f"{lot.code} own salt" in said
    assert "Nobody knows about these" in said
    assert "Unknown" in words(at_bench.get(page("place", store["one top"].code)))


def at_bench_user(client):
    from prepdesk.accounts.models import User

    return User.objects.get(pk=client.session["_auth_user_id"])


def test_conflicts_of_many_lots_cost_no_more_queries_than_of_few(store, stand):
    def queries() -> int:
        with CaptureQueriesContext(connection) as captured:
            storage_conflicts(standing_in(within(store["room"].pk)))
        return len(captured)

    stand("sodium-hydroxide", store["one top"])
    stand("hydrochloric-acid", store["one low"], storage_reason="For the test")
    few = queries()
    for _ in range(8):
        stand("potassium-hydroxide", store["one top"], storage_reason="For the test")
        stand("sodium-chloride", store["two top"])
    assert queries() == few


# --- the pages ------------------------------------------------------------------------------------------
def test_a_place_is_added_changed_and_retired_by_its_pages(at_bench, store):
    sent = {"name": "Bottom shelf", "kind": "shelf", "parent": store["one"].pk, "idempotency_key": "k"}
    answer = at_bench.post(page("places"), sent)
    shelf = Place.objects.get(name="Bottom shelf")
    assert answer["Location"] == page("place", shelf.code)
    assert at_bench.post(page("places"), sent)["Location"] == page("place", shelf.code), "sent twice"
    assert "Nothing stands here" in words(at_bench.get(page("place", shelf.code)))
    answer = at_bench.post(page("place_change", shelf.code), {**sent, "name": "top shelf"})
    assert answer.status_code == 422
    assert "There is a" in field_errors(answer)["name"]
    at_bench.post(page("place_change", shelf.code), {**sent, "name": "Lowest shelf"})
    assert "Lowest shelf" in words(at_bench.get(page("places")))
    at_bench.post(page("place_in_use", shelf.code), {"in_use": "no"})
    at_bench.get(page("places"))  # the message that says so
    assert "Lowest shelf" not in words(at_bench.get(page("places")))
    assert "Lowest shelf (retired)" in words(at_bench.get(page("places"), {"retired": "1"}))
    at_bench.post(page("place_in_use", shelf.code), {"in_use": "yes"})
    assert "Lowest shelf" in words(at_bench.get(page("places")))


def test_what_is_scanned_at_a_place_stands_there_from_then_on(at_bench, store, bottle):
    lot = bottle(place=store["one top"])
    here = page("place", store["two top"].code)
    answer = at_bench.post(
        page("place_put", store["two top"].code), {"scan": lot.code.lower(), "idempotency_key": "k"}
    )
    assert answer["Location"] == f"{here}?scan=1"
    assert f"{lot.code} sodium chloride" in words(at_bench.get(here))
    lot.refresh_from_db()
    assert lot.place == store["two top"]


@pytest.mark.parametrize(
    ("typed", "says"),
    [("L00001X", "keyboard layout"), ("Làà&éé", "keyboard layout"), ("L000994", "No bottle"), ("", "empty")],
)
def test_a_scan_that_means_no_lot_says_why(at_bench, store, typed, says):
    typed = codes.code_of(99) if typed == "L000994" else typed
    answer = at_bench.post(page("place_put", store["one top"].code), {"scan": typed, "idempotency_key": "k"})
    assert answer.status_code == 422
    assert says in field_errors(answer)["scan"]


def test_a_scanned_lot_that_should_not_stand_there_asks_for_a_reason_on_the_page(at_bench, store, stand):
    stand("nitric-acid", store["one top"])
    lot = stand("acetone", store["two top"])
    address = page("place_put", store["one top"].code)
    sent = {"scan": lot.code, "idempotency_key": "k"}
    answer = at_bench.post(address, sent)
    assert answer.status_code == 422
    assert "can set the vapour" in field_errors(answer)["storage_reason"]
    assert at_bench.post(address, {**sent, "storage_reason": "Only today"}).status_code == 302
    said = words(at_bench.get(page("place", store["one top"].code)))
    assert "Not in one cabinet" in said
    assert "Only today" in said
    assert "Source:" in said
    assert "Follow your local rules" in said
    assert "1 case of what should not stand together" in words(at_bench.get(page("places")))


def test_the_list_for_a_door_holds_everything_inside(at_bench, store, stand):
    salt = stand("sodium-chloride", store["one top"])
    acid = stand("citric-acid-anhydrous", store["one low"])
    said = words(at_bench.get(page("place_door", store["one"].code)))
    for part in (salt.code, acid.code, "7647-14-5", "Solid acids", "Top shelf", "safety data sheets"):
        assert part in said


def test_receiving_into_the_wrong_cabinet_asks_beside_the_field(at_bench, store, stand):
    stand("sodium-hydroxide", store["one top"])
    sent = {
        "substance": "nitric-acid",
        "kind": "liquid",
        "amount": "1",
        "unit": "L",
        "place": store["one top"].pk,
        "received_on": "2026-01-05",
        "idempotency_key": "k",
    }
    answer = at_bench.post(reverse("inventory:lot_receive"), sent)
    assert answer.status_code == 422
    assert "gets very hot" in field_errors(answer)["storage_reason"]
    assert (
        at_bench.post(reverse("inventory:lot_receive"), {**sent, "storage_reason": "In a tray"}).status_code
        == 302
    )


# --- finding --------------------------------------------------------------------------------------------
def test_a_scanned_label_of_a_place_leads_there(at_bench, store):
    answer = at_bench.get(page("stock"), {"q": store["one top"].code.lower()})
    assert answer["Location"] == page("place", store["one top"].code)


@pytest.mark.parametrize(
    "typed", ["Cabinet one", "blue vitriol", "7758-99-8", "CuSO₄·5H₂O", "cuso4*5h2o", "AB-77"]
)
def test_a_lot_is_found_by_whatever_a_person_knows_of_it(at_bench, store, bottle, vitriol, salt, typed):
    bottle(substance=vitriol, place=store["one top"], lot_number="QX-AB-7712")
    bottle(substance=salt, place=store["two top"])
    said = words(at_bench.get(page("stock"), {"q": typed}))
    assert vitriol.name in said
    assert salt.name not in said


def test_the_list_is_narrowed_by_state_group_and_what_is_short(at_bench, store, bottle, vitriol, salt):
    lot = bottle(substance=vitriol)
    bottle(substance=salt)
    Substance.objects.filter(pk=salt.pk).update(reorder_below=600_000_000)
    said = words(at_bench.get(page("stock"), {"show": "short"}))
    assert salt.name in said
    assert vitriol.name not in said
    lot.state = "quarantined"
    lot.save(update_fields=["state"])
    said = words(at_bench.get(page("stock"), {"state": "quarantined"}))
    assert vitriol.name in said
    assert salt.name not in said
    said = words(at_bench.get(page("stock"), {"group": "general"}))
    assert vitriol.name in said
    assert "Nothing fits" in words(at_bench.get(page("stock"), {"group": "flammable-liquid"}))


def test_ten_thousand_lots_are_searched_and_paged_in_as_many_queries_as_ten(at_bench, store, salt):
    """Whatever is typed or chosen, the number of queries does not grow with the shelf."""
    asked = ({"q": "cabinet one"}, {"q": "7647", "group": "general"}, {"show": "short"}, {"page": "2"})

    def queries() -> list[int]:
        found = []
        for words_typed in asked:
            with CaptureQueriesContext(connection) as captured:
                assert at_bench.get(page("stock"), words_typed).status_code == 200
            found.append(len(captured))
        return found

    def shelve(substances: int, lots_each: int) -> None:
        first = Substance.objects.count()
        made = Substance.objects.bulk_create(
            Substance(key=f"own-{n}", name=f"own salt {n}", formula="NaCl", reorder_below=10)
            for n in range(first, first + substances)
        )
        Lot.objects.bulk_create(
            Lot(
                code=f"X{substance.pk:07d}{n:04d}",
                substance=substance,
                kind="solid",
                unit="g",
                on_hand=1_000_000,
                place=store["one top"],
            )
            for substance in made
            for n in range(lots_each)
        )

    shelve(5, 2)
    few = queries()
    shelve(100, 100)
    assert Lot.objects.count() > 10_000
    assert queries() == few
    assert max(few) <= 20
    shown = words(at_bench.get(page("stock"), {"q": "cabinet one", "page": "2"}))
    assert "105 substances, page 2 of 3" in shown
