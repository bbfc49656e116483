"""Random histories of a shelf, against a model that is nothing but arithmetic.

Any order of receiving, holding, drawing, releasing, swapping, counting, disposing and reversing must
leave the balances at what the arithmetic says, inside 0 <= held <= on hand, and explained by the ledger.
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
from inventory.models import Hold, Lot, Movement, Substance
from inventory.selectors import stock_differences
from inventory.services import (
    NotEnough,
    correct_stock,
    dispose,
    draw_holds,
    hold_stock,
    receive_lot,
    release_holds,
    reverse_movement,
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

    def teardown(self) -> None:
        transaction.set_rollback(True)
        self.around.__exit__(None, None, None)

    def key(self) -> str:
        return f"key {next(self.number)}"

    @rule(target=lots, amount=AMOUNT)
    def receive(self, amount: int) -> int:
        lot = receive_lot(
            actor=self.user,
            substance=self.salt,
            kind="solid",
            amount=str(amount),
            unit="g",
            idempotency_key=self.key(),
        )
        self.shelf[lot.pk] = Bottle(amount)
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
        bottle.on_hand -= drawn
        return multiple(*((pk, row.pk) for row in rows))

    @rule(hold=holds)
    def release(self, hold: tuple[int, int]) -> None:
        pk, hold_id = hold
        release_holds(actor=self.user, holds=[hold_id], reason="Cancelled")
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

    @rule(target=entries, lot=lots, gone=AMOUNT)
    def waste(self, lot: int, gone: int):
        bottle = self.shelf[lot]
        try:
            row = dispose(
                actor=self.user,
                lot=Lot.objects.get(pk=lot),
                amount=str(gone),
                unit="g",
                reason="Caked",
                idempotency_key=self.key(),
            )
        except InvalidInput:
            assert gone > bottle.free
            return multiple()
        assert gone <= bottle.free
        self.changed(lot, -gone)
        return (lot, row.pk)

    @precondition(lambda self: self.shelf)
    @rule(entry=entries)
    def reverse(self, entry: tuple[int, int]) -> None:
        lot, pk = entry
        movement = Movement.objects.get(pk=pk)
        back = -movement.amount // 1_000_000
        bottle = self.shelf[lot]
        try:
            reverse_movement(actor=self.user, movement=movement, reason="Mistake", idempotency_key=self.key())
        except NotInThisState:
            assert pk in self.reversed
            return
        except NotEnough:
            assert bottle.free + back < 0
            return
        assert pk not in self.reversed
        assert bottle.free + back >= 0
        self.reversed.add(pk)
        self.changed(lot, back)

    def changed(self, lot: int, by: int) -> None:
        """After a count, disposal or reversal: nothing left is empty, and what is found again waits."""
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
