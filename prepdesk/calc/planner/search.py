"""The search over every vessel, bottle and tool: the cheapest route that fits, or the closest to fitting."""

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import Final

from prepdesk.calc.measuring import BATH_HALF_WIDTH_K, Room
from prepdesk.calc.planner.bench import Bench, Tool
from prepdesk.calc.planner.chains import NEARLY, ROUNDING_ROOM, Chain, Need, direct, through_one, through_two
from prepdesk.calc.planner.cost import DISSOLVING, EXTRA_STAGE, MAKE_UP_FLASK, TEMPERING
from prepdesk.calc.planner.pieces import there_are_enough
from prepdesk.calc.planner.supply import Supply
from prepdesk.calc.planner.vessels import Vessel, vessels_for
from prepdesk.calc.planner.wanted import Want
from prepdesk.calc.uncertainty import COVERAGE

# An intermediate costs at least its flask, its pipette and the care: no stage is cheaper than this.
LEAST_STAGE_MINUTES: Final = DISSOLVING + MAKE_UP_FLASK + EXTRA_STAGE

# When nothing fits, so many of the best measuring vessels are looked at once more.
NEAREST_VESSELS: Final = 2
# No intermediate is worth more than a day at the bench.
MOST_MINUTES: Final = 480.0

Ways = Callable[[Need, Supply, Bench], Iterator[Chain]]


@dataclass(frozen=True, slots=True)
class Route:
    """One complete way of making the solution.

    Attributes:
        vessel: where it is made up.
        chains: the way of each component, in the order of the request.
        room: the temperature under which volumes are measured.
        minutes: at the bench.
        price: the same with what is made in vain, by which routes are compared.
        moles: drawn from bottles in all, relative to what the wanted volume needs [1].
        waste: made beyond the wanted volume, and intermediates left over, relative to it [1].
        worst: largest part of a component's tolerance that rounding and uncertainty spend [1].
    """

    vessel: Vessel
    chains: tuple[Chain, ...]
    room: Room
    minutes: float
    price: float
    moles: float
    waste: float
    worst: float

    @property
    def rank(self) -> tuple[float, float, float]:
        """Least work and waste, then least reagent, then least waste."""
        return (round(self.price, 6), round(self.moles, 6), round(self.waste, 6))


@dataclass(slots=True)
class Found:
    """What a search came to.

    Attributes:
        best: the cheapest route that fits, if any.
        runner_up: the next one by another way.
        closest: the route that comes nearest to the tolerance, when none fits.
        short: whether a bottle was passed over because too little of it is free.
    """

    best: Route | None = None
    runner_up: Route | None = None
    closest: Route | None = None
    short: bool = False

    def beaten_by(self, price: float) -> bool:
        """Whether a route of at least this price can't win any more."""
        return self.best is not None and self.best.price <= price

    def offer(self, route: Route) -> None:
        """Keep a route in the place it deserves."""
        if route.worst > 1.0:
            if self.closest is None or (route.worst, route.rank) < (self.closest.worst, self.closest.rank):
                self.closest = route
        elif self.best is None or route.rank < self.best.rank:
            self.best, self.runner_up = route, self.best
        elif self.runner_up is None or route.rank < self.runner_up.rank:
            self.runner_up = route


@dataclass(frozen=True, slots=True)
class Question:
    """What is searched: wants, their bottles, how much of each dissolves, and the free amounts' rule."""

    wants: tuple[Want, ...]
    supplies: tuple[tuple[Supply, ...], ...]
    limits: tuple[float, ...]
    volume_ml: float
    room: Room
    within_free: bool


def search(question: Question, bench: Bench) -> Found:
    """Find the cheapest fitting route; tempered liquids come in where the room's temperature won't do.

    Direct ways are tried first in every vessel. Intermediates cost at least their own flask and pipette, so
    they are only tried where the best direct route, if any, costs more than that.
    """
    found = Found()
    for room in (question.room, replace(question.room, half_width_k=BATH_HALF_WIDTH_K)):
        if room.tempered and found.beaten_by(TEMPERING):
            break
        scene = _Scene(question, bench, room, found)
        for depth in range(len(_WAYS)):
            scene.try_every_vessel(depth)
    if found.best is None:
        # Nothing fits: what comes nearest may still go through an intermediate solution.
        for depth in (1, 2):
            scene.come_nearer(depth)
    return found


