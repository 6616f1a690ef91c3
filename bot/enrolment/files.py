"""Opening an enrolment file: what it is, its sheet, its header, and its rows one after another.

What a file is, is told by its content; its name may lie. Text with separators and .xlsx both come
out as a `Sheet`. However long a file, it takes the same memory, but for the table of an .xlsx's
distinct texts.
"""

from __future__ import annotations

import codecs
import csv
import io
import re
import shutil
import warnings
from collections import deque
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from datetime import date, datetime, time
from itertools import chain, islice
from pathlib import Path
from tempfile import TemporaryFile
from typing import IO, TYPE_CHECKING, Any, BinaryIO, NamedTuple
from zipfile import ZipFile

import charset_normalizer
import openpyxl
from msgspec import Struct
from openpyxl.utils.cell import coordinate_to_tuple
from openpyxl.worksheet._reader import DATA_TAG, FORMULA_TAG, ROW_TAG, WorkSheetParser
from openpyxl.xml.functions import iterparse  # defusedxml's, which takes no entities

from bot.enrolment.columns import Columns, FileFault, names_phone, no_phone, recognise
from bot.enrolment.exporting import restored

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence
    from xml.etree.ElementTree import Element


HEADER_WITHIN = 10
"""The header is among so many first rows that are not empty: a title may stand above it."""


class Row(NamedTuple):
    """A row that is not empty: its number as a spreadsheet shows it, its cells, what is wrong."""

    number: int
    cells: list[str]
    fault: str = ""


class Sheet(Struct, frozen=True):
    """The table in a file. `rows` are those below the header, read as they are asked for."""

    header: tuple[str, ...]
    columns: Columns
    rows: Iterator[Row]


@contextmanager
def open_sheet(
    source: Path | BinaryIO, mapping: Mapping[str, str] | None = None
) -> Iterator[Sheet]:
    """Open a file, by its path or as a stream of bytes, for as long as the `with` lasts.

    `mapping` names columns by their titles (`recognise`). A stream is read from its beginning
    and left open. Raises FileFault, which says what is wrong and what to do, for whatever is no
    table with a column of phone numbers; also while the rows are read, for a damaged .xlsx.
    Raises OSError where the disk fails.
    """
    with ExitStack() as stack:
        stream = stack.enter_context(source.open("rb")) if isinstance(source, Path) else source
        if not stream.seekable():
            kept = stack.enter_context(TemporaryFile())
            shutil.copyfileobj(stream, kept)
            stream = kept
        stream.seek(0)
        begin = stream.read(_BEGIN)
        _refuse_others(stream, begin)
        reader = _open_workbook if begin.startswith(_ZIP) else _open_text
        yield reader(stream, mapping or {}, stack)


def _sheet(rows: Iterator[Row], mapping: Mapping[str, str]) -> Sheet | Sequence[str]:
    """Find the header and what its columns hold; else give the row that is likeliest to be it."""
    top = list(islice(rows, HEADER_WITHIN))
    for place, row in enumerate(top):
        if columns := recognise(row.cells, mapping):
            return Sheet(tuple(row.cells), columns, chain(top[place + 1 :], rows))
    return max((row.cells for row in top), key=lambda cells: sum(map(bool, cells)), default=())


# What else people choose by mistake

_BEGIN = 4096
_ZIP = b"PK\x03\x04"
_OLD_OFFICE = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"
_SAVE = "open it in a spreadsheet program and save it as .xlsx or CSV"
_OTHERS = {
    b"%PDF": "is a PDF, a picture of a table; ask for the spreadsheet that it was made from",
    b"\x89PNG": "is a picture; ask for the spreadsheet itself",
    b"\xff\xd8\xff": "is a photograph; ask for the spreadsheet itself",
    b"\x1f\x8b": "is compressed (gzip); unpack it, and choose the file that comes out",
    b"7z\xbc\xaf": "is compressed (7z); unpack it, and choose the file that comes out",
    b"Rar!": "is compressed (rar); unpack it, and choose the file that comes out",
    b"PK\x05\x06": "is an empty zip archive; save the spreadsheet again",
    b"{\\rtf": "is a text document (RTF); copy its table to a spreadsheet and save that as .xlsx",
}


