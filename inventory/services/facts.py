"""What a certificate or label says about a lot, checked before it is believed.

A wrong figure here is a wrong figure on every sheet planned from the bottle, so each has bounds that
a slip of the keyboard would leave, and belongs to one kind of lot.
"""

from collections.abc import Mapping
from typing import Final, NamedTuple

from inventory.models import Lot
from inventory.services.typed import Reader

_KIND_WORDS: Final = {"solid": "a solid", "liquid": "a liquid reagent", "solution": "a solution"}


class _Fact(NamedTuple):
    what: str
    kinds: frozenset[str]
    unit: str
    most: str
    least: str = "0"


_SOLID: Final = frozenset({Lot.Kind.SOLID.value})
_LIQUID: Final = frozenset({Lot.Kind.LIQUID.value})
_SOLUTION: Final = frozenset({Lot.Kind.SOLUTION.value})

FACTS: Final[dict[str, _Fact]] = {
    # Certificates of primary standards and hydrates that lost a little water may say 100.2 %; much
    # more is a typing error or another form than the label says.
    "assay_percent": _Fact("An assay", _SOLID, "%", "102"),
    "assay_tolerance_percent": _Fact("The tolerance of an assay", _SOLID, "percentage points", "50"),
    "mass_percent": _Fact("A mass percent", _LIQUID, "%", "100"),
    # From liquefied gases to mercury (13.5 g/mL): beyond these it is not the density of a liquid.
    "density_g_per_ml": _Fact("A density", _LIQUID | _SOLUTION, "g/mL", "14", least="0.3"),
    # Water itself is 55.5 mol/L; nothing in a bottle has more of anything.
    "concentration_mol_per_l": _Fact("A concentration", _SOLUTION, "mol/L", "56"),
    "relative_uncertainty_percent": _Fact("The uncertainty of a concentration", _SOLUTION, "%", "50"),
}


def read_facts(reader: Reader, kind: str, typed: Mapping[str, str]) -> dict[str, str]:
    """The facts of a lot of this kind, as typed; what is wrong is noted in ``reader``."""
    kept: dict[str, str] = {}
    for field, fact in FACTS.items():
        text = typed.get(field, "").strip()
        if text and kind in _KIND_WORDS and kind not in fact.kinds:
            of = " or ".join(_KIND_WORDS[k] for k in sorted(fact.kinds))
            reader.refuse(field, f"{fact.what} belongs to {of}; this lot is {_KIND_WORDS[kind]}.")
            continue
        kept[field] = reader.number(
            field, text, what=fact.what, unit=fact.unit, least=fact.least, most=fact.most
        )
    if kept.get("assay_tolerance_percent") and not kept.get("assay_percent"):
        reader.refuse("assay_percent", "A tolerance needs the assay it belongs to.")
    if kept.get("relative_uncertainty_percent") and not kept.get("concentration_mol_per_l"):
        reader.refuse("concentration_mol_per_l", "An uncertainty needs the concentration it belongs to.")
    return kept
