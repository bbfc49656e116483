"""The invented department as data: people, rooms, bottles, apparatus, and its weeks of orders.

Names, lot numbers and amounts are made up. Limits of error come from the standards named with each
item, through the calculation service's own tables; balances follow figures usual for their class.
"""

from dataclasses import dataclass
from typing import Final

DEMO_PASSWORD: Final = "demo-bench"  # noqa: S105 (an open secret that exists in the demo alone)
# (username, what the person does), for those who can sign in.
DEMO_LOGINS: Final = (
    ("instructor", "teaching: orders solutions for sections"),
    ("prep", "prep staff: makes them, keeps the stock"),
    ("manager", "answers for it: reviews what was used"),
)
# (username, first name, last name, role)
PEOPLE: Final = (
    ("instructor", "Lena", "Hartwell", "instructor"),
    ("prep", "Tom", "Weirside", "prep"),
    ("manager", "Ruth", "Caldermoor", "manager"),
    ("quill", "Amara", "Quillon", "instructor"),
    ("fell", "Jonas", "Fellbrook", "instructor"),
    ("thorne", "Nia", "Thornhay", "prep"),
)

# course -> (title, ((section, instructor, groups), …))
COURSES: Final = {
    "CH 101": (
        "General chemistry laboratory",
        (("A", "instructor", 12), ("B", "instructor", 12), ("C", "instructor", 10), ("D", "fell", 12)),
    ),
    "CH 221": (
        "Quantitative analysis laboratory",
        (("A", "instructor", 8), ("B", "quill", 8)),
    ),
    "CH 240": ("Inorganic chemistry laboratory", (("A", "quill", 9), ("B", "fell", 9))),
}

# place -> the place it stands in
PLACES: Final = {
    "Stockroom 014": "",
    "Cabinet 1, salts": "Stockroom 014",
    "Cabinet 2, salts": "Stockroom 014",
    "Acid cabinet": "Stockroom 014",
    "Nitric acid cabinet": "Stockroom 014",
    "Base cabinet": "Stockroom 014",
    "Oxidiser cabinet": "Stockroom 014",
    "Refrigerator": "Stockroom 014",
    "Quarantine shelf": "Stockroom 014",
    "Prep room 012": "",
    "Ready shelf": "Prep room 012",
    "Balance bench": "Prep room 012",
    "Glass cupboard": "Prep room 012",
}


@dataclass(frozen=True, slots=True)
class DemoLot:
    """One bottle: figures as its label would have them, days relative to today."""

    substance: str
    amount: str
    place: str
    kind: str = "solid"
    assay: str = ""
    assay_tolerance: str = ""
    mass_percent: str = ""
    density: str = ""
    mol_per_l: str = ""
    uncertainty: str = ""
    grade: str = "analytical reagent"
    came: int = -60
    opened: int | None = -40
    expires: int | None = 700
    event: tuple[str, str] | None = None
    note: str = ""


def _salt(substance: str, amount: str, assay: str, tolerance: str = "0.2", **more: object) -> DemoLot:
    details: dict[str, object] = {"place": "Cabinet 1, salts", **more}
    return DemoLot(substance, amount, assay=assay, assay_tolerance=tolerance, **details)  # type: ignore[arg-type]  # names checked by the class


