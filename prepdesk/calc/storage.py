"""What should not stand together on a shelf or in a cabinet, and why.

Groups and pairs are data (``data/storage.toml``), each row with its published source. They are the usual
ones and stand in for no safety data sheet: a page that shows a verdict also says that local rules and the
safety data sheets decide. What nobody has reviewed is unknown, and unknown is never shown as harmless.

The stated rule for solutions: from 0.5 mol/L a solution of one solute is judged as its reagent; a weaker
one, or a mixture, is not judged, save that it holds water and that sulfides, cyanides and hypochlorites
count at any strength.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cache
from typing import Final, Literal

from prepdesk.calc.atoms import molar_mass
from prepdesk.calc.errors import InputError
from prepdesk.calc.formula import Formula, parse_formula
from prepdesk.calc.model import Substance
from prepdesk.calc.tables import Row, rows

# Sodium hydroxide at 2 % is the weakest solution of the strong acids and bases that Regulation (EC)
# 1272/2008, Annex VI, calls corrosive (from memory): 20 g/L / 40 g/mol.
JUDGED_FROM_MOL_PER_L: Final = 0.5

Apart = Literal["cabinet", "shelf", "together", "unknown", "not judged"]
_STRICTEST: Final = ("cabinet", "shelf")
_AQUEOUS: Final = "aqueous"


@dataclass(frozen=True, slots=True)
class StorageGroup:
    """A group that a shelf or cabinet can bear as its name.

    Attributes:
        code: stable word, as ``flammable-liquid``.
        name: for people.
        text: how it is kept.
        at_any_strength: counts in a solution however weak.
    """

    code: str
    name: str
    text: str
    at_any_strength: bool
    source: str


@dataclass(frozen=True, slots=True)
class Kept:
    """What is known about something that stands on a shelf.

    Attributes:
        group: the group it is put away by; empty where it is unknown or not judged.
        belongs: every group and family it belongs to.
        known: whether anybody can say; a department's own substance without reviewed hazards is unknown.
        dilute: a solution that the stated rule does not judge.
    """

    group: str
    belongs: frozenset[str]
    known: bool = True
    dilute: bool = False


@dataclass(frozen=True, slots=True)
class Verdict:
    """Whether two things may stand together.

    Attributes:
        apart: ``cabinet`` (not in one cabinet), ``shelf`` (not on one shelf), ``together`` (no rule
            against it), ``unknown`` or ``not judged``.
        reason: what could happen, or why there is no verdict.
        source: where the rule is published, empty where there is none.
    """

    apart: Apart
    reason: str
    source: str = ""

    @property
    def forbids(self) -> bool:
        """Whether a rule speaks against it."""
        return self.apart in _STRICTEST


def storage_groups() -> tuple[StorageGroup, ...]:
    """Every group a shelf can be named after, in the order in which they decide.

    >>> storage_groups()[0].code
    'water-reactive'
    """
    return tuple(_groups().values())


def group_named(code: str) -> StorageGroup | None:
    """The group with a code; ``None`` for a code nobody knows.

    >>> group_named("base").name
    'Strong bases'
    """
    return _groups().get(code)


def kept_substance(substance: Substance, decided: str = "") -> Kept:
    """The groups one form of one substance belongs to.

    Args:
        substance: from the catalogue, or a department's own record.
        decided: the department's own decision, a group's code; it takes the place of every derived
            group, and the families of the chemistry (ammonium, silver …) stay.

    Returns:
        Its groups; ``known`` is False where no row fits.

    >>> from prepdesk.calc.catalogue import standard_catalogue
    >>> kept_substance(standard_catalogue().by_key("nitric-acid")).group
    'oxidising-acid'
    """
    belongs = _belongs(substance)
    if decided in _groups():
        belongs = frozenset({code for code in belongs if code not in _groups()} | {decided})
    group = next((code for code in _groups() if code in belongs), "")
    return Kept(group=group, belongs=belongs, known=bool(group))


def kept_solution(solutes: Iterable[Kept], mol_per_l: float | None) -> Kept:
    """A solution by the stated rule.

    Args:
        solutes: what is dissolved, one entry per solute.
        mol_per_l: concentration [mol/L] of the only solute; ``None`` where it has no single one.

    Returns:
        The reagent with water where the solution is at least 0.5 mol/L [mol/L] of one solute; else what
        counts at any strength, with water.

    >>> kept_solution([Kept("base", frozenset({"base"}))], 0.1).dilute
    True
    >>> kept_solution([Kept("base", frozenset({"base"}))], 5.0).group
    'base'
    """
    dissolved = tuple(solutes)
    if len(dissolved) == 1 and mol_per_l is not None and mol_per_l >= JUDGED_FROM_MOL_PER_L:
        only = dissolved[0]
        # In water already: what the dry substance would do with water is behind it.
        belongs = (only.belongs | {_AQUEOUS}) - {"water-reactive", "metal", "flammable-solid"}
        group = next((code for code in _groups() if code in belongs), "")
        return Kept(group=group, belongs=belongs, known=only.known and bool(group))
    always = {code for code, group in _groups().items() if group.at_any_strength}
    left = frozenset(code for each in dissolved for code in each.belongs & always)
    group = next((code for code in _groups() if code in left), "")
    return Kept(group=group, belongs=left | {_AQUEOUS}, dilute=not group)


def kept_liquid(pure: Kept, mass_percent: float | None, formula: str) -> Kept:
    """A liquid reagent: as the substance, or as a solution where it is weak.

    Args:
        pure: the substance.
        mass_percent: of the reagent [% w/w]; ``None`` where nobody says, which counts as strong.
        formula: of the solute, for its molar mass.

    Returns:
        The groups. A litre of a weak solution is taken as a kilogram [kg/L], which is within a few per
        cent.

    >>> kept_liquid(Kept("base", frozenset({"base"})), 0.5, "NH3").dilute
    True
    """
    if mass_percent is None:
        return pure
    try:
        mol_per_l = 10 * mass_percent / molar_mass(formula).g_per_mol
    except InputError:
        return pure
    weak = mol_per_l < JUDGED_FROM_MOL_PER_L
    return kept_solution([pure], mol_per_l) if weak else pure


def verdict(one: Kept, other: Kept) -> Verdict:
    """Whether two things may stand together; the strictest rule counts.

    Args:
        one: what stands there.
        other: what stands beside it.

    Returns:
        The verdict with its reason. Without a rule against it: ``unknown`` where either is unknown,
        ``not judged`` where either is a weak solution, else ``together``.

    >>> from prepdesk.calc.catalogue import standard_catalogue
    >>> kept = {key: kept_substance(standard_catalogue().by_key(key)) for key in ("nitric-acid", "acetone")}
    >>> verdict(kept["nitric-acid"], kept["acetone"]).apart
    'cabinet'
    """
    found = _rule(one.belongs, other.belongs)
    if found:
        return found
    if not (one.known and other.known):
        return Verdict(
            "unknown", "Nobody has said to which storage group it belongs. Read its safety data sheet."
        )
    if one.dilute or other.dilute:
        return Verdict(
            "not judged",
            f"A solution below {JUDGED_FROM_MOL_PER_L:g} mol/L, or of several solutes, is not judged here.",
        )
    return Verdict("together", "No rule of the table speaks against it.")


def unsuited_place(kept: Kept, kind_of_place: str) -> Verdict | None:
    """What speaks against a kind of place by itself, as a refrigerator for flammable liquids.

    Args:
        kept: what is put away.
        kind_of_place: ``cold`` for a refrigerator or freezer, else anything.

    Returns:
        A verdict that forbids it, or ``None``.

    >>> unsuited_place(Kept("flammable-liquid", frozenset({"flammable-liquid"})), "cold").apart
    'cabinet'
    """
    for row in rows("storage.toml", "unsuited"):
        if row["place"] == kind_of_place and row["group"] in kept.belongs:
            return Verdict("cabinet", row["reason"], row["source"])
    return None


# --- the table ------------------------------------------------------------------------------------
@cache
def _groups() -> Mapping[str, StorageGroup]:
    return {
        row["code"]: StorageGroup(
            code=row["code"],
            name=row["name"],
            text=row["text"],
            at_any_strength=row.get("at_any_strength", False),
            source=row["source"],
        )
        for row in rows("storage.toml", "group")
    }


@cache
def _pairs() -> Mapping[frozenset[str], Verdict]:
    """The strictest verdict of each pair of groups or families."""
    found: dict[frozenset[str], Verdict] = {}
    for row in rows("storage.toml", "apart"):
        source = f"{row['source']} (from memory)" if row.get("tag") else row["source"]
        for one in row["these"]:
            for other in row["those"]:
                pair = frozenset({one, other})
                if pair not in found or row["apart"] == _STRICTEST[0] != found[pair].apart:
                    found[pair] = Verdict(row["apart"], row["reason"], source)
    return found


@cache
def _rule(one: frozenset[str], other: frozenset[str]) -> Verdict | None:
    fitting = [
        rule
        for mine in sorted(one)
        for theirs in sorted(other)
        if (rule := _pairs().get(frozenset({mine, theirs})))
    ]
    return min(fitting, key=lambda rule: _STRICTEST.index(rule.apart), default=None)


@cache
def _belongs(substance: Substance) -> frozenset[str]:
    try:
        formula = parse_formula(substance.formula)
    except InputError:
        return frozenset()
    found: set[str] = set()
    for row in rows("storage.toml", "member"):
        if _fits(row, substance, formula, found):
            found.add(row["group"])
    return frozenset(found)


def _fits(row: Row, substance: Substance, formula: Formula, found: set[str]) -> bool:
    solute = substance.solute_formula or formula.base
    elements = set(formula.counts)
    return (
        _named(row, substance, formula, solute)
        and set(row.get("hazards", ())) <= set(substance.hazards)
        and set(row.get("traits", ())) <= set(substance.traits)
        and row.get("state", substance.state) == substance.state
        and row.get("holds", "") in formula.base
        and set(row.get("elements", ())) <= elements
        and elements <= set(row.get("only", elements))
        and formula.counts.get("C", 0) >= row.get("carbons", 0)
        and not found & set(row.get("unless", ()))
        and (bool(substance.hazards) or not row.get("reviewed"))
    )


def _named(row: Row, substance: Substance, formula: Formula, solute: str) -> bool:
    formulas, keys = row.get("formulas"), row.get("keys")
    if formulas is None and keys is None:
        return True
    # A hydrate no longer reacts with water as the dry substance does: calcium oxide is listed, its
    # hydroxide is not; so a row names the dry substance and the formula of a hydrate doesn't fit it.
    dry = row["group"] == "water-reactive"
    written = formula.plain if dry else solute
    return written in (formulas or ()) or substance.key in (keys or ())
