"""The columns of the stockroom's files: what an export writes is what an import reads.

Keys are the names of the fields they fill, so that what a service refuses finds its column.
"""

from typing import Final

from prepdesk.calc.cautions import UNREVIEWED, caution_codes
from prepdesk.core.tables import Column

# The cautions a department may say of its own substance.
HAZARDS: Final = tuple(code for code in caution_codes() if code not in (UNREVIEWED, "local_rules"))

LOT_COLUMNS: Final = (
    Column(
        "code",
        "Code",
        ("lot code", "label"),
        help="What the bottle's label says. Empty for a bottle that comes in: it gets a code. With a code, "
        "the row changes that bottle; an empty cell then leaves what is there.",
    ),
    Column(
        "substance",
        "Substance",
        ("name", "key"),
        required=True,
        help="Name, CAS number, formula or key of exactly the form in the bottle. A name that fits several "
        "forms is refused, unless the form stands beside it.",
        example="copper(II) sulfate",
    ),
    Column("form", "Form", help="As the label has it: pentahydrate, anhydrous.", example="pentahydrate"),
    Column(
        "cas",
        "CAS number",
        ("cas", "cas no", "cas no."),
        help="Must be that of the substance.",
        example="7758-99-8",
    ),
    Column("formula", "Formula", is_read=False, help="Only told."),
    Column("title", "Title", is_read=False, help="What a solution made here is called. Only told."),
    Column("kind", "Kind", help="solid, liquid, solution or pieces.", example="solid"),
    Column(
        "amount",
        "Amount",
        kind="number",
        help="Of all bottles of the row together. Of a bottle that is there it must be what the ledger says: "
        "a difference is a count, and has a file of its own.",
        example="500",
    ),
    Column("unit", "Unit", help="kg, g or mg; L, mL or µL; pc for pieces.", example="g"),
    Column(
        "assay_percent",
        "Assay %",
        ("assay",),
        kind="number",
        help="Of a solid, with all its digits.",
        example="99.50",
    ),
    Column(
        "assay_tolerance_percent",
        "Assay tolerance %",
        ("assay tolerance",),
        kind="number",
        help="± of the assay.",
        example="0.20",
    ),
    Column(
        "mass_percent",
        "Mass percent",
        ("mass %", "% w/w"),
        kind="number",
        help="Of a liquid reagent: 37.2; 100 for a pure one.",
    ),
    Column(
        "density_g_per_ml",
        "Density g/mL",
        ("density",),
        kind="number",
        help="At 20 °C, of a liquid or a solution.",
    ),
    Column(
        "concentration_mol_per_l",
        "Concentration mol/L",
        ("concentration",),
        kind="number",
        help="Of a solution.",
    ),
    Column(
        "relative_uncertainty_percent",
        "Uncertainty %",
        ("uncertainty",),
        kind="number",
        help="Of the concentration, relative, k = 2.",
    ),
    Column(
        "lot_number", "Lot number", ("maker's lot number", "batch"), help="The maker's.", example="D24017"
    ),
    Column("grade", "Grade", example="analytical reagent", help="As the label has it."),
    Column(
        "place",
        "Place",
        ("location",),
        help="From the room inwards, with / between: Store / Cabinet 2 / Shelf 1. It must be there, unless "
        "missing places are to be created.",
        example="Stockroom 014 / Cabinet 2, salts",
    ),
    Column(
        "storage_reason",
        "Storage reason",
        help="Why it stands there all the same, where a storage rule speaks against the place; without it "
        "such a row is refused.",
    ),
    Column(
        "received_on",
        "Received on",
        ("received",),
        kind="day",
        help="2026-03-04 or 4 March 2026; today where it is empty.",
        example="2026-03-04",
    ),
    Column("opened_on", "Opened on", ("opened",), kind="day", help="Empty while it is closed."),
    Column(
        "expires_on",
        "Expires on",
        ("expires", "expiry"),
        kind="day",
        help="The last day on which it may be used.",
        example="2029-03-31",
    ),
    Column(
        "cost",
        "Cost",
        ("price",),
        kind="number",
        help="Of the whole row, with at most two decimals.",
        example="41.50",
    ),
    Column("note", "Note", ("remark",), help="Anything worth knowing beside the bottle."),
    Column("held", "Held", kind="number", is_read=False, help="Promised to orders. Only told."),
    Column("free", "Free", kind="number", is_read=False, help="What may still be promised. Only told."),
    Column("state", "State", is_read=False, help="Only told."),
    Column("prepared_by", "Prepared by", is_read=False, help="Of a solution made here. Only told."),
)

