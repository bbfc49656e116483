"""The traps of the trade: where calculators, tables and web answers go wrong, and what the service does.

One group of tests per trap, numbered. Each says where the right figure was printed.
"""

import pytest

from prepdesk.calc.apparatus import limit_of, tolerance_ml
from prepdesk.calc.atoms import molar_mass
from prepdesk.calc.catalogue import standard_catalogue
from prepdesk.calc.density import laliberte_density, solution_density
from prepdesk.calc.errors import InputError, NoDensity, RequestRefused
from prepdesk.calc.formula import parse_formula
from prepdesk.calc.measuring import balance_inputs, one_mark_inputs, piston_inputs
from prepdesk.calc.model import Apparatus
from prepdesk.calc.tables import data_version
from tests.calc.orders import codes, component, one, order, plan, shelf_with, solid, steps_of

CATALOGUE = standard_catalogue()
BEAKER = Apparatus("beaker", nominal_ml=1000)


def grams_per_mol(named: str) -> float:
    """Molar mass of what a name, CAS number or formula resolves to."""
    return molar_mass(CATALOGUE.resolve(named).formula).g_per_mol


def refused(request: dict) -> dict[str, str]:
    """Fields and codes of the refusal of a request."""
    with pytest.raises(RequestRefused) as caught:
        plan(request)
    return {error.field: error.code for error in caught.value.errors}


def taken(request: dict) -> float:
    """Amount of the first thing that is weighed or measured from a bottle."""
    steps = [step for step in steps_of(plan(request), "weigh", "measure") if "component" in step]
    return float(steps[0]["quantity"]["value"])


def mass_percent(request: dict, g_per_mol: float) -> float:
    """Mass percent of a solution by the mass the answer gives for it."""
    answer = plan(request)
    mol_per_l = float(request["components"][0]["target"]["value"])
    litres = float(answer["makes"]["value"]) / 1000
    return 100 * mol_per_l * litres * g_per_mol / float(answer["result"]["mass_of_solution"]["value"])


# --- 1. The point before hydrate water ----------------------------------------------------------------
@pytest.mark.parametrize(
    ("formula", "g_per_mol"),
    [
        # IUPAC abridged standard atomic weights 2021; molmass 2026.1 agrees. Read as a decimal, ".5H2O"
        # gives 185.62; a middle dot as a product 433.61.
        ("CuSO4.5H2O", 249.68),
        ("CuSO4·5H2O", 249.68),
        ("CuSO4*5H2O", 249.68),
        ("CuSO₄·5H₂O", 249.68),
        ("CuSO4(H2O)5", 249.68),
        ("(NH4)2Fe(SO4)2.6H2O", 392.13),
        ("Na2B4O7.10H2O", 381.37),
        ("CaSO4.1/2H2O", 145.14),
    ],
)
def test_trap_01_a_point_in_a_formula_is_hydrate_water_and_no_decimal(formula, g_per_mol):
    assert molar_mass(parse_formula(formula)).g_per_mol == pytest.approx(g_per_mol, abs=0.02)


def test_trap_01_a_blank_before_hydrate_water_is_asked_about():
    # One library reads "CuSO4 5H2O" as 833.60, another as 249.68.
    assert refused(one("CuSO4 5H2O", "0.100", "mol/L"))["components.0.substance"] == "not_a_formula"


def test_trap_01_the_pentahydrate_is_weighed_as_pentahydrate():
    # A student laboratory report: 0.100 mol/L in 250 mL takes 6.242 g; 4.64 g is the decimal point's answer.
    assert taken(one("CuSO4.5H2O", "0.100", "mol/L", "250")) == pytest.approx(6.242, abs=0.002)


# --- 2. Names that a data base resolves to another form -----------------------------------------------
@pytest.mark.parametrize("name", ["EDTA", "EDTA disodium", "disodium EDTA", "edetate disodium"])
def test_trap_02_edta_is_never_silently_the_free_acid(name):
    # A look-up library answers all of these with the free acid, 292.24, which is 21.5 % short.
    assert refused(one(name, "0.0100", "mol/L"))["components.0.substance"] == "ambiguous_substance"


