"""What chemistry says to an order before any apparatus is chosen."""

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Final

from prepdesk.calc.catalogue import Catalogue
from prepdesk.calc.errors import InputError, Problem
from prepdesk.calc.formula import parse_formula
from prepdesk.calc.measuring import Room
from prepdesk.calc.mixtures import groups_of, incompatible
from prepdesk.calc.model import Density, LotSource, PreparationRequest, SolidSource
from prepdesk.calc.planner.measures import Measure
from prepdesk.calc.planner.refusal import Impossible, stop, warn
from prepdesk.calc.planner.supplies import Choice
from prepdesk.calc.planner.supply import Supply
from prepdesk.calc.planner.wanted import Want
from prepdesk.calc.sentences import joined
from prepdesk.calc.solubility import NoSolubility, Solubility, solubility_g_per_100g_water
from prepdesk.calc.tables import rows

# Intermediates stay well below saturation, so that they dissolve in minutes and nothing settles out.
INTERMEDIATE_PART: Final = 0.5
# Where nobody knows how much dissolves, an intermediate holds no more than this [g/L] (common practice).
INTERMEDIATE_UNKNOWN_G_PER_L: Final = 20.0
# Above this part of the solubility a solution is slow to make and may crystallise in a cool room.
NEAR_SATURATION: Final = 0.9
# How far beyond a remembered solubility an order can't be right any more (common practice).
FAR_OVER: Final = 3.0
# Water in a litre of solution weighs at most this [g]: a bound that needs no density.
WATER_G_PER_L: Final = 1000.0
# Volume a gram of solute adds to water [mL], high enough to stay on the dilute side.
SOLUTE_ML_PER_G: Final = 0.6

# Smallest net weight of USP <41>: 820 times the readability for a tolerance of 0.10 %.
USP_DIVISIONS: Final = 820.0
USP_TOLERANCE: Final = 0.0010
# Below this tolerance a substance that changes in its bottle is worth a word (common practice) [1].
STANDARDISE_BELOW: Final = 0.01
_UNSTEADY: Final = {
    "takes-up-water": "takes up water from the air",
    "takes-up-carbon-dioxide": "takes up carbon dioxide from the air",
    "loses-water": "loses hydrate water in dry air",
    "volatile": "evaporates from its bottle",
}
_MEDIA: Final = {
    "needs-acid": ("acid", "dissolves only in acid"),
    "needs-base": ("base", "dissolves only in a base"),
    "needs-ethanol": ("", "does not dissolve in water; it is made up in ethanol"),
}


def room_for(request: PreparationRequest, wants: Sequence[Want], catalogue: Catalogue) -> Room:
    """The temperature under which volumes are measured, with the expansion of the solvent.

    Raises:
        Impossible: a solvent that is unknown here, or something other than a solid to be made up in it.
    """
    if request.solvent == "water":
        return Room(request.temperature_c)
    try:
        key = catalogue.resolve(request.solvent).key
    except InputError:
        key = ""
    row = next((one for one in rows("solvents.toml", "solvent") if one["key"] == key), None)
    solids = all(
        not want.by_mass
        and want.component.substance.state == "solid"
        and isinstance(want.component.source, SolidSource | LotSource | None)
        for want in wants
    )
    if row is None or not solids:
        known = ", ".join(one["key"] for one in rows("solvents.toml", "solvent"))
        raise Impossible(
            stop(
                "solvent_not_supported",
                f"This can't be planned in {request.solvent}. Besides water, solids may be made up to a"
                f" volume in {known}.",
            )
        )
    return Room(request.temperature_c, expansion_per_k=row["expansion_per_k"])


def dissolves_in(want: Want, solvent: str) -> Problem:
    """Nobody tabulates solubilities in other solvents here, and silence would pass for "dissolves"."""
    return warn(
        "solubility_unknown",
        f"How much {want.name} dissolves in {solvent} is not known here; see that all of it dissolves.",
    )


def keeps_badly(want: Want, supply: Supply) -> list[Problem]:
    """A weighed amount is only as good as the substance: some change before they are weighed."""
    if supply.kind == "solution" or want.tolerance > STANDARDISE_BELOW:
        return []
    reasons = [words for trait, words in _UNSTEADY.items() if trait in supply.substance.traits]
    if not reasons:
        return []
    return [
        warn(
            "standardise",
            f"{supply.substance.name} {joined(reasons)}: what is taken may hold less or more than the label"
            " says. Where the figure matters, standardise the solution.",
        )
    ]


def chemistry_of(wants: Sequence[Want], solvent: str) -> list[Problem]:
    """Pairs that react, substances the solvent alone does not dissolve, and one listed twice."""
    substances = [want.component.substance for want in wants]
    found = incompatible(substances)
    for number, substance in enumerate(substances):
        if substance.key in {other.key for other in substances[:number]}:
            found.append(
                warn("listed_twice", f"{substance.name} is listed twice; both amounts go into the solution.")
            )
        beside = {group for other in substances if other is not substance for group in groups_of(other)}
        for trait in substance.traits:
            medium, words = _MEDIA.get(trait, ("", ""))
            if not words or (trait == "needs-ethanol" and solvent == "ethanol"):
                continue
            text = f"{substance.name} {words}."
            if medium and medium in beside:
                found.append(
                    warn("needs_other_solvent", f"{text} Dissolve it in the {medium} of this order first.")
                )
            else:
                found.append(stop("needs_other_solvent", f"{text} A solution in water alone can't be made."))
    return found


