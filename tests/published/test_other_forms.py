"""What is offered instead of a form that is short, against figures in print and libraries of other make."""

import periodictable
import pytest

from prepdesk.calc.catalogue import standard_catalogue
from prepdesk.calc.formula import parse_formula
from tests.calc.orders import one, plan, shelf_with, solid
from tests.published.values import each

# One element that is counted in each, and how many atoms of it a formula unit has: boron is the trap.
COUNTED = {
    "copper-sulfate": ("Cu", 1),
    "sodium-carbonate": ("C", 1),
    "magnesium-sulfate": ("Mg", 1),
    "cobalt-chloride": ("Co", 1),
    "oxalic-acid": ("C", 2),
    "sodium-tetraborate": ("B", 4),
    "disodium-edta": ("N", 2),
    "iron-iii-chloride": ("Fe", 1),
}


def offered(asked: str, there: str, target: str, volume_ml: str) -> tuple[dict, float]:
    """The one offer of another form, and its amount for the volume that was asked."""
    shelf = shelf_with(solid("1", there, 5000, assay_percent=100.0, assay_tolerance_percent=0.05))
    # As tight as a teaching laboratory weighs, whatever the digits of the target.
    request = one(asked, target, "mol/L", volume_ml, equipment="shelf", tolerance_percent="0.3")
    answer = plan(request, shelf)
    [offer] = [one for one in answer["shortages"][0]["instead"] if one["kind"] == "form"]
    request["components"][0]["source"] = offer["source"]
    chosen = plan(request, shelf)
    assert chosen["feasible"], chosen["problems"]
    made = float(chosen["makes"]["value"]) / float(volume_ml)
    return offer, float(offer["amount"]["value"]) / made


@each("other_forms.toml", "asked", "there", "target")
def test_the_other_form_is_offered_with_the_amount_in_print(row):
    offer, amount = offered(row["asked"], row["there"], row["target"], row["volume_ml"])
    assert offer["lot"]["id"] == "1"
    assert amount == pytest.approx(row["amount"], abs=row["tolerance"]), row["source"]


def mass_of(formula: str) -> float:
    """Molar mass by periodictable [g/mol], which reads hydrates apart from the salt."""
    parsed = parse_formula(formula)
    return periodictable.formula(parsed.base).mass + float(parsed.water) * periodictable.formula("H2O").mass


@pytest.mark.parametrize("family", COUNTED)
def test_what_is_offered_brings_as_many_atoms_as_what_was_asked(family):
    """Both ways between all forms of a family: the atoms counted by periodictable are those asked for."""
    element, count = COUNTED[family]
    forms = standard_catalogue().forms_of(family)
    assert len(forms) > 1
    for asked in forms:
        for there in forms:
            if asked is there:
                continue
            _, grams = offered(asked.key, there.key, "0.0200", "1000")
            atoms = periodictable.formula(parse_formula(there.formula).base).atoms
            moles = grams / mass_of(there.formula) * atoms[periodictable.elements.symbol(element)]
            # 0.0200 mol/L in a litre, within the tolerance asked.
            assert moles == pytest.approx(0.0200 * count, rel=0.003), (asked.key, there.key)


def test_grams_of_the_hydrate_are_turned_into_grams_of_the_anhydrous_salt():
    """25.0 g/L means the pentahydrate that was named; the bottle holds the anhydrous salt."""
    shelf = shelf_with(solid("1", "copper-sulfate-anhydrous", 500, assay_percent=100.0))
    request = one("copper-sulfate-pentahydrate", "25.0", "g/L", "1000", equipment="shelf")
    answer = plan(request, shelf)
    [offer] = [one for one in answer["shortages"][0]["instead"] if one["kind"] == "form"]
    # Molar masses of any handbook: 249.69 and 159.61 g/mol.
    assert float(offer["amount"]["value"]) == pytest.approx(25.0 * 159.61 / 249.69, abs=0.02)
    said = {caution["code"]: caution["text"] for caution in offer["cautions"]}
    assert "means grams of CuSO₄·5H₂O" in said["other_form"]


def test_the_factor_between_the_copper_sulfates_is_that_of_their_molar_masses():
    """249.68 / 159.61, the factor every teaching laboratory knows (common practice)."""
    _, blue = offered("copper-sulfate-anhydrous", "copper-sulfate-pentahydrate", "0.1000", "1000")
    _, white = offered("copper-sulfate-pentahydrate", "copper-sulfate-anhydrous", "0.1000", "1000")
    assert blue / white == pytest.approx(249.68 / 159.61, rel=1e-3)
