"""Writing tables that others open in a spreadsheet, as CSV or XLSX, without handing them a formula.

A spreadsheet runs a cell of a CSV that begins like a formula, whoever wrote it, and a grower's
name comes from anyone. Such a cell gets an apostrophe in front, as the OWASP's page on CSV
injection advises (from memory): = + - @, tab and line ends, their full-width forms, and any of
them behind blanks or quotation marks. Taking one apostrophe off gives the cell back (`restored`),
which is what reading does, so a table that is written and read again is the same.

A phone number, "+255712345678" and nothing else, stays as it is: it has a plus but nothing to run,
and every other program expects it so. A spreadsheet shows a CSV's numbers shortened, though, and
spoils them when it saves; whoever wants to work in a spreadsheet takes the XLSX, where every text
is typed as text and nothing needs an apostrophe.
"""

from __future__ import annotations

import csv
import io
import re
from contextlib import contextmanager
from datetime import date, datetime
from typing import TYPE_CHECKING, BinaryIO, Literal

from openpyxl import Workbook
from openpyxl.cell import WriteOnlyCell

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from bot.enrolment.rows import Faulty

Kind = Literal["csv", "xlsx"]
Cell = str | int | float | date | datetime | None

ROW_TITLE, REASON_TITLE = "Row in the file", "What to mend"
"""The columns that stand before a faulty row's own cells; an import ignores them."""

MOST_ROWS = 1_048_576
"""Rows of one XLSX sheet, the header among them (ECMA-376 programs' limit, from memory)."""

_RUNS = re.compile(
    "[\\s'\"\x00-\x1f\xad\u200b-\u200f\u2028-\u202e\u2060\ufeff]*"
    "[=+\\-@\uff1d\uff0b\uff0d\uff20\t\r\n]"
)
_NUMBER = re.compile(r"\+[1-9][0-9]{6,14}")

_UNFIT = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\ud800-\udfff\ufffe\uffff]")
"""Characters that no XML, and so no XLSX, can hold; a CSV is better off without them, too."""


def neutralised(text: str) -> str:
    """Give a text as a cell of a CSV that no spreadsheet runs."""
    return f"'{text}" if _RUNS.match(text) and not _NUMBER.fullmatch(text) else text


def restored(text: str) -> str:
    """Give the text behind a cell that `neutralised` made; any other is the text itself."""
    return text[1:] if text[:1] == "'" and _RUNS.match(text, 1) else text


@contextmanager
def exporting(
    stream: BinaryIO, kind: Kind, header: Sequence[str]
) -> Iterator[Callable[[Sequence[Cell]], None]]:
    """Write a table to a stream, row by row, with the function that the `with` gives.

    CSV is UTF-8 with a mark in front, by which spreadsheets know it, and goes out as it is
    written. XLSX goes out at the end. The stream stays open. `write` raises ValueError when an
    XLSX is full.
    """
    if kind == "csv":
        text = io.TextIOWrapper(stream, encoding="utf-8-sig", newline="")
        rows = csv.writer(text)

        def write(cells: Sequence[Cell]) -> None:
            rows.writerow([neutralised(c) if isinstance(c, str) else c for c in map(_fit, cells)])

        try:
            write(header)
            yield write
        finally:
            text.detach()  # flushes, and leaves the stream to whoever opened it
        return

    book = Workbook(write_only=True)
    sheet = book.create_sheet("Table")
    written = 0

    def add(cells: Sequence[Cell]) -> None:
        nonlocal written
        if written == MOST_ROWS:
            raise ValueError(f"an XLSX sheet has {MOST_ROWS:,} rows at most; write a CSV")
        written += 1
        row: list[object] = []
        for each in map(_fit, cells):
            row.append(each)
            if isinstance(each, str) and each[:1] in ("=", "#"):
                row[-1] = cell = WriteOnlyCell(sheet, each)
                cell.data_type = "s"  # neither a formula nor an error
        sheet.append(row)

    add(header)
    try:
        yield add
    except BaseException:
        sheet.close()
        raise
    book.save(stream)


def faulty_header(header: Sequence[str]) -> list[str]:
    """Give the header of a file of faulty rows: what to mend, then the columns as they were."""
    return [ROW_TITLE, REASON_TITLE, *_own(header, header)]


def faulty_cells(faulty: Faulty, header: Sequence[str]) -> list[Cell]:
    """Give a faulty row under `faulty_header(header)`, its own cells as they were.

    Where the file was itself one of faulty rows, mended in part, its old remarks are left out.
    """
    return [faulty.row, faulty.reason, *_own(faulty.cells, header)]


def _own(cells: Sequence[str], header: Sequence[str]) -> Sequence[str]:
    return cells[2:] if tuple(header[:2]) == (ROW_TITLE, REASON_TITLE) else cells


def _fit(cell: Cell) -> Cell:
    if isinstance(cell, str):
        return _UNFIT.sub("", cell)
    if isinstance(cell, datetime):
        return cell.replace(tzinfo=None)  # which a spreadsheet's times lack
    return cell
