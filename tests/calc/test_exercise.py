"""Whether the apparatus of a bench list serves: against standards, a guide and an independent library."""

import math

import GTC
import pytest
from hypothesis import given
from hypothesis import strategies as st

from prepdesk.calc.apparatus import limits, usual_balances
from prepdesk.calc.errors import CalcError, RequestRefused
from prepdesk.calc.exercise import MEASURING, Line, judge
from tests.published.values import published

# A room strays by 4 °C; water expands by 2.1e-4 per °C (QUAM A1): relative standard uncertainty.
ROOM = 4 * 2.1e-4 / math.sqrt(3)


def one(*args, **kwargs):
    """The verdict of a list of one line."""
    return judge([Line(*args, **kwargs)]).lines[0]


def refused(*lines):
    """Fields and codes of the refusal of a list."""
    with pytest.raises(RequestRefused) as caught:
        judge(lines)
    assert isinstance(caught.value, CalcError)
    assert all(error.text.endswith(".") for error in caught.value.errors)
    return {error.field: error.code for error in caught.value.errors}


def problems(*lines):
    """Fields and codes of the readings that can't be taken."""
    return {problem.field: problem.code for problem in judge(lines).problems}


# --- against published limits of error ----------------------------------------------------------
GLASS = published("glassware.toml")
# The first standard of a type is the one that holds for ware that doesn't say which.
ISO = [row for row in GLASS if row["standard"].startswith("ISO ")]
# ISO 835:2007, from memory: nominal mL, division mL, class A mL, class B mL.
ISO_835 = [(1, 0.01, 0.007, 0.010), (2, 0.02, 0.010, 0.020), (5, 0.05, 0.030, 0.050), (10, 0.1, 0.05, 0.10)]
ISO += [
    {"type": "graduated pipette", "standard": "ISO 835:2007", "source": "ISO 835:2007, from memory",
     "nominal": size, "division": step, "a": a, "b": b}
    for size, step, a, b in ISO_835
]  # fmt: skip


@pytest.mark.parametrize("class_", ["A", "B"])
@pytest.mark.parametrize("row", ISO, ids=lambda row: f"{row['type']} {row['nominal']} {row['division']}")
def test_a_full_ware_gives_what_its_published_limit_of_error_gives(row, class_):
    # A mark is met triangularly and filled to a fifth of its limit (QUAM A1); anywhere on a scale is
    # rectangular (GUM 4.3.7), read to half a division, on a burette twice (common practice).
    limit, size = row[class_.lower()], row["nominal"]
    if row["division"]:
        reading = row["division"] / 4 / math.sqrt(3) * math.sqrt(2 if row["type"] == "burette" else 1)
        standard = math.hypot(limit / math.sqrt(3), reading)
    else:
        standard = math.hypot(limit / math.sqrt(6), limit / 5)
    expected = 200 * math.hypot(standard / size, ROOM)
    division = f", {row['division']} mL" if row["type"] == "burette" else ""
    found = one(row["type"], f"{size} mL{division}", f"{size} mL", "100", apparatus_class=class_)
    assert found.expanded_percent == pytest.approx(expected, rel=1e-6), row["source"]
    assert found.serves is True
    assert row["standard"] in found.working


@pytest.mark.parametrize(
    "row", published("piston_pipettes.toml"), ids=lambda row: f"{row['nominal_ul']} {row['set_ul']}"
)
def test_a_piston_pipette_keeps_the_limits_of_its_size_at_every_volume_set(row):
    systematic, random = row["systematic_ul"] / math.sqrt(3), row["random_ul"]
    expected = 200 * math.hypot(math.hypot(systematic, random) / row["set_ul"], ROOM)
    found = one("piston pipette", f"{row['nominal_ul']} µL", f"{row['set_ul']} µL", "20")
    assert found.expanded_percent == pytest.approx(expected, rel=1e-6), row["source"]