def _refuse_others(stream: BinaryIO, begin: bytes) -> None:
    if not begin.strip(b"\0 \r\n\t\xef\xbb\xbf\xff\xfe"):
        raise FileFault("the file is empty; choose another")
    for signature, what in _OTHERS.items():
        if begin.startswith(signature):
            raise FileFault(f"the file {what}")
    if begin.startswith(_OLD_OFFICE):
        # The folder inside says what the container holds; byte 48 says where the folder is.
        sector = 4096 if begin[30:31] == b"\x0c" else 512
        stream.seek(sector * (1 + int.from_bytes(begin[48:52], "little")))
        folder = stream.read(8192).decode("utf-16-le", "replace")
        if "EncryptedPackage" in folder:
            raise FileFault(
                "the file is protected by a password; open it in a spreadsheet program, save a "
                "copy without a password, and delete the copy after the import"
            )
        raise FileFault(f"the file is of an old office format (.xls); {_SAVE}")
    if begin.lstrip(b"\xef\xbb\xbf \r\n\t").startswith(b"<"):
        raise FileFault(f"the file is a web page or XML, whatever its name says; {_SAVE}")


# Text with separators

_SEPARATORS = ",;\t|"
_CHUNK = 1024 * 1024
"""Bytes that are looked through at a time; a line may not be longer."""
_SAMPLE = 64 * 1024
_MOST_LINES = 20
"""Lines of one cell; more, and its quotation mark was never meant to be one."""
_ENCODINGS = ["cp1252", "mac_roman"]
"""What spreadsheets save a CSV in, besides Unicode: on Windows and on a Mac."""
_SEPARATOR_LINE = re.compile(r'"?sep=([,;\t|])"?(\r\n|\r|\n)', re.IGNORECASE)
_QUOTE_FAULT = 'a quotation mark (") in this row is never closed, or stands in the middle of a cell; take it out'
_LONG_FAULT = "a cell of this row is over 131,072 characters long; shorten it"
_SHIFTED_FAULT = (
    "the row has more cells than the header, so they may be in the wrong columns; put a cell that "
    "has a separator in it between quotation marks"
)


def _open_text(stream: BinaryIO, mapping: Mapping[str, str], stack: ExitStack) -> Sheet:
    encoding, errors = _encoding(stream)
    stream.seek(0)
    text = io.TextIOWrapper(stream, encoding=encoding, errors=errors, newline="")
    stack.callback(text.detach)  # else it would close the stream
    sample = text.read(_SAMPLE)
    told = _SEPARATOR_LINE.match(sample)
    separator = told[1] if told else _separator(sample, mapping)
    text.seek(0)
    if told:
        text.readline()  # no row: spreadsheets do not show it either
    sheet = _sheet(_records(text, separator), mapping)
    if not isinstance(sheet, Sheet):
        raise no_phone(sheet, mapping)
    return Sheet(sheet.header, sheet.columns, _in_their_columns(sheet.rows, len(sheet.header)))


def _encoding(stream: BinaryIO) -> tuple[str, str]:
    """Find how the whole of a file is encoded, and what to do about bytes that are not."""
    stream.seek(0)
    begin = stream.read(_BEGIN)
    for mark, name in ((codecs.BOM_UTF16_LE, "utf-16"), (codecs.BOM_UTF16_BE, "utf-16")):
        if begin.startswith(mark):
            return _checked(stream, name)
    even, odd = begin[::2].count(0), begin[1::2].count(0)
    if even + odd > len(begin) // 4:
        return _checked(stream, "utf-16-le" if odd > even else "utf-16-be")
    if _decodes(stream, "utf-8"):
        return "utf-8-sig", "strict"
    unusual = _unusual_lines(stream)
    spoilt = sum(not _is_utf8(line) for line in unusual)
    if begin.startswith(codecs.BOM_UTF8) or spoilt * 2 < len(unusual):
        _decodes(stream, "utf-8", "replace")
        return "utf-8-sig", "replace"  # the rows with a lost letter are found as they are read
    best = charset_normalizer.from_bytes(b"".join(unusual), cp_isolation=_ENCODINGS).best()
    likely = best.encoding if best else "cp1252"
    # The last has a letter for every byte.
    fits = next(name for name in (likely, "cp1252", "mac_roman") if _decodes(stream, name))
    return fits, "strict"


