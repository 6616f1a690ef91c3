"""Figures, dates and placeholders."""

from datetime import date, timedelta
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bot.wording.formats import fill, long_date, number, placeholders, short_date
from bot.wording.gsm import outside_gsm


@pytest.mark.parametrize(
    ("value", "locale", "decimals", "expected"),
    [
        # separators: CLDR, numbers/symbols of each locale
        (1234567, "en", 0, "1,234,567"),
        (1234567, "sw", 0, "1,234,567"),
        (1234567.25, "fr", 2, "1 234 567,25"),  # CLDR: U+202F, which GSM 7-bit lacks
        (1234567.25, "pt", 2, "1.234.567,25"),
        (1234567, "de_CH", 0, "1'234'567"),  # CLDR: U+2019
        (-5, "sv", 0, "-5"),  # CLDR: U+2212
        (Decimal("1.50"), "en", 2, "1.5"),
        (2.0, "en", 1, "2"),
        (0.5, "en", 0, "1"),
        (2.5, "en", 0, "3"),
        (0.285, "en", 2, "0.29"),  # as written, though the float lies just below
        (-0.4, "en", 0, "0"),
    ],
)
def test_numbers(value: float, locale: str, decimals: int, expected: str) -> None:
    assert number(value, locale, decimals) == expected


@pytest.mark.parametrize("value", [float("nan"), float("inf"), Decimal("-Infinity"), 1e15])
def test_a_figure_that_is_none_is_refused(value: float) -> None:
    with pytest.raises(ValueError, match="no figure for a text"):
        number(value, "en")


@given(
    st.decimals(-(10**12), 10**12, places=3),
    st.sampled_from(["en", "sw", "fr", "pt", "de_CH", "sv", "ha", "rw"]),
    st.integers(0, 3),
)
def test_numbers_stay_in_gsm_and_within_half_a_unit(
    value: Decimal, locale: str, decimals: int
) -> None:
    text = number(value, locale, decimals)
    assert outside_gsm(text) == ()
    shown = Decimal("".join(c for c in number(value, "en", decimals) if c != ","))
    assert abs(shown - value) <= Decimal("0.5").scaleb(-decimals)


def test_dates() -> None:
    tuesday = date(2025, 3, 4)
    # names: CLDR, calendars/gregorian of each locale
    assert short_date(tuesday, "en") == "Tue 4 Mar"
    assert short_date(tuesday, "sw") == "Jumanne 4 Mac"
    assert short_date(tuesday, "fr") == "mar. 4 mars"
    assert long_date(tuesday, "en") == "Tue 4 Mar 2025"
    assert long_date(tuesday, "sw") == "Jumanne 4 Mac 2025"


@pytest.mark.parametrize("locale", ["en", "sw"])
def test_every_day_of_a_year_is_written_in_gsm(locale: str) -> None:
    for days in range(366):
        day = date(2028, 1, 1) + timedelta(days)
        assert outside_gsm(long_date(day, locale)) == ()


def test_english_dates_agree_with_the_c_library() -> None:
    for days in range(366):
        day = date(2028, 1, 1) + timedelta(days)
        assert short_date(day, "en") == f"{day:%a} {day.day} {day:%b}"


def test_filling() -> None:
    assert fill("{n} ml a tank, {tanks} tanks", {"n": 150, "tanks": "2.5"}) == (
        "150 ml a tank, 2.5 tanks"
    )
    assert fill("{{n}} is {n}", {"n": 1}) == "{n} is 1"
    assert fill("{a}", {"a": "{b}", "b": "no"}) == "{b}"  # a value is not a template


def test_only_names_are_read() -> None:
    for template in (
        "{a.__class__}",
        "{a[0]}",
        "{a!r}",
        "{a:>10}",
        "{0}",
        "{}",
        "{a",
        "a}",
        "{ a }",
    ):
        with pytest.raises(ValueError, match="a lone"):
            fill(template, {"a": "x"})
        with pytest.raises(ValueError, match="a lone"):
            placeholders(template)


def test_an_unknown_placeholder_is_named() -> None:
    with pytest.raises(KeyError, match=r"no value for \{tanks\}.*'n'"):
        fill("{tanks} tanks", {"n": 1})


def test_placeholders() -> None:
    assert placeholders("{n} of {total}, {{not}} {n}") == {"n", "total"}
    assert placeholders("none") == frozenset()


@given(st.text(), st.text())
def test_filling_agrees_with_str_format_on_plain_names(before: str, value: str) -> None:
    template = before.replace("{", "{{").replace("}", "}}") + "{name}!"
    assert fill(template, {"name": value}) == template.format(name=value)
