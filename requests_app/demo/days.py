"""The orders of the invented department: some weeks behind it, and the day it is having."""

from dataclasses import dataclass
from typing import Final


@dataclass(frozen=True, slots=True)
class DemoOrder:
    """One order as somebody would type it, and how far it has come.

    Attributes:
        by: username of who orders.
        course, sections: for whom.
        substances: ``(key, target, unit)`` each.
        volume: per group [mL].
        groups: per section.
        overage: percent.
        tolerance: percent; empty lets the digits say it.
        due: ``(days from today, hour)`` for the past, or working hours from now for today's.
        room: where it is wanted.
        reaches: the last event it went through: ``queue``, ``claim``, ``work``, ``finish``, ``hand_over``.
        steps: how many steps are recorded when it stops at ``work``.
        slip: why one reading lies outside its window, when one does.
        source: key of the substance whose bottle was chosen instead of the form that is ordered.
    """

    by: str
    course: str
    sections: str
    substances: tuple[tuple[str, str, str], ...]
    volume: str
    groups: int
    room: str
    due: tuple[int, int] | float
    reaches: str = "hand_over"
    overage: str = "10"
    tolerance: str = ""
    steps: int = 0
    notes: str = ""
    slip: str = ""
    source: str = ""


PAST: Final = (
    DemoOrder(
        "instructor", "CH 101", "A B C", (("sodium-chloride", "0.50", "mol/L"),), "25", 12, "210", (-24, 9)
    ),
    DemoOrder(
        "quill", "CH 240", "A", (("copper-sulfate-pentahydrate", "0.10", "mol/L"),), "30", 9, "305", (-22, 13)
    ),
    DemoOrder(
        "instructor",
        "CH 221",
        "A",
        (("disodium-edta-dihydrate", "0.0100", "mol/L"),),
        "100",
        8,
        "214",
        (-17, 9),
    ),
    DemoOrder("fell", "CH 101", "D", (("hydrochloric-acid", "1.0", "mol/L"),), "40", 12, "210", (-15, 10)),
    DemoOrder(
        "instructor",
        "CH 101",
        "A B",
        (("copper-sulfate-pentahydrate", "0.20", "mol/L"),),
        "20",
        12,
        "210",
        (-10, 9),
        slip="one spoonful too much, kept: the class measures it by colour",
    ),
    DemoOrder(
        "quill", "CH 221", "B", (("potassium-permanganate", "0.020", "mol/L"),), "80", 8, "214", (-8, 13)
    ),
    DemoOrder(
        "instructor",
        "CH 221",
        "A",
        (("potassium-hydrogen-phthalate", "0.100", "mol/L"),),
        "30",
        8,
        "214",
        (-3, 9),
    ),
    DemoOrder("fell", "CH 240", "B", (("ammonia", "2.0", "mol/L"),), "15", 9, "305", (-2, 14)),
    DemoOrder(
        "instructor",
        "CH 101",
        "A B C",
        (("sodium-hydrogen-carbonate", "0.5", "mol/L"),),
        "30",
        12,
        "210",
        (-1, 9),
    ),
)

# Hours are working hours from now; see build.working_time.
TODAY: Final = (
    DemoOrder(
        "fell",
        "CH 101",
        "D",
        (("sodium-thiosulfate-pentahydrate", "0.10", "mol/L"),),
        "50",
        12,
        "210",
        0.5,
        "finish",
    ),
    DemoOrder(
        "instructor",
        "CH 101",
        "A B C",
        (("sodium-chloride", "2.00", "mol/L"),),
        "25",
        12,
        "210",
        2.0,
        "finish",
        notes="Two bottles, please: section C meets next door.",
    ),
    DemoOrder(
        "quill",
        "CH 221",
        "B",
        (("disodium-edta-dihydrate", "0.0100", "mol/L"),),
        "100",
        8,
        "214",
        3.0,
        "work",
        steps=2,
    ),
    DemoOrder(
        "instructor",
        "CH 101",
        "A B",
        (("hydrochloric-acid", "0.5", "mol/L"),),
        "40",
        12,
        "210",
        4.0,
        "claim",
    ),
    DemoOrder("fell", "CH 240", "B", (("ammonium-chloride", "1.0", "mol/L"),), "20", 9, "305", -1.0, "queue"),
    DemoOrder(
        "instructor",
        "CH 221",
        "A",
        (("sodium-hydroxide", "0.1000", "mol/L"),),
        "120",
        8,
        "214",
        6.0,
        "queue",
        tolerance="1",
    ),
    DemoOrder(
        "quill",
        "CH 240",
        "A",
        (("sodium-acetate-trihydrate", "0.20", "mol/L"), ("potassium-chloride", "0.10", "mol/L")),
        "50",
        9,
        "305",
        12.0,
        "queue",
    ),
    DemoOrder(
        "instructor", "CH 101", "A B C", (("acetic-acid", "0.10", "mol/L"),), "50", 12, "210", 16.0, "queue"
    ),
    DemoOrder(
        "instructor", "CH 221", "A", (("silver-nitrate", "0.100", "mol/L"),), "100", 8, "214", 20.0, "queue"
    ),
)