def _checked(stream: BinaryIO, encoding: str) -> tuple[str, str]:
    if _decodes(stream, encoding):
        return encoding, "strict"
    raise FileFault(f"the file is damaged, or no table: it is not all UTF-16 text; {_SAVE}")


def _decodes(stream: BinaryIO, encoding: str, errors: str = "strict") -> bool:
    """Whether all of a file is text in an encoding. Raises FileFault for what has no lines."""
    decoder = codecs.getincrementaldecoder(encoding)(errors)
    stream.seek(0)
    try:
        while chunk := stream.read(_CHUNK):
            text = decoder.decode(chunk)
            if len(chunk) == _CHUNK and "\n" not in text and "\r" not in text:
                raise FileFault(f"the file is no table: it has a line of over 1 MB; {_SAVE}")
        decoder.decode(b"", final=True)
    except UnicodeDecodeError:
        return False
    return True


def _unusual_lines(stream: BinaryIO) -> list[bytes]:
    """Give the first lines with other bytes than ASCII, which alone tell encodings apart."""
    stream.seek(0)
    lines: list[bytes] = []
    left = _SAMPLE
    while left > 0 and (chunk := stream.read(_CHUNK)):
        if chunk.isascii():
            continue
        for line in chunk.splitlines(keepends=True)[: None if len(chunk) < _CHUNK else -1]:
            if left > 0 and not line.isascii():
                lines.append(line)
                left -= len(line)
    return lines


def _is_utf8(line: bytes) -> bool:
    try:
        line.decode()
    except UnicodeDecodeError:
        return False
    return True


def _separator(sample: str, mapping: Mapping[str, str]) -> str:
    """Find what stands between cells: that by which a header is recognised, of most columns."""
    worth = {}
    for separator in _SEPARATORS:
        lines = io.StringIO(sample, newline="")
        rows = [row.cells for row in islice(_records(lines, separator), HEADER_WITHIN)]
        widths = [len(cells) for cells in rows if names_phone(cells, mapping)]
        worth[separator] = bool(widths), max(widths or map(len, rows), default=0)
    return max(worth, key=lambda separator: worth[separator])


def _records(text: Iterator[str], separator: str) -> Iterator[Row]:
    """Part lines into rows. One with a stray quotation mark is at fault, not all that follow."""
    lines = _Lines(text)
    reader = csv.reader(lines, delimiter=separator, strict=True)
    taken = lines.taken
    number = 0
    while True:
        fault = ""
        try:
            cells = next(reader)
        except StopIteration:
            return
        except (csv.Error, _UnclosedError) as error:
            cells = lines.give_back().rstrip("\r\n").split(separator)
            fault = _LONG_FAULT if "field limit" in str(error) else _QUOTE_FAULT
        number += 1
        if "'" in taken[0] or len(taken) > 1:
            cells = [restored(cell) for cell in cells]
        taken.clear()
        if any(cells) and not "".join(cells).isspace():
            yield Row(number, cells, fault)


class _UnclosedError(Exception):
    """A cell goes on for too many lines, or beyond the end of the file."""


class _Lines:
    """The lines of a text for `csv.reader`, which takes several for a row with quoted line ends.

    `taken` are those of the present row. All but its first can be given back.
    """

    def __init__(self, text: Iterator[str]) -> None:
        self._text = text
        self._again: deque[str] = deque()
        self.taken: list[str] = []

    def __iter__(self) -> _Lines:
        return self

    def __next__(self) -> str:
        if len(self.taken) == _MOST_LINES:
            raise _UnclosedError
        line = self._again.popleft() if self._again else next(self._text, None)
        if line is None:
            raise _UnclosedError if self.taken else StopIteration
        if "\0" in line:
            line = line.replace("\0", "")
        self.taken.append(line)
        return line

    def give_back(self) -> str:
        first, *rest = self.taken
        self._again.extendleft(reversed(rest))
        return first