@pytest.mark.parametrize(
    ("name", "g_per_mol", "wrong"),
    [
        # IUPAC atomic weights 2021 for the hydrate that the name means; the second figure is what a
        # widely used look-up library returns for it.
        ("cobalt(II) chloride hexahydrate", 237.93, 147.85),
        ("Epsom salt", 246.47, 120.37),
        ("washing soda", 286.14, 105.99),
        ("ammonium hydroxide", 17.03, 35.05),
        ("borax", 381.37, 201.22),
    ],
)
def test_trap_02_a_name_of_the_trade_means_the_form_in_the_bottle(name, g_per_mol, wrong):
    assert grams_per_mol(name) == pytest.approx(g_per_mol, abs=0.02)
    assert grams_per_mol(name) != pytest.approx(wrong, abs=0.5)


@pytest.mark.parametrize(
    "name",
    ["oxalic acid", "citric acid", "sodium citrate", "sodium acetate", "copper sulfate", "ferric chloride",
     "nickel sulfate", "ammonium molybdate", "sodium tetraborate"],
)  # fmt: skip
def test_trap_02_a_name_that_fits_several_hydrates_is_asked_about(name):
    # Common practice: the bottle usually holds a hydrate, the data base the anhydrous salt.
    assert refused(one(name, "0.10", "mol/L")) == {"components.0.substance": "ambiguous_substance"}


@pytest.mark.parametrize("name", ["vinegar", "bleach", "formalin", "muriatic acid"])
def test_trap_02_a_household_solution_is_not_its_pure_substance(name):
    assert refused(one(name, "0.10", "mol/L")) == {"components.0.substance": "not_one_substance"}


# --- 3. Density models extrapolate without complaint --------------------------------------------------
def test_trap_03_concentrated_sulfuric_acid_has_the_handbook_density():
    # CRC Handbook, 102nd ed.: 98 %, 1.8361 g/mL, 18.35 mol/L. The model beyond its 78.2 % gives 1.9889.
    found = solution_density({"H2SO4": 0.98}, 20)
    assert found.g_per_ml == pytest.approx(1.8361, abs=0.0002)
    assert 10 * 98 * found.g_per_ml / molar_mass("H2SO4").g_per_mol == pytest.approx(18.35, abs=0.01)
    with pytest.raises(NoDensity):
        laliberte_density({"H2SO4": 0.98}, 20)


def test_trap_03_an_order_from_98_percent_acid_takes_what_the_handbook_density_gives():
    # 1000 mL of 1.0 mol/L: 1000/18.35 = 54.5 mL; the extrapolated 19.9 mol/L would have given 50.3 mL.
    source = {"kind": "liquid", "mass_percent": "98"}
    assert taken(one("sulfuric acid", "1.0", "mol/L", "1000", source=source)) == pytest.approx(54.5, abs=0.5)


# --- 4. Substances the density model lacks ------------------------------------------------------------
@pytest.mark.parametrize(
    ("solute", "percent", "rho"),
    # CRC Handbook, 102nd ed. (2021), concentrative properties at 20 °C.
    [("KMnO4", 2, 1.0118), ("AgNO3", 40, 1.4743), ("tris", 10, 1.0230), ("urea", 40, 1.1106),
     ("glucose", 10, 1.0375), ("glycerol", 10, 1.0215)],
)  # fmt: skip
def test_trap_04_a_substance_missing_from_the_model_has_the_handbook_density(solute, percent, rho):
    with pytest.raises(NoDensity):
        laliberte_density({solute: percent / 100}, 20)
    assert solution_density({solute: percent / 100}, 20).g_per_ml == pytest.approx(rho, abs=0.0015)


