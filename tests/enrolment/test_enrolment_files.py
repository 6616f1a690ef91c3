from __future__ import annotations

import csv
import io
import random
import tracemalloc
import zipfile
from contextlib import suppress
from datetime import date, datetime, time
from typing import TYPE_CHECKING

import openpyxl
import pytest
from hypothesis import given
from hypothesis import strategies as st
from openpyxl.xml import DEFUSEDXML

from bot import data
from bot.enrolment.columns import FileFault
from bot.enrolment.files import NO_VALUE, Row, open_sheet
from bot.enrolment.rows import Faulty, read_rows

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping
    from pathlib import Path

FRENCH = [
    ["N° de téléphone", "Nom et prénoms", "Village"],
    ["0712345678", "Hélène Koné", "Sérékali"],
    ["0755123456", "François, dit « Tché »", "Kpalé"],
    ["0755123457", 'Aïcha "Mama"\nBâ', "Mirindi"],
]


def table(source: bytes | Path, mapping: Mapping[str, str] | None = None) -> list[list[str]]:
    """Read a file's header and the cells below it."""
    with open_sheet(io.BytesIO(source) if isinstance(source, bytes) else source, mapping) as sheet:
        return [list(sheet.header), *(row.cells for row in sheet.rows)]


def rows(source: bytes) -> list[Row]:
    with open_sheet(io.BytesIO(source)) as sheet:
        return list(sheet.rows)


def fault(source: bytes, mapping: Mapping[str, str] | None = None) -> str:
    """Say what is wrong with a file, found when it is opened or when it is read."""
    with pytest.raises(FileFault) as caught:
        table(source, mapping)
    return str(caught.value)


# Text


ENCODINGS = ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "cp1252", "latin-1"]


