"""The sentences of the bench: plain, deferring, and honest about what nobody reviewed."""

import pytest

from prepdesk.calc.catalogue import standard_catalogue
from prepdesk.calc.cautions import UNREVIEWED, caution, caution_codes, cautions_for
from prepdesk.calc.model import Substance

ASKED_FOR = (
    "acid_into_water fume_hood eye_protection gloves corrosive oxidiser flammable_no_flame toxic "
    "carcinogen_handling dust heat_of_solution takes_up_water light_sensitive attacks_glass aquatic "
    "never_return_excess grind_coarse cool_before_mark local_rules not_reviewed"
)


@pytest.mark.parametrize("code", ASKED_FOR.split())
def test_a_caution_is_a_plain_sentence(code):
    text = caution(code).text
    assert text.endswith(".")
    assert "!" not in text
    assert len(text) < 160


def test_the_deferring_sentence_names_who_decides_and_comes_last():
    text = caution(caution_codes()[-1]).text
    for word in ("Local rules", "safety data sheet", "safety officer"):
        assert word in text


def test_flammable_liquids_are_heated_on_a_hot_plate_and_never_over_a_burner():
    assert "hot plate" in caution("flammable_no_flame").text
    assert "never over a burner" in caution("flammable_no_flame").text
    ethanol = cautions_for(standard_catalogue().by_key("ethanol"))
    assert "flammable_no_flame" in [each.code for each in ethanol]


def test_concentrated_acids_go_into_water():
    for key in (
        "sulfuric-acid",
        "hydrochloric-acid",
        "nitric-acid",
        "phosphoric-acid",
        "perchloric-acid",
        "acetic-acid",
    ):
        codes = [each.code for each in cautions_for(standard_catalogue().by_key(key))]
        assert codes[0] == "acid_into_water"
        assert "eye_protection" in codes


def test_a_substance_nobody_reviewed_says_so_and_not_that_it_is_harmless():
    own = Substance(key="x", name="x", formula="NaCl", traits=("takes-up-water",))
    assert {each.code for each in cautions_for(own)} == {UNREVIEWED, "takes_up_water"}
    assert "Nobody has reviewed" in caution(UNREVIEWED).text


def test_an_unknown_code_is_a_mistake_and_not_silence():
    with pytest.raises(KeyError):
        caution("no_such_code")
    with pytest.raises(KeyError):
        cautions_for(Substance(key="x", name="x", formula="NaCl", hazards=("no_such_code",)))