@pytest.mark.parametrize("solute", ["perchloric acid", "potassium hydrogen phthalate", "KIO3"])
def test_trap_04_where_no_source_covers_the_density_none_is_invented(solute):
    answer = plan(one(solute, "0.050", "mol/L", "500", tolerance_percent="5"))
    assert answer["feasible"], "a solution made up to a mark needs no density of its own"
    assert answer["result"]["density"] is None
    assert answer["result"]["mass_of_solution"] is None
    assert any("no source covers it" in line for line in answer["working"])


def test_trap_04_disodium_hydrogen_phosphate_is_found_by_its_clean_cas_number():
    # The model's own table spells 7558-79-4 with a blank before it, so that a clean look-up misses it.
    key = CATALOGUE.resolve("7558-79-4").key
    assert solution_density({key: 0.01}, 25).g_per_ml > solution_density({}, 25).g_per_ml


# --- 5. Density does not tell the strength ------------------------------------------------------------
def test_trap_05_acetic_acid_is_densest_near_80_percent():
    # CRC Handbook, 102nd ed.: 80 % 1.0680, 98 % 1.0538, 100 % 1.0477 g/mL.
    dense = [solution_density({"acetic-acid": w}, 20).g_per_ml for w in (0.80, 0.98, 1.0)]
    assert dense == pytest.approx([1.0680, 1.0538, 1.0477], abs=0.003)


def test_trap_05_sulfuric_acid_is_less_dense_at_100_than_at_98_percent():
    # CRC Handbook, 102nd ed.: 98 % 1.8361, 100 % 1.8305 g/mL.
    assert solution_density({"H2SO4": 0.98}, 20).g_per_ml > solution_density({"H2SO4": 1.0}, 20).g_per_ml


def test_trap_05_a_density_alone_is_no_strength():
    # 1.05 g/mL fits acetic acid of some 40 % as well as of 99 %.
    source = {"kind": "liquid", "density": {"value": "1.05", "unit": "g/mL"}}
    assert refused(one("acetic acid", "0.10", "mol/L", source=source)) == {
        "components.0.source.mass_percent": "required"
    }


# --- 6. Printed tables can be wrong -------------------------------------------------------------------
def test_trap_06_cobalt_chloride_has_its_true_molar_mass_and_not_the_printed_one():
    # OpenStax Chemistry 2e, section 3.3, prints 128.9 g/mol and so 0.674 mol/L for 6.52 g in 75.0 mL.
    true = grams_per_mol("CoCl2")
    assert true == pytest.approx(129.84, abs=0.01)
    assert 6.52 / true / 0.0750 == pytest.approx(0.6696, abs=0.0001)


def test_trap_06_phosphoric_acid_of_85_percent_has_fourteen_point_seven_moles():
    # OpenStax Chemistry 2e, appendix F: 14.7 mol/L; a widely copied table prints 15.2.
    found = solution_density({"H3PO4": 0.85}, 20).g_per_ml
    assert 10 * 85 * found / molar_mass("H3PO4").g_per_mol == pytest.approx(14.7, abs=0.1)


def test_trap_06_ammonia_is_counted_as_ammonia_and_not_as_a_hydroxide():
    # Tables print "28.0 % as NH3 = 56.6 % as NH4OH"; by the atomic weights it is 57.6 %.
    assert 28.0 * molar_mass("NH4OH").g_per_mol / grams_per_mol("ammonium hydroxide") == pytest.approx(
        57.6, abs=0.05
    )


def test_trap_06_potassium_hydroxide_has_a_density_that_two_models_agree_on_within_the_stated_error():
    # The CRC column (1.1818 at 20 %) lies 0.5 % below Laliberté (1.1872) and Pitzer (pyEQL 1.7: 1.1873).
    found = solution_density({"KOH": 0.20}, 20)
    assert found.g_per_ml == pytest.approx(1.1873, abs=2 * found.standard_uncertainty_g_per_ml)
    assert found.standard_uncertainty_g_per_ml > 0.001, "the disagreement is part of the stated error"


