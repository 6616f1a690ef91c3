"""Numbers, prices and areas as people type them: "1,5 ekari", "half an acre", "15,000/=".

Nothing is guessed. A text that could mean two numbers is `Unread`, and so is a number with a
unit or a word beside it that is not known here: "15 elfu" must not become 15.
"""

from __future__ import annotations

import re
from decimal import Decimal
from typing import TYPE_CHECKING

from babel.numbers import list_currencies

from bot.agronomy.area import Area
from bot.dialogue.unread import Unread
from bot.wording.words import Words, normal

if TYPE_CHECKING:
    from collections.abc import Sequence

_VULGAR = {"½": " 1/2", "¼": " 1/4", "¾": " 3/4"}
_FRACTION = re.compile(r"(?:(\d{1,6})\s+)?(\d{1,3})\s*/\s*(\d{1,3})\Z", re.ASCII)
_GROUPED = re.compile(r"\d{1,3}([., '])\d{3}(?:\1\d{3})*\Z", re.ASCII)
_DECIMAL = re.compile(r"\d+(?:[.,](\d+))?\Z", re.ASCII)
_THOUSANDS = re.compile(r"(\d+(?:[.,]\d)?)\s*k\Z", re.ASCII | re.IGNORECASE)
_ENDING = " .,;:!?"

MOST = Decimal(10) ** 12
"""No field, price or tank comes near; a larger number is a slip of the keypad."""

_CENTS = 2
"""Decimal places of a price; with more, a point was meant for thousands or is a slip."""


def number(text: str, words: Words, *, money: bool = False) -> Decimal | Unread | None:
    """Read one number in digits or words; None when it is not a number.

    "15,000" and "15.000" are fifteen thousand where thousands are usual (`money`); elsewhere
    such a text could mean two things and is asked again.
    """
    text = text.strip(_ENDING)
    for sign, fraction in _VULGAR.items():
        text = text.replace(sign, fraction)
    text = text.strip()
    if parts := _FRACTION.match(text):
        whole, above, below = (int(part or 0) for part in parts.groups())
        return Decimal(whole) + Decimal(above) / Decimal(below) if below else None
    if _GROUPED.match(text) and not text.startswith("0"):
        if money or " " in text:
            return Decimal(re.sub(r"\D", "", text))
        return Unread("two_numbers")
    if money and (thousands := _THOUSANDS.match(text)):
        return Decimal(thousands[1].replace(",", ".")) * 1000
    if plain := _DECIMAL.match(text):
        if money and len(plain[1] or "") > _CENTS:
            return None
        return min(Decimal(text.replace(",", ".")), MOST)
    return words.number(text)


def short(value: Decimal) -> int | float:
    """Give a number as it is kept: whole where it is whole, else to four places."""
    return int(value) if value == value.to_integral_value() else float(round(value, 4))


# A number with its unit

_UNIT_BEHIND = re.compile(r"(.*[\d½¼¾])[\s.]*([^\d½¼¾]*)\Z", re.ASCII | re.DOTALL)
_LITRES = frozenset({"l", "lt", "ltr", "litre", "litres", "liter", "liters", "lita"})
_CENTIMETRES = frozenset({"cm", "cms", "sm"})
_CURRENCIES = frozenset(code.lower() for code in list_currencies()) | {
    "/", "shilling", "shillings", "shilingi", "sh", "shs", "ksh", "kshs", "tsh", "tshs", "ush",
    "ushs", "naira", "cedi", "cedis", "franc", "francs", "kwacha", "birr",
}  # fmt: skip
_TENTHS_ARE_METRES = 10
"""Nobody measures growth in tenths of a centimetre: "1.2" was meant for metres."""


def measured(text: str, unit: str, words: Words) -> Decimal | Unread | None:
    """Read a number of centimetres ("cm"), litres ("litre") or money, its unit beside it or not."""
    if unit == "money":
        return number(_without_currency(text), words, money=True)
    plain = number(text, words)
    if plain is not None:
        if unit == "cm" and isinstance(plain, Decimal) and _is_metres(plain):
            return Unread("which_unit", {"number": short(plain)})
        return plain
    parts = _UNIT_BEHIND.match(text.strip(_ENDING))
    value = number(parts[1], words) if parts else None
    if parts is None or not isinstance(value, Decimal):
        return value
    return _converted(value, normal(parts[2]), unit, words)


def _is_metres(value: Decimal) -> bool:
    return value < _TENTHS_ARE_METRES and value != value.to_integral_value()