SUBSTANCE_COLUMNS: Final = (
    Column("key", "Key", help="How the list knows it. Empty for a new one."),
    Column(
        "name",
        "Name",
        ("substance",),
        required=True,
        help="With its hydrate.",
        example="barium thiosulfate monohydrate",
    ),
    Column(
        "formula", "Formula", help="Of this very form, hydrate water after a point.", example="BaS2O3.H2O"
    ),
    Column(
        "cas",
        "CAS number",
        ("cas", "cas no", "cas no."),
        help="Its check digit must fit; empty where there is none.",
    ),
    Column(
        "family",
        "Family",
        ("form of",),
        help="Name or key of a substance of which it is another form; empty when it is none.",
    ),
    Column("form", "Form", help="As the label has it.", example="monohydrate"),
    Column(
        "physical_state",
        "Pure state",
        ("state",),
        help="solid or liquid: the pure substance.",
        example="solid",
    ),
    Column(
        "synonyms",
        "Synonyms",
        ("other names",),
        help="Names that mean exactly this form, with semicolons between.",
    ),
    Column(
        "hazards",
        "Cautions",
        help=f"By its safety data sheet, with semicolons between: {', '.join(HAZARDS)}.",
        example="",
    ),
    Column("grade", "Grade", help="The usual one here."),
    Column(
        "storage_group",
        "Storage group",
        help="The department's own decision, by the group's name or code; empty where its facts decide.",
    ),
    Column(
        "shelf_life_closed_days",
        "Shelf life closed, days",
        ("shelf life closed",),
        kind="number",
        help="From receipt.",
        example="1825",
    ),
    Column(
        "shelf_life_opened_days",
        "Shelf life opened, days",
        ("shelf life opened",),
        kind="number",
        help="From opening.",
        example="730",
    ),
    Column(
        "reorder_below",
        "Reorder below",
        ("reorder level",),
        kind="number",
        help="Less than this is too little to wait with ordering.",
        example="250",
    ),
    Column("reorder_unit", "Reorder unit", help="Of it: kg, g, mg, L, mL or µL.", example="g"),
    Column(
        "on_hand",
        "On hand",
        kind="number",
        is_read=False,
        help="Of the pure substance, in all bottles. Only told.",
    ),
)

COUNT_COLUMNS: Final = (
    Column(
        "code",
        "Code",
        ("lot code", "label"),
        required=True,
        help="What the bottle's label says.",
        example="L000177",
    ),
    Column(
        "counted",
        "Counted",
        ("amount", "on hand"),
        required=True,
        kind="number",
        help="What is in it, without the bottle; 0 if it is empty.",
        example="412.5",
    ),
    Column("unit", "Unit", required=True, help="kg, g or mg; L, mL or µL; pc for pieces.", example="g"),
    Column(
        "reason",
        "Reason",
        ("note",),
        help="How it was counted, or why it differs; the file's name where it is empty.",
        example="weighed at the opening",
    ),
    Column(
        "substance",
        "Substance",
        ("name",),
        is_read=False,
        help="Only told.",
        example="copper(II) sulfate pentahydrate",
    ),
    Column("place", "Place", is_read=False, help="Only told."),
)

LEDGER_COLUMNS: Final = (
    Column("number", "Entry", kind="number"),
    Column("at", "At", help="In the department's time zone."),
    Column("kind", "Kind"),
    Column("code", "Code"),
    Column("substance", "Substance"),
    Column("formula", "Formula"),
    Column("amount", "Amount", kind="number"),
    Column("unit", "Unit"),
    Column("by", "By"),
    Column("reason", "Reason"),
    Column("reverses", "Reverses entry", kind="number"),
)