# --- 7. Class A is two standards ----------------------------------------------------------------------
def test_trap_07_class_a_means_another_limit_by_iso_than_by_astm():
    # ISO 1042:1998 and ASTM E288: 25 mL 0.04 and 0.03, 100 mL 0.10 and 0.08, 1000 mL 0.40 and 0.30.
    for nominal, iso, astm in [(25, 0.04, 0.03), (100, 0.10, 0.08), (1000, 0.40, 0.30)]:
        assert tolerance_ml("one-mark flask", nominal, "A", "ISO 1042:1998") == iso
        assert tolerance_ml("one-mark flask", nominal, "A", "ASTM E288") == astm


def test_trap_07_a_sheet_names_the_standard_whose_limit_it_used():
    made = steps_of(plan(one("NaCl", "1.000", "mol/L", "100", tolerance_percent="0.5")), "make_up")[-1]
    assert made["equipment"]["standard"].startswith("ISO 1042")
    assert made["equipment"]["tolerance"] == {"value": "0.1", "unit": "mL"}


def test_trap_07_class_b_is_not_always_twice_class_a():
    # ISO 648:2008: 100 mL pipette, A 0.080, B 0.150.
    assert tolerance_ml("one-mark pipette", 100, "A", "ISO 648:2008") == 0.080
    assert tolerance_ml("one-mark pipette", 100, "B", "ISO 648:2008") == 0.150


def test_trap_07_a_10_ml_burette_has_two_limits_by_its_division():
    # ISO 385:2005: 0.02 mL divisions ±0.020, 0.05 mL divisions ±0.030.
    assert tolerance_ml("burette", 10, "A", "ISO 385:2005", 0.02) == 0.020
    assert tolerance_ml("burette", 10, "A", "ISO 385:2005", 0.05) == 0.030


# --- 8. Piston pipettes dialled down ------------------------------------------------------------------
def test_trap_08_a_1000_ul_piston_pipette_keeps_its_8_ul_at_200_ul():
    # ISO 8655-2:2002: 8 µL systematic, which is 4 % of 200 µL.
    limit = limit_of("piston pipette", 1.0, "", "ISO 8655-2:2002")
    assert 100 * limit.tolerance_ml / 0.200 == pytest.approx(4.0)
    pipette = Apparatus("piston pipette", nominal_ml=1.0, tolerance_ml=0.008, standard="ISO 8655-2:2002")
    assert piston_inputs(pipette)[0].standard * 3**0.5 == pytest.approx(0.008)


# --- 9. Distributions and double counting -------------------------------------------------------------
def test_trap_09_a_flask_is_triangular_and_says_so():
    # EURACHEM/CITAC CG 4, A1: 0.1/√6 = 0.040825 mL; a rectangle would give 0.0577 and move u by 11 %.
    limit = one_mark_inputs(Apparatus("one-mark flask", nominal_ml=100, tolerance_ml=0.1))[0]
    assert limit.standard == pytest.approx(0.040825, abs=1e-6)
    assert limit.distribution == "triangular"


def test_trap_09_linearity_counts_for_tare_and_gross():
    # EURACHEM/CITAC CG 4, A2: √2 · 0.15 mg/√3 = 0.1225 mg.
    balance = Apparatus("balance", readability_g=0.0001, linearity_g=0.00015)
    linearity = next(one.standard for one in balance_inputs(balance) if "linearity" in one.name)
    assert linearity == pytest.approx(0.0001225, abs=1e-7)


def test_trap_09_the_uncertainty_of_a_molar_mass_grows_linearly_with_the_atoms():
    # EURACHEM/CITAC CG 4, A2: eight carbons count eight times, not √8 times.
    eight, single = (molar_mass(f).standard_uncertainty_g_per_mol for f in ("C8", "C"))
    assert eight == pytest.approx(8 * single)


