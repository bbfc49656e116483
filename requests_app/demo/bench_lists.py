"""What the experiments of the invented department need: a list for each, shared by those who teach it."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Final

from prepdesk.accounts.models import User
from prepdesk.calc.typed import TypedNumber, parse_number
from requests_app.drafts import DraftComponent
from requests_app.list_content import ApparatusLine, ConsumableLine, ListContent, SolutionLine, content_of
from requests_app.models import BenchList, Course
from requests_app.selectors.bench_lists import versions_of
from requests_app.services.bench_lists import correct_list, write_list

_KEY: Final = "demo-list-"


def _wanted(
    substance: str, target: str, volume: str, *, unit: str = "mol/L", tolerance: str = "", **more: object
) -> SolutionLine:
    line = SolutionLine(
        components=(DraftComponent(substance, parse_number(target), unit),),
        volume_per_group=parse_number(volume),
        overage_percent=parse_number("10"),
        tolerance_percent=_typed(tolerance),
    )
    return replace(line, **more)  # type: ignore[arg-type]  # names checked by the class


def _typed(text: str) -> TypedNumber | None:
    return parse_number(text) if text else None


@dataclass(frozen=True, slots=True)
class DemoList:
    """One experiment: whose course, who wrote it, what it needs."""

    course: str
    title: str
    by: str
    content: ListContent


_BALANCE: Final = ApparatusLine(
    "balance", "0.01 g", 1, "10 g", "", "density", "the density is wanted to 1 %: a whole gram would not do"
)
_BURETTE: Final = ApparatusLine(
    "burette",
    "25 mL, 0.05 mL",
    1,
    "10 mL",
    "1",
    "density",
    "10 mL by burette, because a density to 1 % is wanted",
)
_TITRATION: Final = ListContent(
    solutions=(
        _wanted("sodium-hydroxide", "0.1", "60", label="titrant", container="bottle with a rubber stopper"),
        _wanted("potassium-hydrogen-phthalate", "0.1000", "40", label="standard", tolerance="0.3"),
    ),
    consumables=(ConsumableLine("phenolphthalein indicator, dropper bottle", per_section="2"),),
    apparatus=(
        ApparatusLine("burette", "50 mL, class A", 1, "25 mL", "0.5", "", "the titrant is read to 0.5 %"),
        ApparatusLine("one-mark pipette", "25 mL, class A", 1, "25 mL", "0.3", "", "one volume, exactly"),
        ApparatusLine("conical flask", "250 mL", 3),
        ApparatusLine("stand and clamp", "", 1),
    ),
    notes_to_prep="Titrant in one carboy with a tap at the front; each group fetches 60 mL.",
)

LISTS: Final = (
    DemoList(
        "CH 101",
        "Density of a salt solution",
        "instructor",
        ListContent(
            solutions=(
                _wanted("sodium-chloride", "2.00", "25", label="salt solution", container="reagent bottle"),
            ),
            consumables=(ConsumableLine("paper towels", per_group="4"),),
            apparatus=(
                _BURETTE,
                replace(_BALANCE, size="1 g", reason="the balances of the room, until better ones are there"),
                ApparatusLine("beaker", "100 mL", 1),
            ),
            notes_to_prep="Give out what is left of last week first, if it lives.",
        ),
    ),
    DemoList(
        "CH 101",
        "Copper sulfate and its water",
        "instructor",
        ListContent(
            solutions=(_wanted("copper-sulfate-pentahydrate", "0.25", "20"),),
            apparatus=(
                ApparatusLine("crucible", "", 1, reason="strong heating would crack a beaker"),
                ApparatusLine("balance", "0.001 g", 1, "2 g", "1", "", "the water lost is 0.7 g"),
                ApparatusLine("desiccator", "", 1, reason="the dry salt takes up water while it cools"),
            ),
        ),
    ),
    DemoList(
        "CH 101",
        "Ions in water",
        "fell",
        ListContent(
            solutions=(
                _wanted("potassium-chloride", "0.1", "15", container="dropper bottle"),
                _wanted("calcium-chloride-dihydrate", "0.1", "15", container="dropper bottle"),
                _wanted("sodium-carbonate-anhydrous", "0.1", "15", container="dropper bottle"),
            ),
            consumables=(ConsumableLine("spot plates", per_group="1"),),
        ),
    ),
    DemoList(
        "CH 101",
        "Acid and base",
        "instructor",
        ListContent(
            solutions=(
                _wanted("hydrochloric-acid", "0.1", "50", label="acid"),
                _wanted("sodium-hydroxide", "0.1", "50", label="base"),
            ),
            apparatus=(
                ApparatusLine("burette", "50 mL", 2, "25 mL", "1", "", "an end point to 1 % is wanted"),
            ),
        ),
    ),
    DemoList("CH 221", "Standardising a base", "instructor", _TITRATION),
    DemoList(
        "CH 221",
        "Hardness of water",
        "quill",
        ListContent(
            solutions=(
                _wanted("disodium-edta-dihydrate", "0.01000", "80", label="titrant", tolerance="0.5"),
                _wanted("magnesium-sulfate-heptahydrate", "0.01", "20"),
            ),
            apparatus=(
                ApparatusLine("burette", "50 mL, class A", 1, "20 mL", "0.5", "", "hardness to 0.5 %"),
            ),
        ),
    ),
    DemoList(
        "CH 221",
        "Chloride by titration",
        "quill",
        ListContent(
            solutions=(
                _wanted("potassium-thiocyanate", "0.05", "40"),
                _wanted("sodium-chloride", "0.0500", "30", label="standard", tolerance="0.5"),
            ),
        ),
    ),
    DemoList(
        "CH 221",
        "Iron by permanganate",
        "instructor",
        ListContent(
            solutions=(
                _wanted("potassium-permanganate", "0.02", "60", label="titrant", container="amber bottle"),
                _wanted("ammonium-iron-ii-sulfate-hexahydrate", "0.1", "30"),
            ),
        ),
    ),
    DemoList(
        "CH 240",
        "Halides",
        "quill",
        ListContent(
            solutions=(
                _wanted("potassium-bromide", "0.1", "10", container="dropper bottle"),
                _wanted("potassium-iodide", "0.1", "10", container="amber dropper bottle"),
                _wanted("potassium-chloride", "0.1", "10", container="dropper bottle"),
            ),
        ),
    ),
    DemoList(
        "CH 240",
        "Complexes of nickel and cobalt",
        "fell",
        ListContent(
            solutions=(
                _wanted("nickel-sulfate-hexahydrate", "0.1", "15"),
                _wanted("cobalt-chloride-hexahydrate", "0.1", "10"),
            ),
            notes_to_prep="Gloves at every place; the waste bottle for heavy metals stands in the hood.",
        ),
    ),
    DemoList(
        "CH 240",
        "Sulfates",
        "quill",
        ListContent(
            solutions=(
                _wanted("magnesium-sulfate-heptahydrate", "0.5", "20"),
                _wanted("zinc-sulfate-heptahydrate", "0.2", "20"),
            ),
        ),
    ),
)
_CORRECTED: Final = "Density of a salt solution"
_COPIED: Final = ("CH 240", "Density of a salt solution, repeated")


def write_lists(*, people: Mapping[str, User]) -> None:
    """Write every list; one is corrected later, and one copied from it for another course."""
    courses = Course.objects.in_bulk([one.course for one in LISTS], field_name="code")
    made: dict[str, BenchList] = {}
    for number, one in enumerate(LISTS, start=1):
        made[one.title] = write_list(
            actor=people[one.by],
            course=courses[one.course],
            title=one.title,
            content=one.content,
            idempotency_key=f"{_KEY}{number}",
        )
    first = versions_of(made[_CORRECTED])[0]
    content = content_of(first)
    enough = replace(content.solutions[0], volume_per_group=parse_number("30"), spare_groups=1)
    correct_list(
        actor=people["fell"],
        bench_list=made[_CORRECTED],
        content=replace(content, solutions=(enough,)),
        reason="25 mL were too little to rinse the burette with",
        seen_number=1,
        idempotency_key=f"{_KEY}corrected",
    )
    course, title = _COPIED
    write_list(
        actor=people["quill"],
        course=courses[course],
        title=title,
        content=replace(content, apparatus=(_BURETTE, _BALANCE, content.apparatus[2])),
        idempotency_key=f"{_KEY}copied",
        copied_from=first,
    )
