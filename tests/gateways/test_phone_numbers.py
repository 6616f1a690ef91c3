from __future__ import annotations

import re

import phonenumbers
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bot.gateways.numbers import NumberReader, masked, read_number

# ITU-T E.164: a plus stands for the international prefix, at most 15 digits, none begins with 0
# (from memory).
E164 = re.compile(r"\+[1-9][0-9]{6,14}")


@pytest.mark.parametrize(
    "raw",
    [
        "+255712345678",
        "255712345678",
        "0712345678",
        "712345678",
        "00255712345678",
        " +255 712-345 678 ",
        "+255 (712) 345 678",
        "tel:+255712345678",
        "\uff0b255712345678",
        "+٢٥٥٧١٢٣٤٥٦٧٨",
    ],
)
def test_one_number_in_the_ways_gateways_write_it(raw: str) -> None:
    assert read_number(raw, "TZ") == "+255712345678"


@pytest.mark.parametrize("raw", ["255712345678", "00255712345678", "+255712345678"])
def test_a_country_code_is_understood_from_abroad(raw: str) -> None:
    assert read_number(raw, "KE") == "+255712345678"


@pytest.mark.parametrize("raw", ["002348021234567", "00 234 802 123 4567"])
def test_00_before_the_countrys_own_code_is_a_plus_also_where_it_is_not_dialled(raw: str) -> None:
    # Nigeria dials 009, and has numbers of up to 14 digits (the metadata of phonenumbers).
    assert read_number(raw, "NG") == "+2348021234567"


def test_a_number_without_its_country_code_is_of_the_operators_country() -> None:
    assert read_number("0712345678", "KE") == "+254712345678"


def test_a_range_nobody_has_given_out_yet_is_still_a_number() -> None:
    assert read_number("+255992345678", "TZ") == "+255992345678"


@pytest.mark.parametrize(
    "raw", ["", " ", "15555", "VODA", "+", "+255", "hello", "+9" * 40, "\x00", "4900", "+491234"]
)
def test_what_is_no_number(raw: str) -> None:
    assert read_number(raw, "TZ") is None


@given(st.one_of(st.text(), st.from_regex(r"[+0-9 ()-]{0,20}")))
def test_anything_is_e164_or_none(raw: str) -> None:
    number = read_number(raw, "TZ")
    assert number is None or E164.fullmatch(number)
    # What was read is read again as itself.
    assert number is None or read_number(number, "US") in {number, None}


COUNTRIES = ["TZ", "KE", "NG", "NE", "GH", "CI", "CM", "CD", "UG", "MZ", "BJ", "RW", "ZA"]
# Those whose numbers are read otherwise: codes shared with others, prefixes that are transformed.
ODD_COUNTRIES = ["US", "CA", "JM", "IT", "AR", "BR", "MX", "RU", "KZ", "HU", "GB", "GG", "DE", "XX"]


@st.composite
def written_numbers(draw: st.DrawFn) -> tuple[str, str]:
    """A number as people write it, and a country: its own as a rule, else another."""
    country = draw(st.sampled_from([*COUNTRIES, *ODD_COUNTRIES]))
    home = draw(st.sampled_from([country, country, country, "TZ", "NG"]))
    code = phonenumbers.country_code_for_region(home)
    example = phonenumbers.example_number(home) or phonenumbers.example_number("TZ")
    national = phonenumbers.national_significant_number(example)
    before = ["", "0", "8", "1", "00", "000", "+", "+0", "00+", "011", f"+{code}", str(code)]
    before += [
        f"00{code}",
        f"000{code}",
        f"+{code}0",
        f"{code}0",
        f"+{code}{code}",
        f"{code}{code}",
    ]
    digits = draw(st.sampled_from(before)) + draw(
        st.one_of(st.just(national), st.text("0123456789", max_size=13))
    )
    cuts = draw(st.lists(st.integers(0, len(digits)), max_size=4))
    for cut in sorted(cuts, reverse=True):
        mark = draw(st.sampled_from([" ", "-", ".", "(", ")", "  ", "\u00a0", "/"]))
        digits = digits[:cut] + mark + digits[cut:]
    if draw(st.integers(0, 9)) == 0:
        digits = digits.translate(str.maketrans("0123456789", "٠١٢٣٤٥٦٧٨٩"))
    return digits, country


@settings(max_examples=1000)
@given(written_numbers())
def test_the_quick_reader_answers_as_the_careful_one(case: tuple[str, str]) -> None:
    raw, country = case
    assert NumberReader(country)(raw) == read_number(raw, country)


@given(st.one_of(st.text(), st.text("0123456789+-(). ", max_size=80)), st.sampled_from(COUNTRIES))
def test_the_quick_reader_answers_so_for_any_text(raw: str, country: str) -> None:
    assert NumberReader(country)(raw) == read_number(raw, country)


@pytest.mark.parametrize("country", COUNTRIES)
def test_a_number_plainly_written_is_read_without_asking_the_careful_reader(
    country: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    example = phonenumbers.example_number_for_type(country, phonenumbers.PhoneNumberType.MOBILE)
    assert example
    number = phonenumbers.format_number(example, phonenumbers.PhoneNumberFormat.E164)
    dialled = phonenumbers.format_number(example, phonenumbers.PhoneNumberFormat.NATIONAL)
    spaced = phonenumbers.format_number(example, phonenumbers.PhoneNumberFormat.INTERNATIONAL)
    monkeypatch.setattr("bot.gateways.numbers.read_number", lambda *_: pytest.fail("asked"))
    read = NumberReader(country)
    for raw in (number, dialled, spaced, dialled.replace(" ", "-"), number[1:], "00" + number[1:]):
        assert read(raw) == number


def test_a_masked_number_shows_its_ends_only() -> None:
    assert masked("+255712345678") == "+255*******78"


@given(st.text())
def test_masked_keeps_the_length_and_hides_the_middle(number: str) -> None:
    shown = masked(number)
    assert len(shown) == len(number)
    assert set(shown[4:-2]) <= {"*"}
    assert len(number) > 6 or set(shown) <= {"*"}