# --- 10. Buffers --------------------------------------------------------------------------------------
@pytest.mark.parametrize("name", ["phosphate buffer", "PBS", "buffer"])
def test_trap_10_a_buffer_is_refused_with_its_salts_and_never_worked_out_from_a_naive_pka(name):
    # Gomori's 0.1 mol/L phosphate, pH 7.00, is 39.0 + 61.0 mL; Henderson-Hasselbalch is 0.39 off.
    assert refused(one(name, "0.100", "mol/L")) == {"components.0.substance": "not_one_substance"}


@pytest.mark.parametrize("name", ["acetate buffer", "Tris buffer pH 7.4", "carbonate buffer pH 10.01"])
def test_trap_10_a_buffer_the_catalogue_does_not_know_is_refused_too(name):
    assert set(refused(one(name, "0.100", "mol/L"))) == {"components.0.substance"}


def test_trap_10_the_salts_of_a_buffer_are_made_as_ordered_and_no_ph_is_claimed():
    # Gomori: 39.0 mL of 0.2 mol/L NaH2PO4 and 61.0 mL of 0.2 mol/L Na2HPO4, made up to 200 mL.
    answer = plan(
        order(
            component("NaH2PO4.H2O", "0.0390", "mol/L"),
            component("disodium hydrogen phosphate, anhydrous", "0.0610", "mol/L"),
            volume="200",
            tolerance_percent="1",
        )
    )
    weighed = [float(step["quantity"]["value"]) for step in steps_of(answer, "weigh")]
    assert weighed == pytest.approx([0.0390 * 0.2 * 137.99, 0.0610 * 0.2 * 141.96], rel=0.005)
    said = " ".join([answer["title"], *(step["text"] for step in answer["steps"])])
    assert "pH" not in said
    assert steps_of(answer, "adjust") == []


# --- 11. Molality and molarity ------------------------------------------------------------------------
def test_trap_11_a_molal_order_is_weighed_against_water_and_a_molar_one_made_up_to_a_volume():
    # Vogel: 10.21 g of phthalate for 1 kg of water (0.05 mol/kg). NBS: 10.12 g in a litre of that buffer.
    molal = plan(one("potassium hydrogen phthalate", "0.0500", "mol/kg", "1000", tolerance_percent="0.5"))
    molar = plan(one("potassium hydrogen phthalate", "0.0500", "mol/L", "1000", tolerance_percent="0.5"))
    water = [step for step in steps_of(molal, "weigh", "measure") if step.get("substance") == "water"]
    grams = sum(
        float(s["quantity"]["value"]) * (1.0 if s["quantity"]["unit"] == "g" else 0.9982) for s in water
    )
    salt = next(step for step in steps_of(molal, "weigh") if step.get("substance") != "water")
    assert 1000 * float(salt["quantity"]["value"]) / grams == pytest.approx(10.21, abs=0.03)
    assert not steps_of(molal, "make_up"), "water up to a mark would make it molar"
    assert float(steps_of(molar, "weigh")[0]["quantity"]["value"]) == pytest.approx(10.21, abs=0.03)
    assert steps_of(molar, "make_up")


@pytest.mark.parametrize("name", ["pH 7 buffer", "pH 6.865 buffer", "technical buffer 7.00"])
def test_trap_11_ph_7_is_not_taken_for_one_of_its_two_recipes(name):
    # Two sets are in print: 6.865 (0.025 + 0.025 mol/kg) and "technical" 7.00 (0.026 + 0.041 mol/kg).
    assert set(refused(one(name, "1", "mol/L"))) == {"components.0.substance"}


