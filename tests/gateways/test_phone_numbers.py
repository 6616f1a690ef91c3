from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bot.gateways.numbers import masked, read_number

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


def test_a_number_without_its_country_code_is_of_the_operators_country() -> None:
    assert read_number("0712345678", "KE") == "+254712345678"


def test_a_range_nobody_has_given_out_yet_is_still_a_number() -> None:
    assert read_number("+255992345678", "TZ") == "+255992345678"


@pytest.mark.parametrize("raw", ["", " ", "15555", "VODA", "+", "+255", "hello", "+9" * 40, "\x00"])
def test_what_is_no_number(raw: str) -> None:
    assert read_number(raw, "TZ") is None


@given(st.one_of(st.text(), st.from_regex(r"[+0-9 ()-]{0,20}")))
def test_anything_is_e164_or_none(raw: str) -> None:
    number = read_number(raw, "TZ")
    assert number is None or E164.fullmatch(number)
    # What was read is read again as itself.
    assert number is None or read_number(number, "US") in {number, None}


def test_a_masked_number_shows_its_ends_only() -> None:
    assert masked("+255712345678") == "+255*******78"


@given(st.text())
def test_masked_keeps_the_length_and_hides_the_middle(number: str) -> None:
    shown = masked(number)
    assert len(shown) == len(number)
    assert set(shown[4:-2]) <= {"*"}
    assert len(number) > 6 or set(shown) <= {"*"}
