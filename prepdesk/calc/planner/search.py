"""The search over every vessel, bottle and tool: the cheapest route that fits, or the closest to fitting."""

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import Final

from prepdesk.calc.planner.bench import Bench
from prepdesk.calc.planner.chains import ROUNDING_ROOM, Chain, Need, direct, through_one, through_two
from prepdesk.calc.planner.cost import DISSOLVING, EXTRA_STAGE, MAKE_UP_FLASK, TEMPERING
from prepdesk.calc.planner.supply import Supply
from prepdesk.calc.planner.vessels import Vessel, vessels_for
from prepdesk.calc.planner.wanted import Want
from prepdesk.calc.uncertainty import BATH_HALF_WIDTH_K, COVERAGE, Room

# A route this much further from the tolerance than the closest one counts as equally near [1].
NEARLY: Final = 1.02
# An intermediate costs at least its flask, its pipette and the care: no stage is cheaper than this.
LEAST_STAGE_MINUTES: Final = DISSOLVING + MAKE_UP_FLASK + EXTRA_STAGE

Ways = Callable[[Need, Supply, Bench], Iterator[Chain]]


@dataclass(frozen=True, slots=True)
class Route:
    """One complete way of making the solution.

    Attributes:
        vessel: where it is made up.
        chains: the way of each component, in the order of the request.
        room: the temperature under which volumes are measured.
        minutes: at the bench.
        moles: drawn from bottles in all, relative to what the wanted volume needs [1].
        waste: made beyond the wanted volume, and intermediates left over, relative to it [1].
        worst: largest part of a component's tolerance that rounding and uncertainty spend [1].
    """

    vessel: Vessel
    chains: tuple[Chain, ...]
    room: Room
    minutes: float
    moles: float
    waste: float
    worst: float

    @property
    def rank(self) -> tuple[float, float, float]:
        """Least work, then least reagent, then least waste."""
        return (round(self.minutes, 6), round(self.moles, 6), round(self.waste, 6))


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
    bath = replace(question.room, half_width_k=BATH_HALF_WIDTH_K)
    for room in (question.room, bath):
        if room.tempered and _beaten(found, TEMPERING):
            break
        for depth in range(3):
            _search(question, bench, room, depth, found=found)
    if found.best is None:
        # Nothing fits: what comes nearest may still be an intermediate solution.
        _search(question, bench, bath, 1, found=found, relaxed=True)
        if found.closest is None:
            _search(question, bench, bath, 2, found=found, relaxed=True)
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


def _beaten(found: Found, minutes: float) -> bool:
    """Whether a route of at least so many minutes can't win any more."""
    return found.best is not None and found.best.minutes <= minutes


def _search(
    question: Question,
    bench: Bench,
    room: Room,
    depth: int,
    *,
    found: Found,
    relaxed: bool = False,
) -> None:
    room_variance = room.variance
    extra = TEMPERING if room.tempered else 0.0
    for vessel in vessels_for(question.volume_ml, bench, room_variance):
        if _beaten(found, vessel.minutes + extra + depth * LEAST_STAGE_MINUTES):
            break
        finder = _Finder(question, vessel, bench, room_variance, depth, relaxed)
        picks = finder.picks()
        found.short = found.short or finder.short
        if depth and not any(pick.used_depth == depth for pick in picks):
            continue
        for chains in _combinations(picks):
            route = _route(question, vessel, chains, room, extra)
            if route is not None:
                found.offer(route)


@dataclass(slots=True)
class _Pick:
    """The two cheapest fitting chains of one component in one vessel, and the closest one."""

    first: Chain | None = None
    second: Chain | None = None
    closest: Chain | None = None
    closest_part: float = math.inf
    used_depth: int = 0


_WAYS: Final[tuple[Ways, ...]] = (direct, through_one, through_two)


@dataclass(slots=True)
class _Finder:
    """Finds the chains of every component for one vessel, with up to ``depth`` intermediates."""

    question: Question
    vessel: Vessel
    bench: Bench
    room_variance: float
    depth: int
    relaxed: bool
    short: bool = False

    def picks(self) -> list[_Pick]:
        """One pick per component."""
        return [self._pick(index) for index in range(len(self.question.wants))]

    def _pick(self, index: int) -> _Pick:
        want, vessel = self.question.wants[index], self.vessel
        pick = _Pick()
        for depth in range(self.depth + 1):
            for supply in self.question.supplies[index]:
                least = min(supply.variance_g or math.inf, supply.variance_ml or math.inf)
                spare = (
                    (want.tolerance / COVERAGE) ** 2 - vessel.variance - (0.0 if least == math.inf else least)
                )
                if depth and not self.relaxed and spare <= 0.0:
                    continue
                need = Need(
                    moles=want.mol_per_l * vessel.filling_ml / 1000.0,
                    volume_ml=vessel.filling_ml,
                    fillings=vessel.fillings,
                    tolerance=want.tolerance,
                    limit_mol_per_l=self.question.limits[index],
                    room_variance=self.room_variance,
                    spare=math.inf if self.relaxed else spare,
                )
                self._try(_WAYS[depth](need, supply, self.bench), pick, need, depth)
            # Every further stage costs more than any direct weighing, so it is only tried where needed.
            if pick.first is not None:
                break
        return pick

    def _try(self, chains: Iterator[Chain], pick: _Pick, need: Need, depth: int) -> None:
        variance = self.vessel.variance
        for chain in chains:
            lot = chain.supply.lot
            if self.question.within_free and lot is not None and chain.draw > lot.free:
                self.short = True
                continue
            part = chain.spends(variance) / need.tolerance
            if part < pick.closest_part:
                pick.closest, pick.closest_part = chain, part
                pick.used_depth = depth if pick.first is None else pick.used_depth
            if part > 1.0 + ROUNDING_ROOM:
                continue
            # Bottles come in the order of expiry, and only a cheaper way displaces an earlier one.
            if pick.first is None or _rank(chain) < _rank(pick.first):
                pick.first, pick.second = chain, pick.first
                pick.used_depth = depth
            elif pick.second is None or _rank(chain) < _rank(pick.second):
                pick.second = chain


def _rank(chain: Chain) -> tuple[float, float]:
    return (round(chain.minutes, 6), chain.waste_ml)


def _combinations(picks: list[_Pick]) -> Iterator[tuple[Chain, ...]]:
    """The cheapest chain of every component, then the same with one second choice; else the closest."""
    first = [pick.first or pick.closest for pick in picks]
    if any(chain is None for chain in first):
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
    if liquids > vessel.filling_ml * (1.0 + 1e-9):
        return None
    moles = waste = worst = 0.0
    for want, chain in zip(question.wants, chains, strict=True):
        per_unit = chain.supply.mol_per_g if chain.supply.kind == "solid" else chain.supply.mol_per_ml
        moles += chain.draw * per_unit / (want.mol_per_l * question.volume_ml / 1000.0)
        waste += chain.waste_ml / question.volume_ml
        part = chain.spends(vessel.variance) / want.tolerance
        worst = max(worst, 1.0 if chain.fits(vessel.variance, want.tolerance) else part)
    return Route(
        vessel=vessel,
        chains=chains,
        room=room,
        minutes=vessel.minutes + extra + sum(chain.minutes for chain in chains),
        moles=moles / len(chains),
        waste=waste + vessel.volume_ml / question.volume_ml - 1.0,
        worst=worst,
    )
