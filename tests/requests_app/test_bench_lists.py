"""Bench lists: written once for all who teach a course, corrected by versions, looked at before use."""

import re
from dataclasses import fields, replace
from uuid import UUID

import pytest
from django.urls import reverse

from prepdesk.calc.typed import parse_number
from prepdesk.core.errors import Conflict, InvalidInput, NotAllowed, NotInThisState
from requests_app.drafts import DraftComponent
from requests_app.list_checks import judged
from requests_app.list_content import (
    ApparatusLine,
    ConsumableLine,
    ListContent,
    SolutionLine,
    content_of,
    differences,
)
from requests_app.models import BenchList, BenchListVersion, Course, Section
from requests_app.selectors.bench_lists import bench_list_rows, versions_of
from requests_app.services.bench_lists import correct_list, retire_list, write_list
from tests.requests_app.conftest import substance_row

pytestmark = pytest.mark.django_db

BURETTE = ApparatusLine("burette", "25 mL, 0.05 mL", 1, "10 mL", "1", "density", "a density to 1 % is wanted")


def salt_line(volume: str = "25", target: str = "2.00") -> SolutionLine:
    return SolutionLine(
        components=(DraftComponent("sodium-chloride", parse_number(target), "mol/L"),),
        volume_per_group=parse_number(volume),
        overage_percent=parse_number("10"),
    )


CONTENT = ListContent(
    solutions=(salt_line(),),
    consumables=(ConsumableLine("paper towels", per_group="4"),),
    apparatus=(BURETTE, ApparatusLine("balance", "0.01 g", 1, "10 g", "", "density")),
    notes_to_prep="A spare bottle at the back.",
)


@pytest.fixture
def write(salt, sections, instructor):
    def make(title: str = "Density", content: ListContent = CONTENT, key: str = "k", actor=None) -> BenchList:
        return write_list(
            actor=actor or instructor,
            course=sections[0].course,
            title=title,
            content=content,
            idempotency_key=key,
        )

    return make


def correct(actor, bench_list, content, *, seen=1, key="c", reason="") -> BenchListVersion:
    return correct_list(
        actor=actor,
        bench_list=bench_list,
        content=content,
        reason=reason,
        seen_number=seen,
        idempotency_key=key,
    )


# --- written and corrected ------------------------------------------------------------------------
def test_a_list_reads_back_as_it_was_typed(write):
    stored = content_of(versions_of(write())[0])
    assert replace(stored, solutions=(replace(stored.solutions[0], line=None),)) == CONTENT


def test_sent_twice_it_is_written_once(write, instructor):
    assert write() == write()
    found = write()
    content = content_of(versions_of(found)[0])
    more = replace(content, solutions=(replace(content.solutions[0], volume_per_group=parse_number("30")),))
    assert correct(instructor, found, more) == correct(instructor, found, more)
    assert found.versions.count() == 2


def test_a_correction_keeps_the_line_and_says_what_is_different(write, instructor):
    found = write()
    before = content_of(versions_of(found)[0])
    more = replace(before.solutions[0], volume_per_group=parse_number("30"))
    new = salt_line("5", "0.5")
    correct(instructor, found, replace(before, solutions=(more, new), notes_to_prep=""))
    newest, oldest = (content_of(one) for one in versions_of(found))
    assert newest.solutions[0].line == oldest.solutions[0].line
    assert newest.solutions[1].line not in (None, newest.solutions[0].line)
    assert differences(oldest, newest, {"sodium-chloride": "sodium chloride"}) == [
        "2.00 mol/L sodium chloride: for each group 25 → 30.",
        "New: 0.5 mol/L sodium chloride, 5 mL for each group.",
        "Other notes for whoever prepares it.",
    ]


SALT = {"sodium-chloride": "sodium chloride", "sulfuric-acid": "sulfuric acid"}
ACID = SolutionLine(
    components=(DraftComponent("sulfuric-acid", parse_number("0.1"), "eq/L", 1),),
    volume_per_group=parse_number("50"),
    line=UUID(int=2),
)
TOLD = ListContent(
    solutions=(replace(salt_line(), line=UUID(int=1)), ACID),
    consumables=(ConsumableLine("paper towels", per_group="4"), ConsumableLine("gloves", per_section="12")),
    apparatus=(
        ApparatusLine("burette", "50 mL", 1, "25 mL", "1"),
        ApparatusLine("balance", "0.01 g", 1, "10 g"),
    ),
)
NEW_FIELD_VALUES = {
    "components": (DraftComponent("sulfuric-acid", parse_number("0.1"), "eq/L", 2),),
    "volume_unit": "L",
    "line": UUID(int=3),
    "spare_groups": 1,
    "per_group": 7,
}