# --- against a guide and an independent library ---------------------------------------------------
def test_a_mass_in_a_flask_is_combined_as_example_a1_does_by_an_independent_library():
    # EURACHEM/CITAC CG 4, example A1: 100 mg made up in a 100 mL flask of ± 0.1 mL, filling 0.02 mL,
    # ± 4 °C. The mass is read here on a balance of 0.1 mg with ± 0.2 mg linearity and 0.1 mg
    # repeatability (common practice), counted twice as in A2.
    verdict = judge(
        [
            Line("balance", "0.0001 g", "100.28 mg", "", "concentration"),
            Line("one-mark flask", "100 mL", "100 mL", "1", "concentration", "A"),
        ]
    )
    display = GTC.ureal(0, GTC.type_b.uniform(0.00005)) - GTC.ureal(0, GTC.type_b.uniform(0.00005))
    linearity = GTC.ureal(0, GTC.type_b.uniform(0.0002)) - GTC.ureal(0, GTC.type_b.uniform(0.0002))
    mass = 0.10028 + display + linearity + GTC.ureal(0, 0.0001)
    volume = (
        GTC.ureal(100, GTC.type_b.triangular(0.1))
        + GTC.ureal(0, 0.02)
        + GTC.ureal(0, GTC.type_b.uniform(100 * 2.1e-4 * 4))
    )
    library = mass / volume
    result = verdict.results[0]
    assert result.expanded_percent == pytest.approx(
        200 * GTC.uncertainty(library) / GTC.value(library), rel=1e-6
    )
    assert (result.serves, result.spends_most, result.wanted_percent) == (True, 0, 1.0)
    # Table A1.1 of the guide prints 0.07 mL for the flask: 0.04 limit, 0.02 filling, 0.05 temperature.
    assert verdict.lines[1].expanded_percent / 2 == pytest.approx(0.07, abs=0.005)


@given(st.lists(st.sampled_from([1, 5, 10, 25, 50, 100]), min_size=1, max_size=5))
def test_lines_combine_as_the_root_of_the_sum_of_their_squares(sizes):
    verdict = judge([Line("one-mark pipette", f"{size} mL", f"{size} mL", "", "dilution") for size in sizes])
    product = GTC.ureal(1, 0)
    for line in verdict.lines:
        product *= GTC.ureal(1, line.expanded_percent / 200)
    assert verdict.results[0].expanded_percent == pytest.approx(200 * GTC.uncertainty(product), rel=1e-6)
    assert verdict.results[0].serves is None, "nothing is wanted"


# --- the density of a salt solution, by hand ------------------------------------------------------
# 10 mL from a 25 mL class B burette, ISO 385:2005. Divided in 0.05 mL: limit ± 0.05 mL, so 0.05/√3 =
# 0.028868 mL; read twice to half a division, 0.0125/√3 · √2 = 0.010206 mL; room 10 · 4.84974e-4 =
# 0.0048497 mL. Together 0.0310003 mL: 0.310003 %. Divided in 0.1 mL: 0.057735, 0.020412, 0.0048497: 0.0614290
# mL, 0.614290 %.
# 10 g by difference (JCGM 100:2008 5.1.6; QUAM A2 counts linearity twice), balance that reads to 1 g: display
# 0.5/√3 · √2 = 0.408248 g, repeatability 1 g, linearity 2/√3 · √2 = 1.632993 g. Together √3.833333 =
# 1.957890 g: 19.5789 %. To 0.01 g all is a hundredth: 0.195789 %. (Balances: common practice.)
FINE, COARSE, WHOLE_GRAM, CENTIGRAM = 0.310003, 0.614290, 19.5789, 0.195789


def density(balance, burette, wanted="1"):
    return judge(
        [
            Line("balance", balance, "10 g", "", "density"),
            Line("burette", burette, "10 mL", wanted, "density"),
        ]
    )


@pytest.mark.parametrize(
    ("balance", "burette", "mass", "volume", "serves", "most"),
    [
        ("1 g", "25 mL, 0.05 mL", WHOLE_GRAM, FINE, False, 0),
        ("1 g", "25 mL, 0.1 mL", WHOLE_GRAM, COARSE, False, 0),
        ("0.01 g", "25 mL, 0.05 mL", CENTIGRAM, FINE, True, 1),
        ("0.01 g", "25 mL, 0.1 mL", CENTIGRAM, COARSE, False, 1),
    ],
)
def test_a_density_comes_out_as_worked_by_hand(balance, burette, mass, volume, serves, most):
    verdict = density(balance, burette)
    assert [line.expanded_percent for line in verdict.lines] == pytest.approx(
        [2 * mass, 2 * volume], rel=1e-5
    )
    result = verdict.results[0]
    assert result.expanded_percent == pytest.approx(2 * math.hypot(mass, volume), rel=1e-5)
    assert (result.serves, result.spends_most, result.lines) == (serves, most, (0, 1))


