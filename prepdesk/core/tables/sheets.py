"""The bare bones of an XLSX file (ECMA-376 part 1 and 2), written row by row as text.

A table needs inline text, numbers with a format, days and a bold first row; written as this little XML
ten thousand rows take a second, where a library that builds an object for each cell takes ten.
"""

import re
import tempfile
import zipfile
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import date
from decimal import Decimal
from typing import IO, Final
from xml.sax.saxutils import escape, quoteattr

_IN_MEMORY: Final = 2_000_000
_ROWS_AT_ONCE: Final = 500
_HEAD: Final = '<?xml version="1.0" encoding="UTF-8" standalone="yes"?>\n'
_MAIN: Final = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
_RELATED: Final = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
_PACKAGE: Final = "http://schemas.openxmlformats.org/package/2006"
_TYPES: Final = "application/vnd.openxmlformats-officedocument.spreadsheetml"
# Characters that XML can't hold, and what looks like their escape already (part 1, 22.9.2.19). A
# carriage return could be held, but whoever reads XML makes a line feed of it.
_NOT_IN_XML: Final = re.compile("[\x00-\x08\x0b-\x1f\ufffe\uffff\ud800-\udfff]|_(?=x[0-9A-Fa-f]{4}_)")
# Days are counted from here, since 1900 is taken for a leap year (part 1, 18.17.4.1).
_DAY_ZERO: Final = date(1899, 12, 30).toordinal()
_DAY: Final = "yyyy-mm-dd"
_PLAIN: Final = "General"
# The first number that a format of one's own may have (part 1, 18.8.30).
_OWN_FORMATS: Final = 164

_FROZEN: Final = '<pane ySplit="1" topLeftCell="A2" activePane="bottomLeft" state="frozen"/>'

# What a cell holds: a text, a number with the format it is shown in, a day, or nothing.
Number = tuple[Decimal, str]
Content = str | Number | date | None


@dataclass(slots=True)
class Sheet:
    """One sheet: its name, how wide its columns are, its rows; the first row is bold."""

    title: str
    widths: Sequence[int]
    rows: Iterable[Sequence[Content]]
    frozen: bool = False


@dataclass(slots=True)
class _Styles:
    """The formats in use, numbered as they come: 0 is plain, 1 the bold heading."""

    numbers: dict[str, int] = field(default_factory=dict)

    def of(self, number_format: str) -> int:
        if number_format == _PLAIN:
            return 0
        return self.numbers.setdefault(number_format, 2 + len(self.numbers))


def write_book(sheets: Sequence[Sheet]) -> IO[bytes]:
    """A workbook of these sheets, written through to disk so that its length costs no memory; rewound."""
    target = tempfile.SpooledTemporaryFile(max_size=_IN_MEMORY)  # noqa: SIM115 (the caller reads it)
    styles = _Styles()
    with zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as archive:
        for number, sheet in enumerate(sheets, start=1):
            with archive.open(f"xl/worksheets/sheet{number}.xml", "w") as part:
                for piece in _sheet(sheet, styles):
                    part.write(piece.encode())
        # Only now it is known which formats the cells use.
        for name, content in _parts(sheets, styles):
            archive.writestr(name, _HEAD + content)
    target.seek(0)
    return target


def _sheet(sheet: Sheet, styles: _Styles) -> Iterator[str]:
    pane = _FROZEN if sheet.frozen else ""
    widths = "".join(
        f'<col min="{at}" max="{at}" width="{width}" customWidth="1"/>'
        for at, width in enumerate(sheet.widths, start=1)
    )
    yield (
        f'{_HEAD}<worksheet xmlns="{_MAIN}"><sheetViews><sheetView workbookViewId="0">{pane}</sheetView>'
        f"</sheetViews><cols>{widths}</cols><sheetData>"
    )
    letters = [_letters(at) for at in range(1, len(sheet.widths) + 1)]
    waiting: list[str] = []
    for number, row in enumerate(sheet.rows, start=1):
        cells = "".join(
            _cell(f"{letter}{number}", content, styles, heading=number == 1)
            for letter, content in zip(letters, row, strict=True)
            if content is not None
        )
        waiting.append(f'<row r="{number}">{cells}</row>')
        if len(waiting) == _ROWS_AT_ONCE:
            yield "".join(waiting)
            waiting.clear()
    yield f"{''.join(waiting)}</sheetData></worksheet>"