def test_what_a_version_changed_is_told_line_by_line_in_plain_words():
    doubled = replace(ACID, components=(replace(ACID.components[0], equivalents=2),))
    burette, balance = TOLD.apparatus
    towels, gloves = TOLD.consumables
    for after, told in (
        (
            replace(TOLD, solutions=(TOLD.solutions[0], doubled)),
            ["0.1 eq/L sulfuric acid: equivalents of sulfuric acid 1 → 2."],
        ),
        (replace(TOLD, solutions=TOLD.solutions[::-1]), ["Other order of the solutions."]),
        (
            replace(TOLD, apparatus=(replace(burette, wanted_percent="0.5"), balance)),
            ["burette 50 mL: wanted within 1 → 0.5 %."],
        ),
        (
            replace(TOLD, apparatus=(replace(burette, wanted_percent=""), balance)),
            ["burette 50 mL: wanted within 1 % → none."],
        ),
        (
            replace(TOLD, apparatus=(replace(burette, size="25 mL"), balance)),
            ["burette 25 mL: size 50 mL → 25 mL."],
        ),
        (replace(TOLD, apparatus=(balance, burette)), ["Other order of the apparatus."]),
        (
            replace(TOLD, apparatus=(burette, balance, balance)),
            ["New: balance 0.01 g, 1 for each group, measures 10 g."],
        ),
        (
            replace(TOLD, consumables=(replace(towels, per_group="6"),)),
            ["paper towels: for each group 4 → 6.", "Left out: gloves."],
        ),
        (
            replace(TOLD, consumables=(towels, gloves, ConsumableLine("ice", "200", unit="g"))),
            ["New: ice, 200 g for each group."],
        ),
    ):
        assert differences(TOLD, after, SALT) == told
    assert differences(TOLD, TOLD, SALT) == []


@pytest.mark.parametrize(
    ("noun", "field"),
    [
        (noun, field.name)
        for noun, kind in (
            ("solutions", SolutionLine),
            ("consumables", ConsumableLine),
            ("apparatus", ApparatusLine),
        )
        for field in fields(kind)
    ],
)
def test_no_field_of_a_list_changes_in_silence(noun, field):
    """Whatever field a line has, now or later, a correction of it alone is told."""
    *others, last = getattr(TOLD, noun)
    value = NEW_FIELD_VALUES.get(field)
    if value is None or isinstance(getattr(last, field), str):
        numbers = ("volume_per_group", "per_section", "overage_percent", "tolerance_percent", "temperature_c")
        value = value or "other"
        if noun == "solutions" and field in numbers:
            value = parse_number("3")
        elif field == "per_group":
            value = "7"
    after = replace(TOLD, **{noun: (*others, replace(last, **{field: value}))})
    assert differences(TOLD, after, SALT)


def test_of_two_who_correct_the_second_is_told_by_whom(write, instructor, colleague, sections):
    sections[0].co_instructors.add(colleague)
    found = write()
    content = content_of(versions_of(found)[0])
    correct(colleague, found, replace(content, notes_to_prep="one"), reason="a spelling")
    with pytest.raises(Conflict, match="Otto Marsh wrote version 2 meanwhile: a spelling"):
        correct(instructor, found, replace(content, notes_to_prep="two"), key="other")
    assert found.versions.count() == 2


def test_nothing_different_is_no_version(write, instructor):
    found = write()
    with pytest.raises(InvalidInput) as refusal:
        correct(instructor, found, content_of(versions_of(found)[0]))
    assert set(refusal.value.errors) == {"reason"}


def test_only_who_teaches_the_course_writes_and_everybody_reads(write, colleague, prep, manager, client):
    found = write()
    content = replace(content_of(versions_of(found)[0]), notes_to_prep="x")
    for person in (colleague, prep):
        with pytest.raises(NotAllowed):
            correct(person, found, content)
        client.force_login(person)
        assert client.get(reverse("requests_app:bench_list", args=[found.pk])).status_code == 200
    assert correct(manager, found, content).number == 2