def nearest(question: Question, bench: Bench, closest: Route) -> Route:
    """The route to show when none fits: about as close as the closest, with the least work.

    Where one input spends far more than the tolerance, a finer balance and a water bath take much work
    and gain nothing; they are left out unless they bring the result nearer by a fiftieth.
    """
    wants = tuple(
        replace(want, tolerance=max(want.tolerance, NEARLY * chain.spends(closest.vessel.variance)))
        for want, chain in zip(question.wants, closest.chains, strict=True)
    )
    found = search(replace(question, wants=wants), bench)
    return found.best or closest


@dataclass(slots=True)
class _Pick:
    """The two cheapest fitting chains of one component in one vessel, and the closest one."""

    first: Chain | None = None
    second: Chain | None = None
    closest: Chain | None = None
    closest_part: float = math.inf
    depth: int = 0

    @property
    def chosen(self) -> Chain | None:
        """The cheapest that fits, else the one that comes nearest."""
        return self.first or self.closest


_WAYS: Final[tuple[Ways, ...]] = (direct, through_one, through_two)


class _Scene:
    """One temperature: its vessels, and the direct ways found in them, which deeper rounds start from."""

    def __init__(self, question: Question, bench: Bench, room: Room, found: Found) -> None:
        self.question, self.bench, self.room, self.found = question, bench, room, found
        self.room_variance = room.variance
        self.extra = TEMPERING if room.tempered else 0.0
        self.vessels = vessels_for(question.volume_ml, bench, self.room_variance)
        self.direct: dict[int, list[_Pick]] = {}

    def try_every_vessel(self, depth: int) -> None:
        """Offer the best routes with up to ``depth`` intermediates for a component, vessel by vessel."""
        for place, vessel in enumerate(self.vessels):
            if self.found.beaten_by(vessel.price + self.extra + depth * LEAST_STAGE_MINUTES):
                break
            picks = self._picks(place, vessel, depth)
            if not depth:
                self.direct[place] = picks
            if not depth or any(pick.depth == depth for pick in picks):
                self._offer(vessel, picks)

    def come_nearer(self, depth: int) -> None:
        """Look for what comes nearest in the vessels that measure best, whatever it costs."""
        closest = self.found.closest
        if closest is not None and depth > 1:
            return
        for vessel in sorted(self.vessels, key=lambda one: one.variance)[:NEAREST_VESSELS]:
            picks, held = [], [vessel.tool]
            for index in range(len(self.question.wants)):
                pick = self._deeper(index, vessel, depth, _Pick(), relaxed=True, held=held)
                self._directly(index, vessel, pick)
                held += _kept_in(pick)
                picks.append(pick)
            self._offer(vessel, picks)

    def _picks(self, place: int, vessel: Vessel, depth: int) -> list[_Pick]:
        indices = range(len(self.question.wants))
        if not depth:
            picks = [_Pick() for _ in indices]
            for index, pick in enumerate(picks):
                self._directly(index, vessel, pick)
            return picks
        before = self.direct.get(place)
        if before is None or not all(
            pick.first or self._has_spare(i, vessel) for i, pick in enumerate(before)
        ):
            return []
        picks, held = [], [vessel.tool]
        for index, known in enumerate(before):
            cheap = known.first and known.first.minutes <= depth * LEAST_STAGE_MINUTES
            pick = (
                known
                if cheap
                else self._deeper(index, vessel, depth, replace(known), relaxed=False, held=held)
            )
            held += _kept_in(pick)
            picks.append(pick)
        return picks

    def _deeper(
        self, index: int, vessel: Vessel, depth: int, pick: _Pick, *, relaxed: bool, held: list[Tool]
    ) -> _Pick:
        """Through intermediates; ``held`` are the flasks in use beside the last of them."""
        for supply in self.question.supplies[index]:
            spare = math.inf if relaxed else self._spare(index, vessel, supply)
            if spare > 0.0:
                # In several fillings an intermediate may be less work than weighing every time.
                ceiling = pick.first.minutes if pick.first else MOST_MINUTES
                need = self._need(index, vessel, spare, math.inf if relaxed else ceiling)
                need.held = tuple(held)
                self._keep(_WAYS[depth](need, supply, self.bench), pick, need, vessel, depth)
        return pick

    def _directly(self, index: int, vessel: Vessel, pick: _Pick) -> None:
        need = self._need(index, vessel)
        for supply in self.question.supplies[index]:
            self._keep(direct(need, supply, self.bench), pick, need, vessel, 0)

    def _keep(self, chains: Iterator[Chain], pick: _Pick, need: Need, vessel: Vessel, depth: int) -> None:
        variance = vessel.variance
        for chain in chains:
            lot = chain.supply.lot
            if self.question.within_free and lot is not None and chain.draw > lot.free:
                self.found.short = True
                continue
            if chain.last.tool is vessel.tool and not there_are_enough(vessel, (chain,)):
                continue
            part = chain.spends(variance) / need.tolerance
            if part < pick.closest_part:
                pick.closest, pick.closest_part = chain, part
                if pick.first is None:
                    pick.depth = depth
            if part > 1.0 + ROUNDING_ROOM:
                continue
            # Bottles come in the order of expiry, and only a cheaper way displaces an earlier one.
            if pick.first is None or _rank(chain) < _rank(pick.first):
                pick.first, pick.second, pick.depth = chain, pick.first, depth
                # Nothing dearer need be looked at any more; ties go to the smaller glass, which comes first.
                need.ceiling = min(need.ceiling, chain.minutes)
            elif pick.second is None or _rank(chain) < _rank(pick.second):
                pick.second = chain

    def _need(self, index: int, vessel: Vessel, spare: float = math.inf, ceiling: float = math.inf) -> Need:
        want = self.question.wants[index]
        return Need(
            moles=want.mol_per_l * vessel.filling_ml / 1000.0,
            volume_ml=vessel.filling_ml,
            fillings=vessel.fillings,
            tolerance=want.tolerance,
            limit_mol_per_l=self.question.limits[index],
            room_variance=self.room_variance,
            spare=spare,
            ceiling=ceiling,
        )

    def _has_spare(self, index: int, vessel: Vessel) -> bool:
        supplies = self.question.supplies[index]
        return any(self._spare(index, vessel, supply) > 0.0 for supply in supplies)

    def _spare(self, index: int, vessel: Vessel, supply: Supply) -> float:
        """Relative variance that the tools of a component may still add in a vessel."""
        allowed = (self.question.wants[index].tolerance / COVERAGE) ** 2
        return allowed - vessel.variance - supply.least_variance

    def _offer(self, vessel: Vessel, picks: list[_Pick]) -> None:
        for chains in _combinations(picks):
            route = _route(self.question, vessel, chains, self.room, self.extra)
            if route is not None:
                self.found.offer(route)