def _cell(at: str, content: Content, styles: _Styles, *, heading: bool) -> str:
    if isinstance(content, str):
        # Marked as text, so that "=1+1" is no formula and "#N/A" no error.
        bold = ' s="1"' if heading else ""
        text = escape(_NOT_IN_XML.sub(_escaped, content))
        return f'<c r="{at}"{bold} t="inlineStr"><is><t xml:space="preserve">{text}</t></is></c>'
    if isinstance(content, date):
        return f'<c r="{at}" s="{styles.of(_DAY)}"><v>{content.toordinal() - _DAY_ZERO}</v></c>'
    assert content is not None
    number, shown = content
    return f'<c r="{at}" s="{styles.of(shown)}"><v>{number:f}</v></c>'


def _escaped(found: re.Match[str]) -> str:
    return f"_x{ord(found[0]):04X}_"


def _letters(column: int) -> str:
    """The letters over a column.

    >>> _letters(28)
    'AB'
    """
    letters = ""
    while column:
        column, rest = divmod(column - 1, 26)
        letters = chr(ord("A") + rest) + letters
    return letters


def _parts(sheets: Sequence[Sheet], styles: _Styles) -> Iterator[tuple[str, str]]:
    """Everything beside the sheets themselves."""
    numbers = range(1, len(sheets) + 1)
    overrides = "".join(
        f'<Override PartName="/xl/worksheets/sheet{n}.xml" ContentType="{_TYPES}.worksheet+xml"/>'
        for n in numbers
    )
    yield (
        "[Content_Types].xml",
        f'<Types xmlns="{_PACKAGE}/content-types"><Default Extension="xml" ContentType="application/xml"/>'
        '<Default Extension="rels" ContentType="application/vnd.openxmlformats-package.relationships+xml"/>'
        f'<Override PartName="/xl/workbook.xml" ContentType="{_TYPES}.sheet.main+xml"/>{overrides}'
        f'<Override PartName="/xl/styles.xml" ContentType="{_TYPES}.styles+xml"/></Types>',
    )
    yield "_rels/.rels", _relations([("officeDocument", "xl/workbook.xml")])
    listed = "".join(
        f'<sheet name={quoteattr(sheet.title[:31])} sheetId="{n}" r:id="rId{n}"/>'
        for n, sheet in enumerate(sheets, start=1)
    )
    yield (
        "xl/workbook.xml",
        f'<workbook xmlns="{_MAIN}" xmlns:r="{_RELATED}"><sheets>{listed}</sheets></workbook>',
    )
    to_sheets = [("worksheet", f"worksheets/sheet{n}.xml") for n in numbers]
    yield "xl/_rels/workbook.xml.rels", _relations([*to_sheets, ("styles", "styles.xml")])
    yield "xl/styles.xml", _style_sheet(styles)


def _relations(targets: Sequence[tuple[str, str]]) -> str:
    rows = "".join(
        f'<Relationship Id="rId{n}" Type="{_RELATED}/{kind}" Target="{target}"/>'
        for n, (kind, target) in enumerate(targets, start=1)
    )
    return f'<Relationships xmlns="{_PACKAGE}/relationships">{rows}</Relationships>'


def _style_sheet(styles: _Styles) -> str:
    formats = "".join(
        f'<numFmt numFmtId="{_OWN_FORMATS + n}" formatCode={quoteattr(text)}/>'
        for n, text in enumerate(styles.numbers)
    )
    counted = f'<numFmts count="{len(styles.numbers)}">{formats}</numFmts>' if formats else ""
    bold = '<xf numFmtId="0" fontId="1" fillId="0" borderId="0" xfId="0" applyFont="1"/>'
    own = range(_OWN_FORMATS, _OWN_FORMATS + len(styles.numbers))
    bare = 'fontId="0" fillId="0" borderId="0" xfId="0"'
    shown = "".join(f'<xf numFmtId="{n}" {bare} applyNumberFormat="1"/>' for n in own)
    font = '<sz val="11"/>'
    return (
        f'<styleSheet xmlns="{_MAIN}">{counted}'
        f'<fonts count="2"><font>{font}</font><font><b/>{font}</font></fonts>'
        '<fills count="2"><fill><patternFill patternType="none"/></fill>'
        '<fill><patternFill patternType="gray125"/></fill></fills>'
        '<borders count="1"><border><left/><right/><top/><bottom/><diagonal/></border></borders>'
        '<cellStyleXfs count="1"><xf numFmtId="0" fontId="0" fillId="0" borderId="0"/></cellStyleXfs>'
        f'<cellXfs count="{2 + len(styles.numbers)}"><xf numFmtId="0" {bare}/>{bold}{shown}</cellXfs>'
        '<cellStyles count="1"><cellStyle name="Normal" xfId="0" builtinId="0"/></cellStyles></styleSheet>'
    )
