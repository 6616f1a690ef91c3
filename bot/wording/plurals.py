"""Which form of a text goes with a number, by CLDR's rules, which Babel has.

Languages have from one form to six: "1 day" and "2 days" in English, one for all counts in
Yoruba, and in Polish others for 2 to 4 and for 5. Gettext numbers the forms of a language, and
its Plural-Forms header says which number takes which; CLDR names them `one`, `few`, `other` ...
"""

from __future__ import annotations

import gettext
import math
import re
from functools import lru_cache
from typing import TYPE_CHECKING

from babel import Locale
from babel.messages.catalog import Catalog
from babel.plural import to_gettext

if TYPE_CHECKING:
    from decimal import Decimal

COUNTS = range(1001)
"""Counts on which two plural rules are compared, and of which every form has some. CLDR's rules
for millions are left out: gettext has none."""

_USUAL = (
    "nplurals=2; plural=(n != 1);",
    "nplurals=2; plural=(n > 1);",
    "nplurals=1; plural=0;",
)
"""The rules of most languages, as gettext editors write them."""


# Of a number


@lru_cache(maxsize=4096)
def whole(value: Decimal, locale: str) -> int:
    """Give the whole number whose form a number takes: itself, or one that CLDR treats alike.

    Gettext's rules know whole numbers only. So 1.5 counts as 0 does, in English "1.5 days" and
    in French "1,5 jour". A part that is like no whole number (in Polish) counts as the next one.
    """
    value = abs(value).normalize()
    if value == value.to_integral_value():
        return int(value)
    rule = Locale.parse(locale).plural_form
    return next((each for each in COUNTS if rule(each) == rule(value)), math.ceil(value))


def category(count: int, locale: str) -> str:
    """Give CLDR's name of the form that so many things take: `one`, `few`, `other` ..."""
    return str(Locale.parse(locale).plural_form(count))


@lru_cache(maxsize=64)
def categories(locale: str) -> tuple[str, ...]:
    """Name the forms that whole numbers take in a language, in the order they come up."""
    return tuple(dict.fromkeys(category(count, locale) for count in COUNTS))


# Of a translator's file


def plural_forms(locale: str) -> str:
    """Write the Plural-Forms header of a language by CLDR's rule for whole numbers.

    In a wording that editors know where there is one: Babel's own table has few languages, and
    CLDR's rules spelt out look at millions, too, which gettext cannot.
    """
    for header in (*_USUAL, Catalog(locale=locale).plural_forms):
        if plurals_agree(header, locale):
            return header
    return str(to_gettext(Locale.parse(locale).plural_form))


def plurals_agree(header: str, locale: str) -> bool:
    """Whether a Plural-Forms header parts the numbers as CLDR does; how forms are numbered is free."""
    forms = _forms(header)
    if forms is None:
        return False
    theirs = list(map(Locale.parse(locale).plural_form, COUNTS))
    pairs = set(zip(forms, theirs, strict=True))
    return len(pairs) == len(set(forms)) == len(set(theirs))


def counts_by_form(header: str, locale: str) -> tuple[tuple[int, ...], ...]:
    """List for each form of a file the counts that take it; by CLDR's rule for a broken header."""
    forms = _forms(header) or _forms(plural_forms(locale)) or []
    return tuple(
        tuple(count for count, each in zip(COUNTS, forms, strict=True) if each == form)
        for form in range(max(forms) + 1)
    )


def _forms(header: str) -> list[int] | None:
    """Give the form of each of `COUNTS`; None for a header that gettext cannot go by."""
    found = re.fullmatch(r"\s*nplurals\s*=\s*(\d+)\s*;\s*plural\s*=([^;]*);?\s*", header)
    if found is None:
        return None
    try:
        form = gettext.c2py(found[2])
        forms = [int(form(count)) for count in COUNTS]
    except (ValueError, ArithmeticError, RecursionError):
        return None
    return forms if all(0 <= each < int(found[1]) for each in forms) else None