def _kept_in(pick: _Pick) -> list[Tool]:
    """The flask in which the last intermediate of a component waits, if it has one."""
    chain = pick.chosen
    return [chain.stages[-1].flask] if chain is not None and chain.stages else []


def _rank(chain: Chain) -> tuple[bool, float, float]:
    """One bottle before several, then least work, then least waste."""
    return (bool(chain.supply.bottles), round(chain.minutes, 6), chain.waste_ml)


def _combinations(picks: list[_Pick]) -> Iterator[tuple[Chain, ...]]:
    """The cheapest chain of every component, then the same with one second choice; else the closest."""
    first = [pick.chosen for pick in picks]
    if not first or any(chain is None for chain in first):
        return
    best = tuple(chain for chain in first if chain is not None)
    yield best
    for place, pick in enumerate(picks):
        if pick.second is not None:
            yield (*best[:place], pick.second, *best[place + 1 :])


def _route(
    question: Question, vessel: Vessel, chains: tuple[Chain, ...], room: Room, extra: float
) -> Route | None:
    liquids = sum(
        chain.last.amount
        for chain in chains
        if not chain.last.weighed and (chain.stages or chain.supply.kind != "solid")
    )
    if liquids > vessel.filling_ml * (1.0 + 1e-9) or not there_are_enough(vessel, chains):
        return None
    moles = waste = worst = 0.0
    for want, chain in zip(question.wants, chains, strict=True):
        per_unit = chain.supply.mol_per_g if chain.supply.kind == "solid" else chain.supply.mol_per_ml
        moles += chain.draw * per_unit / (want.mol_per_l * question.volume_ml / 1000.0)
        waste += chain.waste_ml / question.volume_ml
        part = chain.spends(vessel.variance) / want.tolerance
        worst = max(worst, 1.0 if chain.fits(vessel.variance, want.tolerance) else part)
    work = extra + sum(chain.minutes for chain in chains)
    return Route(
        vessel=vessel,
        chains=chains,
        room=room,
        minutes=vessel.minutes + work,
        price=vessel.price + work,
        moles=moles / len(chains),
        waste=waste + vessel.volume_ml / question.volume_ml - 1.0,
        worst=worst,
    )
