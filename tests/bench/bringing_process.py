"""Bring bottles in, by file and one by one; started by :mod:`tests.bench.bringing`."""

import os
import time

import django

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "prepdesk.settings")
django.setup()

from django.core.management import call_command  # noqa: E402 (needs the set-up above)

from inventory.columns import LOT_COLUMNS  # noqa: E402
from inventory.importers.runs import confirm_run, start_run  # noqa: E402
from inventory.importers.work import apply_run, check_run  # noqa: E402
from inventory.models import Lot, Substance  # noqa: E402
from inventory.selectors import lot_rows, stock_differences  # noqa: E402
from inventory.services import load_catalogue, receive_lot  # noqa: E402
from prepdesk.accounts.models import User  # noqa: E402
from prepdesk.core.tables import csv_file, xlsx_file  # noqa: E402

BY_FILE, BY_HAND = 10_000, 500
HEAD = "substance,kind,amount,unit,assay,assay tolerance,lot number,grade,received on,expires on,cost,note\n"


def main() -> None:
    call_command("migrate", verbosity=0)
    load_catalogue()
    user = User.objects.create(username="pia", role="prep", password="!")
    salt = Substance.objects.get(key="sodium-chloride")
    said: dict[str, float] = {}

    def timed(name: str, work) -> object:
        began = time.process_time()
        result = work()
        said[name] = time.process_time() - began
        return result

    def by_hand() -> None:
        for number in range(BY_HAND):
            receive_lot(
                actor=user,
                substance=salt,
                kind="solid",
                amount="12.5",
                unit="g",
                assay_percent="99.50",
                assay_tolerance_percent="0.20",
                lot_number=f"H{number}",
                grade="reagent",
                cost="12.50",
                note=f"bottle {number}",
                idempotency_key=f"hand-{number}",
            )

    timed("hand", by_hand)
    line = "NaCl,solid,12.5,g,99.50,0.20,D{0},reagent,2026-03-04,2030-01-31,12.50,bottle {0}\n"
    data = (HEAD + "".join(line.format(number) for number in range(BY_FILE))).encode()
    run = timed(
        "read", lambda: start_run(actor=user, kind="lots", name="a.csv", data=data, idempotency_key="run")
    )
    timed("check", lambda: check_run(run.pk, run.attempt))
    run.refresh_from_db()
    confirm_run(actor=user, run=run, digest=run.digest)
    run.refresh_from_db()
    timed("apply", lambda: apply_run(run.pk, run.attempt))
    assert Lot.objects.count() == BY_FILE + BY_HAND
    assert stock_differences() == []
    lots = Lot.objects.order_by("code")
    timed("csv", lambda: sum(map(len, csv_file(LOT_COLUMNS, lot_rows(lots)))))
    timed("xlsx", lambda: xlsx_file(LOT_COLUMNS, lot_rows(lots), title="Bottles"))

    whole = said["read"] + said["check"] + said["apply"]
    each_file, each_hand = whole / BY_FILE * 1000, said["hand"] / BY_HAND * 1000
    print(f"Bringing in {BY_FILE} bottles from a file (process time, SQLite)")
    for name, words in (("read", "reading"), ("check", "checking"), ("apply", "checking again and doing")):
        print(f"  {words:<58} {said[name]:10.2f} s")
    print(f"  {'by file, each bottle':<58} {each_file:10.4f} ms   {each_file / each_hand:8.2f} x")
    print(f"  {'one by one through the same service, each bottle':<58} {each_hand:10.4f} ms   {1:8.2f} x")
    print(f"  {'taking the list out as CSV, as XLSX':<58} {said['csv']:10.2f} s {said['xlsx']:10.2f} s")


if __name__ == "__main__":
    main()
