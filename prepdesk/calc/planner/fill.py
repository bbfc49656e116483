"""One vessel filled, from the bottles to the mark: the steps of one stage in bench order."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, Final

from prepdesk.calc import sentences
from prepdesk.calc.model import Action, Amount, Apparatus, RouteInput
from prepdesk.calc.planner.account import as_shown, significant, volume_shown
from prepdesk.calc.planner.bench import Tool
from prepdesk.calc.planner.entries import Entry, medium_of, ordered_entries
from prepdesk.calc.planner.measures import Measure
from prepdesk.calc.planner.writer import Group, Writer, handling, portions_of, window_of

# Part of the volume that the solids are dissolved in; enough room stays for three rinsings.
WATER_PART: Final = 0.7
# Where one component must dissolve in a solution of another, that one is kept strong (common practice).
STRONG_WATER_PART: Final = 0.2
BEAKER_ROOM: Final = 0.9


@dataclass(frozen=True, slots=True)
class Filling:
    """A vessel and what is made in it.

    Attributes:
        tool: flask or cylinder whose mark vouches for the volume.
        volume_ml: of one filling [mL].
        fillings: how often it is filled.
        portions: of water that mark the level of a carboy; 1 where the solution is made up in ``tool``.
        pool: vessel for pouring together, or the carboy.
        title: what it becomes.
        tempered: whether the liquids are brought to temperature first.
        is_final: whether it is the solution asked for.
    """

    tool: Tool
    volume_ml: float
    fillings: int
    portions: int
    pool: Apparatus | None
    title: str
    tempered: bool
    is_final: bool

    @property
    def in_carboy(self) -> bool:
        """Whether it is made up to a level marked on a carboy."""
        return self.portions > 1

    @property
    def vessel(self) -> Apparatus:
        """Where it is made up."""
        return self.pool if self.in_carboy and self.pool is not None else self.tool.apparatus

    @property
    def name(self) -> str:
        """The vessel's name with its article."""
        return f"the {sentences.size(self.vessel)}"


