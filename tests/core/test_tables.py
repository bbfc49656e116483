"""Files that come in and go out: what is read, what is refused and with which words, what a spreadsheet gets.

Sources: RFC 4180 for CSV; ECMA-376 part 1 (18.8.30 number formats, 22.9.2.19 escapes) for XLSX; the check
digit of CAS numbers; the list of cells that spreadsheets run as formulas is common practice.
"""

import io
import zipfile
from datetime import date, datetime
from decimal import Decimal

import openpyxl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from prepdesk.calc.errors import InputError
from prepdesk.core.spreadsheet import safe_cell, without_guard
from prepdesk.core.tables import LIMITS, Column, FileRefused, csv_file, read_day, read_table, xlsx_file
from prepdesk.core.tables.shown import HiddenDigits, shown_number

COLUMNS = (
    Column("substance", "Substance", also=("name",), required=True),
    Column("lot_number", "Lot number"),
    Column("amount", "Amount", kind="number"),
    Column("received", "Received", kind="day"),
    Column("free", "Free", is_read=False),
)
HOSTILE = (
    "=1+1",
    "+1+1",
    "-1+1",
    "@SUM(A1)",
    "\t=1+1",
    "\r=1+1",
    "\uff1d1+1",
    "\uff0b1",
    "\uff0d1",
    '=HYPERLINK("http://x.example","a")',
)


def cells(data: bytes, **more) -> list[dict[str, str]]:
    return [dict(row.cells) for row in read_table(data, COLUMNS, **more).rows]


def workbook(*rows, formats=None, title="Lots") -> bytes:
    """An XLSX file as a spreadsheet saves it; ``formats`` by cell."""
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.title = title
    for row in rows:
        sheet.append(row)
    for place, number_format in (formats or {}).items():
        sheet[place].number_format = number_format
    target = io.BytesIO()
    book.save(target)
    return target.getvalue()


def refusal(data: bytes, **more) -> FileRefused:
    with pytest.raises(FileRefused) as refused:
        read_table(data, COLUMNS, **more)
    return refused.value


# --- CSV -------------------------------------------------------------------------------------------
TEXT = "Substance{0}Amount\r\nα-Lactose µ{0}2.40\r\n"


