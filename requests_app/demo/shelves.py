"""What happens on the shelves besides orders: papers, shelf lives, smaller bottles, leftovers, waste.

Names, days and amounts are made up; the papers say so themselves.
"""

from typing import Final

from django.core.files.base import ContentFile

from inventory.models import Lot, Place, Substance, WasteStream
from inventory.services import (
    add_attachment,
    add_waste_stream,
    dispose,
    edit_substance,
    merge_lots,
    move_lots,
    receive_lot,
    split_lot,
    withdraw_attachment,
)
from prepdesk.accounts.models import User

STREAMS: Final = (
    ("Inorganic solids", "Salts without heavy metals, dry."),
    ("Heavy metals, aqueous", "Solutions and rinsings of silver, lead, cobalt, nickel, chromium."),
    ("Organic solids", "Acids, sugars and indicators, dry."),
    ("Acids and bases, aqueous", "Kept apart until somebody neutralises them by the local rules."),
)
# substance -> (days closed, days opened, order again below [g or mL])
KEEPS: Final = {
    "ascorbic-acid": ("730", "365", "25"),
    "hydrogen-peroxide": ("365", "90", "250"),
    "silver-nitrate": ("", "", "25"),
    "sodium-chloride": ("1825", "", "500"),
    "sucrose": ("1825", "730", ""),
}


def fill_the_shelves(*, actor: User, places: dict[str, Place], key: str) -> None:
    """Give the invented stockroom what its bottles go through between deliveries and orders."""
    streams = {
        name: add_waste_stream(actor=actor, name=name, note=note, idempotency_key=f"{key}waste-{number}")
        for number, (name, note) in enumerate(STREAMS, start=1)
    }
    for substance, (closed, opened, below) in KEEPS.items():
        row = Substance.objects.get(key=substance)
        edit_substance(
            actor=actor,
            substance=row,
            grade=row.grade,
            shelf_life_closed_days=closed,
            shelf_life_opened_days=opened,
            reorder_below=below,
            reorder_unit="mL" if substance == "hydrogen-peroxide" else "g",
            reason="agreed when the cabinets were reviewed",
        )
    _smaller_bottles(actor, places, key)
    _strips(actor, places, key)
    _waste(actor, streams, key)
    _papers(actor, key)


def _bottle(substance: str) -> Lot:
    return Lot.objects.filter(substance__key=substance, split_from=None).earliest("pk")


def _smaller_bottles(actor: User, places: dict[str, Place], key: str) -> None:
    """Three working bottles of sucrose; the rest of two is brought together again."""
    sucrose = _bottle("sucrose")
    one, two, _ = split_lot(
        actor=actor,
        lot=sucrose,
        amounts=["100", "100", "100"],
        unit="g",
        place=places["Prep room 012"],
        reason="working bottles for the benches",
        idempotency_key=f"{key}split",
    )
    merge_lots(
        actor=actor,
        into=one,
        leftovers=[two],
        reason="one working bottle was enough",
        idempotency_key=f"{key}merge",
    )
    move_lots(
        actor=actor,
        lots=[_bottle("calcium-carbonate"), _bottle("tris")],
        place=places["Cabinet 1, salts"],
        reason="primary standards stand together now",
    )


def _strips(actor: User, places: dict[str, Place], key: str) -> None:
    receive_lot(
        actor=actor,
        substance=Substance.objects.get(key="zinc"),
        kind="item",
        amount="48",
        unit="pc",
        lot_number="Z-0412",
        cost="31.20",
        place=places["Glass cupboard"],
        note="strips, 10 by 80 mm, for galvanic cells",
        idempotency_key=f"{key}strips",
    )


def _waste(actor: User, streams: dict[str, WasteStream], key: str) -> None:
    dispose(
        actor=actor,
        lot=_bottle("ascorbic-acid"),
        amount="40",
        unit="g",
        reason="past its date, brown at the top",
        waste_stream=streams["Organic solids"],
        idempotency_key=f"{key}disposal",
    )


def _papers(actor: User, key: str) -> None:
    phthalate = _bottle("potassium-hydrogen-phthalate")
    for number, (lines, name) in enumerate(
        (
            (("Certificate of analysis, invented for a demonstration",), "certificate, first copy.pdf"),
            (
                (
                    "Certificate of analysis, invented for a demonstration",
                    f"Potassium hydrogen phthalate, lot {phthalate.lot_number}",
                    f"Assay: {phthalate.assay_percent} % +/- {phthalate.assay_tolerance_percent} %",
                ),
                "certificate.pdf",
            ),
        )
    ):
        paper = add_attachment(
            actor=actor,
            of=phthalate,
            kind="certificate",
            upload=ContentFile(pdf_of(lines), name=name),
            idempotency_key=f"{key}certificate-{number}",
        )
        if number == 0:
            withdraw_attachment(actor=actor, attachment=paper, reason="a page was missing")
    add_attachment(
        actor=actor,
        of=Substance.objects.get(key="silver-nitrate"),
        kind="safety",
        upload=ContentFile(
            pdf_of(
                (
                    "A place for the safety data sheet of silver nitrate",
                    "Invented for a demonstration: it holds no advice.",
                    "The maker's own sheet belongs here.",
                )
            ),
            name="safety data sheet, silver nitrate.pdf",
        ),
        idempotency_key=f"{key}safety-sheet",
    )


def pdf_of(lines: tuple[str, ...]) -> bytes:
    """A page with these lines as a PDF file (ISO 32000-1:2008, 7.5), of plain letters only."""
    escaped = [line.replace("\\", r"\\").replace("(", r"\(").replace(")", r"\)") for line in lines]
    words = " ".join(f"({line}) Tj 0 -24 Td" for line in escaped)
    text = f"BT /F1 14 Tf 72 760 Td {words} ET".encode("ascii")
    bodies = (
        b"<< /Type /Catalog /Pages 2 0 R >>",
        b"<< /Type /Pages /Kids [3 0 R] /Count 1 >>",
        b"<< /Type /Page /Parent 2 0 R /MediaBox [0 0 595 842] /Contents 4 0 R "
        b"/Resources << /Font << /F1 5 0 R >> >> >>",
        b"<< /Length %d >>\nstream\n%s\nendstream" % (len(text), text),
        b"<< /Type /Font /Subtype /Type1 /BaseFont /Helvetica >>",
    )
    data, starts = b"%PDF-1.4\n", []
    for number, body in enumerate(bodies, start=1):
        starts.append(len(data))
        data += b"%d 0 obj\n%s\nendobj\n" % (number, body)
    table = b"".join(b"%010d 00000 n \n" % start for start in starts)
    return data + (
        b"xref\n0 %d\n0000000000 65535 f \n%strailer\n<< /Size %d /Root 1 0 R >>\nstartxref\n%d\n%%%%EOF\n"
        % (len(bodies) + 1, table, len(bodies) + 1, len(data))
    )
