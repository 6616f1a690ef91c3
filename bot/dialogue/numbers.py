"""Numbers as people type them, in digits or in words: "1,5", "1 ½", "twenty five", "kumi na tano".

Nothing is guessed. A text that could mean two numbers is `Unread`, and one with a word that is
not known is no number.
"""

from __future__ import annotations

import re
from decimal import Decimal
from typing import TYPE_CHECKING

from bot.dialogue.unread import Unread
from bot.wording.words import normal

if TYPE_CHECKING:
    from collections.abc import Sequence

    from bot.wording.words import Words

_VULGAR = {"½": " 1/2", "¼": " 1/4", "¾": " 3/4"}
_FRACTION = re.compile(r"(?:(\d{1,6})\s+)?(\d{1,3})\s*/\s*(\d{1,3})\Z", re.ASCII)
_GROUPED = re.compile(r"\d{1,3}([., '])\d{3}(?:\1\d{3})*\Z", re.ASCII)
_GROUPED_CENTS = re.compile(r"(\d{1,3}(?:([., '])\d{3})+)(?!\2)[.,](\d{1,2})\Z", re.ASCII)
_DECIMAL = re.compile(r"\d+(?:[.,](\d+))?\Z", re.ASCII)
_THOUSANDS = re.compile(r"(\d+(?:[.,]\d)?)\s*k\Z", re.ASCII | re.IGNORECASE)
ENDING = " .,;:!?"
"""Marks that may end a text and say nothing."""

MOST = Decimal(10) ** 12
"""No field, price or tank comes near; a larger number is a slip of the keypad."""

_CENTS = 2
"""Decimal places of a price; with more, a point was meant for thousands or is a slip."""


def number(text: str, words: Words, *, money: bool = False) -> Decimal | Unread | None:
    """Read one number in digits or words; None when it is not a number.

    "15,000" and "15.000" are fifteen thousand where thousands are usual (`money`); elsewhere
    such a text could mean two things and is asked again.
    """
    text = text.strip(ENDING)
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
        return Decimal(f"{re.sub(r'[^0-9]', '', cents[1])}.{cents[3]}")
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
    match [token for token in normal(text).split() if not words.joins(token)]:
        case [tens, ones]:
            ten, one = words.number(tens), words.number(ones)
            return ten + one if ten and one and _are_tens_and_ones(ten, one) else None
        case _:
            return None


def _are_tens_and_ones(ten: Decimal, one: Decimal) -> bool:
    return ten % _TEN == 0 and _TEN <= ten < _HUNDRED and one == int(one) and 0 < one < _TEN


def size(tokens: Sequence[str], words: Words, *, grouped: bool = False) -> Decimal | Unread | None:
    """Read the number of a size: in digits, in words, or a whole and a part ("one and a half").

    With `grouped`, "2,400" is two thousand and four hundred. "And a half" alone is none: with "eka
    da rabi" an acre and a half is meant.
    """
    plain = number(" ".join(tokens), words, money=grouped)
    if plain is not None:
        return plain
    if not tokens or {normal(tokens[0]), normal(tokens[-1])} & words.small("joining"):
        return None
    parts: list[list[str]] = [[]]
    for token in tokens:
        if words.joins(token):
            parts.append([])
        else:
            parts[-1].append(token)
    article = words.small("article")
    # Of "half of an" the article counts nothing; "an (acre) and a half" begins with one.
    parts[1:] = [part for part in parts[1:] if not article >= set(map(normal, part))]
    phrases = [" ".join(part) for part in parts if part]
    values = [number(_without_article(phrase, words), words) for phrase in phrases]
    match values:
        case [Decimal() as value]:
            return value
        case [Decimal() as whole, Decimal() as part] if part < 1 and whole == int(whole):
            return whole + part
        case _:
            return None


def _without_article(phrase: str, words: Words) -> str:
    """Leave out the article of "half an (acre)"."""
    head, _, last = phrase.rpartition(" ")
    return head if head and normal(last) in words.small("article") else phrase


def parted_words(text: str) -> str:
    """Write words joined by a hyphen apart: "vingt-cinq", "demi-hectare"."""
    return re.sub(r"(?<=[^\W\d_])-(?=[^\W\d_])", " ", text)


def short(value: Decimal) -> int | float:
    """Give a number as it is kept: whole where it is whole, else to four places."""
    return int(value) if value == value.to_integral_value() else float(round(value, 4))
