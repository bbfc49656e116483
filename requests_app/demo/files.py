"""A delivery note that was brought in as a file: three bottles came in, one row was refused and why."""

from inventory.importers.runs import confirm_run, start_run
from inventory.importers.work import work_on
from prepdesk.accounts.models import User

# Invented, as a supplier might send it; "sodium carbonate" alone may be any of three forms.
DELIVERY = """\
Substance;Form;Kind;Amount;Unit;Assay;Assay tolerance;Lot number;Place;Cost
sodium sulfate;anhydrous;solid;1000;g;99,50;0,20;K-31844;Stockroom 014 / Cabinet 2, salts;18,40
potassium sulfate;;solid;500;g;99,0;0,5;K-30217;Stockroom 014 / Cabinet 2, salts;14,10
magnesium chloride;hexahydrate;solid;500;g;99,0;0,5;K-31902;Stockroom 014 / Cabinet 2, salts;16,75
sodium carbonate;;solid;250;g;;;K-31650;Stockroom 014 / Cabinet 1, salts;9,90
"""


def bring_in_a_delivery(*, actor: User, key: str) -> None:
    """Read the file, look at it, confirm it: as a person does on the pages."""
    run = start_run(
        actor=actor,
        kind="lots",
        name="delivery-of-monday.csv",
        data=DELIVERY.encode(),
        idempotency_key=f"{key}delivery",
    )
    work_on(run.pk, run.attempt)
    run.refresh_from_db()
    confirm_run(actor=actor, run=run, digest=run.digest)
    run.refresh_from_db()
    work_on(run.pk, run.attempt)
