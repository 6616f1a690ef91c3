"""How many messages a text costs, and where it is cut.

A short message holds 140 octets: 160 characters of the GSM 7-bit default alphabet, or 70
UTF-16 code units (UCS-2) when a single letter lies outside that alphabet. A longer text goes
out in parts, each giving up six octets to the header that joins them again: 153 or 67.

Source: 3GPP TS 23.038 (alphabets), 3GPP TS 23.040 (concatenated short messages).
"""

from __future__ import annotations

import enum
import re
from contextlib import suppress
from dataclasses import dataclass

from gsm0338 import Codec


class Encoding(enum.Enum):
    """The alphabet a text travels in."""

    GSM7 = "GSM 7-bit"
    UCS2 = "UCS-2"


@dataclass(frozen=True, slots=True)
class Size:
    """How large a text is on the air.

    `units` counts septets in GSM 7-bit (an extension character takes two) and UTF-16 code
    units in UCS-2 (a character beyond U+FFFF takes two). `segments` is the number of messages,
    1 or more: an empty text is still one message.
    """

    encoding: Encoding
    units: int
    segments: int


_ESCAPE = 0x1B


def _septets_by_character() -> dict[str, int]:
    """Count the septets each character of the default alphabet and its extension table takes.

    The escape code is left out: it is no character, and sent alone it would change the next one.
    """
    codec = Codec()
    septets = {codec.decode(bytes([code]))[0]: 1 for code in range(128) if code != _ESCAPE}
    for code in range(128):
        with suppress(UnicodeDecodeError):  # most of the extension table is empty
            septets[codec.decode(bytes([_ESCAPE, code]))[0]] = 2
    return septets


_SEPTETS = _septets_by_character()
_EXTENSION = "".join(char for char, septets in _SEPTETS.items() if septets > 1)

# Measuring happens several times a turn, so whole texts are matched, not letters one by one.
_ALL_GSM = re.compile(f"[{re.escape(''.join(_SEPTETS))}]*")
_TWO_UNITS = {
    Encoding.GSM7: re.compile(f"[{re.escape(_EXTENSION)}]"),
    Encoding.UCS2: re.compile("[\U00010000-\U0010ffff]"),
}

_ALONE = {Encoding.GSM7: 160, Encoding.UCS2: 70}
_PART = {Encoding.GSM7: 153, Encoding.UCS2: 67}


def measure(text: str) -> Size:
    """Find the encoding, units and segments of a text.

    The segments follow the real cuts: two units that belong together (an extension pair, a
    surrogate pair) are never parted, which can cost a message more than division would say.
    """
    encoding = _encoding(text)
    doubles = _TWO_UNITS[encoding].findall(text)
    units = len(text) + len(doubles)
    if units <= _ALONE[encoding]:
        segments = 1
    elif doubles:
        segments = len(_cut(text, frozenset(doubles), _PART[encoding]))
    else:
        segments = -(-units // _PART[encoding])
    return Size(encoding, units, segments)


def segments(text: str) -> int:
    """Count the messages a text costs, 1 or more."""
    return measure(text).segments


def room(budget: int, encoding: Encoding = Encoding.GSM7) -> int:
    """Count the units that `budget` segments hold: 160, 306, 459 ... in GSM 7-bit."""
    return _ALONE[encoding] if budget == 1 else budget * _PART[encoding]


def allowed_segments(budget: int, encoding: Encoding) -> int:
    """Count the segments a text may take whose budget is `budget` segments of GSM 7-bit.

    A budget is room for so many characters. A language with letters outside GSM 7-bit gets the
    same characters, in as many of the smaller segments as they need: for 2, it is 5 of 67. That
    costs the operator more, which the check of a language says, but leaves no sentence out.
    """
    if encoding is Encoding.GSM7 or budget < 1:
        return budget
    return -(-room(budget) // _PART[encoding])


def split(text: str) -> list[str]:
    """Cut a text into the parts as sent; joined, they are the text. An empty one is one part."""
    size = measure(text)
    if size.segments == 1:
        return [text]
    doubles = frozenset(_TWO_UNITS[size.encoding].findall(text))
    return _cut(text, doubles, _PART[size.encoding])


def outside_gsm(text: str) -> tuple[str, ...]:
    """List the characters that push a text out of GSM 7-bit, in order of appearance, each once."""
    return tuple(dict.fromkeys(char for char in text if char not in _SEPTETS))


def _encoding(text: str) -> Encoding:
    return Encoding.GSM7 if _ALL_GSM.fullmatch(text) else Encoding.UCS2


def _cut(text: str, doubles: frozenset[str], room: int) -> list[str]:
    """Cut a text into parts of at most `room` units; a character in `doubles` takes two."""
    parts = []
    start = used = 0
    for place, char in enumerate(text):
        units = 2 if char in doubles else 1
        if used + units > room:
            parts.append(text[start:place])
            start, used = place, 0
        used += units
    parts.append(text[start:])
    return parts