@pytest.mark.parametrize("separator", [",", ";", "\t"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16"])
def test_letters_and_separators_are_seen_in_the_file(separator, encoding):
    data = TEXT.format(separator).encode(encoding)
    assert cells(data) == [{"substance": "α-Lactose µ", "amount": "2.40"}]


def test_utf_16_of_the_other_byte_order_is_read_too():
    data = b"\xfe\xff" + TEXT.format(";").encode("utf-16-be")
    assert cells(data)[0]["substance"] == "α-Lactose µ"


def test_windows_letters_are_read_and_told():
    table = read_table("Substance;Amount\r\nµ-Cellulose é;1\r\n".encode("cp1252"), COLUMNS)
    assert table.rows[0].cells["substance"] == "µ-Cellulose é"
    assert any("Windows-1252" in note for note in table.notes)


def test_a_quoted_cell_may_hold_separators_quotes_and_lines():
    data = b'substance,lot number\r\n"a, ""b""\r\nc",7\r\nd,8\r\n'
    assert cells(data) == [
        {"substance": 'a, "b"\r\nc', "lot_number": "7"},
        {"substance": "d", "lot_number": "8"},
    ]


def test_rows_are_numbered_as_a_spreadsheet_numbers_them():
    rows = read_table(b"\nsubstance\n\na\n\n\nb\n", COLUMNS).rows
    assert [(row.number, row.cells["substance"]) for row in rows] == [(4, "a"), (7, "b")]


def test_a_line_that_names_the_separator_is_no_heading():
    assert cells(b"sep=;\r\nSubstance;Amount\r\na,b;1\r\n") == [{"substance": "a,b", "amount": "1"}]


def test_a_decimal_comma_without_quotes_is_named_and_not_split():
    row = read_table(b"substance,amount\nsalt,2,50\n", COLUMNS).rows[0]
    assert "2,50" in row.problems[""]
    assert "quotation marks" in row.problems[""]


def test_a_quote_that_is_never_closed_is_refused_with_its_row():
    assert refusal(b'substance,amount\na,1\n"b,2\nc,3\n').code == "not_csv"
    assert "Row 3" in refusal(b'substance,amount\na,1\n"b,2\nc,3\n').text


# --- headings --------------------------------------------------------------------------------------
def test_headings_match_without_case_blanks_and_underscores_and_in_any_order():
    assert cells(b"AMOUNT, lot_NUMBER ,Name\n1,2,3\n") == [
        {"amount": "1", "lot_number": "2", "substance": "3"}
    ]


@pytest.mark.parametrize(
    ("heading", "code", "named"),
    [
        ("substance,colour,smell", "unknown_column", "“colour”, “smell”"),
        ("substance,Name", "double_column", "“Substance”"),
        ("amount", "missing_column", "“Substance”"),
    ],
)
def test_headings_that_do_not_fit_are_named(heading, code, named):
    refused = refusal(f"{heading}\n1,2,3\n".encode())
    assert refused.code == code
    assert named in refused.text


def test_a_column_that_is_only_told_is_left_alone_and_said():
    table = read_table(b"substance,free\nsalt,5\n", COLUMNS)
    assert dict(table.rows[0].cells) == {"substance": "salt"}
    assert any("Free" in note for note in table.notes)


def test_a_value_without_a_heading_is_a_problem_of_its_row():
    assert "empty heading" in read_table(b"substance,,amount\nsalt,lost,5\n", COLUMNS).rows[0].problems[""]


# --- XLSX ------------------------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("value", "number_format", "shown"),
    [
        (2.4, "0.00", "2.40"),
        (2.4, "General", "2.4"),
        (2.4, None, "2.4"),
        (0.1 + 0.2, "General", "0.3"),
        (1e-7, "General", "0.0000001"),
        (1e20, "General", "100000000000000000000"),
        (123, "00000", "00123"),
        (1234.5, "#,##0.00", "1234.50"),
        (0.995, "0.00%", "99.50%"),
        (2.4, "0.0#", "2.4"),
        (2.45, "0.0#", "2.45"),
        (2.4, '0.00" g"', "2.40 g"),
        (-2.4, "0.00", "-2.40"),
        (-2.4, "0.00;[Red](0.00)", "-2.40"),
        (0.0024, "0.00E+00", "2.40E-03"),
        (3, '_-* #,##0.00_-;-* #,##0.00_-;_-* "-"??_-;_-@_-', "3.00"),
        (0.5, "# ?/?", "0.5"),
        (5, '"L"00000', "L00005"),
        (5.0, "@", "5"),
    ],
)
def test_a_number_comes_with_the_digits_the_cell_shows(value, number_format, shown):
    assert shown_number(value, number_format) == shown


@pytest.mark.parametrize(("value", "number_format"), [(2.456, "0.0"), (2000, "0,"), (0.4, "0")])
def test_a_cell_that_shows_less_than_it_holds_is_not_guessed_about(value, number_format):
    with pytest.raises(HiddenDigits):
        shown_number(value, number_format)


@settings(max_examples=200)
@given(
    st.decimals(min_value=0, max_value=10**7, places=4, allow_nan=False),
    st.integers(min_value=0, max_value=4),
)
def test_a_typed_number_survives_a_workbook_digit_by_digit(number, places):
    """The spreadsheet's own reading of what we write: written as a number, shown as typed."""
    typed = f"{number.quantize(Decimal(1).scaleb(-places)):f}"
    file = xlsx_file(COLUMNS, [["salt", "", typed, None, None]], title="Lots")
    assert cells(file.read()) == [{"substance": "salt", "amount": typed} | {"lot_number": ""}]


def test_a_sheet_is_read_as_it_shows_itself():
    data = workbook(
        ["Substance", "Lot number", "Amount", "Received"],
        [None],
        ["salt", 7, 2.4, datetime(2026, 3, 4)],
        formats={"C3": "0.00", "D3": "d mmm yyyy", "B3": "0000"},
    )
    table = read_table(data, COLUMNS)
    assert [row.number for row in table.rows] == [3]
    assert dict(table.rows[0].cells) == {
        "substance": "salt",
        "lot_number": "0007",
        "amount": "2.40",
        "received": "2026-03-04",
    }


def test_a_formula_an_error_and_a_rounded_view_are_problems_of_their_cell():
    data = workbook(
        ["Substance", "Lot number", "Amount", "Received"],
        ["salt", "#N/A", "=2*2", 45000.5],
        formats={"D2": "0"},
    )
    problems = read_table(data, COLUMNS).rows[0].problems
    assert "error (#N/A)" in problems["lot_number"]
    assert "formula" in problems["amount"]
    assert "45000.5" in problems["received"]


def test_the_first_sheet_that_shows_is_read_or_the_one_that_is_named():
    book = openpyxl.Workbook()
    book.active.title = "Hidden"
    book.active.sheet_state = "hidden"
    for title, name in (("Lots", "first"), ("More", "second")):
        sheet = book.create_sheet(title)
        sheet.append(["Substance"])
        sheet.append([name])
    target = io.BytesIO()
    book.save(target)
    table = read_table(target.getvalue(), COLUMNS)
    assert table.rows[0].cells["substance"] == "first"
    assert any("“Hidden”, “More”" in note for note in table.notes)
    assert cells(target.getvalue(), sheet="More") == [{"substance": "second"}]
    assert "Hidden, Lots, More" in refusal(target.getvalue(), sheet="Less").text


def test_a_sheet_that_lies_about_its_size_is_read_within_our_bounds():
    data = changed(
        workbook(["Substance"], ["salt"]),
        "xl/worksheets/sheet1.xml",
        lambda xml: xml.replace(b'ref="A1:A2"', b'ref="A1:XFD1048576"'),
    )
    assert cells(data) == [{"substance": "salt"}]


def changed(data: bytes, part: str, change) -> bytes:
    target = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data)) as old, zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as new:
        for info in old.infolist():
            content = old.read(info)
            new.writestr(info.filename, change(content) if info.filename == part else content)
    return target.getvalue()