@pytest.mark.parametrize("line_end", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("separator", list(",;\t|"))
@pytest.mark.parametrize("encoding", [*ENCODINGS, "mac_roman"])
def test_csv_in_every_encoding(encoding: str, separator: str, line_end: str) -> None:
    text = io.StringIO(newline="")
    csv.writer(text, delimiter=separator, lineterminator=line_end).writerows(FRENCH)
    assert table(text.getvalue().encode(encoding)) == FRENCH


def test_an_unusual_letter_far_into_a_file_still_tells_its_encoding() -> None:
    plain = "".join(f"07{number:08},Asha\n" for number in range(150_000))
    assert len(plain) > 2 * 1024 * 1024
    text = f"Phone,Name\n{plain}0799999999,Zoé\n"
    for encoding in ("utf-8", "cp1252"):
        assert table(text.encode(encoding))[-1] == ["0799999999", "Zoé"]


def test_one_damaged_letter_does_not_spoil_the_others() -> None:
    text = "Phone,Name\n1,Zoé\n2,Zo\udcff\n3,Noë\n".encode(errors="surrogateescape")
    assert [row[1] for row in table(text)] == ["Name", "Zoé", "Zo\ufffd", "Noë"]


def test_hausa_letters() -> None:
    assert table("Lambar waya,Ƙauye\n0712345678,Ɗan Ɓaki\n".encode())[1][1] == "Ɗan Ɓaki"


def test_a_title_and_empty_lines_may_stand_above_the_header() -> None:
    text = b"Mirindi Growers' Union;;\n;;\n\nSimu;Jina;Kijiji\n0712345678;Asha;Sirwa\n"
    with open_sheet(io.BytesIO(text)) as sheet:
        assert sheet.header == ("Simu", "Jina", "Kijiji")
        assert list(sheet.rows) == [Row(5, ["0712345678", "Asha", "Sirwa"])]


def test_the_header_is_not_looked_for_for_ever() -> None:
    title = "a title\n" * 9
    assert table(f"{title}Phone\n1\n".encode()) == [["Phone"], ["1"]]
    assert "recognised in the first ten rows" in fault(f"{title}more\nPhone\n1\n".encode())


def test_a_line_that_names_the_separator_is_no_row() -> None:
    for separator in ";|":
        text = f"sep={separator}\r\nPhone{separator}Name, all\r\n1{separator}Asha\r\n"
        assert rows(text.encode()) == [Row(2, ["1", "Asha"])]


def test_a_mapped_title_makes_the_header_and_tells_the_separator() -> None:
    text = b"a, title\nContact;Other, name\n1;Asha\n"
    assert table(text, {"phone": "contact"}) == [["Contact", "Other, name"], ["1", "Asha"]]
    assert "no column is called 'Contct'; did you mean Contact?" in fault(
        b"Contact;Name\n1;Asha\n", {"phone": "Contct"}
    )


def test_ragged_rows() -> None:
    short, padded, long = rows(b"Phone,Name,Village\n1\n2,Asha,,,\n3,Juma,Ali,Sirwa\n")
    assert short == Row(2, ["1"])
    assert padded == Row(3, ["2", "Asha", "", "", ""])
    assert long.cells == ["3", "Juma", "Ali", "Sirwa"]
    assert "more cells than the header" in long.fault


def test_nul_bytes_are_left_out() -> None:
    assert rows(b"Phone,Name\n07\x0012,As\x00ha\n") == [Row(2, ["0712", "Asha"])]


def test_a_quotation_mark_that_is_never_closed_spoils_its_own_row_only() -> None:
    more = [[f"{number}", "Juma"] for number in range(100)]
    text = 'Phone,Name\n1,Asha\n2,"Mama Asha\n' + "".join(f"{a},{b}\n" for a, b in more)
    read = rows(text.encode())
    assert read[1] == Row(3, ["2", '"Mama Asha'], read[1].fault)
    assert "never closed" in read[1].fault
    assert [row.cells for row in read[2:]] == more
    assert [row.number for row in read] == list(range(2, 104))


def test_a_quotation_mark_that_is_closed_by_a_later_ones_opening() -> None:
    read = rows(b'Phone,Name\n1,"Asha\n2,Juma\n3,"Ali"\n4,Neema\n')
    assert [row.cells[0] for row in read] == ["1", "2", "3", "4"]
    assert [bool(row.fault) for row in read] == [True, False, False, False]


def test_a_quotation_mark_open_at_the_end() -> None:
    read = rows(b'Phone,Name\n1,"Asha\n2,Juma')
    assert [row.cells for row in read] == [["1", '"Asha'], ["2", "Juma"]]


def test_a_cell_may_have_a_few_line_ends() -> None:
    assert rows(b'Phone,Name\n1,"' + b"a\n" * 15 + b'b"\n')[0].cells[1].count("\n") == 15


def test_a_cell_that_is_too_long_is_a_fault_of_its_row() -> None:
    read = rows(b"Phone,Name\n1," + b"a" * 140_000 + b"\n2,Asha\n")
    assert "over 131,072 characters" in read[0].fault
    assert read[1] == Row(3, ["2", "Asha"])


def test_a_file_without_lines_is_no_table() -> None:
    for letters in ("a", "é"):
        for encoding in ("utf-8", "utf-16", "mac_roman"):
            source = "Phone," + letters * 3_000_000
            assert "a line of over 1 MB" in fault(source.encode(encoding))


def test_a_path_and_a_stream_that_cannot_go_back(tmp_path: Path) -> None:
    class Pipe(io.BytesIO):
        def seekable(self) -> bool:
            return False

        def seek(self, *_: int) -> int:
            raise io.UnsupportedOperation

    file = tmp_path / "growers.xls"  # the name does not count
    file.write_bytes(b"Phone\n1\n")
    assert table(file) == [["Phone"], ["1"]]
    with open_sheet(Pipe(b"Phone\n1\n")) as sheet:
        assert list(sheet.rows) == [Row(2, ["1"])]


def test_a_stream_is_read_from_its_beginning_and_left_open() -> None:
    stream = io.BytesIO(b"Phone\n1\n")
    stream.read()
    for _ in range(2):
        with open_sheet(stream) as sheet:
            assert len(list(sheet.rows)) == 1
    assert not stream.closed


# Spreadsheets


def book(
    cells: Iterable[Iterable[object]], change: Callable[[openpyxl.Workbook], None] | None = None
) -> bytes:
    made = openpyxl.Workbook()
    for row in cells:
        made.active.append(list(row))
    if change:
        change(made)
    stream = io.BytesIO()
    made.save(stream)
    return stream.getvalue()


def parts(source: bytes, **changed: bytes | None) -> bytes:
    """Pack an .xlsx anew with other parts; None leaves one out. "__" stands for the slash."""
    new = {name.replace("__", "/"): content for name, content in changed.items()}
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(source)) as old, zipfile.ZipFile(out, "w", 8) as made:
        for name in old.namelist():
            if name not in new:
                made.writestr(name, old.read(name))
        for name, content in new.items():
            if content is not None:
                made.writestr(name, content)
    return out.getvalue()