# --- 12. Limits of labels are mass percent ------------------------------------------------------------
@pytest.mark.parametrize(
    ("substance", "mol_per_l", "g_per_mol", "percent"),
    [
        # Mass percent from CRC Handbook densities at 20 °C. Limits of classes (CLP, Annex VI): 0.5, 2 and 5 %
        # for both hydroxides, 10 % for hydrochloric acid.
        ("NaOH", "0.1", 39.997, 0.398),
        ("KOH", "0.1", 56.106, 0.559),
        ("NaOH", "0.5", 39.997, 1.96),
        ("NaOH", "1", 39.997, 3.841),
        ("NaOH", "2", 39.997, 7.403),
        ("HCl", "2.873", 36.461, 10.00),
        ("HCl", "1", 36.461, 3.588),
    ],
)
def test_trap_12_mass_percent_follows_from_the_true_density(substance, mol_per_l, g_per_mol, percent):
    request = one(substance, mol_per_l, "mol/L", "1000", tolerance_percent="5")
    assert mass_percent(request, g_per_mol) == pytest.approx(percent, rel=0.003)


def test_trap_12_half_molar_sodium_hydroxide_lies_below_2_percent_only_by_its_density():
    # At 1 g/mL it would be 2.0 % and cross the limit of the stricter class.
    found = mass_percent(one("NaOH", "0.5", "mol/L", "1000", tolerance_percent="5"), 39.997)
    assert found < 2.0 < 0.51 * 39.997 / 10


# --- 13. CAS numbers that name something else ---------------------------------------------------------
def test_trap_13_the_cas_number_of_hydrogen_chloride_means_the_acid_in_the_bottle():
    # In CLP Annex VI 7647-01-0 is the compressed gas; hydrochloric acid stands there without a CAS number.
    found = CATALOGUE.resolve("7647-01-0")
    assert (found.key, found.state) == ("hydrochloric-acid", "liquid")
    answer = plan(one("7647-01-0", "0.10", "mol/L", "500"))
    assert steps_of(answer, "measure")[0]["quantity"]["unit"] == "mL"
    assert {"fume_hood", "corrosive", "acid_into_water"} <= {c["code"] for c in answer["cautions"]}


@pytest.mark.parametrize(
    ("cas", "hazard"),
    [("7791-13-1", "carcinogen_handling"), ("7446-20-0", "corrosive"), ("10099-74-8", "toxic")],
)
def test_trap_13_a_hydrate_or_salt_absent_from_the_annex_still_has_its_hazards(cas, hazard):
    # CoCl2·6H2O, ZnSO4·7H2O and Pb(NO3)2 are not found in Annex VI by their own CAS numbers.
    answer = plan(one(cas, "0.010", "mol/L", "500"))
    assert hazard in {one["code"] for one in answer["cautions"]}


def test_trap_13_a_substance_nobody_entered_is_refused_and_not_harmless():
    # KCN has no row of its own in Annex VI, only the group entry for cyanides.
    assert refused(one("151-50-8", "0.010", "mol/L")) == {"components.0.substance": "unknown_substance"}


# --- 14. The two copper sulfates ----------------------------------------------------------------------
def test_trap_14_the_pentahydrate_is_labelled_more_strictly_than_the_anhydrous_salt():
    # CLP Annex VI, ATP 23: 7758-98-7 Eye Irrit. 2, Warning; 7758-99-8 Eye Dam. 1, Danger.
    anhydrous, pentahydrate = (CATALOGUE.resolve(cas).hazards for cas in ("7758-98-7", "7758-99-8"))
    assert "irritant" in anhydrous
    assert "corrosive" not in anhydrous
    assert "corrosive" in pentahydrate


# --- 15. Classifications change -----------------------------------------------------------------------
def test_trap_15_an_answer_names_its_data_and_defers_to_the_safety_data_sheet():
    # CLP, ATP 23: the rows of formic acid and formaldehyde changed on 1 May 2026.
    answer = plan(one("formic acid", "0.10", "mol/L", "500", source={"kind": "liquid", "mass_percent": "90"}))
    assert answer["data_version"] == data_version()
    assert answer["cautions"][-1]["code"] == "local_rules"
    assert "safety data sheet" in answer["cautions"][-1]["text"]
    assert "corrosive" in {one["code"] for one in answer["cautions"]}