def test_a_row_far_down_is_refused_before_the_empty_ones_are_walked():
    data = changed(
        workbook(["Substance"], ["salt"]),
        "xl/worksheets/sheet1.xml",
        lambda xml: xml.replace(b'r="2"', b'r="999999999"').replace(b'r="A2"', b'r="A999999999"'),
    )
    assert refusal(data).code in {"too_long", "not_a_workbook"}


# --- what is no table, or too much of one -------------------------------------------------------------
def bomb(size: int = LIMITS.unpacked_bytes + 1) -> bytes:
    return changed(workbook(["Substance"], ["salt"]), "docProps/app.xml", lambda _: b"<a>" + b" " * size)


def one_row_of(count: int) -> bytes:
    cells = b"<c/>" * count
    return changed(
        workbook(["Substance"], ["salt"]),
        "xl/worksheets/sheet1.xml",
        lambda xml: xml.replace(b"</row>", cells + b"</row>", 1),
    )


def locked_zip() -> bytes:
    data = bytearray(workbook(["Substance"], ["salt"]))
    data[6] |= 1  # The flag of the first part: encrypted.
    data[data.index(b"PK\x01\x02") + 8] |= 1
    return bytes(data)


def entity_bomb() -> bytes:
    head = b'<?xml version="1.0"?><!DOCTYPE b [<!ENTITY a "aaaaaaaaaa"><!ENTITY c "&a;&a;&a;">]>'
    return changed(
        workbook(["Substance"], ["salt"]),
        "xl/worksheets/sheet1.xml",
        lambda xml: head + xml[xml.index(b"<worksheet") :].replace(b"salt", b"&c;"),
    )


@pytest.mark.parametrize(
    ("data", "code"),
    [
        (b"", "empty"),
        (b"\xef\xbb\xbf\r\n \r\n", "empty"),
        (b"Substance,Amount\r\n", "empty"),
        (b"%PDF-1.7 \x00\x01", "not_a_table"),
        (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(500), "not_a_table"),
        (b"<html><table><tr><td>Substance</table>", "not_a_table"),
        (b"Substance\n\x01\x02\x03\n", "not_text"),
        (b"Substance\nsa\x00lt\n", "not_text"),
        (b"Substance\n\x81\x8d\n", "not_text"),
        (b"\xff\xfeS\x00u", "not_text"),
        (b"PK\x03\x04 and then nothing", "not_a_workbook"),
        (workbook(["Substance"], ["salt"])[:-400], "not_a_workbook"),
        (locked_zip(), "not_a_workbook"),
        (entity_bomb(), "not_a_workbook"),
        (bomb(), "too_large_inside"),
        (one_row_of(LIMITS.tags_per_row), "too_large_inside"),
        (b"a" * (LIMITS.bytes + 1), "too_large"),
        (b"Substance\n" + b"a\n" * (LIMITS.rows + 1), "too_long"),
        (b"Substance\n" + b"," * 1000 + b"\n", "too_wide"),
    ],
    # A workbook made here carries its time, so neither its bytes nor its length can name the case.
    ids=lambda given: given if isinstance(given, str) else "file",
)
def test_what_is_no_table_is_named(data, code):
    assert refusal(data).code == code


def test_a_zip_bomb_is_small_and_refused_unopened():
    assert len(bomb()) < 100_000
    assert "Unpacked" in refusal(bomb()).text


