from __future__ import annotations

import io
from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bot import data
from bot.enrolment.columns import Columns
from bot.enrolment.files import Row, Sheet, open_sheet
from bot.enrolment.rows import Enrolled, Faulty, Merged, read_rows

if TYPE_CHECKING:
    from collections.abc import Callable

    Read = Callable[..., list[Enrolled | Faulty | Merged]]

HEADER = "Phone;Name;Village;Language;Consent\n"
ASHA = "+255712345678"


def test_a_row_as_read(read: Read) -> None:
    rows = read(HEADER + "0712 345 678; Asha   Juma ;Mirindi;Kiswahili;ndiyo\n")
    assert rows == [Enrolled(2, ASHA, "Asha Juma", "Mirindi", "sw", consent=True)]


def test_what_the_file_does_not_say_stays_open(read: Read) -> None:
    assert read("Phone,Acres\n0712345678,3\n") == [Enrolled(2, ASHA)]
    assert read(HEADER + "0712345678\n") == [Enrolled(2, ASHA)]


@pytest.mark.parametrize(
    "phone",
    [
        "712345678",
        "255712345678",
        "255712345678.0",
        "+255 712-345-678",
        "00255712345678",
        "'+255712345678",
        "tel: 0712345678",
        "Simu 0712345678",
        "(0712) 345 678",
        "0712\u00a0345\u00a0678",
        "\u202a0712345678\u202c",
        "٠٧١٢٣٤٥٦٧٨",
    ],
)
def test_one_number_as_lists_have_it(read: Read, phone: str) -> None:
    assert read(f"Phone,Name\n{phone},\n") == [Enrolled(2, ASHA)]


@pytest.mark.parametrize(
    ("phone", "said"),
    [
        ("", "there is no phone number"),
        ("n/a", "letters"),
        ("12345", "'12345' cannot be a phone number; write it as it is dialled, or in full with"),
        ("2.55712E+11", "the spreadsheet has shortened the number to '2.55712E+11'; format the"),
        ("2,55712e11", "the spreadsheet has shortened"),
        ("0712345678 / 0755123456", "looks like more than one number; write the one to text"),
        ("0712345678 au 0755123456", "more than one"),
        ("0712345678 0755123456", "more than one"),
        ("0712345678/79", "more than one"),
        # A lenient reader dials the letters: 0712 345 ASH is 0712345274 on a keypad (ITU-T E.161).
        ("0712345ASH", "has letters in it"),
        ("07I2345678", "has letters in it"),
        # One digit too many, and it would be a number of Russia (+7).
        ("71234567890", "'71234567890' is no number of this country; write it as it is dialled"),
        ("254712345678", "no number of this country"),
        ("2026-03-01", "cannot be a phone number"),
    ],
)
def test_a_phone_number_that_is_none(read: Read, phone: str, said: str) -> None:
    (row,) = read(f'Phone;Name\n"{phone}";Asha\n')
    assert isinstance(row, Faulty)
    assert said in row.reason
    assert row.cells == (phone, "Asha")


@pytest.mark.parametrize("phone", ["+254712345678", "00254 712 345 678", "tel: +254 712345678"])
def test_a_number_of_another_country_is_written_so(read: Read, phone: str) -> None:
    assert read(f"Phone,Name\n{phone},\n") == [Enrolled(2, "+254712345678")]


def test_a_number_without_its_area_code_is_a_fault(read: Read) -> None:
    # Nigeria's seven digits can be dialled within a town only (the metadata of phonenumbers).
    (row,) = read("Phone\n8021234\n", "NG")
    assert isinstance(row, Faulty)
    assert "cannot be a phone number" in row.reason


@pytest.mark.parametrize(
    ("language", "code"),
    [
        *(("sw", "sw"), ("SW", "sw"), ("Swahili", "sw"), ("kiswahili", "sw")),
        *(("Français", "fr"), ("francais", "fr"), ("French", "fr"), ("Kifaransa", "fr")),
        *(("Hausa", "ha"), ("haoussa", "ha"), ("anglais", "en"), ("", "")),
    ],
)
def test_a_language_by_its_code_and_its_names(read: Read, language: str, code: str) -> None:
    assert read(f"Phone,Lang\n0712345678,{language}\n") == [Enrolled(2, ASHA, language=code)]


def test_a_language_that_is_not_on_offer() -> None:
    offered = {code: data.languages()[code] for code in ("en", "sw")}
    with open_sheet(io.BytesIO(b"Phone,Lang\n0712345678,French\n")) as sheet:
        (row,) = read_rows(sheet, "TZ", offered)
    assert isinstance(row, Faulty)
    assert row.reason == (
        "'French' is no language on offer; write one of en (English), sw (Kiswahili)"
    )


@pytest.mark.parametrize(
    ("word", "consent"),
    [
        *(("yes", True), ("1", True), ("X", True), ("Ndiyo", True), ("OUI", True), ("eh", True)),
        *(("TRUE", True), ("✓", True), ("no", False), ("0", False), ("hapana", False)),
        *(("non", False), ("A'a", False), ("a\u2019a", False), ("FAUX", False), ("", None)),
        (" ", None),
    ],
)
def test_consent(read: Read, word: str, *, consent: bool | None) -> None:
    assert read(f"Phone,Consent\n0712345678,{word}\n") == [Enrolled(2, ASHA, consent=consent)]