def test_a_balance_that_reads_to_a_whole_gram_cannot_give_a_density_and_the_page_says_why():
    verdict = density("1 g", "25 mL, 0.05 mL")
    mass, volume = verdict.lines
    assert mass.text == (
        "A balance that reads to 1 g gives 10 g to 40 %; a density to 1 % is wanted, so it does not serve."
    )
    assert mass.serves is False
    assert mass.would_serve == "A balance that reads to 0.01 g would serve; it gives 10 g to 0.40 %."
    assert "two readings" in mass.working
    assert "counted twice" in mass.working
    assert "common practice" in mass.working
    assert (volume.serves, volume.would_serve) == (True, "")
    assert verdict.results[0].text == (
        "Together they give a density to 40 %; 1 % is wanted, so they do not serve: the balance that reads to"
        " 1 g spends most of it. With a balance that reads to 0.01 g for the 10 g it comes to 0.74 %, which"
        " serves."
    )


def test_where_no_single_change_serves_both_are_named():
    verdict = density("1 g", "25 mL, 0.1 mL")
    assert all(line.would_serve for line in verdict.lines)
    text = verdict.results[0].text
    assert (
        "a balance that reads to 0.01 g for the 10 g and a 25 mL burette (class B, 0.05 mL divisions)" in text
    )
    assert density("0.01 g", "25 mL, 0.05 mL").results[0].serves is True


def test_a_burette_that_is_divided_in_two_ways_is_not_guessed():
    # ISO 385:2005 has 25 mL in 0.05 and in 0.1 mL, with a limit each.
    line = one("burette", "25 mL", "10 mL", "1")
    assert line.serves is None
    assert line.expanded_percent == pytest.approx(2 * COARSE, rel=1e-5), "the worse of the two"
    assert "between 0.63 % and 1.3 %" in line.text
    assert "0.05 mL or 0.1 mL" in line.text
    assert one("burette", "25 mL", "10 mL", "2").serves is True
    assert one("burette", "25 mL", "10 mL", "0.5").serves is False
    together = density("0.01 g", "25 mL").results[0]
    assert (together.serves, "division" in together.text) == (None, True)


def test_a_class_may_stand_with_the_size():
    by_field = one("burette", "50 mL", "10 mL", "1", apparatus_class="A")
    by_size = one("burette", "50 mL, class A", "10 mL", "1")
    assert by_size == by_field
    assert (by_size.serves, one("burette", "50 mL", "10 mL", "1").serves) == (True, False)


# --- what would serve ------------------------------------------------------------------------------
WANTED = st.decimals("0.05", "60", places=2).map(str)
LINES = st.one_of(
    st.tuples(st.just("balance"), st.sampled_from(["1 g", "0.1 g", "0.01 g", "0.001 g"]),
              st.integers(1, 250).map(lambda grams: f"{grams} g")),
    st.tuples(st.sampled_from(["graduated cylinder", "burette", "graduated pipette"]), st.just("10 mL"),
              st.integers(2, 10).map(lambda ml: f"{ml} mL")),
    st.tuples(st.just("beaker"), st.just("250 mL"), st.integers(5, 250).map(lambda ml: f"{ml} mL")),
)  # fmt: skip


@given(st.lists(LINES, min_size=1, max_size=3), WANTED)
def test_what_is_said_to_serve_serves(lines, wanted):
    """What the sentences name is put on the list, and the list serves."""
    asked = [Line(*line, wanted, "result") for line in lines]
    verdict = judge(asked)
    result = verdict.results[0]
    if result.serves or "Nothing in the tables" in result.text:
        assert result.serves or any("Nothing" in line.would_serve for line in verdict.lines)
        return
    changed = [replaced(line, said.would_serve) for line, said in zip(asked, verdict.lines, strict=True)]
    assert changed != asked
    assert judge(changed).results[0].serves is True


def replaced(line, sentence):
    """The line with the apparatus that a sentence names."""
    if not sentence:
        return line
    name = sentence.partition(" would serve")[0].removeprefix("An ").removeprefix("A ")
    if name.startswith("balance that reads to "):
        return Line(
            "balance",
            name.removeprefix("balance that reads to "),
            line.measures,
            line.wanted_percent,
            "result",
        )
    number, unit, rest = name.split(" ", 2)
    kind, _, more = rest.partition(" (class ")
    class_, _, division = more.rstrip(")").partition(", ")
    size = f"{number} {unit}, {division.removesuffix(' divisions')}" if division else f"{number} {unit}"
    return Line(kind, size, line.measures, line.wanted_percent, "result", class_ or "B")


