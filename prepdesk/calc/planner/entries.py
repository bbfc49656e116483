"""What goes into a vessel: one entry for each bottle or intermediate that something is taken from."""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

from prepdesk.calc import sentences
from prepdesk.calc.planner.account import tool_standard
from prepdesk.calc.planner.bottles import spread
from prepdesk.calc.planner.measures import Measure, Part
from prepdesk.calc.planner.mixed import named
from prepdesk.calc.planner.supply import Supply
from prepdesk.calc.planner.working import part_working
from prepdesk.calc.planner.writer import is_hot

# What dissolves in a solution of another component, and hardly in water: it goes in after that one.
# Iodine takes up iodide to triiodide; in water alone some 0.3 g dissolve in a litre (common practice).
AFTER: Final = {"iodine": ("potassium-iodide", "sodium-iodide")}


@dataclass(frozen=True, slots=True)
class Entry:
    """One thing that goes into a vessel.

    Attributes:
        component: index in the request.
        supply: the bottle it comes from, also for an aliquot of an intermediate made from it.
        measure: how much, and with what.
        margin: how far a reading may lie from the exact amount [1].
        shown: working of the amount.
        intermediate: label of the intermediate it is an aliquot of, empty for a bottle.
        parts: of all bottles, where the amount comes from several.
        place: which of them this one is, from 1.
    """

    component: int
    supply: Supply
    measure: Measure
    margin: float
    shown: str
    intermediate: str = ""
    parts: tuple[Part, ...] = ()
    place: int = 1

    @property
    def part(self) -> Part | None:
        """Its share, where the amount comes from several bottles."""
        return self.parts[self.place - 1] if self.parts else None

    @property
    def which(self) -> str:
        """Which of several bottles, to stand before the sentence; empty for a single one."""
        return f"{sentences.bottle(self.place, len(self.parts))} " if self.parts else ""

    def standard(self, fillings: int) -> float:
        """Standard uncertainty of what is taken over all fillings [g or mL]."""
        way = self.measure
        if not self.parts:
            return tool_standard(way.tool, way.times * fillings)
        own = spread(self.parts, fillings)[self.place - 1]
        return math.sqrt(own) * way.exact * fillings / self.parts[self.place - 1].weight

    def most(self, fillings: int) -> float:
        """The largest reading one of several bottles can give to a filling, by the ledger [g or mL].

        A bottle that is emptied is measured in one portion or in several; only the whole is bounded.
        """
        way, supply = self.measure, self.supply
        if not self.parts or way.times > 1 or way.weighed != (supply.kind == "solid"):
            return math.inf
        step = way.tool.step
        return math.floor(supply.free / fillings / step + 1e-6) * step if step else supply.free

    @property
    def label(self) -> str:
        """What the drawing writes under it."""
        if self.intermediate:
            return self.intermediate
        return named(self.supply.label, self.supply) if self.part else self.supply.label

    @property
    def what(self) -> str:
        """What is handled, as the sentences name it."""
        if self.intermediate:
            return self.intermediate
        supply = self.supply
        lot = f"lot {supply.lot.code}" if supply.lot else ""
        if supply.kind == "solution":
            return f"{supply.label} ({lot})" if lot else supply.label
        inside = ", ".join(word for word in (supply.strength, lot) if word)
        return f"{supply.substance.name} ({inside})" if inside else supply.substance.name

    @property
    def is_solid(self) -> bool:
        """Whether it is weighed out as a solid."""
        return self.supply.kind == "solid" and not self.intermediate

    @property
    def volume_ml(self) -> float:
        """Room a liquid takes up, also where it is weighed [mL]; a solid counts none."""
        if self.is_solid:
            return 0.0
        if not self.measure.weighed:
            return self.measure.amount
        density = self.supply.density
        # Without a density as much as it could be: no liquid reagent here is lighter than 0.7 g/mL.
        return self.measure.amount / (density.g_per_ml if density else 0.7)

    @property
    def is_hot(self) -> bool:
        """Whether it heats the water it goes into."""
        return not self.intermediate and is_hot(self.supply)

    @property
    def lot(self) -> tuple[str, str] | None:
        """The bottle's id and code, where it is drawn from here."""
        return (
            (self.supply.lot.id, self.supply.lot.code) if self.supply.lot and not self.intermediate else None
        )


def ordered_entries(entries: Sequence[Entry]) -> tuple[list[Entry], list[Entry], list[Entry]]:
    """Solids, liquids that heat the water, and quiet liquids: each is handled in its own way.

    A solid that dissolves only in a solution of another one stands last.
    """
    solids = sorted((one for one in entries if one.is_solid), key=lambda one: bool(medium_of(one, entries)))
    hot = [one for one in entries if not one.is_solid and one.is_hot]
    quiet = [one for one in entries if not one.is_solid and not one.is_hot]
    return solids, hot, quiet


def medium_of(entry: Entry, entries: Sequence[Entry]) -> str:
    """Name of the component that must be in solution before this one; empty for most."""
    media = AFTER.get(entry.supply.substance.key, ())
    return next(
        (one.supply.substance.name for one in entries if one.supply.substance.key in media),
        "",
    )


def entries_of(
    component: int,
    supply: Supply,
    measure: Measure,
    margin: float,
    shown: str,
    *,
    intermediate: str = "",
) -> Iterator[Entry]:
    """What is taken, bottle by bottle.

    What the tolerance leaves to the readings is shared among the bottles in equal amounts of solute, so
    that any readings inside their windows together are inside.
    """
    if not measure.parts:
        yield Entry(component, supply, measure, margin, shown, intermediate=intermediate)
        return
    reads = max(sum(part.measure.is_read for part in measure.parts), 1)
    for place, part in enumerate(measure.parts, start=1):
        yield Entry(
            component,
            part.supply,
            part.measure,
            margin / reads / part.weight,
            part_working(measure.parts, place),
            parts=measure.parts,
            place=place,
        )