# --- 16. Normality needs the reaction -----------------------------------------------------------------
@pytest.mark.parametrize(("equivalents", "grams"), [(5, 3.1607), (3, 5.2677)])
def test_trap_16_permanganate_by_equivalents_depends_on_the_reaction(equivalents, grams):
    # KMnO4 0.1 N: five electrons in acid, 3.1607 g/L; three in neutral solution. IUPAC atomic weights 2021.
    request = one("KMnO4", "0.1000", "eq/L", "1000", equivalents=equivalents, tolerance_percent="0.5")
    assert taken(request) == pytest.approx(grams, rel=0.001)


def test_trap_16_without_its_equivalents_a_normality_is_refused():
    assert refused(one("KMnO4", "0.1000", "eq/L")) == {"components.0.equivalents": "required"}


def test_trap_16_the_letter_n_is_refused_because_it_reads_as_newton():
    assert refused(one("KMnO4", "0.1000", "N", equivalents=5)) == {"components.0.target.unit": "unknown_unit"}


# --- 17. Units with several meanings ------------------------------------------------------------------
@pytest.mark.parametrize("unit", ["g/100 mL", "1:4", "1+4", "%", "ppm", "ppb", "mg%", "M", "m", "G", "ML"])
def test_trap_17_a_unit_with_several_meanings_is_refused_with_the_list_of_those_that_serve(unit):
    # Common practice: per cent is m/m, m/v or v/v; ppm is mg/kg or mg/L; 1:4, 1→4 and 1+4 are three recipes.
    with pytest.raises(RequestRefused) as caught:
        plan(one("NaCl", "1", unit))
    [error] = caught.value.errors
    assert (error.field, error.code) == ("components.0.target.unit", "unknown_unit")
    assert all(known in error.text for known in ("% w/w", "% w/v", "% v/v", "mg/kg", "mg/L"))


def test_trap_17_the_three_per_cents_are_three_recipes():
    # Ethanol in 100 mL: 10.0 % v/v holds 7.9 g (0.7893 g/mL, CRC Handbook), 10.0 % w/v 10.0 g, 10.0 % w/w
    # 9.8 g (0.9819 g/mL, CRC Handbook).
    grams = []
    for unit in ("% v/v", "% w/v", "% w/w"):
        answer = plan(
            one("ethanol", "10.0", unit, "1000", tolerance_percent="3",
                source={"kind": "liquid", "mass_percent": "100"})
        )  # fmt: skip
        step = next(step for step in steps_of(answer, "weigh", "measure") if "component" in step)
        amount = float(step["quantity"]["value"]) * (0.7893 if step["quantity"]["unit"] == "mL" else 1.0)
        grams.append(amount / (float(answer["makes"]["value"]) / 1000))
    assert grams == pytest.approx([78.9, 100.0, 98.2], rel=0.015)


# --- 18. A concentrated acid is known to 2 % ----------------------------------------------------------
def test_trap_18_no_exact_solution_is_promised_from_a_concentrated_acid():
    # Pharmacopoeial assay of 37 % hydrochloric acid: 36.5 to 38.0 %; its density is printed as 1.18 and 1.19.
    answer = plan(one("HCl", "0.1000", "mol/L", "1000"))
    assert answer["feasible"] is False
    [problem] = [one for one in answer["problems"] if one["code"] == "tolerance_not_reachable"]
    assert "standardise" in problem["text"]
    assert answer["result"]["concentrations"][0]["expanded_uncertainty_percent"] > 2.0
    assert answer["budget"][0]["input"].startswith("mass percent")


def test_trap_18_a_loose_order_of_the_same_acid_is_made():
    assert plan(one("HCl", "0.10", "mol/L", "1000"))["feasible"] is True