@dataclass(slots=True)
class _Job:
    """Writes the steps of one filling."""

    writer: Writer
    filling: Filling
    entries: Sequence[Entry]
    beaker: Apparatus | None = None
    in_beaker: bool = False
    turn: int = 1
    groups: dict[int, Group] = field(default_factory=dict)

    def write(self) -> None:
        """All fillings, each with every step of its own, so that nothing can go into the wrong one."""
        solids, hot, _ = ordered_entries(self.entries)
        self._choose_beaker(bool(solids or hot))
        if self.filling.in_carboy:
            self._mark_carboy()
        for turn in range(1, self.filling.fillings + 1):
            self.turn = turn
            self._fill_once()
        self._pool()
        inputs = [
            RouteInput(
                kind="intermediate" if entry.intermediate else entry.supply.kind,
                label=entry.label,
                amount=as_shown(entry.measure),
                measured_by=entry.measure.tool.apparatus,
            )
            for group in ordered_entries(self.entries)
            for entry in group
        ]
        self.writer.draw(inputs, self.filling.vessel, self.filling.fillings, self.filling.title)

    def _fill_once(self) -> None:
        solids, hot, quiet = ordered_entries(self.entries)
        for entry in solids:
            self._take(entry, into="")
        if hot:
            self._add_hot(hot)
        last = [one for one in solids if medium_of(one, self.entries)]
        before = [one for one in quiet if one.supply.substance.name in self._media and self.in_beaker]
        for entry in before:
            self._take(entry, into=self._mixing_name)
        first = [one for one in solids if one not in last]
        if first:
            self._dissolve(first, water_is_in=bool(hot or before))
        for entry in last:
            self._dissolve_after(entry)
        quiet = [one for one in quiet if one not in before]
        poured = [one for one in quiet if self.in_beaker and not _drips(one.measure)]
        for entry in poured:
            self._take(entry, into=self._mixing_name)
        self._transfer(any(one.is_hot for one in self.entries))
        for entry in quiet:
            if entry not in poured:
                self._take(entry, into=self.filling.name)
        self._make_up(any(one.is_hot for one in self.entries))
        self._mix()

    def _add(self, action: Action, text: str, **more: Any) -> int:
        """Write a step, with the filling it belongs to where there are several."""
        if self.filling.fillings > 1:
            text = f"{sentences.filling(self.turn, self.filling.fillings)} {text}"
        return self.writer.add(action, text, **more)

    # --- where it is mixed ----------------------------------------------------------------------
    def _choose_beaker(self, needed: bool) -> None:
        if self.filling.in_carboy:
            self.beaker, self.in_beaker = self.filling.pool, True
        elif needed:
            self.beaker = self.writer.bench.mixing_vessel(self.filling.volume_ml * BEAKER_ROOM)
            self.in_beaker = self.beaker is not None

    @property
    def _mixing_name(self) -> str:
        return f"the {sentences.size(self.beaker)}" if self.beaker is not None else self.filling.name

    @property
    def _water(self) -> Amount:
        """About how much water to begin with: round, and with room for the liquids and the rinsings."""
        liquids = sum(one.volume_ml for one in self.entries)
        part = STRONG_WATER_PART if self._media else WATER_PART
        value = part * max(self.filling.volume_ml - liquids, 0.0)
        amount = significant(value, 2 if value < 10 else 1, "mL") if value < 100 else Amount(value, "mL", 0)
        step = 10.0 if value < 100 else 50.0 if value < 1000 else 100.0
        return amount if value < 20 else Amount(round(value / step) * step, "mL", 0)

    def _mark_carboy(self) -> None:
        carboy = self.filling.name
        volume = volume_shown(self.filling.volume_ml)
        portion = volume_shown(min(self.filling.tool.size, self.filling.volume_ml))
        self.writer.add(
            "measure",
            sentences.mark_carboy(
                volume, self.filling.portions, f"the {sentences.size(self.filling.tool.apparatus)}", carboy,
                self.writer.solvent,
            ),
            substance=self.writer.solvent,
            quantity=portion,
            equipment=self.filling.tool.apparatus,
            shown=f"{self.filling.portions} portions of at most {self.filling.tool.size:g} mL",
        )  # fmt: skip

    # --- taking -----------------------------------------------------------------------------------
    def _take(self, entry: Entry, into: str) -> None:
        """Weigh or measure one entry, portion by portion, and remember its readings."""
        measure = entry.measure
        portions = portions_of(measure)
        group = self._group(entry)
        for place, (amount, exact) in enumerate(portions, start=1):
            number = self._portion(entry, amount, exact, place=place, of=len(portions), into=into)
            group.steps.append((number, exact))

    def _group(self, entry: Entry) -> Group:
        """The readings of one entry, over all fillings."""
        place = next(i for i, one in enumerate(self.entries) if one is entry)
        if place not in self.groups:
            measure, fillings = entry.measure, self.filling.fillings
            group = Group(
                component=entry.component,
                steps=[],
                planned=measure.amount * fillings,
                standard=entry.standard(fillings),
                unit="g" if measure.weighed else "mL",
                exact=measure.exact * fillings,
                per_unit=entry.part.per_unit if entry.part else 0.0,
                is_read=measure.is_read,
            )
            self.groups[place] = group
            if measure.is_read or entry.part:
                self.writer.groups.append(group)
        return self.groups[place]

    def _portion(self, entry: Entry, amount: float, exact: float, *, place: int, of: int, into: str) -> int:
        measure = entry.measure
        quantity = as_shown(measure, amount)
        portion = f"portion {place} of {of}: " if of > 1 else ""
        supply = entry.supply
        if entry.is_solid:
            text = sentences.weigh_solid(
                quantity,
                entry.what,
                measure.tool.apparatus,
                portion=portion,
                coarse="coarse" in supply.substance.traits,
                damp="takes-up-water" in supply.substance.traits,
            )
        elif measure.weighed:
            text = sentences.weigh_liquid(quantity, entry.what, measure.tool.apparatus, portion=portion)
        else:
            text = sentences.measure(
                quantity, entry.what, measure.tool.apparatus, times=1, portion=portion, into=into
            )
        codes = handling(supply.substance, "weigh" if measure.weighed else "measure")
        return self._add(
            "weigh" if measure.weighed else "measure",
            entry.which + text,
            substance=supply.substance.name,
            component=entry.component,
            quantity=quantity,
            equipment=measure.tool.apparatus,
            window=window_of(measure, amount, exact, entry.margin, entry.most(self.filling.fillings)),
            lot=entry.lot,
            cautions=() if entry.intermediate else codes,
            shown=entry.shown,
        )

    # --- mixing -----------------------------------------------------------------------------------
    def _add_hot(self, hot: Sequence[Entry]) -> None:
        name = self._mixing_name
        self._add(
            "transfer",
            sentences.water_first(self._water, name),
            substance=self.writer.solvent,
            equipment=self.beaker or self.filling.vessel,
        )
        for entry in hot:
            self._take(entry, into="")
            self._add(
                "mix",
                sentences.add_slowly(f"the {entry.supply.substance.name}", name),
                substance=entry.supply.substance.name,
                component=entry.component,
                equipment=self.beaker or self.filling.vessel,
                cautions=handling(entry.supply.substance, "mix") | {"heat_of_solution"},
            )

    def _dissolve(self, solids: Sequence[Entry], *, water_is_in: bool) -> None:
        names = sentences.names([one.supply.substance.name for one in solids], "the ")
        hot = any(one.is_hot for one in solids)
        codes = {code for one in solids for code in handling(one.supply.substance, "dissolve")}
        if self.in_beaker or water_is_in:
            text = sentences.dissolve(
                names, None if water_is_in else self._water, self._mixing_name, self.writer.solvent,
                hot=hot, portions=hot,
            )  # fmt: skip
        else:
            text = sentences.dissolve_in_flask(
                names, self._water, self.filling.name, self.writer.solvent, hot=hot
            )
        self._add(
            "dissolve",
            text,
            substance=sentences.names([one.supply.substance.name for one in solids]),
            equipment=self.beaker or self.filling.vessel,
            cautions=codes,
        )

    @property
    def _media(self) -> set[str]:
        """Components that another one dissolves in."""
        return {medium_of(one, self.entries) for one in self.entries if one.is_solid} - {""}

    def _dissolve_after(self, entry: Entry) -> None:
        substance = entry.supply.substance
        medium = medium_of(entry, self.entries)
        self._add(
            "dissolve",
            sentences.dissolve_after(f"the {substance.name}", medium, self._mixing_name),
            substance=substance.name,
            component=entry.component,
            equipment=self.beaker or self.filling.vessel,
            cautions=handling(substance, "dissolve"),
        )

    def _transfer(self, hot: bool) -> None:
        if not self.in_beaker or self.filling.in_carboy:
            return
        cool = f"When it has cooled to {self.writer.temperature}: p" if hot else "P"
        text = sentences.transfer(self._mixing_name, self.filling.name, self.writer.solvent)
        self._add(
            "transfer",
            cool + text[1:],
            equipment=self.filling.vessel,
            cautions={"cool_before_mark"} if hot else (),
        )

    def _make_up(self, hot: bool) -> None:
        filling, writer = self.filling, self.writer
        volume = volume_shown(filling.volume_ml)
        if filling.in_carboy:
            text = sentences.make_up_carboy(filling.name, volume, writer.solvent, writer.temperature)
        elif filling.tool.step == 0.0:
            text = sentences.make_up_flask(
                filling.name, writer.solvent, writer.temperature, tempered=filling.tempered
            )
        else:
            text = sentences.make_up_cylinder(volume, filling.name, writer.solvent, writer.temperature)
        codes = {code for one in self.entries for code in handling(one.supply.substance, "make_up")}
        self._add(
            "make_up",
            text,
            substance=writer.solvent,
            quantity=volume,
            equipment=filling.tool.apparatus,
            cautions=codes | ({"cool_before_mark"} if hot else set()),
            shown=f"{filling.fillings} × {volume.text} mL" if filling.fillings > 1 else "",
        )

    def _mix(self) -> None:
        filling, writer = self.filling, self.writer
        vessel = filling.vessel
        if filling.in_carboy:
            text = sentences.mix_carboy(filling.name)
        elif filling.tool.step == 0.0:
            text = sentences.mix_flask()
        else:
            vessel = self.beaker or writer.bench.mixing_vessel(filling.volume_ml) or vessel
            name = f"the {sentences.size(vessel)}" if vessel is not filling.vessel else "its bottle"
            text = sentences.mix_open(name)
        if not filling.is_final:
            text = f"{text} {sentences.keep_intermediate()}"
        if filling.fillings > 1:
            text = f"{text} {sentences.set_aside(self.turn, self._pool_name)}"
        self._add("mix", text, equipment=vessel)

    @property
    def _pool_name(self) -> str:
        return f"the {sentences.size(self.filling.pool)}" if self.filling.pool else ""

    def _pool(self) -> None:
        if self.filling.fillings > 1:
            text = sentences.pool(self.filling.fillings, self._pool_name)
            self.writer.add("mix", text, equipment=self.filling.pool)


def fill(writer: Writer, filling: Filling, entries: Sequence[Entry]) -> None:
    """Write the steps of one stage: take, dissolve, carry over, make up, mix."""
    _Job(writer, filling, entries).write()


def _drips(measure: Measure) -> bool:
    """Whether the ware delivers into the final vessel itself, so that no rinsing is needed."""
    return measure.tool.apparatus.type in (
        "one-mark pipette",
        "graduated pipette",
        "burette",
        "piston pipette",
    )