SHEET = "xl__worksheets__sheet1.xml"


def test_an_xlsx() -> None:
    stream = io.BytesIO(book(FRENCH))
    with open_sheet(stream) as sheet:
        assert [list(sheet.header), *(row.cells for row in sheet.rows)] == FRENCH
    assert not stream.closed


def test_values_are_read_as_people_see_them() -> None:
    header = ["Phone", *"abcdef"]
    values = [
        255712345678,
        255712345678.0,
        2.5,
        date(2026, 3, 1),
        datetime(2026, 3, 1, 7, 30),  # noqa: DTZ001 - a spreadsheet's times have no zone
        True,
    ]
    assert table(book([header, [None, *values]]))[1] == [
        "",
        "255712345678",
        "255712345678",
        "2.5",
        "2026-03-01",
        "2026-03-01T07:30:00",
        "True",
    ]
    assert table(book([["Phone"], [time(7, 30)]]))[1] == ["07:30:00"]


def test_a_number_in_scientific_notation_is_whole_in_an_xlsx() -> None:
    source = book([["Phone"], [1]])
    sheet = zipfile.ZipFile(io.BytesIO(source)).read("xl/worksheets/sheet1.xml")
    assert table(parts(source, **{SHEET: sheet.replace(b"<v>1<", b"<v>2.55712345678E+11<")})) == [
        ["Phone"],
        ["255712345678"],
    ]


def test_rows_keep_their_numbers() -> None:
    def change(made: openpyxl.Workbook) -> None:
        made.active["A4"] = "Phone"
        made.active["A9"] = 712345678
        made.active["C9"] = "Asha"

    with open_sheet(io.BytesIO(book([], change))) as sheet:
        assert list(sheet.rows) == [Row(9, ["712345678", "", "Asha"])]


def test_the_first_sheet_with_a_header_is_taken_and_hidden_ones_are_not() -> None:
    def change(made: openpyxl.Workbook) -> None:
        made.active.title = "Notes"
        for name, state in (("Old", "hidden"), ("Growers", "visible"), ("More", "visible")):
            sheet = made.create_sheet(name)
            sheet.append(["Phone", "Name"])
            sheet.append([712345678, name])
            sheet.sheet_state = state

    assert table(book([["a note"]], change))[1] == ["712345678", "Growers"]


def test_a_formula_that_was_never_worked_out_is_a_fault_of_its_row() -> None:
    source = book(
        [["Phone", "Name"], ["=A3", "Asha"], ["0712345678", "=B2"], ["0712345679", "Ali"]]
    )
    assert table(source)[1:3] == [[NO_VALUE, "Asha"], ["0712345678", NO_VALUE]]
    with open_sheet(io.BytesIO(source)) as sheet:
        one, two, three = read_rows(sheet, "TZ", data.languages())
    assert isinstance(one, Faulty)
    assert "the phone number is a formula that was never worked out" in one.reason
    assert isinstance(two, Faulty)
    assert "the name is a formula" in two.reason
    assert not isinstance(three, Faulty)