def _in_their_columns(rows: Iterable[Row], width: int) -> Iterator[Row]:
    """Find rows with more than the header has room for: an unquoted separator moved their cells."""
    for row in rows:
        if len(row.cells) > width and any(row.cells[width:]):
            yield row._replace(fault=row.fault or _SHIFTED_FAULT)
        else:
            yield row


# Spreadsheets

_MOST_BYTES = 1024**3
_MOST_HELD = _MOST_BYTES // 4
"""Bytes of an .xlsx unpacked, and of its parts that are held in memory."""
_MOST_RATIO = 200
_SMALL = 10 * 1024 * 1024
"""An .xlsx of fewer bytes unpacked may be packed as tightly as it likes."""
_MOST_MERGED = 100_000
_BATCH = 500
_MERGED = re.compile(rb"""<(?:\w+:)?mergeCell\s+ref=["']([A-Z]+[0-9]+):[A-Z]+([0-9]+)["']""")
_OVERLAP = 64
"""Bytes of a chunk that are looked at with the next, for what stands across their border."""

NO_VALUE = "#FORMULA"
"""What a cell reads whose formula was never worked out."""


def _open_workbook(stream: BinaryIO, mapping: Mapping[str, str], stack: ExitStack) -> Sheet:
    with _finding_damage():
        archive = stack.enter_context(ZipFile(stream))
        _refuse_other_archives(archive)
        book = openpyxl.load_workbook(stream, read_only=True, keep_links=False)
        stack.callback(book.close)
        seen: list[Sequence[str]] = []
        shown = [each for each in book.worksheets if each.sheet_state == "visible"]
        for each in shown:
            found = _sheet(_cells(archive, each, stack), mapping)
            if isinstance(found, Sheet):
                return found
            seen.append(found)
    if not any(seen):
        raise FileFault(
            f"the file has no sheet with anything in it (hidden ones do not count); {_SAVE}"
        )
    raise no_phone(next(filter(None, seen)), mapping)


@contextmanager
def _finding_damage() -> Iterator[None]:
    """Turn what the libraries raise for a damaged workbook, which is anything, into a fault."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # on parts of a workbook that are nothing to us
        try:
            yield
        except FileFault:
            raise
        except Exception as error:
            raise FileFault(
                f"the file is a damaged .xlsx ({type(error).__name__}); {_SAVE}"
            ) from error


def _refuse_other_archives(archive: ZipFile) -> None:
    parts = archive.infolist()
    names = {part.filename for part in parts}
    if any(part.flag_bits & 1 for part in parts):
        raise FileFault("the file is protected by a password; save a copy without one")
    if "mimetype" in names:
        raise FileFault(f"the file is of the OpenDocument format (.ods); {_SAVE}")
    if "xl/workbook.bin" in names:
        raise FileFault(f"the file is a binary spreadsheet (.xlsb); {_SAVE}")
    if "[Content_Types].xml" not in names:
        raise FileFault("the file is a zip archive; unpack it, and choose the spreadsheet in it")
    if not any(name.startswith("xl/") for name in names):
        raise FileFault("the file is a document without a sheet; copy its table to a spreadsheet")
    unpacked, packed = sum(p.file_size for p in parts), sum(p.compress_size for p in parts)
    held = sum(part.file_size for part in parts if not part.filename.startswith("xl/worksheets/"))
    if unpacked > _MOST_BYTES or held > _MOST_HELD:
        raise FileFault(
            "the file is too large as .xlsx; save the sheet as CSV, which may be larger"
        )
    if unpacked > _SMALL and unpacked > _MOST_RATIO * packed:
        raise FileFault(
            f"the file unpacks to {unpacked // max(packed, 1)} times its size, as no honest table "
            "does; copy the rows that have something in them to a new spreadsheet and save that"
        )


class _CellParser(WorkSheetParser):  # type: ignore[misc, unused-ignore]  # it has no types
    """openpyxl's own reader of cells, which would give a formula never worked out as empty."""

    def parse_cell(self, element: Element) -> dict[str, Any]:
        cell: dict[str, Any] = super().parse_cell(element)
        formula = cell["value"] is None and element.find(FORMULA_TAG) is not None
        if formula and element.get("t") != "str":  # a text may be empty
            cell["value"] = NO_VALUE
        return cell


