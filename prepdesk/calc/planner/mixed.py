"""Several bottles of one substance as one source: their mean strength, and how well it is known."""

from collections.abc import Sequence
from dataclasses import replace

from prepdesk.calc.digits import shown_figure
from prepdesk.calc.model import Density
from prepdesk.calc.planner.supply import Supply
from prepdesk.calc.uncertainty import Input


def mean_of(
    parts: Sequence[tuple[Supply, float, float]], bottles: Sequence[Supply], *, weighed: bool
) -> Supply:
    """Several bottles as one source, each by its part of the solute.

    Args:
        parts: bottle, amount [g where weighed, else mL], and solute per unit of it.
        bottles: all that could be taken from, kept for other amounts.
        weighed: whether amounts are masses.
    """
    first = parts[0][0]
    moles = [amount * per_unit for _, amount, per_unit in parts]
    total = sum(moles)
    weights = [one / total for one in moles]
    supplies = [one for one, _, _ in parts]
    grams = [_grams(one, amount, weighed) for one, amount, _ in parts]
    ml = [_ml(one, amount, weighed) for one, amount, _ in parts]
    mass, volume = sum(grams), sum(ml)
    fraction = (
        sum(one.fraction * gram for one, gram in zip(supplies, grams, strict=True)) / mass if mass else 0
    )
    per_g = total / mass if mass else 0.0
    per_ml = total / volume if volume else 0.0
    return replace(
        first,
        strength=_mean_strength(first, fraction, per_ml),
        mol_per_g=per_g,
        mol_per_ml=per_ml,
        solvent_part=sum(
            one.solvent_part * part for one, part in zip(supplies, _parts(grams, weights), strict=True)
        ),
        by_g=inputs_of([(one.by_g, weight, one) for one, weight in zip(supplies, weights, strict=True)]),
        by_ml=inputs_of([(one.by_ml, weight, one) for one, weight in zip(supplies, weights, strict=True)]),
        density=_mean_density(supplies, mass, volume, weights),
        lot=None,
        notes=tuple(dict.fromkeys(note for one in supplies for note in one.notes)),
        fraction=fraction,
        bottles=tuple(bottles),
    )


def _grams(supply: Supply, amount: float, weighed: bool) -> float:
    if weighed:
        return amount
    return amount * supply.density.g_per_ml if supply.density else 0.0


def _ml(supply: Supply, amount: float, weighed: bool) -> float:
    if supply.kind == "solid":
        return 0.0
    if not weighed:
        return amount
    return amount / supply.density.g_per_ml if supply.density else 0.0


def _parts(grams: Sequence[float], weights: Sequence[float]) -> Sequence[float]:
    mass = sum(grams)
    return [gram / mass for gram in grams] if mass and all(grams) else weights


def _mean_density(
    supplies: Sequence[Supply], mass: float, volume: float, weights: Sequence[float]
) -> Density | None:
    known = [one.density for one in supplies if one.density is not None]
    if len(known) < len(supplies) or not volume:
        return None
    spread_g = sum(one.standard_uncertainty_g_per_ml * part for one, part in zip(known, weights, strict=True))
    basis = " and ".join(dict.fromkeys(one.basis for one in known))
    return Density(mass / volume, spread_g, basis)


def _mean_strength(first: Supply, fraction: float, per_ml: float) -> str:
    if first.kind == "solution":
        return f"{shown_figure(1000.0 * per_ml, None)} mol/L"
    return f"{100.0 * fraction:.4g} % on average" if first.strength else ""


def inputs_of(parts: Sequence[tuple[Sequence[Input], float, Supply]]) -> tuple[Input, ...]:
    """Relative inputs of several bottles together: each bottle's own by its part of the solute.

    What is the same in every bottle (a molar mass, an assumption) is counted once and in full: taking from
    two bottles makes no assumption better.

    Source: GUM 5.2.2 and 5.1.2.
    """
    if not all(inputs for inputs, _, _ in parts):
        return ()
    shared: dict[str, Input] = {}
    own = []
    for inputs, weight, supply in parts:
        for one in inputs:
            scaled = one.standard * weight
            if not one.shared:
                own.append(replace(one, name=named(one.name, supply), standard=scaled))
            elif one.name in shared:
                before = shared[one.name]
                source = before.source if one.source in before.source else f"{before.source}; {one.source}"
                shared[one.name] = replace(before, standard=before.standard + scaled, source=source)
            else:
                shared[one.name] = replace(one, standard=scaled)
    return (*own, *shared.values())


def named(words: str, supply: Supply) -> str:
    """Words with the bottle they belong to."""
    return f"{words}, lot {supply.lot.code}" if supply.lot else words
