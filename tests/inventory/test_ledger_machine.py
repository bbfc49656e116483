"""Random histories of a shelf, against a model that is nothing but arithmetic.

Any order of receiving, holding, drawing, releasing, swapping, counting, disposing, returning, pouring over,
moving and reversing must leave the balances at what the arithmetic says, inside 0 <= held <= on hand, and
explained by the ledger; and the ledger played again from an empty shelf must come to the same balances.
"""

import itertools
from dataclasses import dataclass, field

from django.db import transaction
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.extra.django import TestCase
from hypothesis.stateful import Bundle, RuleBasedStateMachine, invariant, multiple, precondition, rule

from inventory import states
from inventory.amounts import from_base
from inventory.models import Hold, Lot, LotEvent, Movement, Place, Substance
from inventory.selectors import stock_differences
from inventory.services import (
    NotEnough,
    add_waste_stream,
    correct_stock,
    dispose,
    draw_holds,
    hold_stock,
    merge_lots,
    move_lot,
    receive_lot,
    release_holds,
    return_to_lot,
    reverse_movement,
    split_lot,
)
from prepdesk.accounts.models import User
from prepdesk.core.errors import Conflict, InvalidInput, NotInThisState

AMOUNT = st.integers(1, 40)  # whole grams, so that lots run out often


@dataclass
class Bottle:
    """What arithmetic knows of one bottle [g]."""

    on_hand: int
    holds: dict[int, int] = field(default_factory=dict)
    stopped: bool = False
    # What was received or poured in, less what was poured out [g].
    came: int = 0
    # Of one lot are bottles of one maker's number, and those filled from one another.
    family: object = None

    @property
    def held(self) -> int:
        return sum(self.holds.values())

    @property
    def free(self) -> int:
        return self.on_hand - self.held