def _cells(archive: ZipFile, sheet: Any, stack: ExitStack) -> Iterator[Row]:  # noqa: ANN401
    """Give the rows of a sheet that are not empty, every cell as text.

    openpyxl's rows hide which cells are formulas, and fill gaps of any length, so its parser is
    used below them; the names for that are its own (`sheet` is its ReadOnlyWorksheet).
    """
    book, part = sheet.parent, sheet._worksheet_path  # noqa: SLF001
    merged = _merged_down(archive, part)
    source = stack.enter_context(archive.open(part))
    parser = _CellParser(
        source,
        sheet._shared_strings,  # noqa: SLF001
        data_only=True,
        epoch=book.epoch,
        date_formats=book._date_formats,  # noqa: SLF001
        timedelta_formats=book._timedelta_formats,  # noqa: SLF001
    )
    rows = _parsed(source, parser)
    spread: dict[int, tuple[str, int]] = {}
    while True:
        with _finding_damage():
            batch = list(islice(rows, _BATCH))
        if not batch:
            return
        for number, found in batch:
            cells = [""] * max((cell["column"] for cell in found), default=0)
            for cell in found:
                cells[cell["column"] - 1] = _text(cell["value"])
            if merged:
                _spread(cells, number, merged, spread)
            if any(cells) and not "".join(cells).isspace():
                yield Row(number, cells)


def _parsed(
    source: IO[bytes], parser: WorkSheetParser
) -> Iterator[tuple[int, list[dict[str, Any]]]]:
    """Parse rows one by one, and forget each: what follows the last is nothing to us."""
    data: Element | None = None
    for event, element in iterparse(source, events=("start", "end")):
        if element.tag == DATA_TAG:
            if event == "end":
                return
            data = element
        elif element.tag == ROW_TAG and event == "end" and data is not None:
            yield parser.parse_row(element)
            data.clear()


def _merged_down(archive: ZipFile, part: str) -> dict[tuple[int, int], int]:
    """Say which cells, by row and column, reach down to which row.

    Reads all of the sheet, so that a file cut short is found before its first row is used.
    """
    merged: dict[tuple[int, int], int] = {}
    with archive.open(part) as file:
        rest = b""
        while chunk := file.read(_CHUNK):
            text = rest + chunk
            for found in _MERGED.finditer(text):
                row, column = coordinate_to_tuple(found[1].decode())
                merged[row, column - 1] = int(found[2])
            if len(merged) > _MOST_MERGED:
                raise FileFault("the sheet has too many merged cells; unmerge them and save again")
            rest = text[-_OVERLAP:]
    return merged


def _spread(
    cells: list[str],
    number: int,
    merged: Mapping[tuple[int, int], int],
    spread: dict[int, tuple[str, int]],
) -> None:
    """Fill in the cells that one merged downwards covers: a village written once for many rows."""
    for column in range(len(cells)):
        if bottom := merged.get((number, column)):
            spread[column] = cells[column], bottom
    for column, (value, bottom) in list(spread.items()):
        if number > bottom:
            del spread[column]
            continue
        cells.extend([""] * (column + 1 - len(cells)))
        cells[column] = value


def _text(value: object) -> str:
    """Give a cell's value as the text that people see in it."""
    if value is None:
        return ""
    if isinstance(value, str):
        return value
    if isinstance(value, float) and value.is_integer():
        return str(int(value))
    if isinstance(value, datetime) and value.time() == time():
        return value.date().isoformat()
    if isinstance(value, date):
        return value.isoformat()
    return str(value)
