"""Amounts of money as people type them: "15,000/=", "N15k", "elfu 15", "deux cent mille F CFA"."""

from __future__ import annotations

import re
from decimal import Decimal
from typing import TYPE_CHECKING

from babel.numbers import list_currencies

from bot.dialogue.numbers import ENDING, MOST, number, parted_words, size
from bot.wording.words import normal

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from bot.dialogue.unread import Unread
    from bot.wording.words import Words

# Without the kip: "lak 5" is a slip in "laki 5", half a million.
_CODES = frozenset(code.lower() for code in list_currencies()) - {"lak"}
_SIGNS = re.compile(r"/[=-]|[=#$£€\u20a6\u20b5]")
_GLUED = re.compile(r"(?<=[A-Za-z])(?=\d)|(?<=\d)(?=[A-Za-z]{2})")
_ONE_LETTER = re.compile(r"(.*\d)([A-Za-z])\Z")

_MOST_WORDS = 12
"""No amount has more; a letter would take long to go through."""

_HUNDRED = 100
_LARGEST_COUNT = 1000
"""Of thousands, lakhs and so on: "15,000 elfu" was said twice over."""


def money(text: str, words: Words) -> Decimal | Unread | None:
    """Read an amount: "15,000", "15 elfu", "laki 1 na nusu", "1.5 million"; None if it is none."""
    text = _without_currency(text, words)
    if words.count_stands == "behind" and words.scale(text) is not None:
        return None  # "dubu", a thousand: the count that stands behind it is missing
    plain = number(text, words, money=True)
    if plain is not None:
        return plain
    amounts = _amounts(text.split(), int(MOST), words)
    return amounts.pop() if len(amounts) == 1 else None


def without_per(text: str, unit: str, words: Words) -> str:
    """Leave out "per tonne" where the price of a tonne is asked for."""
    text = re.sub(r"\s*/\s*(?=[^\W\d_])", " /", text)
    match unit:
        case "tonne":
            return words.without(text, "per_tonne")
        case "acre":
            return words.without(text, "per_acre")
        case "day":
            return words.without(text, "per_day")
        case _:
            return text


def _without_currency(text: str, words: Words) -> str:
    """Leave out what a currency is called: it says nothing about the amount."""
    text = parted_words(_SIGNS.sub(" ", text.strip(ENDING)))
    tokens = _GLUED.sub(" ", text).split()
    for place in (0, -1):
        for _ in range(2):  # "F CFA" is one name
            one = _ONE_LETTER.match(tokens[place]) if tokens else None
            if one and words.measure(one[2]) == "money":
                tokens[place] = one[1]
            elif len(tokens) > 1 and _is_currency(tokens[place], words):
                del tokens[place]
    return " ".join(tokens)


def _is_currency(token: str, words: Words) -> bool:
    return words.measure(token) == "money" or normal(token) in _CODES


def _amounts(tokens: Sequence[str], below: int, words: Words) -> set[Decimal]:
    """Give every amount that words can be, in scales that become smaller from left to right."""
    if len(tokens) > _MOST_WORDS:
        return set()
    amounts = set()
    for place in range(1, len(tokens) + 1):
        rest = tokens[place:]
        joined = bool(rest) and words.joins(rest[0])
        alone = place == len(tokens) or joined or words.count_stands == "before"
        for amount, scale in _scaled(tokens[:place], below, words, alone=alone):
            if not rest:
                amounts.add(amount)
            elif not joined:
                amounts |= _with_rest(amount, scale, rest, words)
            elif len(rest) > 1:
                amounts |= _with_rest(amount, scale, rest[1:], words)
                amounts |= _and_a_half(amount, scale, rest[1:], words)
    return amounts


def _with_rest(amount: Decimal, scale: int, rest: Sequence[str], words: Words) -> set[Decimal]:
    """Add what follows the count of a scale: a smaller scale, or a number."""
    amounts = {amount + each for each in _amounts(rest, scale, words)}
    left = number(" ".join(rest), words)
    # "elfu 15 na 500" is plain; "elfu 15 na 5" could be 15,005 or 15,500.
    if isinstance(left, Decimal) and scale <= left * 10 < scale * 10:
        amounts.add(amount + left)
    return amounts


def _and_a_half(amount: Decimal, scale: int, rest: Sequence[str], words: Words) -> set[Decimal]:
    """Add a part of the scale itself: "a million and a half"."""
    part = number(" ".join(rest), words)
    if words.count_stands == "before" and isinstance(part, Decimal) and part < 1:
        return {amount + part * scale}
    return set()


def _scaled(
    tokens: Sequence[str], below: int, words: Words, *, alone: bool
) -> Iterator[tuple[Decimal, int]]:
    """Read a count with its scale before or behind, "elfu 15", "15 thousand"; give both.

    With `alone`, the scale may be its own count where the language says so: "mille".
    """
    for scale_part, rest, side in (
        (tokens[0], tokens[1:], "behind"),
        (tokens[-1], tokens[:-1], "before"),
    ):
        scale = words.scale(scale_part)
        if scale is None or scale >= below:
            continue
        if not rest:
            if alone and side == words.count_stands and words.number(scale_part) == scale:
                yield Decimal(scale), scale
            continue
        if words.joins(rest[0]) or words.joins(rest[-1]):
            continue  # "laki na nusu" is a lakh and a half, not half a lakh
        count = _count(rest, scale, words)
        # In words, "mille cinq (cents)" is no five thousand; in digits, as in "thousand 15", and as a
        # part, as in "nusu milioni", a count of thousands may stand on the other side, too.
        other = scale > _HUNDRED and (rest[0][0].isdigit() or (count or 1) < 1)
        usual = side == words.count_stands or other
        if count is not None and usual and 0 < count < _LARGEST_COUNT:
            yield count * scale, scale


def _count(tokens: Sequence[str], scale: int, words: Words) -> Decimal | None:
    """Read how many of a scale there are; of more than hundreds some hundreds: "deux cent (mille)"."""
    counts = _amounts(tokens, _LARGEST_COUNT, words) if scale > _HUNDRED else set()
    plain = size(tokens, words)
    if isinstance(plain, Decimal):
        counts.add(plain)
    return counts.pop() if len(counts) == 1 else None