def test_a_balance_is_only_replaced_by_one_that_takes_the_mass():
    # Common practice: a balance of 0.1 mg takes some 200 g.
    line = one("balance", "0.1 g", "250 g", "0.00001")
    assert line.serves is False
    assert line.would_serve.startswith("Nothing in the tables would serve")
    assert "reads to 0.001 g" in one("balance", "0.1 g", "250 g", "0.01").would_serve


def test_ware_of_the_same_kind_is_offered_first_and_class_b_before_class_a():
    assert one("burette", "25 mL, 0.1 mL", "10 mL", "1").would_serve.startswith(
        "A 25 mL burette (class B, 0.05 mL divisions) would serve"
    )
    assert one("one-mark flask", "100 mL", "100 mL", "0.15").would_serve.startswith(
        "A 100 mL one-mark flask (class A) would serve"
    )
    assert one("beaker", "100 mL", "50 mL", "3").would_serve.startswith(
        "A 50 mL graduated cylinder (class B) would serve"
    )


# --- what always holds -----------------------------------------------------------------------------
READABILITIES = [f"{balance.readability_g:f} g" for balance in usual_balances()]


@given(st.integers(1, 200))
def test_a_finer_balance_is_never_worse(grams):
    found = [one("balance", size, f"{grams} g", "1").expanded_percent for size in READABILITIES]
    assert found == sorted(found, reverse=True)


SCALES = sorted({(row.type, row.nominal_ml) for row in limits() if row.division_ml})


@given(st.data())
def test_more_of_it_is_never_relatively_worse_on_the_same_apparatus(data):
    kind, capacity = data.draw(st.sampled_from([("balance", 200.0), *SCALES]))
    parts = sorted((data.draw(st.integers(10, 100)), data.draw(st.integers(10, 100))))
    size, unit = ("0.01 g", "g") if kind == "balance" else (f"{capacity:g} mL", "mL")
    less, more = (one(kind, size, f"{part * capacity / 100:.6f} {unit}", "1") for part in parts)
    assert more.expanded_percent <= less.expanded_percent * (1 + 1e-12)


@given(st.lists(st.tuples(LINES, WANTED), min_size=1, max_size=3))
def test_a_result_is_never_better_than_its_worst_line_and_takes_the_tightest_wish(lines):
    verdict = judge([Line(*line, wanted, "the result") for line, wanted in lines])
    result = verdict.results[0]
    worst = max(line.expanded_percent for line in verdict.lines)
    assert result.expanded_percent >= worst * (1 - 1e-12)
    assert result.wanted_percent == min(float(wanted) for _, wanted in lines)
    assert (
        verdict.lines[result.spends_most].expanded_percent == worst
        if result.spends_most is not None
        else True
    )
    if any(line.serves is False for line in verdict.lines):
        assert result.serves is False


@given(LINES, st.floats(0.001, 100).map(lambda percent: f"{percent:.4f}"))
def test_a_shown_figure_never_contradicts_the_verdict(line, wanted):
    found = one(*line, wanted)
    if found.serves is not None:
        shown = float(found.text.partition(" to ")[2].split(" %")[0].rpartition(" ")[2])
        assert (shown <= float(wanted)) is found.serves, found.text


# --- what isn't judged -----------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("line", "words"),
    [
        (
            Line("one-mark pipette", "3 mL", "3 mL", "1"),
            "No standard in the tables has a 3 mL one-mark pipette",
        ),
        (Line("burette", "50 mL, 0.05 mL", "20 mL", "1"), "No standard in the tables has a 50 mL burette"),
        (
            Line("thermometer", "110 °C", "25 °C", "1"),
            "How exactly a thermometer measures stands in no table",
        ),
        (Line("burette", "50 mL", ""), "Nothing is said to be measured with it."),
    ],
)
def test_what_no_table_holds_is_not_judged_and_says_so(line, words):
    verdict = judge([line])
    assert verdict.lines[0].text.startswith(words)
    assert (verdict.lines[0].serves, verdict.lines[0].expanded_percent) == (None, None)
    assert not verdict.problems


