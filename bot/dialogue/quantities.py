"""Numbers, prices and areas as people type them: "1,5 ekari", "half an acre", "15,000/=".

Nothing is guessed. A text that could mean two numbers is `Unread`, and so is a number with a
unit or a word beside it that is not known here: "15 bags" must not become 15.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from decimal import Decimal
from itertools import pairwise
from typing import TYPE_CHECKING

from babel.numbers import list_currencies

from bot.agronomy.area import Area, closes
from bot.dialogue.unread import Unread
from bot.wording.words import Words, normal

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from bot.dialogue.schema import Shape

_VULGAR = {"½": " 1/2", "¼": " 1/4", "¾": " 3/4"}
_FRACTION = re.compile(r"(?:(\d{1,6})\s+)?(\d{1,3})\s*/\s*(\d{1,3})\Z", re.ASCII)
_GROUPED = re.compile(r"\d{1,3}([., '])\d{3}(?:\1\d{3})*\Z", re.ASCII)
_GROUPED_CENTS = re.compile(r"(\d{1,3}(?:,\d{3})+)\.(\d{1,2})\Z", re.ASCII)
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
    if money and (cents := _GROUPED_CENTS.match(text)):
        return Decimal(f"{cents[1].replace(',', '')}.{cents[2]}")
    if money and (thousands := _THOUSANDS.match(text)):
        return Decimal(thousands[1].replace(",", ".")) * 1000
    if plain := _DECIMAL.match(text):
        if money and len(plain[1] or "") > _CENTS:
            return None
        return min(Decimal(text.replace(",", ".")), MOST)
    return _in_words(text, words)


_TEN, _HUNDRED = 10, 100


def _in_words(text: str, words: Words) -> Decimal | None:
    """Read a number in words: "three", "twenty five", "kumi na tano"."""
    known = words.number(text)
    if known is not None:
        return known
    match [token for token in text.split() if normal(token) not in JOINING]:
        case [tens, ones]:
            ten, one = words.number(tens), words.number(ones)
            return ten + one if ten and one and _are_tens_and_ones(ten, one) else None
        case _:
            return None


def _are_tens_and_ones(ten: Decimal, one: Decimal) -> bool:
    return ten % _TEN == 0 and _TEN <= ten < _HUNDRED and one == int(one) and 0 < one < _TEN


def short(value: Decimal) -> int | float:
    """Give a number as it is kept: whole where it is whole, else to four places."""
    return int(value) if value == value.to_integral_value() else float(round(value, 4))


# A number with its unit

_LITRES = frozenset({"l", "lt", "ltr", "litre", "litres", "liter", "liters", "lita"})
_MILLILITRES = frozenset({"ml", "mls", "millilitre", "millilitres", "milliliters", "cc"})
_SECONDS = frozenset({"s", "sec", "secs", "second", "seconds", "sekunde"})
_MINUTES = frozenset({"min", "mins", "minute", "minutes", "dakika"})
_CENTIMETRES = frozenset({"cm", "cms", "sm", "sentimita", "centimetres", "centimeters"})
# Without the kip: "lak 5" is a slip in "laki 5", half a million.
_CURRENCIES = frozenset(code.lower() for code in list_currencies()) - {"lak"} | {
    "/", "shilling", "shillings", "shilingi", "sh", "shs", "ksh", "kshs", "tsh", "tshs", "ush",
    "ushs", "naira", "cedi", "cedis", "franc", "francs", "kwacha", "birr",
}  # fmt: skip
_TENTHS_ARE_METRES = 10
"""Nobody measures growth in tenths of a centimetre: "1.2" was meant for metres."""


def measured(text: str, unit: str, words: Words) -> Decimal | Unread | None:
    """Read a number in a unit of the flow files, its unit beside it or not: "60", "1.2 m", "½ l".

    Behind a "count" may stand what is counted: "27 steps".
    """
    if unit == "money":
        return _money(_without_currency(text), words)
    plain = number(text, words)
    if plain is not None:
        if unit == "cm" and isinstance(plain, Decimal) and _is_metres(plain):
            return Unread("which_unit", {"number": short(plain)})
        return plain
    tokens = _spaced(text.strip(_ENDING)).split()
    if len(tokens) > _MOST_WORDS:
        return None
    for place in range(1, len(tokens)):
        front, behind = tokens[:place], tokens[place:]
        for number_part, unit_part in ((front, behind), (behind, front)):
            value = _size(number_part, words, square_metres=False)
            if isinstance(value, Decimal):
                found = _converted(value, normal(" ".join(unit_part)), unit, words)
                if found is not None:
                    return found
    # "1,200 cm" is two numbers, whatever stands behind it.
    values = [
        _size(tokens[:place], words, square_metres=False) for place in range(len(tokens), 0, -1)
    ]
    return next((value for value in values if isinstance(value, Unread)), None)


def _is_metres(value: Decimal) -> bool:
    return value < _TENTHS_ARE_METRES and value != value.to_integral_value()


def _converted(value: Decimal, written: str, unit: str, words: Words) -> Decimal | None:
    match unit:
        case "cm" | "m":
            metres = words.unit(written) == "m"
            if not metres and written not in _CENTIMETRES:
                return None
            centimetres = value * 100 if metres else value
            return centimetres if unit == "cm" else centimetres / 100
        case "litre":
            if written in _MILLILITRES:
                return value / 1000
            return value if written in _LITRES else None
        case "seconds":
            if written in _MINUTES:
                return value * 60
            return value if written in _SECONDS else None
        case _:
            counted = unit == "count" and words.unit(written) == "counted"
            return value if counted else None


def _without_currency(text: str) -> str:
    """Leave out what a currency is called: it says nothing about the amount."""
    text = text.strip(_ENDING).replace("/=", " ").replace("/-", " ")
    tokens = re.sub(r"(?<=[A-Za-z])(?=\d)|(?<=\d)(?=[A-Za-z]{2})", " ", text).split()
    for place in (0, -1):
        if len(tokens) > 1 and normal(tokens[place]) in _CURRENCIES:
            del tokens[place]
    return " ".join(tokens)


_LARGEST_COUNT = 1000
"""Of thousands, lakhs and so on: "15,000 elfu" was said twice over."""


def _money(text: str, words: Words) -> Decimal | Unread | None:
    """Read an amount: "15,000", "15 elfu", "laki 1 na nusu", "1.5 million"."""
    plain = number(text, words, money=True)
    if plain is not None:
        return plain
    amounts = _amounts(text.split(), int(MOST), words)
    return amounts.pop() if len(amounts) == 1 else None


def _amounts(tokens: Sequence[str], below: int, words: Words) -> set[Decimal]:
    """Give every amount that words can be, in scales that become smaller from left to right."""
    if len(tokens) > _MOST_WORDS:
        return set()
    amounts = set()
    for place in range(1, len(tokens) + 1):
        counted = _scaled(tokens[:place], words)
        if counted is None or counted[1] >= below:
            continue
        amount, scale = counted
        rest = (
            tokens[place + 1 :]
            if normal(" ".join(tokens[place : place + 1])) in JOINING
            else tokens[place:]
        )
        if not rest and place == len(tokens):
            amounts.add(amount)
        amounts |= {amount + each for each in _amounts(rest, scale, words)}
        # "elfu 15 na 500" is plain; "elfu 15 na 5" could be 15,005 or 15,500.
        left = number(" ".join(rest), words)
        if isinstance(left, Decimal) and scale <= left * _TEN < scale * _TEN:
            amounts.add(amount + left)
    return amounts


_MOST_WORDS = 12
"""No amount or size has more; a letter would take long to go through."""


def _scaled(tokens: Sequence[str], words: Words) -> tuple[Decimal, int] | None:
    """Read a count with its scale before or behind: "elfu 15", "15 thousand"; both given."""
    for scale_part, rest in ((tokens[0], tokens[1:]), (tokens[-1], tokens[:-1])):
        scale = words.scale(scale_part)
        if scale is None or not rest or JOINING & {normal(rest[0]), normal(rest[-1])}:
            continue  # "laki na nusu" is a lakh and a half, not half a lakh
        count = _size(rest, words, square_metres=False)
        if isinstance(count, Decimal) and 0 < count < _LARGEST_COUNT:
            return count * scale, scale
    return None


def without_per(text: str, unit: str, words: Words) -> str:
    """Leave out "per tonne" where the price of a tonne is asked for."""
    match unit:
        case "tonne":
            return words.without(text, "per_tonne")
        case "acre":
            return words.without(text, "per_acre")
        case "day":
            return words.without(text, "per_day")
        case _:
            return text


# Areas

_SIDE = r"(?:mita\s*|meta\s*)?(\d[\d.,]*)\s*(?:m|mita|meta)?"
_SIDES = re.compile(
    rf"{_SIDE}\s*(?:x|\*|\u00d7|by|kwa|na)\s*{_SIDE}(?:\s*\b(?:metres|meters))?[\s.]*\Z",
    re.ASCII | re.IGNORECASE,
)
JOINING = frozenset({"and", "na", "of", "ya"})
_ARTICLES = frozenset({"a", "an"})


@dataclass(frozen=True, slots=True)
class Sizes:
    """The sizes a field can have: from `low` to `high` acres.

    `units` are the local ones, in square metres.
    """

    low: float
    high: float
    units: Mapping[str, float] = field(default_factory=dict)

    def fit(self, value: float, unit: str) -> bool:
        """Whether a size lies within the limits."""
        if value <= 0:
            return False
        area = Area(value * self.units[unit]) if unit in self.units else None
        return self.low <= (area or Area.from_value(value, unit)).acres <= self.high

    def outside(self) -> Unread:
        """Say what the limits are."""
        return Unread("area_range", {"low": self.low, "high": self.high})


def area(text: str, words: Words, sizes: Sizes) -> str | Unread:
    """Read a field's size, as "1.5 acre", "0.6 ha", "2400 m2" or "40x60 m".

    A local unit is kept with its square metres, "3 plot 450", so that a later change of the
    operator's file changes no field.
    """
    text = text.strip(_ENDING)
    if sides := _SIDES.match(text):
        return _rectangle(sides.groups(), words, sizes)
    value, unit = _value_and_unit(text, words)
    if isinstance(value, Unread):
        return value
    if value is None:
        return Unread("not_understood")
    if unit is None and 0 < value < MOST:
        return Unread("which_unit", {"number": short(value)})
    if unit is None or not sizes.fit(short(value), unit):
        return sizes.outside()
    kept = f"{short(value)} {unit}"
    return f"{kept} {sizes.units[unit]:g}" if unit in sizes.units else kept


def _rectangle(sides: Sequence[str], words: Words, sizes: Sizes) -> str | Unread:
    length, width = (number(side, words) for side in sides)
    if not isinstance(length, Decimal) or not isinstance(width, Decimal):
        return Unread("not_understood")
    if not sizes.fit(short(length * width), "m2"):
        return sizes.outside()
    return f"{short(length)}x{short(width)} m"


_SIDES_OF: Mapping[Shape, int] = {"rectangle": 2, "triangle": 3, "four_sides": 5, "round": 1}
"""Lengths that make up each shape; the fifth of a field with four sides is its diagonal."""

_BETWEEN = re.compile(
    r"\s*(?:;|,\s|\bx\b|\*|\u00d7|\bby\b|\bkwa\b|\bna\b|\band\b)\s*|\s+",
    re.IGNORECASE,
)


def paced(text: str, shape: Shape, words: Words, pace_m: float, sizes: Sizes) -> str | Unread:
    """Read the sides of a field in paces ("40 55 60"), or in metres where "m" stands behind them.

    They become an area in acres. Sides that cannot meet in a corner are `Unread`, and so is
    another number of sides than the shape has.
    """
    lengths = _lengths(text, words, pace_m)
    if len(lengths) != _SIDES_OF[shape] or not all(each > 0 for each in lengths):
        return Unread("how_many_sides", {"number": _SIDES_OF[shape]})
    match shape:
        case "rectangle":
            found = Area.from_sides(*lengths)
        case "round":
            found = Area.from_round(*lengths)
        case "triangle":
            if not closes(*lengths):
                return Unread("sides_do_not_meet")
            found = Area.from_triangle(*lengths)
        case _:
            a, b, c, d, across = lengths
            if not closes(a, b, across) or not closes(c, d, across):
                return Unread("sides_do_not_meet")
            found = Area.from_four_sides(a, b, c, d, across)
    acres = short(Decimal(str(found.acres)))
    return f"{acres} acre" if sizes.fit(acres, "acre") else sizes.outside()


def _lengths(text: str, words: Words, pace_m: float) -> list[float]:
    """Give the lengths of a text in metres; none where a piece of it is no length."""
    text = text.strip(_ENDING)
    if "," in text and not re.search(r"\s", text):
        text = text.replace(",", " ")  # "40,55,60": nobody paces tenths of a step
    text = re.sub(r"(?<=\d)(?=[^\W\d_])|(?<=[^\W\d_])(?=\d)", " ", text)
    pieces = [piece for piece in _BETWEEN.split(text) if piece]
    units = {words.unit(piece) for piece in pieces}
    metres = 1.0 if "m" in units else pace_m
    in_words = [words.number(piece) or Decimal(0) for piece in pieces]
    if any(_are_tens_and_ones(ten, one) for ten, one in pairwise(in_words)):
        return []  # "ishirini na tano": 25, or 20 and 5?
    lengths = []
    for piece in pieces:
        if words.unit(piece) in ("m", "counted"):
            continue
        value = number(piece, words)
        if not isinstance(value, Decimal):
            return []
        lengths.append(float(value) * metres)
    return lengths


def _value_and_unit(text: str, words: Words) -> tuple[Decimal | Unread | None, str | None]:
    """Part a size into its number and its unit, which may stand before or behind."""
    tokens = _spaced(text).split()
    for place in range(1, len(tokens)):
        for unit, rest in ((tokens[place:], tokens[:place]), (tokens[:place], tokens[place:])):
            name = words.unit(" ".join(unit))
            if name is not None:
                size = _size(rest, words, square_metres=name == "m2")
                if size is not None:  # "mita" alone is the unit of no size, "mita za mraba" is
                    return size, None if name in ("m", "counted") else name
    if len(tokens) > _MOST_WORDS:
        return None, None
    for start in range(1, len(tokens) - 1):
        for end in range(start + 1, len(tokens)):
            # The unit may stand in the middle: "1 acre and a half".
            name = words.unit(" ".join(tokens[start:end]))
            if name is not None and normal(tokens[end]) in JOINING:
                size = _size([*tokens[:start], *tokens[end:]], words, square_metres=False)
                return size, None if name in ("m", "counted") else name
    return _size(tokens, words, square_metres=False), None


def _spaced(text: str) -> str:
    """Put a space between a number and its unit."""
    return re.sub(
        r"(?<=[\d½¼¾])(?=[^\W\d_])|(?<=[^\W\d_]{2})(?=\d)|(?<=[^\W\d_])(?=[½¼¾])", " ", text
    )  # but "m2" is one unit


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