def test_retired_it_is_no_longer_offered_and_nothing_is_lost(write, instructor):
    found = write()
    retire_list(actor=instructor, bench_list=found)
    assert not bench_list_rows(instructor).exists()
    assert bench_list_rows(instructor, retired=True).get() == found
    retire_list(actor=instructor, bench_list=found, is_retired=False)
    assert bench_list_rows(instructor).get().newest == 1


def test_a_list_out_of_use_is_not_corrected_and_what_was_typed_stays(client, write, instructor):
    found = write()
    retire_list(actor=instructor, bench_list=found)
    content = content_of(versions_of(found)[0])
    with pytest.raises(NotInThisState, match="out of use"):
        correct(instructor, found, replace(content, notes_to_prep="x"))
    client.force_login(instructor)
    address = reverse("requests_app:bench_list_correct", args=[found.pk])
    assert client.get(address).status_code == 409
    answer = client.post(address, typed(found.course, seen="1", notes_to_prep="mine", key="late"))
    assert (answer.status_code, "mine" in answer.content.decode()) == (409, True)
    page = client.get(reverse("requests_app:bench_list", args=[found.pk])).content.decode()
    assert address not in page
    assert found.versions.count() == 1


@pytest.mark.parametrize(
    ("content", "field"),
    [
        (ListContent(), "solutions.0.volume_per_group"),
        (ListContent(solutions=(salt_line(target="7.00"),)), "solutions.0.components.0.target"),
        (ListContent(solutions=(salt_line("1000000"),)), "solutions.0.volume_per_group"),
        (
            ListContent(solutions=(replace(salt_line(), overage_percent=parse_number("101")),)),
            "solutions.0.overage_percent",
        ),
        (ListContent(apparatus=(replace(BURETTE, size="large"),)), "apparatus.0.size"),
        (
            ListContent(apparatus=(ApparatusLine("beaker"), replace(BURETTE, measures="90 mL"))),
            "apparatus.1.measures",
        ),
    ],
)
def test_what_can_not_be_is_refused_beside_its_field(write, content, field):
    """7 mol/L is more than sodium chloride dissolves: 359 g/L of water at 20 °C (CRC Handbook, 97th ed.)."""
    with pytest.raises(InvalidInput) as refusal:
        write(content=content)
    assert field in refusal.value.errors
    assert not BenchList.objects.exists()


def test_what_only_today_s_shelf_lacks_is_no_reason_to_refuse_a_list(write):
    substance_row("potassium-bromide")
    line = replace(
        salt_line(), components=(DraftComponent("potassium-bromide", parse_number("0.1"), "mol/L"),)
    )
    assert write(content=ListContent(solutions=(line,))).versions.count() == 1


def test_a_balance_that_reads_whole_grams_can_not_give_a_density_to_one_percent():
    """By hand, JCGM 100:2008: a reading to 1 g spreads over ±0.5 g at least, which of 10 g is 5 %."""
    coarse, _ = judged([BURETTE, ApparatusLine("balance", "1 g", 1, "10 g", "", "density")])
    fine, _ = judged(CONTENT.apparatus)
    assert (coarse.results[0].serves, fine.results[0].serves) == (False, True)
    assert coarse.results[0].expanded_percent > 5
    assert coarse.results[0].spends_most == 1


# --- the pages ------------------------------------------------------------------------------------
def typed(course: Course, **changes: str) -> dict[str, str]:
    return {
        "key": "form",
        "course": str(course.pk),
        "title": "Density",
        "solutions-TOTAL": "1",
        "solutions-0-volume_per_group": "25",
        "solutions-0-volume_unit": "mL",
        "solutions-0-components-TOTAL_FORMS": "1",
        "solutions-0-components-0-substance": "sodium chloride",
        "solutions-0-components-0-target": "2,00",
        "solutions-0-components-0-unit": "mol/L",
        "consumables-TOTAL": "0",
        "apparatus-TOTAL": "1",
        "apparatus-0-type": "balance",
        "apparatus-0-size": "1 g",
        "apparatus-0-per_group": "1",
        "apparatus-0-measures": "10 g",
        "apparatus-0-wanted_percent": "1",
        "step": "keep",
        **changes,
    }


NEW = "/teaching/lists/new/"


