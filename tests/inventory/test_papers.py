"""Certificates and safety data sheets: what is taken, under which name, and who reads it.

What a whole file of each kind is follows ISO 32000-1:2008, 7.5 (PDF), ISO/IEC 15948:2004, 5 (PNG) and
ITU-T T.81, annex B (JPEG); the smallest ones below were put together by hand after them.
"""

import hashlib
import io
import struct
import zipfile
import zlib
from pathlib import Path

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.core.management import CommandError, call_command
from django.urls import reverse

from inventory.models import Attachment, SubstanceEvent
from inventory.services import MOST_BYTES, add_attachment, split_lot, withdraw_attachment
from inventory.services.files import harmless_name, kind_of
from prepdesk.core.errors import InvalidInput, NotAllowed, NotInThisState
from tests.inventory.conftest import new_key
from tests.inventory.test_pages import at_bench, field_errors, page, words

__all__ = ["at_bench"]
pytestmark = pytest.mark.django_db

PDF = b"%PDF-1.4\n1 0 obj\n<< /Type /Catalog >>\nendobj\ntrailer\n<< /Root 1 0 R >>\n%%EOF\n"
JPEG = b"\xff\xd8\xff\xe0\x00\x10JFIF\x00\x01\x01\x00\x00\x01\x00\x01\x00\x00\xff\xd9"


def chunk(name: bytes, data: bytes) -> bytes:
    return struct.pack(">I", len(data)) + name + data + struct.pack(">I", zlib.crc32(name + data))


PNG = (
    b"\x89PNG\r\n\x1a\n"
    + chunk(b"IHDR", struct.pack(">IIBBBBB", 1, 1, 8, 0, 0, 0, 0))
    + chunk(b"IDAT", zlib.compress(b"\x00\x00"))
    + chunk(b"IEND", b"")
)


def archive() -> bytes:
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as one:
        one.writestr("a.html", "<script>alert(1)</script>")
    return packed.getvalue()


@pytest.fixture(autouse=True)
def store(settings, tmp_path) -> Path:
    settings.MEDIA_ROOT = str(tmp_path)
    return tmp_path


def upload(data: bytes = PDF, name: str = "certificate.pdf", says: str = "application/pdf"):
    return SimpleUploadedFile(name, data, content_type=says)


def add(actor, of, data: bytes = PDF, name: str = "certificate.pdf", **more) -> Attachment:
    sent = {"kind": "certificate", "upload": upload(data, name), "idempotency_key": new_key()}
    return add_attachment(actor=actor, of=of, **{**sent, **more})


def files_in(store: Path) -> list[Path]:
    return [path for path in store.rglob("*") if path.is_file()]


@pytest.mark.parametrize(
    ("data", "kind"), [(PDF, "application/pdf"), (PNG, "image/png"), (JPEG, "image/jpeg")]
)
def test_a_file_is_what_its_bytes_say_whatever_it_is_called(bottle, prep, store, data, kind):
    row = add(prep, bottle(), data, name="sheet.html")
    assert (row.content_type, row.size, row.sha256) == (kind, len(data), hashlib.sha256(data).hexdigest())
    (path,) = files_in(store)
    assert path.read_bytes() == data
    assert "sheet" not in path.name, "the name on the disk is our own"
    assert row.name.startswith("sheet.html.")


@pytest.mark.parametrize(
    "data",
    [
        b"",
        b"<svg xmlns='http://www.w3.org/2000/svg'><script>alert(1)</script></svg>",
        b"<!doctype html><script>alert(1)</script>",
        b"GIF89a",
        archive(),
        PDF + archive(),
        PNG + archive(),
        PNG + b"<script>alert(1)</script>",
        JPEG + b"<script>alert(1)</script>",
        b"<script>alert(1)</script>" + PDF,
        b"%PDF-1.4\n<html><script>alert(1)</script></html>\n%%EOF\n",
        PDF.replace(b"%%EOF", b""),
        PNG[:-12],
        JPEG[:-2],
        b"\x89PNG\r\n\x1a\n" + chunk(b"IEND", b""),
        struct.pack(">I", 2**31),
    ],
)
def test_anything_else_is_refused_also_in_disguise(bottle, prep, store, data):
    assert kind_of(data) is None
    with pytest.raises(InvalidInput) as refused:
        add(prep, bottle(), data)
    assert list(refused.value.errors) == ["upload"]
    assert files_in(store) == []
    assert Attachment.objects.count() == 0


