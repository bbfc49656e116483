"""What kind of file it really is, by its own bytes, and a name for it that harms nobody.

Neither the name nor the type that a browser sends says anything: a page can be called certificate.pdf.
Only three kinds are taken, each checked from its first byte to its last, so that nothing else hides
before or behind it.

Source: ISO 32000-1:2008, 7.5 (PDF header and end-of-file marker); ISO/IEC 15948:2004, 5 (PNG signature,
chunks, IEND); ITU-T T.81, annex B (JPEG markers SOI and EOI).
"""

import io
import unicodedata
import zipfile
from pathlib import PurePosixPath
from typing import Final

PDF: Final = "application/pdf"
PNG: Final = "image/png"
JPEG: Final = "image/jpeg"
EXTENSIONS: Final = {PDF: (".pdf",), PNG: (".png",), JPEG: (".jpg", ".jpeg")}
LONGEST_NAME: Final = 120

_PNG_SIGNATURE: Final = b"\x89PNG\r\n\x1a\n"
_MARKUP: Final = (b"<!doctype", b"<html", b"<script", b"<svg", b"<body", b"<iframe")
_BLANKS: Final = b"\x00\t\n\x0c\r "


def kind_of(data: bytes) -> str | None:
    """The media type of these bytes, or ``None`` for anything but a whole PDF, PNG or JPEG file."""
    found = next((kind for kind, fits in _CHECKS.items() if fits(data)), None)
    if found is None or any(tag in data[:1024].lower() for tag in _MARKUP):
        return None
    # An archive is read from its end, so it can hide behind a picture or in the last pages of a document.
    return None if zipfile.is_zipfile(io.BytesIO(data)) else found


def _is_pdf(data: bytes) -> bool:
    return data.startswith(b"%PDF-") and data.rstrip(_BLANKS).endswith(b"%%EOF")


def _is_png(data: bytes) -> bool:
    """Signature, then chunks that follow one another exactly, from IHDR to IEND as the very last."""
    if not data.startswith(_PNG_SIGNATURE):
        return False
    position, chunks = len(_PNG_SIGNATURE), []
    while position + 12 <= len(data):
        length = int.from_bytes(data[position : position + 4], "big")
        chunks.append(data[position + 4 : position + 8])
        position += 12 + length
        if chunks[-1] == b"IEND":
            break
    return position == len(data) and chunks[:1] == [b"IHDR"] and chunks[-1:] == [b"IEND"]


def _is_jpeg(data: bytes) -> bool:
    return data.startswith(b"\xff\xd8\xff") and data.rstrip(b"\x00").endswith(b"\xff\xd9")


_CHECKS: Final = {PDF: _is_pdf, PNG: _is_png, JPEG: _is_jpeg}


def harmless_name(name: str, content_type: str) -> str:
    """The name a file came with, without path, control or direction characters, ending as its type does.

    >>> harmless_name("..\\\\certificates/7.PDF", "application/pdf")
    '7.PDF'
    >>> harmless_name("sheet.html", "application/pdf")
    'sheet.html.pdf'
    """
    last = PurePosixPath(name.replace("\\", "/")).name
    # Cc are control characters; Cf turn the reading direction, so that "fdp.exe" reads as "exe.pdf".
    kept = "".join(" " if unicodedata.category(each)[0] in "CZ" else each for each in last)
    kept = " ".join(kept.split()).strip(". ")
    endings = EXTENSIONS[content_type]
    stem, ending = (kept, endings[0])
    for each in endings:
        if kept.lower().endswith(each):
            stem, ending = kept[: -len(each)], kept[-len(each) :]
    stem = stem.strip(". ")[: LONGEST_NAME - len(ending)].strip(". ") or "file"
    return f"{stem}{ending}"
