from __future__ import annotations

import csv
import io
from datetime import UTC, date, datetime

import openpyxl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bot import data
from bot.enrolment import exporting as module
from bot.enrolment.exporting import (
    Kind,
    exporting,
    faulty_cells,
    faulty_header,
    neutralised,
    restored,
)
from bot.enrolment.files import open_sheet
from bot.enrolment.rows import Enrolled, Faulty, read_rows

# The characters by which a spreadsheet takes a cell for a formula, and that white space, quotes
# and full-width forms do not hinder it: OWASP, "CSV Injection" (from memory).
STARTS = ["=", "+", "-", "@", "\t", "\r", "\uff1d", "\uff0b", "\uff0d", "\uff20"]
BEFORE = ["", " ", "\n", '"', "'", "\u00a0", "\ufeff", ' "', "\x00"]


def written(kind: Kind, header: list[str], rows: list[list[module.Cell]]) -> bytes:
    stream = io.BytesIO()
    with exporting(stream, kind, header) as write:
        for row in rows:
            write(row)
    return stream.getvalue()


@pytest.mark.parametrize("start", STARTS)
@pytest.mark.parametrize("before", BEFORE)
def test_what_a_spreadsheet_would_run_is_neutralised(before: str, start: str) -> None:
    cell = f'{before}{start}HYPERLINK("http://example.org","click")'
    (row,) = csv.reader(io.StringIO(written("csv", [cell], []).decode("utf-8-sig"), newline=""))
    assert row[0].startswith("'")
    assert restored(neutralised(cell)) == cell


@pytest.mark.parametrize(
    "text", ["+255712345678", "Asha", "a=b", "1-2", "N'Guessan", "'quoted'", ""]
)
def test_what_is_harmless_stays_as_it_is(text: str) -> None:
    assert neutralised(text) == text


@pytest.mark.parametrize(
    "text", ["+255712345678+1", "+0712345678", "+1", "+255712345678\n", "+25571234567890123"]
)
def test_only_a_whole_phone_number_may_begin_with_a_plus(text: str) -> None:
    assert neutralised(text) == "'" + text


@given(st.text(st.sampled_from("'=+-@ \t\r\n\"a1\uff1d\ufeff"), max_size=6))
def test_neutralising_can_be_undone_and_leaves_nothing_to_run(text: str) -> None:
    safe = neutralised(text)
    assert restored(safe) == text
    assert safe == "" or safe[0] not in STARTS


@pytest.mark.parametrize("digits", [7, 15])
def test_a_number_of_any_length_stays_usable(digits: int) -> None:
    number = "+" + "2" * digits
    assert neutralised(number) == number
    assert restored(number) == number


def test_numbers_and_days_are_no_text() -> None:
    day = date(2026, 3, 1)
    moment = datetime(2026, 3, 1, 7, 30, tzinfo=UTC)
    rows = written("csv", ["n", "x", "day", "none"], [[-5, -0.5, day, None]])
    assert rows.decode("utf-8-sig").splitlines()[1] == "-5,-0.5,2026-03-01,"
    book = openpyxl.load_workbook(
        io.BytesIO(written("xlsx", ["n"], [[-5, -0.5, day, moment, None]]))
    )
    values = [cell.value for cell in list(book.active.rows)[1]]
    assert values[:2] == [-5, -0.5]
    assert values[2].date() == day
    assert values[3] == moment.replace(tzinfo=None)


def test_a_csv_begins_with_the_mark_of_utf_8() -> None:
    assert written("csv", ["Ƙauye"], []).startswith(b"\xef\xbb\xbf")


def test_the_stream_stays_open_and_a_csv_goes_out_when_writing_breaks_off() -> None:
    def break_off(stream: io.BytesIO, kind: Kind) -> None:
        with exporting(stream, kind, ["Phone"]) as write:
            write(["+255712345678"])
            raise RuntimeError

    text, book = io.BytesIO(), io.BytesIO()
    with pytest.raises(RuntimeError):
        break_off(text, "csv")
    with pytest.raises(RuntimeError):
        break_off(book, "xlsx")
    assert b"+255712345678" in text.getvalue()
    assert book.getvalue() == b""  # half an .xlsx is none


def test_an_xlsx_holds_no_formula() -> None:
    nasty = "=1+1"
    book = openpyxl.load_workbook(io.BytesIO(written("xlsx", [nasty], [[nasty, "@x", "#REF!"]])))
    cells = [cell for row in book.active.rows for cell in row]
    assert {cell.data_type for cell in cells if cell.value is not None} == {"s"}
    assert [cell.value for cell in cells if cell.value is not None] == [
        nasty,
        nasty,
        "@x",
        "#REF!",
    ]


def test_a_full_sheet_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "MOST_ROWS", 2)
    assert written("xlsx", ["a"], [["1"]])
    with pytest.raises(ValueError, match="at most; write a CSV"):
        written("xlsx", ["a"], [["1"], ["2"]])


HEADER = ["Phone", "Name", "Remark"]
TEXT = st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\x00"), max_size=12)
TABLE = st.lists(st.lists(TEXT, min_size=3, max_size=3), max_size=5)


@given(TABLE, st.sampled_from(["csv", "xlsx"]))
def test_a_table_that_is_written_and_read_again_keeps_its_cells(
    rows: list[list[str]], kind: Kind
) -> None:
    with open_sheet(io.BytesIO(written(kind, HEADER, [list(row) for row in rows]))) as sheet:
        read = [row.cells for row in sheet.rows]
        assert sheet.header == tuple(HEADER)

    def kept(cell: str) -> str:
        fit = module._UNFIT.sub("", cell)  # noqa: SLF001
        # XML has but one line end (XML 1.0, 2.11), and what is all blank is an empty cell.
        return fit.replace("\r\n", "\n").replace("\r", "\n") if kind == "xlsx" else fit

    expected = [[kept(cell) for cell in row] for row in rows]
    expected = [row for row in expected if "".join(row).strip()]
    padded = [[*row, *[""] * (3 - len(row))] for row in read]
    assert padded == expected


@pytest.mark.parametrize("kind", ["csv", "xlsx"])
def test_faulty_rows_are_written_mended_and_read_again(kind: Kind) -> None:
    text = "Simu;Jina;Kijiji\n12;=Asha;Mirindi\n0712345678;Ali;Sirwa\n34;Neema;\n"
    with open_sheet(io.BytesIO(text.encode())) as sheet:
        faults = [
            each for each in read_rows(sheet, "TZ", data.languages()) if isinstance(each, Faulty)
        ]
        header = faulty_header(sheet.header)
        cells = [faulty_cells(each, sheet.header) for each in faults]
    assert [row[0] for row in cells] == [2, 4]
    assert cells[0][2:] == ["12", "=Asha", "Mirindi"]

    cells[0][2] = "0712000001"  # one is mended, one forgotten
    with open_sheet(io.BytesIO(written(kind, header, cells))) as sheet:
        mended, still = read_rows(sheet, "TZ", data.languages())
        again = faulty_header(sheet.header)
        assert isinstance(still, Faulty)
        rest = faulty_cells(still, sheet.header)
    assert mended == Enrolled(2, "+255712000001", "=Asha", "Mirindi")
    assert again == header
    assert rest[0] == 3
    assert rest[2:4] == ["34", "Neema"]