LOTS: Final = (
    _salt("sodium-chloride", "1000", "100.0", "0.1", came=-95, opened=-90),
    _salt("sodium-chloride", "2500", "99.5", grade="laboratory reagent", opened=None),
    _salt("potassium-chloride", "1000", "99.8"),
    _salt("potassium-nitrate", "1000", "99.5", place="Oxidiser cabinet"),
    _salt("potassium-bromide", "500", "99.5"),
    _salt("potassium-iodide", "750", "99.5", note="keep in the dark"),
    _salt("potassium-thiocyanate", "250", "99.0", "1.0"),
    _salt("sodium-carbonate-anhydrous", "500", "99.95", "0.05", grade="primary standard"),
    _salt("sodium-hydrogen-carbonate", "1000", "99.8"),
    _salt("sodium-acetate-trihydrate", "1000", "99.5"),
    _salt("sodium-thiosulfate-pentahydrate", "1000", "99.5", place="Cabinet 2, salts"),
    _salt("disodium-hydrogen-phosphate-anhydrous", "500", "99.5", place="Cabinet 2, salts"),
    _salt("potassium-dihydrogen-phosphate", "500", "99.5", place="Cabinet 2, salts"),
    _salt("ammonium-chloride", "1000", "99.5", place="Cabinet 2, salts"),
    _salt("ammonium-iron-ii-sulfate-hexahydrate", "500", "99.0", "1.0", place="Cabinet 2, salts"),
    _salt("iron-iii-chloride-hexahydrate", "500", "99.0", "1.0", place="Cabinet 2, salts"),
    _salt("calcium-chloride-dihydrate", "1000", "99.5", place="Cabinet 2, salts"),
    _salt("calcium-carbonate", "250", "99.95", "0.05", grade="primary standard", place="Cabinet 2, salts"),
    _salt("magnesium-sulfate-heptahydrate", "1000", "99.5", place="Cabinet 2, salts"),
    _salt("barium-chloride-dihydrate", "250", "99.0", "1.0", place="Cabinet 2, salts"),
    _salt("copper-sulfate-pentahydrate", "1000", "99.5", place="Cabinet 2, salts"),
    # Enough for a demonstration, not for a class: the pentahydrate is what the bottles hold.
    _salt("copper-sulfate-anhydrous", "60", "98.0", "1.0", place="Cabinet 2, salts"),
    _salt("zinc-sulfate-heptahydrate", "500", "99.5", place="Cabinet 2, salts"),
    _salt("nickel-sulfate-hexahydrate", "250", "99.0", "1.0", place="Cabinet 2, salts"),
    _salt("cobalt-chloride-hexahydrate", "100", "99.0", "1.0", place="Cabinet 2, salts"),
    _salt("lead-nitrate", "250", "99.5", place="Oxidiser cabinet"),
    # Nearly empty: the next larger order of it has to wait.
    _salt("silver-nitrate", "12", "99.9", "0.1", place="Oxidiser cabinet", note="reorder"),
    _salt("potassium-permanganate", "250", "99.0", "0.5", place="Oxidiser cabinet"),
    _salt("potassium-dichromate", "250", "99.95", "0.05", grade="primary standard", place="Oxidiser cabinet"),
    _salt("potassium-iodate", "100", "99.95", "0.05", grade="primary standard", place="Oxidiser cabinet"),
    _salt("potassium-hydrogen-phthalate", "250", "99.95", "0.05", grade="primary standard"),
    _salt("disodium-edta-dihydrate", "500", "99.5"),
    _salt("sodium-hydroxide", "2000", "98.5", "0.5", place="Base cabinet"),
    _salt("potassium-hydroxide", "500", "85.0", "1.0", place="Base cabinet"),
    _salt("oxalic-acid-dihydrate", "250", "99.5", place="Acid cabinet"),
    _salt("ascorbic-acid", "100", "99.0", "1.0", came=-400, opened=-380, expires=-20, note="past its date"),
    _salt(
        "iodine",
        "250",
        "99.8",
        "0.2",
        event=("quarantine", "the stopper leaked; to be looked at"),
        place="Quarantine shelf",
    ),
    _salt("tris", "500", "99.9", "0.1", place="Cabinet 2, salts"),
    _salt("glycine", "250", "99.0", "0.5", place="Cabinet 2, salts"),
    _salt("sucrose", "1000", "99.5", place="Cabinet 2, salts"),
    DemoLot("hydrochloric-acid", "2500", "Acid cabinet", "liquid", mass_percent="37", density="1.184"),
    DemoLot("sulfuric-acid", "2500", "Acid cabinet", "liquid", mass_percent="96", density="1.8355"),
    DemoLot("nitric-acid", "1000", "Nitric acid cabinet", "liquid", mass_percent="70", density="1.413"),
    DemoLot("acetic-acid", "1000", "Acid cabinet", "liquid", mass_percent="99.7", density="1.049"),
    DemoLot("phosphoric-acid", "500", "Acid cabinet", "liquid", mass_percent="85", density="1.69"),
    DemoLot("ammonia", "1000", "Base cabinet", "liquid", mass_percent="28", density="0.898", expires=120),
    DemoLot(
        "hydrogen-peroxide", "500", "Refrigerator", "liquid", mass_percent="30", density="1.1126", expires=90
    ),
    DemoLot("ethanol", "2500", "Cabinet 1, salts", "liquid", mass_percent="99.5", density="0.7893"),
    DemoLot(
        "sodium-hydroxide",
        "5000",
        "Base cabinet",
        "solution",
        mol_per_l="1.002",
        uncertainty="0.4",
        grade="standardised here",
        came=-6,
        opened=-6,
        expires=24,
        note="stock solution, standardised against potassium hydrogen phthalate",
    ),
)


@dataclass(frozen=True, slots=True)
class DemoApparatus:
    """So many of one kind and size; the limit of error follows from class and standard."""

    type: str
    size: str
    count: int
    apparatus_class: str = ""
    standard: str = ""
    division: str = ""
    tolerance: str = ""
    place: str = "Glass cupboard"


def _sizes(
    type_: str, sizes: dict[str, int], apparatus_class: str = "", standard: str = ""
) -> list[DemoApparatus]:
    return [DemoApparatus(type_, size, count, apparatus_class, standard) for size, count in sizes.items()]


GLASS: Final = (
    *_sizes(
        "one-mark flask",
        {"10": 6, "25": 10, "50": 12, "100": 20, "250": 16, "500": 8, "1000": 6, "2000": 3},
        "A",
        "ISO 1042:1998",
    ),
    *_sizes("one-mark flask", {"100": 10, "1000": 4, "5000": 1}, "B", "ISO 1042:1998"),
    *_sizes(
        "one-mark pipette",
        {"1": 6, "2": 6, "5": 10, "10": 12, "20": 6, "25": 12, "50": 6, "100": 2},
        "A",
        "ISO 648:2008",
    ),
    *_sizes(
        "graduated cylinder",
        {"10": 8, "25": 8, "50": 8, "100": 12, "250": 6, "500": 6, "1000": 4, "2000": 2},
        "B",
        "ISO 4788:2005",
    ),
    DemoApparatus("burette", "25", 12, "A", "ISO 385:2005", division="0.05"),
    DemoApparatus("burette", "50", 12, "A", "ISO 385:2005", division="0.1"),
    *_sizes("beaker", {"50": 20, "100": 30, "250": 30, "600": 16, "1000": 10, "2000": 6, "5000": 2}),
    *_sizes("conical flask", {"100": 30, "250": 40, "500": 10}),
    *_sizes("carboy", {"5000": 4, "10000": 4, "20000": 2}),
)


@dataclass(frozen=True, slots=True)
class DemoBalance:
    """A balance; repeatability and linearity are typical for its class (common practice)."""

    readability: str
    capacity: str
    repeatability: str
    linearity: str
    note: str


BALANCES: Final = (
    DemoBalance("0.1", "6000", "0.1", "0.2", "floor balance"),
    DemoBalance("0.01", "1200", "0.01", "0.02", "top-pan balance"),
    DemoBalance("0.001", "320", "0.001", "0.002", "precision balance"),
    DemoBalance("0.0001", "220", "0.0001", "0.0002", "analytical balance, checked every Monday"),
)