def test_ten_megabytes_fit_and_one_byte_more_does_not(bottle, prep):
    def padded(size: int) -> bytes:
        return PDF[:-6] + b"%" * (size - len(PDF)) + PDF[-6:]

    assert add(prep, bottle(), padded(MOST_BYTES)).size == MOST_BYTES
    with pytest.raises(InvalidInput, match="10 MB fit"):
        add(prep, bottle(), padded(MOST_BYTES + 1))


@pytest.mark.parametrize(
    ("name", "kept"),
    [
        ("certificate.pdf", "certificate.pdf"),
        ("../../etc/passwd", "passwd.pdf"),
        ("C:\\papers\\K 4711.PDF", "K 4711.PDF"),
        ("<script>alert(1)</script>.pdf", "script>.pdf"),
        ("a\r\nSet-Cookie: x=1.pdf", "a Set-Cookie: x=1.pdf"),
        ("x" * 300 + ".pdf", "x" * 116 + ".pdf"),
        ("証明書.pdf", "証明書.pdf"),
        ("Prüfschein №5.pdf", "Prüfschein №5.pdf"),
        ("exe.\u202efdp.pdf", "exe. fdp.pdf"),
        ("", "file.pdf"),
        ("...", "file.pdf"),
        ('quo"te.pdf', 'quo"te.pdf'),
    ],
)
def test_a_name_is_made_harmless_and_comes_back_in_the_header_of_the_download(
    client, prep, bottle, name, kept
):
    assert harmless_name(name, "application/pdf") == kept
    row = add(prep, bottle())
    Attachment.objects.filter(pk=row.pk).update(name=kept)
    client.force_login(prep)
    answer = client.get(page("attachment", row.pk))
    header = answer["Content-Disposition"]
    assert header.startswith("attachment; filename")
    assert not set(header) & set("\r\n<")
    assert answer["X-Content-Type-Options"] == "nosniff"
    assert answer["Content-Type"] == "application/pdf"
    assert b"".join(answer.streaming_content) == PDF


def test_the_same_file_on_the_same_bottle_is_told_and_on_another_one_taken(bottle, prep, store):
    lot = bottle()
    first = add(prep, lot, idempotency_key="a")
    assert add(prep, lot, idempotency_key="a").pk == first.pk
    with pytest.raises(InvalidInput, match="This very file is here already, as “certificate"):
        add(prep, lot, name="another name.pdf")
    assert add(prep, bottle()).sha256 == first.sha256
    withdraw_attachment(actor=prep, attachment=first, reason="Of another lot")
    assert add(prep, lot).pk != first.pk, "what was withdrawn may come again"
    assert len(files_in(store)) == Attachment.objects.count() == 3


def test_a_file_whose_row_is_not_written_does_not_stay_behind(bottle, prep, store, monkeypatch):
    def broken(*arguments, **more):
        raise RuntimeError("the database went away")

    monkeypatch.setattr("inventory.services.attachments._tell", broken)
    with pytest.raises(RuntimeError):
        add(prep, bottle())
    assert files_in(store) == []


def test_a_withdrawn_file_stays_in_the_history_with_who_and_why(bottle, prep, second_prep):
    lot = bottle()
    row = add(prep, lot)
    withdraw_attachment(actor=second_prep, attachment=row, reason="Of another lot")
    withdraw_attachment(actor=second_prep, attachment=row, reason="Of another lot")
    with pytest.raises(NotInThisState, match="withdrawn before"):
        withdraw_attachment(actor=prep, attachment=row, reason="Again")
    row.refresh_from_db()
    assert (row.withdrawn_by, row.withdrawn_reason) == (second_prep, "Of another lot")
    assert list(lot.events.values_list("event", "reason")) == [
        ("attach", "Certificate of analysis: “certificate.pdf”"),
        ("withdraw", "“certificate.pdf”. Of another lot"),
    ]