def solubility_of(want: Want, temperature_c: float) -> Solubility | None:
    """How much of a component dissolves at the temperature of use, where it is known."""
    try:
        return solubility_g_per_100g_water(want.component.substance.key, temperature_c)
    except (NoSolubility, InputError):
        return None


def intermediate_limit(want: Want, known: Solubility | None) -> float:
    """How strong an intermediate of a component may be [mol/L]."""
    if known is None:
        grams = INTERMEDIATE_UNKNOWN_G_PER_L
    elif math.isinf(known.g_per_100g_water):
        return math.inf
    else:
        per_100 = known.g_per_100g_water
        grams = INTERMEDIATE_PART * 1000.0 * per_100 / (100.0 + SOLUTE_ML_PER_G * per_100)
    return max(grams / want.solute.g_per_mol, want.mol_per_l)


def dissolved_per_100g(grams_per_l: float, density: Density | None) -> float:
    """Grams of solute on 100 g of water, from grams per litre; a lower bound where no density is known."""
    water = 1000.0 * density.g_per_ml - grams_per_l if density else WATER_G_PER_L
    return 100.0 * grams_per_l / water if water > 0.0 else math.inf


def over_solubility(
    want: Want, per_100g: float, known: Solubility | None, temperature_c: float, *, alone: bool
) -> list[Problem]:
    """Compare what an order dissolves with what water takes up [g anhydrous per 100 g of water].

    A limit from memory only warns, but no slip of memory is threefold. Beside other components a
    substance may dissolve far better (iodine in iodide, an acid in a base), so there it warns still.
    """
    if known is None:
        return [
            warn(
                "solubility_unknown",
                f"How much {want.name} dissolves in water at {temperature_c:g} °C is not known here; see that"
                " all of it goes into solution.",
            )
        ]
    limit = known.g_per_100g_water
    if per_100g <= NEAR_SATURATION * limit:
        return []
    figures = (
        f"{per_100g:.3g} g (without hydrate water) on 100 g of water are asked, and {limit:.3g} g dissolve at"
        f" {temperature_c:g} °C ({known.source})"
    )
    if per_100g <= limit:
        return [
            warn(
                "near_saturation",
                f"{want.name}: {figures}. It dissolves slowly, and crystals may form where it is cooler.",
            )
        ]
    text = f"{want.name}: {figures}."
    if known.firm:
        return [stop("over_solubility", f"{text} Ask for less, or for a warmer solution.")]
    if alone and per_100g > FAR_OVER * limit:
        return [
            stop(
                "over_solubility",
                f"{text} That is far more than water takes up. Ask for less, or order with it what brings it"
                " into solution, as potassium iodide does for iodine.",
            )
        ]
    return [warn("over_solubility", f"{text} This limit was not checked; try a small portion first.")]


def form_of(want: Want, supply: Supply) -> list[Problem]:
    """Say it when the bottle holds another form than the one that was named."""
    named, inside = want.component.substance, supply.substance
    if supply.kind == "solution" or parse_formula(named.formula).plain == parse_formula(inside.formula).plain:
        return []
    one, other = parse_formula(named.formula).pretty, parse_formula(inside.formula).pretty
    meaning = (
        f"one mole of either gives one mole of {parse_formula(parse_formula(named.formula).base).pretty}"
        if want.counts_moles
        else f"the figure asked for means grams of {one}, and the amounts are worked out for {other}"
    )
    return [warn("other_form", f"{one} was named and the bottle holds {other}: {meaning}.")]


def light_weighing(want: Want, measure: Measure) -> list[Problem]:
    """Warn where so little is weighed that the display's last digit alone uses up the tolerance.

    Source: USP <41>: 820 times the readability for 0.10 %, scaled to the tolerance asked for.
    """
    if measure.parts:
        # A bottle that gives a tenth of the whole may be weighed ten times as loosely.
        return [
            problem
            for one in measure.parts
            for problem in light_weighing(replace(want, tolerance=want.tolerance / one.weight), one.measure)
        ]
    if not measure.weighed:
        return []
    least = USP_DIVISIONS * measure.tool.step * USP_TOLERANCE / want.tolerance
    if measure.exact / measure.times >= least:
        return []
    return [
        warn(
            "below_minimum_weight",
            f"{want.name}: {measure.exact / measure.times:.3g} g is less than the {least:.2g} g that a"
            f" balance reading to {measure.tool.step:g} g should weigh for {100 * want.tolerance:.3g} %"
            " (USP <41>, 820 times its readability for 0.10 %, scaled).",
        )
    ]


def above_source(want: Want, choice: Choice) -> list[Problem]:
    """Stop when no liquid or stock is as strong as the target."""
    liquids = [supply for supply in choice.supplies if supply.kind != "solid"]
    if len(liquids) < len(choice.supplies):
        return []
    strongest = max(liquids, key=lambda one: one.mol_per_ml)
    if strongest.mol_per_ml * 1000.0 >= want.mol_per_l * (1.0 - 1e-9):
        return []
    return [
        stop(
            "above_source",
            f"{want.name}: {want.mol_per_l:.4g} mol/L are asked and {strongest.label} has"
            f" {1000.0 * strongest.mol_per_ml:.4g} mol/L; nothing can be diluted to more than it is.",
        )
    ]