def test_a_size_that_only_the_other_standard_has_is_taken_from_it():
    # ASTM E969, from memory: a 15 mL class B pipette may be off by 0.06 mL; ISO 648 has no such size.
    line = one("one-mark pipette", "15 mL", "15 mL", "1")
    assert "ASTM E969" in line.working
    assert "could not be checked" in line.working
    expected = 200 * math.hypot(math.hypot(0.06 / math.sqrt(6), 0.012) / 15, ROOM)
    assert line.expanded_percent == pytest.approx(expected)


def test_the_marks_of_a_beaker_depend_on_its_maker():
    # Common practice: makers say from ± 5 % to ± 10 %; rectangular, that is 5.8 % to 11.5 % with k = 2.
    assert [one("beaker", "250 mL", "100 mL", wanted).serves for wanted in ("5", "8", "12")] == [
        False,
        None,
        True,
    ]
    line = one("beaker", "250 mL", "100 mL", "8")
    assert "common practice" in line.working
    assert line.expanded_percent == pytest.approx(20 / math.sqrt(3))


def test_of_a_balance_without_known_errors_the_display_alone_can_refuse():
    # Two readings to 0.5 g: 0.25/√3 · √2 = 0.2041 g; of 10 g, k = 2: 4.08 %. Its linearity nobody knows.
    coarse = one("balance", "0.5 g", "10 g", "1")
    assert (coarse.serves, coarse.expanded_percent) == (False, None)
    assert "4.1 % at best" in coarse.text
    assert one("balance", "0.5 g", "10 g", "5").serves is None


def test_a_result_with_a_line_that_is_not_judged_is_only_refused():
    thermometer = Line("thermometer", "110 °C", "25 °C", "", "heat")
    unknown = judge([thermometer, Line("balance", "0.1 g", "100 g", "5", "heat")]).results[0]
    assert (unknown.serves, unknown.expanded_percent, unknown.spends_most) == (None, None, None)
    assert unknown.text == (
        "A heat can't be judged. How exactly a thermometer measures stands in no table here."
    )
    # What one line spoils alone is refused, whatever the other does, and that line is told what would do.
    refused_all_the_same = judge([thermometer, Line("balance", "1 g", "10 g", "5", "heat")])
    result = refused_all_the_same.results[0]
    assert (result.serves, result.spends_most) == (False, 1)
    assert "reads to 0.1 g would serve" in refused_all_the_same.lines[1].would_serve
    assert "With " not in result.text, "nobody knows what the result comes to"


def test_a_result_with_a_reading_that_cannot_be_taken_says_which_and_what_would_do():
    twice = Line("one-mark pipette", "5 mL", "10 mL", "", "density")
    verdict = judge([twice, Line("balance", "0.01 g", "10 g", "1", "density")])
    assert verdict.results[0].serves is None
    assert "10 mL can't be read on a 5 mL one-mark pipette" in verdict.results[0].text
    assert (
        "With a 10 mL one-mark pipette (class B) for the 10 mL it comes to 0.55 %" in verdict.results[0].text
    )
    # 10 mL class B, ISO 648: √(0.01633² + 0.008²) = 0.01818 mL, with the room 0.1882 %, k = 2: 0.3764 %.
    # The mass has 0.3916 %; together 0.5432 %, rounded up.
    assert verdict.lines[0].would_serve == (
        "A 10 mL one-mark pipette (class B) would serve; it gives 10 mL to 0.38 %."
    )


def test_words_of_one_result_may_differ_in_case_and_blanks():
    verdict = judge(
        [
            Line("balance", "0.1 g", "10 g", "", "Density of brine"),
            Line("burette", "50 mL", "10 mL", "5", " density  of brine "),
        ]
    )
    assert [result.lines for result in verdict.results] == [(0, 1)]
    assert judge([]) == judge(())
    assert judge([]).lines == ()