class Shelf(RuleBasedStateMachine):
    lots = Bundle("lots")
    holds = Bundle("holds")
    entries = Bundle("entries")

    def __init__(self) -> None:
        super().__init__()
        # Each history is rolled back at its end, so that the next one finds an empty shelf.
        self.around = transaction.atomic()
        self.around.__enter__()
        self.user = User.objects.create(username="pia", role="prep")
        self.salt = Substance.objects.create(key="sodium-chloride", name="sodium chloride", formula="NaCl")
        self.number = itertools.count()
        self.shelf: dict[int, Bottle] = {}
        self.reversed: set[int] = set()
        self.places = [None, *(Place.objects.create(name=name) for name in ("Store", "Bench"))]
        self.streams = [add_waste_stream(actor=self.user, name=name) for name in ("Solids", "Sink")]

    def teardown(self) -> None:
        transaction.set_rollback(True)
        self.around.__exit__(None, None, None)

    def key(self) -> str:
        return f"key {next(self.number)}"

    @rule(target=lots, amount=AMOUNT, number=st.sampled_from(["", "K1", "K2"]))
    def receive(self, amount: int, number: str) -> int:
        lot = receive_lot(
            actor=self.user,
            substance=self.salt,
            kind="solid",
            amount=str(amount),
            unit="g",
            lot_number=number,
            idempotency_key=self.key(),
        )
        self.shelf[lot.pk] = Bottle(amount, came=amount, family=number or lot.pk)
        return lot.pk

    @rule(target=holds, wanted=st.lists(st.tuples(lots, AMOUNT), min_size=1, max_size=4), twice=st.booleans())
    def hold(self, wanted: list[tuple[int, int]], twice: bool):
        key, total = self.key(), {}
        for pk, amount in wanted:
            total[pk] = total.get(pk, 0) + amount
        fits = all(
            not self.shelf[pk].stopped and self.shelf[pk].free >= amount for pk, amount in total.items()
        )
        try:
            for _ in range(1 + twice):
                made = hold_stock(
                    actor=self.user,
                    draws=[(pk, amount * 1_000_000) for pk, amount in wanted],
                    purpose="B",
                    idempotency_key=key,
                )
        except (NotEnough, NotInThisState):
            assert not fits
            return multiple()
        assert fits
        for pk, hold in made.items():
            self.shelf[pk].holds[hold.pk] = total[pk]
        return multiple(*((pk, hold.pk) for pk, hold in made.items()))

    @rule(target=entries, hold=holds, drawn=st.integers(0, 60), twice=st.booleans())
    def draw(self, hold: tuple[int, int], drawn: int, twice: bool):
        pk, hold_id = hold
        bottle, key = self.shelf[pk], self.key()
        held = bottle.holds.get(hold_id)
        try:
            for _ in range(1 + twice):
                rows = draw_holds(
                    actor=self.user, amounts={hold_id: drawn * 1_000_000}, reason="B", idempotency_key=key
                )
        except NotEnough:
            assert held is not None
            assert drawn > held + bottle.free
            return multiple()
        except Conflict:
            assert held is None
            return multiple()
        if held is None:
            # A closed hold only lets itself be released again, which changes nothing.
            assert not rows
            return multiple()
        assert drawn <= held + bottle.free
        del bottle.holds[hold_id]
        self.changed(pk, -drawn)
        return multiple(*((pk, row.pk) for row in rows))

    @rule(target=entries, some=st.lists(st.tuples(holds, st.integers(0, 45)), min_size=2, max_size=5))
    def finish(self, some: list[tuple[tuple[int, int], int]]):
        """Draw several holds in one call: all of it or nothing, and one may leave what another takes."""
        lot_of = {hold_id: pk for (pk, hold_id), _ in some}
        amounts = {hold_id: drawn for (_, hold_id), drawn in some}
        active = {hold_id for hold_id, pk in lot_of.items() if hold_id in self.shelf[pk].holds}
        closed = set(amounts) - active
        more: dict[int, int] = {}
        for hold_id in active:
            pk = lot_of[hold_id]
            more[pk] = more.get(pk, 0) + amounts[hold_id] - self.shelf[pk].holds[hold_id]
        fits = all(extra <= self.shelf[pk].free for pk, extra in more.items())
        try:
            rows = draw_holds(
                actor=self.user,
                amounts={hold_id: drawn * 1_000_000 for hold_id, drawn in amounts.items()},
                reason="B",
                idempotency_key=self.key(),
            )
        except NotEnough:
            assert not fits
            return multiple()
        except Conflict:
            assert closed
            return multiple()
        assert fits
        # A closed hold is passed over only where it was given back and nothing is drawn of it.
        assert not any(amounts[hold_id] for hold_id in closed)
        for hold_id in active:
            bottle = self.shelf[lot_of[hold_id]]
            del bottle.holds[hold_id]
            bottle.on_hand -= amounts[hold_id]
        assert sorted(row.hold_id for row in rows) == sorted(pk for pk in active if amounts[pk])
        return multiple(*((row.lot_id, row.pk) for row in rows))

    @rule(some=st.lists(holds, min_size=1, max_size=4))
    def release(self, some: list[tuple[int, int]]) -> None:
        release_holds(actor=self.user, holds=[hold_id for _, hold_id in some], reason="Cancelled")
        for pk, hold_id in some:
            self.shelf[pk].holds.pop(hold_id, None)

    @rule(target=holds, old=holds, lot=lots, amount=AMOUNT)
    def swap(self, old: tuple[int, int], lot: int, amount: int):
        pk, hold_id = old
        given_back = self.shelf[pk].holds.get(hold_id, 0) if pk == lot else 0
        fits = not self.shelf[lot].stopped and self.shelf[lot].free + given_back >= amount
        try:
            made = hold_stock(
                actor=self.user,
                draws={lot: amount * 1_000_000},
                purpose="B",
                idempotency_key=self.key(),
                instead_of=[hold_id],
            )
        except (NotEnough, NotInThisState):
            assert not fits
            return multiple()
        assert fits
        self.shelf[pk].holds.pop(hold_id, None)
        self.shelf[lot].holds[made[lot].pk] = amount
        return (lot, made[lot].pk)

    @rule(target=entries, lot=lots, found=st.integers(0, 60))
    def count(self, lot: int, found: int):
        bottle = self.shelf[lot]
        try:
            row = correct_stock(
                actor=self.user,
                lot=Lot.objects.get(pk=lot),
                counted=str(found),
                unit="g",
                reason="Count",
                idempotency_key=self.key(),
                expected_on_hand=bottle.on_hand * 1_000_000,
            )
        except InvalidInput:
            assert found < bottle.held
            return multiple()
        assert found >= bottle.held
        self.changed(lot, found - bottle.on_hand)
        return multiple() if row is None else (lot, row.pk)

    @rule(target=entries, lot=lots, gone=AMOUNT, stream=st.sampled_from([None, 0, 1]))
    def waste(self, lot: int, gone: int, stream: int | None):
        bottle = self.shelf[lot]
        try:
            row = dispose(
                actor=self.user,
                lot=Lot.objects.get(pk=lot),
                amount=str(gone),
                unit="g",
                reason="Caked",
                waste_stream=None if stream is None else self.streams[stream],
                idempotency_key=self.key(),
            )
        except InvalidInput:
            assert gone > bottle.free or stream is None
            return multiple()
        assert gone <= bottle.free
        assert row.waste_stream == self.streams[stream]
        self.changed(lot, -gone)
        return (lot, row.pk)

    @rule(target=entries, lot=lots, back=AMOUNT, unopened=st.booleans(), twice=st.booleans())
    def give_back(self, lot: int, back: int, unopened: bool, twice: bool):
        bottle, key = self.shelf[lot], self.key()
        fits = unopened and back <= bottle.came - bottle.on_hand
        try:
            for _ in range(1 + twice):
                row = return_to_lot(
                    actor=self.user,
                    lot=Lot.objects.get(pk=lot),
                    amount=str(back),
                    unit="g",
                    reason="Unused",
                    unopened=unopened,
                    idempotency_key=key,
                )
        except InvalidInput:
            assert not fits
            return multiple()
        assert fits
        self.changed(lot, back)
        return (lot, row.pk)

    @rule(
        target=lots,
        lot=lots,
        amounts=st.lists(st.integers(1, 15), min_size=1, max_size=3),
        twice=st.booleans(),
    )
    def split(self, lot: int, amounts: list[int], twice: bool):
        bottle, key = self.shelf[lot], self.key()
        fits = not bottle.stopped and sum(amounts) <= bottle.free
        try:
            for _ in range(1 + twice):
                small = split_lot(
                    actor=self.user,
                    lot=Lot.objects.get(pk=lot),
                    amounts=[str(amount) for amount in amounts],
                    unit="g",
                    place=None,
                    reason="Bench",
                    idempotency_key=key,
                )
        except InvalidInput:
            assert not fits
            return multiple()
        assert fits
        for one, amount in zip(small, amounts, strict=True):
            self.shelf[one.pk] = Bottle(amount, came=amount, family=bottle.family)
        bottle.came -= sum(amounts)
        self.changed(lot, -sum(amounts))
        return multiple(*(one.pk for one in small))

    @rule(target=entries, into=lots, other=lots, twice=st.booleans())
    def merge(self, into: int, other: int, twice: bool):
        target, left, key = self.shelf[into], self.shelf[other], self.key()
        poured = left.on_hand
        fits = (
            into != other
            and target.family == left.family
            and not target.stopped
            and not left.stopped
            and not left.held
            and poured
        )
        try:
            for _ in range(1 + twice):
                merge_lots(
                    actor=self.user,
                    into=Lot.objects.get(pk=into),
                    leftovers=[Lot.objects.get(pk=other)],
                    reason="Leftovers",
                    idempotency_key=key,
                )
        except InvalidInput:
            assert not fits
            return multiple()
        assert fits
        for pk, by in ((into, poured), (other, -poured)):
            self.shelf[pk].came += by
            self.changed(pk, by)
        return (into, Movement.objects.get(pouring=key, lot=into).pk)

    @rule(lot=lots, place=st.sampled_from([0, 1, 2]))
    def move(self, lot: int, place: int) -> None:
        before = Lot.objects.get(pk=lot)
        events = LotEvent.objects.count()
        moved = move_lot(actor=self.user, lot=before, place=self.places[place])
        assert moved.place == self.places[place]
        assert LotEvent.objects.count() - events == (before.place != self.places[place])

    @rule(target=entries, lot=lots)
    def choose_a_pouring(self, lot: int):
        row = Movement.objects.filter(lot=lot, kind="poured").last()
        return multiple() if row is None else (lot, row.pk)

    @precondition(lambda self: self.shelf)
    @rule(entry=entries)
    def reverse(self, entry: tuple[int, int]) -> None:
        movement = Movement.objects.get(pk=entry[1])
        undone = [movement]
        if movement.pouring:
            undone = list(Movement.objects.filter(pouring=movement.pouring))
        back = {row.lot_id: -row.amount // 1_000_000 for row in undone}
        fits = all(self.shelf[lot].free + by >= 0 for lot, by in back.items())
        keys = {row.pk for row in undone}
        try:
            reverse_movement(actor=self.user, movement=movement, reason="Mistake", idempotency_key=self.key())
        except NotInThisState:
            assert keys & self.reversed
            return
        except NotEnough:
            assert not fits
            return
        assert not keys & self.reversed
        assert fits
        self.reversed |= keys
        for lot, by in back.items():
            if movement.kind in ("received", "poured"):
                self.shelf[lot].came += by
            self.changed(lot, by)

    def changed(self, lot: int, by: int) -> None:
        """After any change of the stock: nothing left is empty, and what is found again waits."""
        bottle = self.shelf[lot]
        bottle.on_hand += by
        if bottle.on_hand == 0:
            bottle.stopped = True

    @invariant()
    def balances_are_what_arithmetic_says(self) -> None:
        for lot in Lot.objects.all():
            bottle = self.shelf[lot.pk]
            assert (from_base(lot.on_hand, "g"), from_base(lot.held, "g")) == (bottle.on_hand, bottle.held)
            assert 0 <= lot.held <= lot.on_hand
            assert (lot.state != states.AVAILABLE) == bottle.stopped

    @invariant()
    def the_ledger_played_again_from_an_empty_shelf_comes_to_the_same(self) -> None:
        again: dict[int, int] = {}
        poured: dict[str, int] = {}
        for row in Movement.objects.order_by("pk"):
            again[row.lot_id] = again.get(row.lot_id, 0) + row.amount
            if row.pouring:
                poured[row.pouring] = poured.get(row.pouring, 0) + row.amount
        assert again == dict(Lot.objects.values_list("pk", "on_hand"))
        assert not any(poured.values())

    @invariant()
    def replaying_the_ledger_from_empty_gives_the_balances(self) -> None:
        """Row by row, as somebody with the printed ledger and a pencil would; no query adds up."""
        on_hand: dict[int, int] = dict.fromkeys(self.shelf, 0)
        for row in Movement.objects.order_by("pk"):
            on_hand[row.lot_id] += row.amount
            assert on_hand[row.lot_id] >= 0, f"{row} took more than there was"
        held: dict[int, int] = dict.fromkeys(self.shelf, 0)
        for hold in Hold.objects.order_by("pk"):
            held[hold.lot_id] += hold.amount
            if hold.closed_at is not None:
                held[hold.lot_id] -= hold.amount
        for lot in Lot.objects.all():
            assert (lot.on_hand, lot.held) == (on_hand[lot.pk], held[lot.pk])

    @invariant()
    def the_ledger_explains_every_balance(self) -> None:
        assert stock_differences() == []
        assert Hold.objects.filter(state=states.ACTIVE).count() == sum(
            len(bottle.holds) for bottle in self.shelf.values()
        )


class TestShelf(TestCase, Shelf.TestCase):
    """The machine above, on whatever database the tests run on."""

    settings = settings(
        max_examples=15, stateful_step_count=25, deadline=None, suppress_health_check=list(HealthCheck)
    )
