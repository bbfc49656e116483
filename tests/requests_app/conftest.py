"""A small department: one course, three sections, a bench, and the bottles a test asks for."""

from collections.abc import Callable
from datetime import timedelta

import pytest
from django.utils import timezone

from inventory.codes import APPARATUS, code_of
from inventory.models import ApparatusItem, Lot, Substance
from inventory.services import receive_lot
from prepdesk.calc.catalogue import standard_catalogue
from prepdesk.calc.typed import parse_number
from requests_app.drafts import DraftComponent, OrderDraft
from requests_app.models import Course, Section
from requests_app.services.orders import submit_order

CLASS_A_FLASKS = ("25", "50", "100", "250", "500", "1000", "2000")
PIPETTES = ("1", "5", "10", "25", "50")
CYLINDERS = ("10", "50", "100", "250", "500", "1000")
BEAKERS = ("100", "250", "600", "1000", "2000")
BALANCES = (
    ("0.1", "4000", "0.1", "0.2"),
    ("0.01", "1200", "0.01", "0.02"),
    ("0.0001", "220", "0.0001", "0.0002"),
)


def substance_row(key: str) -> Substance:
    """The stockroom's row for a substance of the standard catalogue."""
    known = standard_catalogue().by_key(key)
    row, _ = Substance.objects.get_or_create(
        key=key,
        defaults={"name": known.name, "formula": known.formula, "cas": known.cas, "family": known.family},
    )
    return row


def outfit_bench() -> None:
    """Balances and ISO glassware of a teaching laboratory."""
    ApparatusItem.objects.bulk_create(
        [
            *(
                ApparatusItem(
                    type="balance",
                    readability_g=reads,
                    capacity_g=capacity,
                    repeatability_g=repeats,
                    linearity_g=linear,
                )
                for reads, capacity, repeats, linear in BALANCES
            ),
            *_ware("one-mark flask", CLASS_A_FLASKS, "A", "ISO 1042:1998"),
            *_ware("one-mark pipette", PIPETTES, "A", "ISO 648:2008"),
            *_ware("graduated cylinder", CYLINDERS, "B", "ISO 4788:2005"),
            *_ware("beaker", BEAKERS, "", ""),
        ]
    )
    for item in ApparatusItem.objects.all():
        item.code = code_of(item.pk, APPARATUS)
        item.save(update_fields=["code"])


def _ware(type_: str, sizes: tuple[str, ...], mark: str, standard: str) -> list[ApparatusItem]:
    return [
        ApparatusItem(type=type_, nominal_ml=size, apparatus_class=mark, standard=standard, count=4)
        for size in sizes
    ]


@pytest.fixture
def bench(db) -> None:
    outfit_bench()


def receiver(manager) -> Callable[..., Lot]:
    """What the fixture ``bottle`` is."""

    def receive(key: str, amount: str, kind: str = "solid", **facts) -> Lot:
        number = Lot.objects.count()
        return receive_lot(
            actor=manager,
            substance=substance_row(key),
            kind=kind,
            amount=amount,
            unit="g" if kind == "solid" else "mL",
            lot_number=str(number),
            idempotency_key=f"bottle-{number}",
            **facts,
        )

    return receive


@pytest.fixture
def bottle(manager) -> Callable[..., Lot]:
    """Receive a bottle: ``bottle("sodium-chloride", "500", assay_percent="100.0")``."""
    return receiver(manager)


@pytest.fixture
def salt(bench, bottle) -> Lot:
    """A full bottle of sodium chloride."""
    return full_bottle(bottle)


def full_bottle(bottle) -> Lot:
    """What the fixture ``salt`` is."""
    return bottle("sodium-chloride", "500", assay_percent="100.0", assay_tolerance_percent="0.1")


def a_course() -> Course:
    """What the fixture ``course`` is."""
    return Course.objects.create(code="CH 101", title="General chemistry")


@pytest.fixture
def course(db) -> Course:
    return a_course()


def three_sections(course, instructor) -> list[Section]:
    """What the fixture ``sections`` is."""
    return [
        Section.objects.create(course=course, name=name, instructor=instructor, groups=12) for name in "ABC"
    ]


@pytest.fixture
def sections(course, instructor) -> list[Section]:
    return three_sections(course, instructor)


@pytest.fixture
def draft(sections) -> Callable[..., OrderDraft]:
    """What the instructor wants: 990 mL of 2.00 mol/L sodium chloride, tomorrow. Change what matters."""
    return drafter(sections)


def drafter(sections) -> Callable[..., OrderDraft]:
    """What the fixture ``draft`` is."""

    def make(
        *,
        substance: str = "sodium-chloride",
        target: str = "2.00",
        unit: str = "mol/L",
        volume: str = "25",
        tolerance: str = "",
        more: tuple[DraftComponent, ...] = (),
        **changes,
    ) -> OrderDraft:
        substance_row(substance)
        values = {
            "course_id": sections[0].course_id,
            "section_ids": tuple(section.pk for section in sections),
            "components": (DraftComponent(substance, parse_number(target), unit), *more),
            "groups_per_section": 12,
            "volume_per_group": parse_number(volume),
            "volume_unit": "mL",
            "due_at": timezone.now() + timedelta(days=1),
            "room": "210",
            "overage_percent": parse_number("10"),
            "tolerance_percent": parse_number(tolerance) if tolerance else None,
        }
        return OrderDraft(**{**values, **changes})

    return make


@pytest.fixture
def send(instructor, draft) -> Callable:
    """Send an order as the instructor, each under a key of its own."""
    return sender(instructor, draft)


def sender(instructor, draft) -> Callable:
    """What the fixture ``send`` is."""
    count = iter(range(1000))

    def submit(made_alone=False, **changes):
        return submit_order(
            actor=instructor,
            draft=draft(**changes),
            idempotency_key=f"form-{next(count)}",
            made_alone=made_alone,
        )

    return submit
