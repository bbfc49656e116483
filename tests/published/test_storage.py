"""What published lists keep apart and put together, asked of the storage table."""

import pytest

from prepdesk.calc.catalogue import standard_catalogue
from prepdesk.calc.model import Substance
from prepdesk.calc.storage import (
    Kept,
    group_named,
    kept_liquid,
    kept_solution,
    kept_substance,
    storage_groups,
    unsuited_place,
    verdict,
)
from prepdesk.calc.tables import rows
from tests.published.values import each


def kept(word: str, decided: str = "") -> Kept:
    if word.startswith("="):
        return kept_substance(Substance(key="own", name="own", formula=word[1:]), decided)
    return kept_substance(standard_catalogue().by_key(word), decided)


@each("storage.toml", "one", "other")
def test_a_pair_is_judged_as_the_published_list_has_it(row):
    there, back = verdict(kept(row["one"]), kept(row["other"])), verdict(kept(row["other"]), kept(row["one"]))
    assert there == back
    if row["apart"]:
        assert there.forbids, there
        assert len(there.reason) > 10
        assert len(there.source) > 10
    else:
        assert there.apart == "together", there


@pytest.mark.parametrize(
    "worst",
    [
        ("nitric-acid", "acetic-acid"),
        ("nitric-acid", "acetone"),
        ("=NaCN", "hydrochloric-acid"),
        ("=NaOCl", "ammonia"),
        ("potassium-permanganate", "glycerol"),
        ("potassium-chlorate", "sulfuric-acid"),
        ("=Na", "water"),
        ("silver-nitrate", "ammonia"),
        ("sodium-hydroxide", "hydrochloric-acid"),
    ],
)
def test_the_worst_pairs_do_not_even_share_a_cabinet(worst):
    """A tray is no answer to a fire or a gas that kills; common practice."""
    assert verdict(*map(kept, worst)).apart == "cabinet"


def test_every_form_of_the_catalogue_has_a_group():
    without = [each.key for each in standard_catalogue() if not kept_substance(each).group]
    assert without == []
    assert len(standard_catalogue()) >= 283


def test_what_burns_feeds_a_fire_or_poisons_is_never_called_general():
    for substance in standard_catalogue():
        if {"oxidiser", "toxic", "acid_into_water"} & set(
            substance.hazards
        ) or "flammable" in substance.traits:
            assert kept_substance(substance).group != "general", substance.key


def test_what_nobody_has_reviewed_is_unknown_and_never_harmless():
    unknown = kept("=BaS2O3.H2O")
    assert not unknown.known
    assert verdict(unknown, kept("sodium-chloride")).apart == "unknown"
    assert verdict(unknown, unknown).apart == "unknown"
    # A formula that says enough is judged all the same.
    assert verdict(kept("=NaCN"), kept("sulfuric-acid")).forbids


def test_the_department_decides_over_the_table():
    assert kept("=BaS2O3.H2O", "toxic").group == "toxic"
    moved = kept("potassium-nitrate", "general")
    assert verdict(moved, kept("ethanol")).apart == "together"
    # The chemistry of a pair stays.
    assert verdict(kept("silver-nitrate", "toxic"), kept("ammonia")).forbids
    assert kept("sodium-chloride", "no such group").group == "general"


def test_a_weak_solution_is_not_judged_like_its_reagent():
    acid, base = kept("hydrochloric-acid"), kept("sodium-hydroxide")
    weak = kept_solution([acid], 0.1)
    assert verdict(weak, base).apart == "not judged"
    assert verdict(kept_solution([acid], 0.5), base).apart == "cabinet"
    assert verdict(kept_solution([acid, base], None), base).apart == "not judged"
    assert verdict(kept_solution([kept("sodium-sulfide-nonahydrate")], 0.01), acid).apart == "cabinet"
    assert verdict(weak, kept("=Na")).apart == "cabinet", "it is mostly water"
    assert verdict(kept_solution([kept("=BaS2O3.H2O")], 2.0), base).apart == "unknown"


def test_a_liquid_reagent_is_strong_until_its_label_says_otherwise():
    ammonia = kept("ammonia")
    assert kept_liquid(ammonia, None, "NH3") == ammonia
    assert kept_liquid(ammonia, 28, "NH3") == ammonia
    assert kept_liquid(ammonia, 0.5, "NH3").dilute
    assert kept_liquid(kept("=NaOCl"), 0.1, "NaOCl").group == "hypochlorite"


def test_flammable_liquids_do_not_belong_into_an_ordinary_refrigerator():
    assert unsuited_place(kept("acetone"), "cold").forbids
    assert unsuited_place(kept("acetone"), "cabinet") is None
    assert unsuited_place(kept("sucrose"), "cold") is None


def test_every_rule_names_groups_and_families_there_are():
    known = {row["code"] for key in ("group", "family") for row in rows("storage.toml", key)}
    for row in rows("storage.toml", "apart"):
        assert {*row["these"], *row["those"]} <= known
        assert row["apart"] in {"cabinet", "shelf"}
    for row in rows("storage.toml", "member"):
        assert {row["group"], *row.get("unless", ())} <= known
    assert all(group_named(group.code) == group and group.text for group in storage_groups())