def test_another_kind_of_zip_is_told_from_a_workbook():
    target = io.BytesIO()
    with zipfile.ZipFile(target, "w") as archive:
        archive.writestr("photo.txt", "x")
    assert "zip" in refusal(target.getvalue()).text


def test_exactly_as_many_rows_as_are_allowed_are_read():
    assert len(cells(b"Substance\n" + b"a\n" * LIMITS.rows)) == LIMITS.rows


def test_a_long_text_in_one_cell_is_a_problem_of_its_cell():
    row = read_table(b"Substance\n" + b"a" * 5_000 + b"\n", COLUMNS).rows[0]
    assert "5000 characters" in row.problems["substance"]


# --- writing ---------------------------------------------------------------------------------------
@pytest.mark.parametrize("text", HOSTILE)
def test_text_that_a_spreadsheet_would_run_stays_text(text):
    rows = [[text, "", "1", None, None]]
    data = b"".join(csv_file(COLUMNS, rows))
    line = data.decode("utf-8-sig").split("\n", 1)[1].lstrip('"')
    assert line.startswith("'" + text[0])
    file = xlsx_file(COLUMNS, rows, title="Lots").read()
    cell = openpyxl.load_workbook(io.BytesIO(file)).active["A2"]
    assert cell.data_type == "s"
    # And it comes back as it went, but for the blanks around it.
    for written in (data, file):
        assert cells(written)[0]["substance"] == text.strip()


@given(st.text(st.characters(exclude_categories=("Cs",)), max_size=30))
def test_the_guard_against_formulas_is_taken_away_exactly(text):
    assert without_guard(safe_cell(text)) == text


@settings(max_examples=150, deadline=None)
@given(st.lists(st.text(st.characters(exclude_categories=("Cs",), exclude_characters="\x00"), max_size=20)))
def test_any_text_survives_a_workbook(texts):
    texts = [" ".join(text.split()) or "x" for text in texts] or ["x"]
    file = xlsx_file(COLUMNS, [[text, "", "", None, None] for text in texts], title="Lots")
    assert [row["substance"] for row in cells(file.read())] == [text.strip() for text in texts]


def test_a_negative_amount_is_a_number_cell_and_a_day_a_day():
    rows = [["salt", "007", Decimal("-2.50"), date(2026, 3, 4), Decimal("12.5")]]
    sheet = openpyxl.load_workbook(xlsx_file(COLUMNS, rows, title="Lots")).active
    amount, received, lot_number = sheet["C2"], sheet["D2"], sheet["B2"]
    assert (amount.value, amount.data_type, amount.number_format) == (-2.5, "n", "0.00")
    assert received.value == datetime(2026, 3, 4)
    assert received.is_date
    assert (lot_number.value, lot_number.data_type) == ("007", "s")
    assert b"-2.50" in b"".join(csv_file(COLUMNS, rows))


def test_a_number_with_more_digits_than_a_spreadsheet_keeps_is_written_as_text():
    typed = "1.00000000000000001"
    file = xlsx_file(COLUMNS, [["salt", "", typed, None, None]], title="Lots").read()
    assert openpyxl.load_workbook(io.BytesIO(file)).active["C2"].value == typed


def test_a_template_says_what_its_columns_mean():
    file = xlsx_file(COLUMNS, [["salt", "", "1", None, None]], title="Lots", explained=True).read()
    book = openpyxl.load_workbook(io.BytesIO(file))
    assert book.sheetnames == ["Lots", "What the columns mean"]
    assert [cell.value for cell in book.worksheets[1][2]][:2] == ["Substance", "yes"]
    assert book.active.freeze_panes == "A2"
    assert len(cells(file)) == 1


# --- days ------------------------------------------------------------------------------------------
@pytest.mark.parametrize(
    "text", ["2026-03-04", "4 March 2026", "04 Mar 2026", "4. March 2026", "2026-03-04 00:00:00"]
)
def test_a_day_that_can_mean_only_one_day_is_read(text):
    assert read_day(text) == date(2026, 3, 4)


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("03/04/2026", "ambiguous_day"),
        ("25/03/2026", "ambiguous_day"),
        ("03.04.26", "ambiguous_day"),
        ("2026-02-30", "not_a_day"),
        ("30 February 2026", "not_a_day"),
        ("soon", "not_a_day"),
        ("46085", "not_a_day"),
        ("0202-03-04", "out_of_range"),
        ("٢٠٢٦-03-04", "not_a_day"),
    ],
)
def test_any_other_day_is_refused(text, code):
    with pytest.raises(InputError) as refused:
        read_day(text)
    assert refused.value.code == code