# --- 19. The minimum weight of the pharmacopoeia ------------------------------------------------------
MILLIGRAM_BALANCE = shelf_with(
    solid("1", "sodium-chloride", assay_percent=100.0, assay_tolerance_percent=0.01),
    apparatus=(
        Apparatus("balance", readability_g=0.001, capacity_g=300, repeatability_g=0.0001),
        Apparatus(
            "one-mark flask", nominal_ml=1000, tolerance_ml=0.4, apparatus_class="A", standard="ISO 1042"
        ),
        BEAKER,
    ),
)


def test_trap_19_less_than_820_divisions_for_a_tenth_of_a_per_cent_is_warned_of():
    # USP <41>: 820 times the readability for 0.10 %, that is 0.82 g on a balance that reads to 1 mg.
    answer = plan(
        one("NaCl", "0.500", "g/L", "1000", equipment="shelf", tolerance_percent="0.1"), MILLIGRAM_BALANCE
    )
    [problem] = [one for one in answer["problems"] if one["code"] == "below_minimum_weight"]
    assert problem["severity"] == "warn"
    assert "0.82 g" in problem["text"]


def test_trap_19_the_minimum_weight_follows_the_tolerance_and_blocks_no_teaching_order():
    # The same half gram for 1 %: 82 divisions, 0.082 g, are enough.
    answer = plan(
        one("NaCl", "0.500", "g/L", "1000", equipment="shelf", tolerance_percent="1"), MILLIGRAM_BALANCE
    )
    assert answer["feasible"] is True
    assert "below_minimum_weight" not in codes(answer)


# --- 20. Buoyancy -------------------------------------------------------------------------------------
def test_trap_20_a_weighing_sheet_corrects_for_buoyancy_only_where_the_density_of_the_crystals_is_given():
    # Harvey, Analytical Chemistry 2.1, appendix: factor 1 + 0.0012·(1/2.165 − 1/8.0) = 1.000404 for sodium
    # chloride (density from memory), by which 58.44 g becomes 58.416 g.
    source = {"kind": "solid", "formula": "NaCl", "assay_percent": "100"}
    given = {**source, "density": {"value": "2.165", "unit": "g/mL"}}
    request = one("NaCl", "2.00", "mol/L", "500", source=source)
    assert taken(request) == pytest.approx(58.44, abs=0.005)
    assert taken(one("NaCl", "2.00", "mol/L", "500", source=given)) == pytest.approx(58.416, abs=0.005)


def test_trap_20_the_neglected_buoyancy_is_less_than_any_tolerance_the_planner_can_meet():
    answer = plan(one("NaCl", "2.000", "mol/L", "1000"))
    smallest = answer["result"]["concentrations"][0]["expanded_uncertainty_percent"]
    assert smallest > 100 * (1.000404 - 1)


# --- 21. CAS numbers turned into dates ----------------------------------------------------------------
@pytest.mark.parametrize(
    ("date", "cas"),
    [("03/02/7758", "7758-02-3"), ("04/11/7758", "7758-11-4"), ("03/04/6132", "6132-04-3")],
)
def test_trap_21_a_cas_number_that_became_a_date_is_refused_with_what_it_was(date, cas):
    # A digitised table of the CRC Handbook carries these three.
    with pytest.raises(InputError) as caught:
        CATALOGUE.resolve(date)
    assert caught.value.code == "cas_turned_into_date"
    assert cas in caught.value.text


def test_trap_21_a_cas_number_with_a_wrong_check_digit_is_refused():
    # CAS registry numbers: the last digit is the weighted sum of the others modulo 10.
    assert refused(one("7758-02-4", "0.1", "mol/L")) == {"components.0.substance": "cas_check_digit"}
    assert CATALOGUE.resolve("7758-02-3").formula == "KBr"


def test_every_trap_has_its_test():
    numbers = {name.split("_")[2] for name in globals() if name.startswith("test_trap_")}
    assert numbers == {f"{number:02d}" for number in range(1, 22)}