def test_a_list_is_written_by_the_form_and_pressed_twice_it_is_one(client, salt, sections, instructor):
    client.force_login(instructor)
    for _ in range(2):
        answer = client.post(NEW, typed(sections[0].course))
        assert answer.status_code == 302
    found = BenchList.objects.get()
    page = client.get(answer["Location"]).content.decode()
    assert "2,00 mol/L" in page
    assert "does not serve" in page
    assert found.versions.get().solutions.get().volume_per_group == "25"


def test_an_error_stands_beside_its_field_and_nothing_typed_is_lost(client, salt, sections, instructor):
    client.force_login(instructor)
    answer = client.post(
        NEW,
        typed(sections[0].course, **{"solutions-0-volume_per_group": "2,5,0", "apparatus-0-size": "big"}),
    )
    page = answer.content.decode()
    assert answer.status_code == 422
    assert 'value="2,5,0"' in page
    assert 'id="id_solutions-0-volume_per_group_error"' in page
    assert not BenchList.objects.exists()


def test_a_name_that_fits_several_forms_asks_which(client, salt, sections, instructor):
    for key in ("copper-sulfate-pentahydrate", "copper-sulfate-anhydrous"):
        substance_row(key)
    client.force_login(instructor)
    values = typed(sections[0].course, **{"solutions-0-components-0-substance": "copper sulfate"})
    page = client.post(NEW, values).content.decode()
    assert 'value="choose-0-0-copper-sulfate-pentahydrate"' in page
    chosen = client.post(NEW, {**values, "step": "choose-0-0-copper-sulfate-pentahydrate"}).content.decode()
    assert 'sulfate pentahydrate"' in chosen


@pytest.mark.parametrize(
    ("step", "there"),
    [
        ("add-solutions", "solutions-1-volume_per_group"),
        ("add-part-0", "solutions-0-components-1-target"),
        ("add-consumables", "consumables-0-what"),
        ("add-apparatus", "apparatus-1-size"),
    ],
)
def test_a_row_is_added_without_a_script_and_all_that_was_typed_stays(
    client, salt, sections, instructor, step, there
):
    client.force_login(instructor)
    page = client.post(NEW, typed(sections[0].course, step=step)).content.decode()
    assert f'name="{there}"' in page
    assert 'value="2,00"' in page


def test_a_stale_form_is_told_and_keeps_what_was_typed(client, write, instructor):
    found = write()
    content = content_of(versions_of(found)[0])
    more = replace(content.solutions[0], volume_per_group=parse_number("30"))
    correct(instructor, found, replace(content, solutions=(more,), notes_to_prep="newer"))
    client.force_login(instructor)
    values = typed(found.course, seen="1", notes_to_prep="mine", key="late")
    answer = client.post(reverse("requests_app:bench_list_correct", args=[found.pk]), values)
    assert answer.status_code == 409
    page = answer.content.decode()
    assert "mine" in page
    assert "<li>2.00 mol/L sodium chloride: for each group 25 → 30.</li>" in page
    assert "<li>Other notes for whoever prepares it.</li>" in page
    assert 'name="seen" value="2"' in page
    assert found.versions.count() == 2


def test_the_lists_take_as_many_queries_however_many_there_are(
    client, write, instructor, django_assert_max_num_queries
):
    client.force_login(instructor)
    for number in range(6):
        write(title=f"Experiment {number}", key=f"k{number}")
    with django_assert_max_num_queries(12):
        client.get(reverse("requests_app:bench_lists"))


def test_a_list_is_copied_for_another_course_and_stands_by_itself(client, write, instructor):
    found = write()
    other = Course.objects.create(code="CH 102", title="Second")
    Section.objects.create(course=other, name="A", instructor=instructor)
    client.force_login(instructor)
    page = client.get(f"{NEW}?like={found.pk}").content.decode()
    assert 'value="Density"' in page
    filled_from = re.search(r'name="like" value="(\d+)"', page).group(1)
    # What somebody corrects while the copy is being written is no part of it.
    model = versions_of(found)[0]
    correct(instructor, found, replace(content_of(model), notes_to_prep="later"))
    client.post(NEW, typed(other, like=filled_from))
    copy = BenchList.objects.get(course=other)
    assert copy.versions.get().copied_from == model
    assert copy.versions.get().solutions.get().line != model.solutions.get().line