def test_a_file_is_added_withdrawn_and_read_from_the_pages(client, prep, instructor, bottle, store):
    lot = bottle()
    client.force_login(prep)
    address = page("lot_attach", lot.code)
    empty = client.post(address, {"idempotency_key": "f"})
    assert (empty.status_code, set(field_errors(empty))) == (422, {"kind", "upload"})
    wrong = client.post(
        address, {"kind": "safety", "upload": upload(b"<svg/>", "x.pdf"), "idempotency_key": "f"}
    )
    assert "Only PDF, PNG and JPEG files are taken" in field_errors(wrong)["upload"]
    for _ in range(2):
        sent = {"kind": "safety", "upload": upload(name="<b>sheet.pdf"), "idempotency_key": "f"}
        said = client.post(address, sent, follow=True)
        assert "Safety data sheet: <b>sheet.pdf" in words(said)
        assert "<b>sheet" not in said.content.decode()
    row = Attachment.objects.get()
    assert row.name == "<b>sheet.pdf"
    withdrawal = page("attachment_withdraw", row.pk)
    assert list(field_errors(client.post(withdrawal, {"idempotency_key": "w"}))) == ["reason"]

    client.force_login(instructor)
    assert client.get(page("attachment", row.pk)).status_code == 200
    assert client.get(address).status_code == client.post(withdrawal).status_code == 403
    client.force_login(prep)
    client.post(withdrawal, {"reason": "Outdated", "idempotency_key": "w"})
    assert "Withdrawn" in words(client.get(page("lot", lot.code)))
    assert client.get(page("attachment", row.pk)).status_code == 200
    client.force_login(instructor)
    assert client.get(page("attachment", row.pk)).status_code == 404
    assert "sheet.pdf" not in words(client.get(page("lot", lot.code)))
    client.logout()
    assert client.get(page("attachment", row.pk)).status_code == 302
    for path in files_in(store):
        path.unlink()
    client.force_login(prep)
    gone = client.get(page("attachment", row.pk))
    assert (gone.status_code, "put it back from a backup" in words(gone)) == (409, True)


def test_the_store_of_files_has_no_address(client, prep, bottle, settings):
    add(prep, bottle())
    client.force_login(prep)
    stored = Attachment.objects.get().stored_as
    assert not settings.MEDIA_URL.strip("/")
    for address in (f"/{stored}", f"/media/{stored}", f"/static/{stored}", f"/files/{stored}"):
        assert client.get(address).status_code == 404
    assert not str(settings.MEDIA_ROOT).startswith(str(settings.STATIC_ROOT))


def test_papers_of_a_substance_and_of_the_bottle_one_was_filled_from_are_shown(at_bench, bottle, prep, salt):
    lot = bottle("100")
    sheet = add(prep, salt, kind="safety", name="sheet.pdf")
    add(prep, lot, name="certificate.pdf")
    assert SubstanceEvent.objects.get().reason == "Safety data sheet: “sheet.pdf”"
    sent = {"amounts": ["10"], "unit": "g", "place": None, "reason": "Bench", "idempotency_key": "s"}
    (small,) = split_lot(actor=prep, lot=lot, **sent)
    assert "certificate.pdf 77 bytes" in words(at_bench.get(page("lot", small.code)))
    assert "sheet.pdf" in words(at_bench.get(page("substance", salt.key)))
    done = at_bench.post(
        reverse("inventory:attachment_withdraw", args=[sheet.pk]),
        {"reason": "Newer one", "idempotency_key": "w"},
        follow=True,
    )
    assert "File withdrawn “sheet.pdf”. Newer one" in words(done)


def test_papers_are_added_by_the_stockroom(bottle, instructor):
    with pytest.raises(NotAllowed):
        add(instructor, bottle())


def test_a_command_finds_a_file_that_is_missing_or_changed(bottle, prep, store):
    def verify() -> tuple[int, str]:
        out, err = io.StringIO(), io.StringIO()
        try:
            call_command("verify_files", stdout=out, stderr=err)
        except CommandError as error:
            return error.returncode, f"{err.getvalue()}{error}"
        return 0, out.getvalue()

    kept, changed, gone = (add(prep, bottle(), name=f"{name}.pdf") for name in ("kept", "changed", "gone"))
    assert verify() == (0, "All 3 files are as they were added.\n")
    (store / changed.stored_as).write_bytes(PDF + b"\n")
    (store / gone.stored_as).unlink()
    code, said = verify()
    assert code == 1
    assert "“changed.pdf”: is not what was added" in said
    assert "“gone.pdf”: is missing" in said
    assert kept.name not in said