def test_a_formula_that_was_worked_out_gives_its_value() -> None:
    source = book([["Phone"], ["=A3"], ["=A4"]])
    sheet = zipfile.ZipFile(io.BytesIO(source)).read("xl/worksheets/sheet1.xml").decode()
    for place, value in (("A2", "<v>712345678</v>"), ("A3", "<v></v>")):
        kind = ' t="str"' if place == "A3" else ""  # an empty text
        sheet = sheet.replace(f'<c r="{place}">', f'<c r="{place}"{kind}>')
        head, tail = sheet.split(f'r="{place}"')
        sheet = f'{head}r="{place}"{tail.replace("<v></v>", value, 1).replace("<v />", value, 1)}'
    assert table(parts(source, **{SHEET: sheet.encode()})) == [["Phone"], ["712345678"]]


def test_a_village_merged_over_several_rows_is_read_in_each() -> None:
    def change(made: openpyxl.Workbook) -> None:
        made.active.merge_cells("A1:C1")
        made.active.merge_cells("B3:B5")
        made.active.merge_cells("C4:D4")

    cells = [["Growers of Mirindi"], ["Phone", "Village", "Name"], [1, "Sirwa", "Asha"]]
    source = book([*cells, [2, None, "Ali"], [3], [4, "Kole"]], change)
    assert table(source)[1:] == [
        ["1", "Sirwa", "Asha"],
        ["2", "Sirwa", "Ali"],
        ["3", "Sirwa"],
        ["4", "Kole"],
    ]


def test_what_is_drawn_or_set_below_the_rows_is_nothing_to_us() -> None:
    source = book([["Phone"], [1]])
    sheet = zipfile.ZipFile(io.BytesIO(source)).read("xl/worksheets/sheet1.xml")
    odd = sheet.replace(b"</sheetData>", b"</sheetData><sheetProtection nonsense='1'/>")
    assert odd != sheet
    assert table(parts(source, **{SHEET: odd})) == [["Phone"], ["1"]]


# What is no table

NOISE = random.Random(4).randbytes(5000)  # noqa: S311 - nothing is secret


@pytest.mark.parametrize(
    ("source", "said"),
    [
        (b"", "the file is empty"),
        (b"\xef\xbb\xbf \r\n", "the file is empty"),
        (b"%PDF-1.7\n", "is a PDF"),
        (b"\x89PNG\r\n\x1a\n", "is a picture"),
        (b"\x1f\x8b\x08\x00", "unpack it"),
        (b"{\\rtf1 Phone}", "text document"),
        (b"<html><table><tr><td>Phone</td></tr></table></html>", "is a web page or XML"),
        (b"\r\n<?xml version='1.0'?>", "is a web page or XML"),
        (b"PK\x05\x06" + bytes(18), "empty zip archive"),
        (b"PK\x03\x04" + bytes(100), "damaged .xlsx"),
        (b"\xff\xfeP\x00h", "damaged, or no table"),
        (b"Jina;Kijiji\nAsha;Sirwa\n", "The header seen: 'Jina', 'Kijiji'"),
        (b"Simu;Phone\n1;2\n", "'Simu' and 'Phone' both look like the phone"),
        (NOISE, "no column of phone numbers"),
    ],
)
def test_what_is_no_table(source: bytes, said: str) -> None:
    assert said in fault(source)


def old_office(*streams: str) -> bytes:
    """Make the frame of an old office file (MS-CFB): its head, and its folder in sector 1."""
    head = bytearray(512)
    head[:8] = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"
    head[30:32] = (9).to_bytes(2, "little")  # sectors of 2**9 bytes
    head[48:52] = (1).to_bytes(4, "little")
    entries = b"".join(name.encode("utf-16-le").ljust(128, b"\0") for name in streams)
    return bytes(head) + bytes(512) + entries


def test_old_spreadsheets_and_those_with_a_password() -> None:
    assert "old office format (.xls)" in fault(old_office("Root Entry", "Workbook"))
    assert "password" in fault(old_office("Root Entry", "EncryptionInfo", "EncryptedPackage"))


