"""What a certificate or label says about a lot, checked before it is believed.

A wrong figure here is a wrong figure on every sheet planned from the bottle, so each has bounds that
a slip of the keyboard would leave, and belongs to one kind of lot.
"""

from collections.abc import Mapping
from typing import Final, NamedTuple

from inventory.models import Lot
from inventory.services.typed import Figure, Reader

_KIND_WORDS: Final = {
    "solid": "a solid",
    "liquid": "a liquid reagent",
    "solution": "a solution",
    "item": "counted in pieces",
}


class _Fact(NamedTuple):
    figure: Figure
    kinds: frozenset[str]


_SOLID: Final = frozenset({Lot.Kind.SOLID.value})
_LIQUID: Final = frozenset({Lot.Kind.LIQUID.value})
_SOLUTION: Final = frozenset({Lot.Kind.SOLUTION.value})

FACTS: Final[dict[str, _Fact]] = {
    # Certificates of primary standards and hydrates that lost a little water may say 100.2 %; much
    # more is a typing error or another form than the label says.
    "assay_percent": _Fact(Figure("An assay", "%", "102"), _SOLID),
    "assay_tolerance_percent": _Fact(Figure("The tolerance of an assay", "percentage points", "50"), _SOLID),
    "mass_percent": _Fact(Figure("A mass percent", "%", "100"), _LIQUID),
    # From liquefied gases to mercury (13.5 g/mL): beyond these it is not the density of a liquid.
    "density_g_per_ml": _Fact(Figure("A density", "g/mL", "14", least="0.3"), _LIQUID | _SOLUTION),
    # Water itself is 55.5 mol/L; nothing in a bottle has more of anything.
    "concentration_mol_per_l": _Fact(Figure("A concentration", "mol/L", "56"), _SOLUTION),
    "relative_uncertainty_percent": _Fact(Figure("The uncertainty of a concentration", "%", "50"), _SOLUTION),
}


def read_facts(reader: Reader, kind: str, typed: Mapping[str, str]) -> dict[str, str]:
    """The facts of a lot of this kind, as typed; what is wrong is noted in ``reader``."""
    own: dict[str, Figure] = {}
    for field, fact in FACTS.items():
        if typed.get(field, "").strip() and kind in _KIND_WORDS and kind not in fact.kinds:
            of = " or ".join(_KIND_WORDS[k] for k in sorted(fact.kinds))
            reader.refuse(field, f"{fact.figure.what} belongs to {of}; this lot is {_KIND_WORDS[kind]}.")
        else:
            own[field] = fact.figure
    kept = reader.figures(own, typed)
    if kept.get("assay_tolerance_percent") and not kept.get("assay_percent"):
        reader.refuse("assay_percent", "A tolerance needs the assay it belongs to.")
    if kept.get("relative_uncertainty_percent") and not kept.get("concentration_mol_per_l"):
        reader.refuse("concentration_mol_per_l", "An uncertainty needs the concentration it belongs to.")
    return kept
