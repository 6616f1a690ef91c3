"""Figures and dates as a text shows them, and filling them into the text.

Separators and names are the language's own, from CLDR through Babel. The forms are cached:
a day or a number comes up in many texts, and formatting it anew costs more than the rest of a
turn's wording.
"""

from __future__ import annotations

import re
from decimal import ROUND_HALF_UP, Decimal
from functools import lru_cache
from typing import TYPE_CHECKING

from babel.dates import format_date
from babel.numbers import format_decimal

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import date

# CLDR's typography that GSM 7-bit lacks. One such mark would more than halve the room in a
# message, so it gives way to the plain one: no-break spaces, the Swiss apostrophe, the minus
# sign, direction marks.
_PLAIN = str.maketrans(
    {
        "\u00a0": " ",
        "\u202f": " ",
        "\u2019": "'",
        "\u2212": "-",
        "\u200e": None,
        "\u200f": None,
    }
)


_TOO_LONG = 15  # digits; no field, price or harvest comes near


@lru_cache(maxsize=4096)
def number(value: float | Decimal, locale: str, decimals: int = 0) -> str:
    """Write a number in the language's own grouping, with at most `decimals` decimal places.

    Halves round up, away from zero; needless noughts are left off, since each costs room:
    2 acres, not 2.0. Raises ValueError when `value` is not finite, or 10^15 or more.
    """
    pattern = "#,##0" + ("." + "#" * decimals if decimals else "")
    written: str = format_decimal(rounded(value, decimals), pattern, locale=locale)
    return written.translate(_PLAIN)


def rounded(value: float | Decimal, decimals: int) -> Decimal:
    """Round a number as a text shows it, halves away from zero. Raises ValueError like `number`."""
    exact = value if isinstance(value, Decimal) else Decimal(str(value))
    if not exact.is_finite() or exact.adjusted() >= _TOO_LONG:
        raise ValueError(f"{value} is no figure for a text; check the calculation behind it")
    return exact.quantize(Decimal(1).scaleb(-decimals), ROUND_HALF_UP) or Decimal(0)  # never "-0"


@lru_cache(maxsize=4096)
def short_date(day: date, locale: str) -> str:
    """Write weekday, day and month: "Tue 4 Mar".

    The names are CLDR's, the order is always day before month, with no commas: the order in
    which growers read and type dates (12/3 is 12 March).
    """
    return format_date(day, "EEE d MMM", locale=locale).translate(_PLAIN)


@lru_cache(maxsize=4096)
def long_date(day: date, locale: str) -> str:
    """Write weekday, day, month and year: "Tue 4 Mar 2025". Order as in `short_date`."""
    return format_date(day, "EEE d MMM y", locale=locale).translate(_PLAIN)


_BRACES = re.compile(r"\{\{|\}\}|\{(?P<name>[A-Za-z_][A-Za-z0-9_]*)\}|[{}]")


def fill(template: str, values: Mapping[str, object]) -> str:
    """Put values into the placeholders `{name}` of a text; `{{` and `}}` are literal braces.

    Only names are read, never attributes, items or format specifications: the text may be a
    stranger's translation. Raises KeyError for a placeholder without a value, and ValueError
    for a brace that belongs to no placeholder.
    """

    def piece(found: re.Match[str]) -> str:
        name = found["name"]
        if name is None:
            return _literal(found, template)
        if name not in values:
            raise KeyError(f"no value for {{{name}}} in {template!r}; given were {sorted(values)}")
        return str(values[name])

    return _BRACES.sub(piece, template)


def placeholders(template: str) -> frozenset[str]:
    """List the names a text asks values for. Raises ValueError like `fill`."""
    names = set()
    for found in _BRACES.finditer(template):
        if found["name"] is None:
            _literal(found, template)
        else:
            names.add(found["name"])
    return frozenset(names)


def _literal(found: re.Match[str], template: str) -> str:
    if len(found[0]) == 1:
        raise ValueError(
            f"a lone {found[0]} at character {found.start() + 1} of {template!r}; "
            "write {name} for a value, or double the brace"
        )
    return found[0][0]