def archive(**files: bytes) -> bytes:
    return parts(b"PK\x05\x06" + bytes(18), **files)


@pytest.mark.parametrize(
    ("files", "said"),
    [
        (
            {"mimetype": b"application/vnd.oasis.opendocument.spreadsheet"},
            "OpenDocument format (.ods)",
        ),
        ({"xl__workbook.bin": b""}, ".xlsb"),
        ({"growers.csv": b"Phone\n1\n"}, "is a zip archive; unpack it"),
        ({"[Content_Types].xml": b"", "word__document.xml": b""}, "document without a sheet"),
        ({"[Content_Types].xml": b"", "xl__workbook.xml": b""}, "damaged .xlsx"),
    ],
)
def test_other_archives(files: dict[str, bytes], said: str) -> None:
    assert said in fault(archive(**files))


def test_an_archive_with_a_password() -> None:
    source = bytearray(archive(**{"growers.xlsx": b"x"}))
    source[source.index(b"PK\x01\x02") + 8] |= 1  # the flag in the folder (APPNOTE.TXT, 4.4.4)
    assert "password" in fault(bytes(source))


def test_damaged_and_empty_workbooks() -> None:
    whole = book(FRENCH)
    assert "damaged .xlsx" in fault(whole[: len(whole) // 2])
    assert "damaged .xlsx" in fault(parts(whole, **{"xl__workbook.xml": b"<workbook"}))
    assert "damaged .xlsx" in fault(parts(whole, **{SHEET: b"<worksheet><sheetData><row"}))
    assert "no sheet with anything in it" in fault(book([]))
    assert "'Jina', 'Kijiji'" in fault(book([["Jina", "Kijiji"]]))


def test_damage_further_down_is_said_when_it_is_reached() -> None:
    source = book([["Phone"], *([number] for number in range(2000))])
    sheet = zipfile.ZipFile(io.BytesIO(source)).read("xl/worksheets/sheet1.xml")
    broken = parts(source, **{SHEET: sheet.replace(b'<c r="A1900"', b'<c r="?"')})
    with open_sheet(io.BytesIO(broken)) as sheet_read:
        assert next(sheet_read.rows) == Row(2, ["0"])
        with pytest.raises(FileFault, match="damaged"):
            list(sheet_read.rows)


def test_a_flipped_bit_is_found_before_the_first_row() -> None:
    rng = random.Random(5)  # noqa: S311 - likewise
    source = bytearray(book([["Phone"], *([rng.randrange(10**12)] for _ in range(3000))]))
    with zipfile.ZipFile(io.BytesIO(bytes(source))) as packed:
        info = packed.getinfo("xl/worksheets/sheet1.xml")
    source[info.header_offset + info.compress_size - 100] ^= 1
    with pytest.raises(FileFault), open_sheet(io.BytesIO(bytes(source))):
        pass


def test_a_bomb_is_refused_before_it_is_unpacked() -> None:
    assert "times its size" in fault(parts(book(FRENCH), **{SHEET: b" " * 20_000_000}))


def test_what_says_it_is_huge_is_refused() -> None:
    source = bytearray(book(FRENCH))
    folder = source.index(b"PK\x01\x02")
    source[folder + 24 : folder + 28] = (2**30 + 1).to_bytes(4, "little")  # its size unpacked
    assert "too large as .xlsx" in fault(bytes(source))


def test_entities_are_not_unfolded() -> None:
    assert DEFUSEDXML
    source = book([["Phone"], [1]])
    xml = zipfile.ZipFile(io.BytesIO(source)).read("xl/worksheets/sheet1.xml").decode()
    begin, rest = xml.split("<worksheet", 1)
    doctype = "<!DOCTYPE worksheet [<!ENTITY one '712345678'>]>"
    nasty = f"{begin}{doctype}<worksheet{rest.replace('<v>1</v>', '<v>&one;</v>')}"
    assert "&one;" in nasty
    assert "damaged .xlsx" in fault(parts(source, **{SHEET: nasty.encode()}))


# Anything at all

XLSX = book(FRENCH)


@st.composite
def mutilated(draw: st.DrawFn) -> bytes:
    source = bytearray(XLSX)
    for _ in range(draw(st.integers(1, 6))):
        source[draw(st.integers(0, len(source) - 1))] = draw(st.integers(0, 255))
    return bytes(source[draw(st.integers(0, 20)) :] if draw(st.booleans()) else source)


TEXTS = st.text(st.sampled_from("Phone,;\t|\n\r\"'=+07é\x00"), max_size=60).map(
    lambda t: f"Phone,{t}"
)


@given(
    st.one_of(
        st.binary(max_size=200),
        mutilated(),
        TEXTS.map(str.encode),
        TEXTS.map(lambda text: text.encode("utf-16")),
        st.binary(max_size=60).map(lambda tail: b"Phone,Name\n" + tail),
    )
)
def test_any_bytes_are_rows_or_a_fault(source: bytes) -> None:
    with suppress(FileFault), open_sheet(io.BytesIO(source)) as sheet:
        for outcome in read_rows(sheet, "TZ", data.languages()):
            assert outcome.row > 0


@given(st.binary(max_size=400))
def test_any_sheet_in_a_workbook_is_rows_or_a_fault(xml: bytes) -> None:
    head = (
        b"<worksheet xmlns='http://schemas.openxmlformats.org/spreadsheetml/2006/main'><sheetData>"
    )
    source = parts(
        XLSX, **{SHEET: head + b"<row r='1'><c t='inlineStr'><is><t>Phone</t></is></c></row>" + xml}
    )
    with suppress(FileFault), open_sheet(io.BytesIO(source)) as sheet:
        for row in sheet.rows:
            assert row.number > 0


# Size


class Generated(io.RawIOBase):
    """A CSV of so many bytes that is nowhere: the same lines again and again."""

    def __init__(self, size: int) -> None:
        self._lines = b"".join(b"07%08d,Asha Juma,Mirindi\r\n" % number for number in range(1000))
        self._header = b"Phone,Name,Village\r\n"
        self._size = size
        self._at = 0

    def readable(self) -> bool:
        return True

    def seekable(self) -> bool:
        return True

    def tell(self) -> int:
        return self._at

    def seek(self, offset: int, whence: int = 0) -> int:
        assert whence == 0
        self._at = offset
        return offset

    def readinto(self, buffer: memoryview) -> int:  # type: ignore[override]
        count = min(len(buffer), 65536, self._size - self._at)
        made = bytearray()
        while len(made) < count:
            at = self._at + len(made)
            source, place = (
                (self._header, at)
                if at < len(self._header)
                else (self._lines, (at - len(self._header)) % len(self._lines))
            )
            made += source[place : place + count - len(made)]
        buffer[:count] = made
        self._at += count
        return count


@pytest.mark.slow
def test_a_large_csv_takes_no_more_memory_than_a_small_one() -> None:
    peaks = []
    for size in (5_000_000, 50_000_000):
        stream = io.BufferedReader(Generated(size))
        tracemalloc.start()
        with open_sheet(stream) as sheet:  # type: ignore[arg-type]
            read = sum(1 for _ in read_rows(sheet, "TZ", data.languages()))
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
        assert read > size / 40
    assert peaks[1] < 1.2 * peaks[0]
    assert peaks[1] < 20_000_000


@pytest.mark.slow
def test_a_large_xlsx_is_read_without_keeping_its_rows() -> None:
    peaks = []
    for count in (2000, 40_000):
        source = book(
            [["Phone", "Name"], *([710000000 + number, "Asha"] for number in range(count))]
        )
        tracemalloc.start()
        with open_sheet(io.BytesIO(source)) as sheet:
            assert sum(1 for _ in sheet.rows) == count
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
    # What differs is the sheet looked through a megabyte at a time, not the rows.
    assert peaks[1] < peaks[0] + 6_000_000
