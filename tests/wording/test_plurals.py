"""Plural rules against those of CLDR's charts: en, fr, sw, pl, ar, yo (from memory)."""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bot.wording.plurals import (
    COUNTS,
    categories,
    category,
    counts_by_form,
    plural_forms,
    plurals_agree,
    whole,
)


@pytest.mark.parametrize(
    ("locale", "names"),
    [
        ("en", ("other", "one")),
        ("sw", ("other", "one")),
        ("ha", ("other", "one")),
        ("fr", ("one", "other")),
        ("pl", ("many", "one", "few")),
        ("ar", ("zero", "one", "two", "few", "many", "other")),
        ("yo", ("other",)),
    ],
)
def test_the_forms_of_a_language_are_those_that_whole_numbers_take(
    locale: str, names: tuple[str, ...]
) -> None:
    assert categories(locale) == names


@pytest.mark.parametrize(
    ("value", "locale", "form"),
    [
        ("1.5", "en", "other"),
        ("0.5", "sw", "other"),
        ("1.5", "fr", "one"),  # in French all below 2 is singular
        ("2.5", "fr", "other"),
        ("1.5", "ar", "other"),
        ("1.00", "en", "one"),  # it is shown as 1
        ("-1", "en", "one"),
        ("1E+2", "pl", "many"),
        ("1.5", "pl", "few"),  # CLDR's form for parts is none of gettext's: as the next, 2
        ("4.2", "pl", "many"),
    ],
)
def test_a_number_takes_the_form_of_a_whole_one(value: str, locale: str, form: str) -> None:
    assert category(whole(Decimal(value), locale), locale) == form


@given(st.integers(0, 10**9), st.sampled_from(["en", "fr", "pl", "ar", "yo"]))
def test_a_whole_number_stays_itself(count: int, locale: str) -> None:
    assert whole(Decimal(count), locale) == count


@pytest.mark.parametrize("locale", ["en", "fr", "sw", "ha", "pl", "ar", "yo"])
def test_each_count_takes_one_form_of_a_file_and_that_of_cldr(locale: str) -> None:
    forms = counts_by_form(plural_forms(locale), locale)
    assert sorted(count for counts in forms for count in counts) == list(COUNTS)
    named = [{category(count, locale) for count in counts} for counts in forms]
    assert all(len(each) == 1 for each in named)
    assert {name for each in named for name in each} == set(categories(locale))


@pytest.mark.parametrize(
    "header", ["", "nplurals=2; plural=(m + );", "nplurals=1; plural=(n > 1);"]
)
def test_a_broken_rule_gives_way_to_cldr_s(header: str) -> None:
    assert not plurals_agree(header, "fr")
    ones, others = counts_by_form(header, "fr")
    assert ones == (0, 1)
    assert others[0] == 2