# --- readings that can't be taken, and values that can't be read -------------------------------------
@pytest.mark.parametrize(
    ("line", "code", "words"),
    [
        (
            Line("one-mark pipette", "5 mL", "10 mL"),
            "beyond_capacity",
            "10 mL can't be read on a 5 mL one-mark pipette",
        ),
        (Line("one-mark pipette", "5 mL", "4 mL"), "not_its_mark", "it has one mark"),
        (Line("one-mark flask", "0.1 L", "50 mL"), "not_its_mark", "it has one mark"),
        (Line("graduated cylinder", "10 mL", "20 mL"), "beyond_capacity", "several portions isn't judged"),
        (Line("graduated cylinder", "100 mL", "0.5 mL"), "below_division", "it is read from 1 mL on"),
        (Line("burette", "50 mL", "0.05 mL"), "below_division", "it is read from 0.1 mL on"),
        (Line("piston pipette", "1000 µL", "50 µL"), "below_division", "it is read from 0.1 mL on"),
        (Line("beaker", "100 mL", "150 mL"), "beyond_capacity", "150 mL can't be read"),
        (
            Line("balance", "1 g", "0.5 g"),
            "below_division",
            "0.5 g can't be read on a balance that reads to 1 g",
        ),
        (Line("balance", "0.0001 g", "250 g"), "beyond_capacity", "it usually takes up to 200 g"),
        (Line("balance", "0.01 g, 200 g", "250 g"), "beyond_capacity", "it takes up to 200 g"),
    ],
)
def test_a_reading_that_cannot_be_taken_is_a_named_problem(line, code, words):
    verdict = judge([Line("burette", "50 mL", "25 mL"), line])
    assert problems(Line("burette", "50 mL", "25 mL"), line) == {"1.measures": code}
    assert words in verdict.problems[0].text
    assert words in verdict.lines[1].text
    assert (verdict.lines[1].serves, verdict.lines[1].expanded_percent) == (None, None)


def test_everything_that_cannot_be_read_is_refused_at_once_with_its_place():
    assert refused(
        Line("burette", "", "10 mL", "1"),
        Line("burette", "25", "10 mL", "1"),
        Line("burette", "big", "ten mL", "little"),
        Line("balance", "25 mL", "10 mL", "0"),
        Line("burette", "25 mL", "", "1"),
        Line("burette", "25 mL", "", "", "density"),
        Line("burette", "25 mL", "-1 mL", "101"),
        Line("burette", "25 mL, 0.1 mL, 3 mL", "2,5,0 mL"),
        Line("burette", "25 mL, class C", "10 mL"),
        Line("burette", "25 mL", "10 mL", apparatus_class="C"),
        Line("burette", "class A", "1" * 41 + " mL"),
        Line("thermometer", "any", "any", "a little"),
    ) == {
        "0.size": "required",
        "1.size": "unknown_unit",
        "2.size": "unknown_unit",
        "2.measures": "unknown_unit",
        "2.wanted_percent": "not_a_number",
        "3.size": "unknown_unit",
        "3.measures": "unknown_unit",
        "3.wanted_percent": "not_positive",
        "4.measures": "required",
        "5.measures": "required",
        "6.measures": "not_positive",
        "6.wanted_percent": "out_of_range",
        "7.size": "not_a_size",
        "7.measures": "two_separators",
        "8.size": "unknown_class",
        "9.apparatus_class": "unknown_class",
        "10.size": "not_a_size",
        "10.measures": "too_long",
        "11.wanted_percent": "not_a_number",
    }


@given(
    st.sampled_from([*MEASURING, "thermometer", ""]),
    st.text(max_size=20) | st.sampled_from(["25 mL", "0.01 g", "1e-30 g", "1e30 mL"]),
    st.text(max_size=20) | st.sampled_from(["10 mL", "10 g", "1e-30 g", "1e30 mL", "25mL"]),
    st.text(max_size=8) | st.sampled_from(["1", "0,5 %", "1e-30"]),
    st.text(max_size=8),
)
def test_whatever_is_typed_is_judged_or_named(kind, size, measures, wanted, result):
    errors, texts = (), ()
    try:
        texts = [line.text for line in judge([Line(kind, size, measures, wanted, result)]).lines]
    except RequestRefused as refusal:
        errors = refusal.errors
    assert all(error.field.startswith("0.") and error.text for error in errors)
    assert all(texts)
    assert errors or texts


@pytest.mark.parametrize(
    "typed", ["25 mL, 0.05 mL", "25 mL / 0.05 mL", "25 ml (0,05 ml)", "0.025 L; 50 µL", "25,0 mL,0.05 mL"]
)
def test_a_division_may_be_typed_in_several_ways(typed):
    assert one("burette", typed, "10 mL", "1").expanded_percent == pytest.approx(2 * FINE, rel=1e-5)