@pytest.mark.parametrize("word", ["perhaps", "n", "2", "?", "-"])
def test_consent_is_never_guessed(read: Read, word: str) -> None:
    (row,) = read(f"Phone,Consent\n0712345678,{word}\n")
    assert isinstance(row, Faulty)
    assert "neither yes nor no" in row.reason


def test_a_name_is_cleaned(read: Read) -> None:
    assert read('Phone,Name\n0712345678,"A\x07sha\n\tJu\u200bma\u202e e\u0301"\n') == [
        Enrolled(2, ASHA, "Asha Juma \u00e9")
    ]


def test_a_name_that_is_too_long_or_lost_a_letter(read: Read) -> None:
    assert read(f"Phone,Name\n0712345678,{'a' * 80}\n") == [Enrolled(2, ASHA, "a" * 80)]
    long, lost = read(f"Phone,Village\n0712345678,{'a' * 81}\n0712345678,S\ufffdlo\n")
    assert isinstance(long, Faulty)
    assert long.reason == "the village is over 80 characters; shorten it"
    assert isinstance(lost, Faulty)
    assert "a letter of the village 'S\ufffdlo' was lost" in lost.reason


def test_all_that_is_wrong_with_a_row_is_said_at_once(read: Read) -> None:
    (row,) = read(HEADER + ";Asha;;Klingon;maybe\n")
    assert isinstance(row, Faulty)
    assert row.reason.count("; ") >= 2
    for said in ("no phone number", "'Klingon'", "'maybe'"):
        assert said in row.reason


def test_rows_are_numbered_as_a_spreadsheet_shows_them(read: Read) -> None:
    text = 'Growers of Mirindi\n\nPhone,Name\n0712345678,"Asha\nJuma"\n\n,\n12,Bad\n'
    good, bad = read(text)
    assert good == Enrolled(4, ASHA, "Asha Juma")
    assert bad.row == 7


def test_a_number_that_comes_again_fills_what_was_empty(read: Read) -> None:
    rows = read(
        HEADER + "0712345678;Asha;;;\n+255712345678;;Mirindi;sw;yes\n712345678;Asha;;sw;1\n"
    )
    assert rows == [
        Enrolled(2, ASHA, "Asha"),
        Merged(3, 2, Enrolled(3, ASHA, "", "Mirindi", "sw", consent=True)),
        Merged(4, 2, Enrolled(4, ASHA)),
    ]


def test_contradictions_are_reported_and_the_first_row_stands(read: Read) -> None:
    _, merged, third = read(
        HEADER + "0712345678;Asha;Mirindi;;yes\n0712345678;Ali;Sirwa;sw;\n0712345678;;;fr;\n"
    )
    assert isinstance(merged, Merged)
    assert merged.adds == Enrolled(3, ASHA, language="sw")
    assert "another name, 'Ali', which is left out" in merged.what
    assert "another village, 'Sirwa'" in merged.what
    # What was filled in stands against a third row as well.
    assert third == Merged(4, 2, Enrolled(4, ASHA), "another language, 'fr', which is left out")


@pytest.mark.parametrize(("first", "second"), [("yes", "no"), ("no", "yes")])
def test_who_has_once_said_no_has_not_agreed(read: Read, first: str, second: str) -> None:
    enrolled, merged = read(f"Phone,Consent\n0712345678,{first}\n0712345678,{second}\n")
    assert isinstance(enrolled, Enrolled)
    assert isinstance(merged, Merged)
    assert "taken for no" in merged.what
    later = merged.adds.consent
    assert (enrolled.consent if later is None else later) is False


def test_a_faulty_row_is_no_first_row(read: Read) -> None:
    faulty, good = read("Phone,Consent\n0712345678,hm\n0712345678,1\n")
    assert isinstance(faulty, Faulty)
    assert good == Enrolled(3, ASHA, consent=True)


CELLS = st.lists(
    st.one_of(
        st.text(max_size=20),
        st.sampled_from(["0712345678", "+255755123456", "yes", "no", "sw", "Asha", "", "1E+11"]),
    ),
    min_size=1,
    max_size=6,
)


@given(st.lists(CELLS, max_size=8))
def test_every_row_that_is_not_empty_comes_out_once(rows: list[list[str]]) -> None:
    # Through the reader of rows alone; files have their own tests.
    header = ("Phone", "Name", "Village", "Language", "Consent")
    numbered = [Row(number, cells) for number, cells in enumerate(rows, start=2)]
    sheet = Sheet(header, Columns(0, 1, 2, 3, 4), iter(numbered))
    read = list(read_rows(sheet, "TZ", data.languages()))
    assert [each.row for each in read] == [row.number for row in numbered]
    numbers = [each.number for each in read if isinstance(each, Enrolled)]
    assert len(set(numbers)) == len(numbers)
    for each in read:
        if isinstance(each, Faulty):
            assert each.reason
            assert list(each.cells) == rows[each.row - 2]
