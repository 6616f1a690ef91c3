"""Folding a text to the GSM 7-bit alphabet: "ɗan ƙasa" goes out as "dan kasa".

One letter outside the alphabet more than halves the room in a message, so an operator may
choose to send a language without its hooks and dots. Only letters that the alphabet lacks
change; é, à, ñ and the others it has stay. What has no nearest letter (another script, an
emoji) stays too.

Sources: Unicode's own decompositions (NFKD); 3GPP TS 23.038 for the alphabet.
"""

from __future__ import annotations

import re
import unicodedata

from bot.wording.gsm import outside_gsm

# Hooked, stroked and turned letters, which Unicode does not take apart.
_SMALL = dict(zip("ɓɗƙƴƒɖŋɛɔɣʋɩɨəǝđħłŧıœ", [*"bdkyfdneogviieedhlti", "oe"], strict=True))
_CAPITAL = dict(zip("ƁƊƘƳƑƉŊƐƆƔƲƖƗƏƎĐĦŁŦŒ", [*"BDKYFDNEOGVIIEEDHLT", "OE"], strict=True))
_NEAREST = {
    **_SMALL,
    **_CAPITAL,
    # Quotation marks and apostrophes
    **dict.fromkeys("‘’‚‛′ʼʻʹ`´", "'"),  # noqa: RUF001 - the marks themselves
    **dict.fromkeys("“”„‟″«»", '"'),
    "‹": "<",  # noqa: RUF001
    "›": ">",  # noqa: RUF001
    # Dashes, and what NFKD leaves of fractions
    **dict.fromkeys("‐‑‒–—―−", "-"),  # noqa: RUF001
    "⁄": "/",  # noqa: RUF001
    "•": "-",
    # Nothing to see
    **dict.fromkeys("\u00ad\u200b\u200c\u200d\u200e\u200f\u2060\ufeff", ""),
}
_MARKS = re.compile("[\u0300-\u036f]")
_UNHOOKED = str.maketrans(_SMALL)
_LETTER = re.compile("(.)([\u0300-\u036f]*)", re.DOTALL)
"""A character, and the accents that are characters of their own, as in ọ̀."""


def unhooked(text: str) -> str:
    """Give small letters without the hooks and strokes that most keypads lack: "ƙasa" is "kasa"."""
    return text.translate(_UNHOOKED)


def fold(text: str) -> str:
    """Bring a text as near to the GSM 7-bit alphabet as its letters allow."""
    if not outside_gsm(text):
        return text
    whole = unicodedata.normalize("NFC", text)  # so that é, written as e and an accent, stays
    return _LETTER.sub(_folded, whole)


def _folded(found: re.Match[str]) -> str:
    """Give the nearest characters in the alphabet; where there are none, the letter as it is."""
    char = found[1]
    if not outside_gsm(char):
        return char
    pieces = _MARKS.sub("", unicodedata.normalize("NFKD", _NEAREST.get(char, char)))
    near = "".join(_NEAREST.get(piece, piece) for piece in pieces)
    return found[0] if outside_gsm(near) else near