def _converted(value: Decimal, written: str, unit: str, words: Words) -> Decimal | None:
    if unit == "cm":
        if written in _CENTIMETRES:
            return value
        return value * 100 if words.unit(written) == "m" else None
    return value if written in _LITRES else None


def _without_currency(text: str) -> str:
    """Leave out what a currency is called: it says nothing about the amount."""
    text = text.strip(_ENDING).replace("/=", " ").replace("/-", " ")
    tokens = re.sub(r"(?<=[A-Za-z])(?=\d)|(?<=\d)(?=[A-Za-z]{2})", " ", text).split()
    for place in (0, -1):
        if len(tokens) > 1 and normal(tokens[place]) in _CURRENCIES:
            del tokens[place]
    return " ".join(tokens)


# Areas

_SIDE = r"(\d[\d.,]*)\s*(?:m|mita|meta)?"
_SIDES = re.compile(
    rf"{_SIDE}\s*(?:x|\*|\u00d7|by|kwa|na)\s*{_SIDE}(?:\s*\b(?:metres|meters))?[\s.]*\Z",
    re.ASCII | re.IGNORECASE,
)
JOINING = frozenset({"and", "na", "of", "ya"})
_ARTICLES = frozenset({"a", "an"})


def area(text: str, words: Words, low: float, high: float) -> str | Unread:
    """Read a field's size, as "1.5 acre", "0.6 ha", "2400 m2" or "40x60 m".

    `low` and `high` are the smallest and largest field in acres.
    """
    text = text.strip(_ENDING)
    if sides := _SIDES.match(text):
        return _rectangle(sides.groups(), words, low, high)
    value, unit = _value_and_unit(text, words)
    if isinstance(value, Unread):
        return value
    if value is None:
        return Unread("not_understood")
    if unit is None and 0 < value < MOST:
        return Unread("which_unit", {"number": short(value)})
    if unit is None or not _fits(value, unit, low, high):
        return Unread("area_range", {"low": low, "high": high})
    return f"{short(value)} {unit}"


def _rectangle(sides: Sequence[str], words: Words, low: float, high: float) -> str | Unread:
    length, width = (number(side, words) for side in sides)
    if not isinstance(length, Decimal) or not isinstance(width, Decimal):
        return Unread("not_understood")
    if not _fits(length * width, "m2", low, high):
        return Unread("area_range", {"low": low, "high": high})
    return f"{short(length)}x{short(width)} m"


def _fits(value: Decimal, unit: str, low: float, high: float) -> bool:
    return short(value) > 0 and low <= Area.from_value(float(value), unit).acres <= high


def _value_and_unit(text: str, words: Words) -> tuple[Decimal | Unread | None, str | None]:
    """Part a size into its number and its unit, which may stand before or behind."""
    spaced = re.sub(r"(?<=[\d½¼¾])(?=[^\W\d_])|(?<=[^\W\d_])(?=[½¼¾])", " ", text)
    tokens = spaced.split()
    for place in range(1, len(tokens)):
        for unit, rest in ((tokens[place:], tokens[:place]), (tokens[:place], tokens[place:])):
            name = words.unit(" ".join(unit))
            if name is not None:
                size = _size(rest, words, square_metres=name == "m2")
                return size, None if name == "m" else name
    return _size(tokens, words, square_metres=False), None


def _size(tokens: Sequence[str], words: Words, *, square_metres: bool) -> Decimal | Unread | None:
    """Read the number of a size: in digits, in words, or a whole and a part ("one and a half")."""
    plain = number(" ".join(tokens), words, money=square_metres)
    if plain is not None:
        return plain
    parts: list[list[str]] = [[]]
    for token in tokens:
        if normal(token) in JOINING:
            parts.append([])
        else:
            parts[-1].append(token)
    phrases = [" ".join(part) for part in parts if part and not _is_article(part)]
    values = [number(_without_article(phrase), words) for phrase in phrases]
    match values:
        case [Decimal() as value]:
            return value
        case [Decimal() as whole, Decimal() as part] if part < 1 and whole == int(whole):
            return whole + part
        case _:
            return None


def _is_article(tokens: Sequence[str]) -> bool:
    return len(tokens) == 1 and normal(tokens[0]) in _ARTICLES


def _without_article(phrase: str) -> str:
    """Leave out the article of "half an (acre)"."""
    head, _, last = phrase.rpartition(" ")
    return head if head and normal(last) in _ARTICLES else phrase
