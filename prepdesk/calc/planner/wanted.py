"""What is asked, brought to one measure per kind of target: mol per litre, mass fraction or molality."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Final

from prepdesk.calc.atoms import MolarMass, molar_mass
from prepdesk.calc.density import reagent_density
from prepdesk.calc.errors import InputError, NoDensity
from prepdesk.calc.formula import parse_formula
from prepdesk.calc.model import Component, Density, PreparationRequest, TypedQuantity
from prepdesk.calc.planner.refusal import Impossible, stop
from prepdesk.calc.sentences import joined
from prepdesk.calc.units import UNITS, factor

# Digits never allow more than this [%]: "1 mol/L" doesn't mean 0.5 to 1.5. Source: the preview contract.
LOOSEST_BY_DIGITS_PERCENT: Final = 5.0
MASS_KINDS: Final = frozenset({"mass fraction", "molality"})


@dataclass(frozen=True, slots=True)
class Want:
    """One component's target in the planner's own measures.

    Attributes:
        index: its place in the request, from 0.
        tolerance: allowed relative deviation, k = 2 [1].
        kind: what the unit measures, as :mod:`prepdesk.calc.units` names it.
        mol_per_l: solute per volume of solution [mol/L], for targets per volume.
        fraction: grams of the named form per gram of solution [1], for mass fractions.
        molality: mol per kilogram of solvent [mol/kg], for molalities.
        counts_moles: whether the target counts moles, so that a molar mass stands between it and a mass.
        named: molar mass of the form named in the request [g/mol].
        solute: molar mass of what dissolves, without hydrate water [g/mol].
        through_density: density by which a target by mass was turned into one per volume, where another
            component of the same solution is asked for per volume.
    """

    index: int
    component: Component
    tolerance: float
    kind: str
    mol_per_l: float
    fraction: float
    molality: float
    counts_moles: bool
    named: MolarMass
    solute: MolarMass
    through_density: Density | None = None

    @property
    def by_mass(self) -> bool:
        """Whether the target refers to masses only, so that no volume needs measuring."""
        return self.kind in MASS_KINDS and self.through_density is None

    @property
    def name(self) -> str:
        """Name of the substance as asked."""
        return self.component.substance.name


def unit_shown(unit: str) -> str:
    """A unit as people write it: the micro sign instead of the letter u.

    >>> unit_shown("ug/mL")
    'µg/mL'
    """
    return f"µ{unit[1:]}" if unit.startswith("u") else unit


def target_shown(component: Component) -> str:
    """A target as typed, with its unit as people write it."""
    return f"{component.target.number.text} {unit_shown(component.target.unit)}"


def title_part(component: Component) -> str:
    """One component as a bottle names it; a normality says what its equivalents are."""
    part = f"{target_shown(component)} {component.substance.name}"
    if component.target.unit == "eq/L" and component.equivalents:
        part += f" ({component.equivalents} eq/mol)"
    return part


def title_for(components: Iterable[Component], solvent: str) -> str:
    """What the bottle is called: "2.00 mol/L sodium chloride", "1 % w/v phenolphthalein in ethanol"."""
    title = joined([title_part(one) for one in components])
    return title if solvent == "water" else f"{title} in {solvent}"


def implied_tolerance_percent(target: TypedQuantity) -> float:
    """The tolerance that the digits of a target imply [%]: half a unit of the last one, at most 5 %.

    Source: the preview contract.

    >>> from prepdesk.calc.typed import parse_positive
    >>> implied_tolerance_percent(TypedQuantity(parse_positive("2.00"), "mol/L"))
    0.25
    """
    relative = 100.0 * float(target.number.half_last_digit / target.number.value)
    return min(relative, LOOSEST_BY_DIGITS_PERCENT)


def wants_of(request: PreparationRequest) -> tuple[Want, ...]:
    """Every component's target in the planner's measures.

    Raises:
        Impossible: a volume percent of something that has no pure liquid with a known density.
    """
    return tuple(_want(index, one, request) for index, one in enumerate(request.components))


def _want(index: int, component: Component, request: PreparationRequest) -> Want:
    kind = UNITS[component.target.unit].kind
    named = molar_mass(component.substance.formula)
    value = float(component.target.number.value) * factor(component.target.unit)
    tolerance = request.tolerance_percent
    if tolerance is None:
        tolerance = implied_tolerance_percent(component.target)
    per_volume = (
        0.0 if kind in MASS_KINDS else mol_per_l(value, kind, component, named, request.temperature_c)
    )
    return Want(
        index=index,
        component=component,
        tolerance=tolerance / 100.0,
        kind=kind,
        mol_per_l=per_volume,
        fraction=value if kind == "mass fraction" else 0.0,
        molality=value if kind == "molality" else 0.0,
        counts_moles=kind in ("amount per volume", "equivalents per volume", "molality"),
        named=named,
        solute=molar_mass(parse_formula(component.substance.formula).base),
    )


def mol_per_l(value: float, kind: str, component: Component, named: MolarMass, temperature_c: float) -> float:
    """A target per volume as mol/L; ``value`` in the base unit of its kind (see units.BASE)."""
    convert: dict[str, Callable[[], float]] = {
        "amount per volume": lambda: value,
        "equivalents per volume": lambda: value / (component.equivalents or 1),
        "mass per volume": lambda: value / named.g_per_mol,
        "volume fraction": lambda: 1000.0 * value * _pure_density(component, temperature_c) / named.g_per_mol,
    }
    return convert[kind]()


def _pure_density(component: Component, temperature_c: float) -> float:
    try:
        return reagent_density(component.substance.key, 100.0, temperature_c).g_per_ml
    except (NoDensity, InputError):
        name = component.substance.name
        raise Impossible(
            stop(
                "no_pure_liquid",
                f"“% v/v” of {name} has no clear meaning here: no density of pure, 100 % {name} is known."
                " Ask in mol/L, g/L or % w/w.",
            )
        ) from None
