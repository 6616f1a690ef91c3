"""Sizes and measures as people type them: "1,5 ekari", "half an acre", "40x60 m", "lita 15".

Nothing is guessed. A text that could mean two sizes is `Unread`, and so is a number with a unit
or a word beside it that is not known here: "15 bags" must not become 15.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from decimal import Decimal
from functools import lru_cache
from itertools import pairwise
from typing import TYPE_CHECKING

from bot.agronomy.area import Area, closes
from bot.dialogue.money import money
from bot.dialogue.numbers import ENDING, MOST, number, parted_words, short, size
from bot.dialogue.unread import Unread
from bot.wording.words import Words, normal, without_accents

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from bot.dialogue.schema import Shape

# A number with its unit

_TENTHS_ARE_METRES = 10
"""Nobody measures growth in tenths of a centimetre: "1.2" was meant for metres."""

_METRES_AND = re.compile(r"(\d)\s*(?:m|metres?|mita)\s*(\d\d)(?:\s*cm)?\Z")
"""A metre and so many centimetres: "1m20"."""

_MOST_WORDS = 12
"""No size has more; a letter would take long to go through."""


def measured(text: str, unit: str, words: Words) -> Decimal | Unread | None:
    """Read a number in a unit of the flow files, its unit beside it or not: "60", "1.2 m", "½ l".

    Behind a "count" may stand what is counted: "27 steps".
    """
    if unit == "money":
        return money(text, words)
    plain = number(text, words)
    if plain is not None:
        if unit == "cm" and isinstance(plain, Decimal) and _is_metres(plain):
            return Unread("which_unit", {"number": short(plain)})
        return plain
    if unit in ("cm", "m") and (both := _METRES_AND.match(without_accents(text.strip(ENDING)))):
        centimetres = Decimal(both[1]) * 100 + Decimal(both[2])
        return centimetres * _PER[unit]["cm"]
    tokens = _spaced(text.strip(ENDING)).split()
    if len(tokens) > _MOST_WORDS:
        return None
    found = _measure(tokens, unit, words)
    if found is None and unit == "seconds":
        found = _minutes_and_seconds(tokens, words)
    if found is not None:
        return found
    # "1,200 cm" is two numbers, whatever stands behind it.
    values = [size(tokens[:place], words) for place in range(len(tokens), 0, -1)]
    return next((value for value in values if isinstance(value, Unread)), None)


def _measure(tokens: list[str], unit: str, words: Words) -> Decimal | None:
    for number_part, unit_part in _parted(tokens, words):
        value = size(number_part, words)
        if isinstance(value, Decimal):
            found = _converted(value, " ".join(unit_part), unit, words)
            if found is not None:
                return found
    return None


def _minutes_and_seconds(tokens: list[str], words: Words) -> Decimal | None:
    """Read "2 min 30 s" or "1 minute 30": minutes, then seconds."""
    for place in range(2, len(tokens)):
        minutes, seconds = _measure(tokens[:place], "seconds", words), tokens[place:]
        if words.joins(seconds[0]):
            seconds = seconds[1:]
        if minutes is None or minutes % _MINUTE or not seconds:
            continue
        plain = size(seconds, words) if len(seconds) == 1 else None
        left = plain if isinstance(plain, Decimal) else _measure(seconds, "seconds", words)
        if left is not None and _TEN <= left < _MINUTE:
            return minutes + left
    return None


_TEN, _MINUTE = 10, 60


def _is_metres(value: Decimal) -> bool:
    return value < _TENTHS_ARE_METRES and value != value.to_integral_value()


def _converted(value: Decimal, written: str, unit: str, words: Words) -> Decimal | None:
    """Give a value in the unit asked for; None where it was written in none of its kind."""
    if unit == "count":
        return value if words.unit(written) == "counted" else None
    name = "m" if words.unit(written) == "m" else words.measure(written)
    per = _PER.get(unit, {}).get(name or "")
    return None if per is None else value * per


_PER = {
    "cm": {"cm": Decimal(1), "m": Decimal(100)},
    "m": {"cm": Decimal("0.01"), "m": Decimal(1)},
    "litre": {"litre": Decimal(1), "cl": Decimal("0.01"), "ml": Decimal("0.001")},
    "seconds": {"seconds": Decimal(1), "minutes": Decimal(60)},
}


def _parted(tokens: list[str], words: Words) -> Iterator[tuple[list[str], list[str]]]:
    """Part a size into its number and its unit in every way: behind it, before it, within it.

    Within it, only where a part follows: "1 acre and a half", "2 hectares 1/2".
    """
    for place in range(1, len(tokens)):
        yield tokens[:place], tokens[place:]
        if not _denied(tokens, words):
            yield tokens[place:], tokens[:place]
    for start in range(1, len(tokens) - 1):
        for end in range(start + 1, len(tokens)):
            if words.joins(tokens[end]) or _A_PART.fullmatch(tokens[end]):
                yield [*tokens[:start], *tokens[end:]], tokens[start:end]


def _denied(tokens: Sequence[str], words: Words) -> bool:
    return bool(tokens) and normal(tokens[0]) in words.small("denying")


_A_PART = re.compile(r"[½¼¾]|[1-9]/[1-9]")


# Areas


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
    text = text.strip(ENDING)
    pattern = _sides(words.unit_spellings("m"), words.small("by"))
    if sides := pattern.match(without_accents(text)):
        return _rectangle(sides.groups(), words, sizes)
    if (named := _named_sides(text, words)) is not None:
        return _rectangle(named, words, sizes)
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


@lru_cache(maxsize=32)  # a few languages are in use
def _sides(metres: frozenset[str], by: frozenset[str]) -> re.Pattern[str]:
    """Compile how two sides of a field are written: "40x60", "40 m by 60 m", "mita 40 kwa 60"."""
    unit, between = ("|".join(map(re.escape, sorted(each))) for each in (metres, by))
    side = rf"(?:(?:{unit})\s*)?(\d[\d.,]*)(?:\s*(?:{unit})\b)?"
    cross = rf"\s*[x*\u00d7]\s*|\s+(?:{between})\s+" if by else r"\s*[x*\u00d7]\s*"
    return re.compile(rf"{side}(?:{cross}){side}[\s.]*\Z", re.ASCII)


def _named_sides(text: str, words: Words) -> list[str] | None:
    """Give the two sides of "length 60 m, width 40 m"; None where they are not so named."""
    tokens = re.sub(r"[,;:](?!\d)", " ", _spaced(text)).split()
    sides = [token for token in tokens if token[0].isdigit()]
    others = [token for token in tokens if not token[0].isdigit()]
    named = {normal(token) for token in others} & words.small("side")
    known = all(
        normal(token) in named or words.joins(token) or words.unit(token) == "m" for token in others
    )
    return sides if known and len(sides) == len(named) == _TWO_SIDES else None


_TWO_SIDES = 2


def _rectangle(sides: Sequence[str], words: Words, sizes: Sizes) -> str | Unread:
    length, width = (number(side, words) for side in sides)
    if not isinstance(length, Decimal) or not isinstance(width, Decimal):
        return Unread("not_understood")
    if not sizes.fit(short(length * width), "m2"):
        return sizes.outside()
    return f"{short(length)}x{short(width)} m"


_SIDES_OF: Mapping[Shape, int] = {"rectangle": 2, "triangle": 3, "four_sides": 5, "round": 1}
"""Lengths that make up each shape; the fifth of a field with four sides is its diagonal."""


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
    text = text.strip(ENDING)
    if "," in text and not re.search(r"\s", text):
        text = text.replace(",", " ")  # "40,55,60": nobody paces tenths of a step
    text = re.sub(r"[;*\u00d7]|,\s", " ", text)
    text = re.sub(r"(?<=\d)(?=[^\W\d_])|(?<=[^\W\d_])(?=\d)", " ", text)
    between = words.small("by") | words.small("side") | {"x"}
    pieces = [
        piece for piece in text.split() if normal(piece) not in between and not words.joins(piece)
    ]
    if _denied(pieces, words):
        return []
    units = {words.unit(piece) for piece in pieces}
    metres = 1.0 if "m" in units else pace_m
    if any(
        number(f"{one} {other}", words) is not None
        for one, other in pairwise(pieces)
        if one.isalpha()
    ):
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
    """Part a size into its number and its unit, which may stand before, behind or within it."""
    tokens = _spaced(text).split()
    if len(tokens) > _MOST_WORDS:
        return None, None
    for number_part, unit_part in _parted(tokens, words):
        name = words.unit(" ".join(unit_part))
        if name is not None:
            found = size(number_part, words, grouped=name == "m2")
            if found is not None:  # "mita" alone is the unit of no size, "mita za mraba" is
                return found, None if name in ("m", "counted") else name
    return size(tokens, words), None


def _spaced(text: str) -> str:
    """Put a space between a number and its unit, and between words that a hyphen joins."""
    return re.sub(
        r"(?<=[\d½¼¾])(?=[^\W\d_])|(?<=[^\W\d_]{2})(?=\d)|(?<=[^\W\d_])(?=[½¼¾])",
        " ",
        parted_words(text),
    )  # but "m2" is one unit
