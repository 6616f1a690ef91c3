"""Texts in the octets of SMPP: cut into parts and encoded, and read again.

Source: SMPP v3.4 Issue 1.2, sections 5.2.12 (esm_class) and 5.2.19 (data_coding); 3GPP TS 23.040,
9.2.3.24 (the header that joins parts); 3GPP TS 23.038 (alphabets).
"""

from __future__ import annotations

import zlib
from dataclasses import dataclass
from typing import Literal

from gsm0338 import Codec

from bot.wording.gsm import Encoding, measure, split

Alphabet = Literal["gsm7", "latin1"]

UDHI = 0x40
"""The bit of esm_class that says that the text begins with a header (section 5.2.12)."""

DEFAULT_CODING = 0
UCS2_CODING = 8

MOST_PARTS = 255
"""Parts of one text: their number has one octet."""

LONGEST_SERIAL = 15

_GSM = Codec()
_UCS2_ALONE, _UCS2_PART = 70, 67

_CODECS = {
    1: "latin-1",  # ASCII, and what some write instead
    2: "latin-1",
    3: "latin-1",
    4: "latin-1",
    5: "shift_jis",
    6: "iso8859_5",
    7: "iso8859_8",
    UCS2_CODING: "utf-16-be",
    10: "iso2022_jp",
    13: "euc_jp",
    14: "euc_kr",
}

_CLASS_GROUP = 0xF0
"""Coding groups of TS 23.038 with a message class; in them, one bit says 8-bit data."""
_EIGHT_BIT = 0x04


@dataclass(frozen=True, slots=True)
class Encoded:
    """One part of a text as it is sent."""

    octets: bytes
    data_coding: int
    esm_class: int = 0


def encode(text: str, alphabet: Alphabet, reference: int) -> list[Encoded]:
    """Cut a text into parts of one short message each, with the header that joins them.

    `alphabet` is what the peer takes data_coding 0 for: the GSM 7-bit alphabet, one septet an
    octet, or Latin-1, which it turns into GSM 7-bit itself. What the alphabet does not hold goes
    out in UCS-2. `reference` is the same in all parts.
    """
    parts, coding = _parts(text, alphabet)
    bodies = [_octets(part, alphabet, coding) for part in parts]
    if len(bodies) == 1:
        return [Encoded(bodies[0], coding)]
    head = bytes([5, 0, 3, reference & 0xFF, len(parts) & 0xFF])
    return [
        Encoded(head + bytes([place & 0xFF]) + body, coding, UDHI)
        for place, body in enumerate(bodies, start=1)
    ]


def encode_whole(text: str, alphabet: Alphabet) -> Encoded:
    """Encode a text in one piece: for a message_payload, which the peer cuts, or a screen."""
    coding = _parts(text, alphabet)[1]
    return Encoded(_octets(text, alphabet, coding), coding)


def reference_of(text_id: str) -> int:
    """Return the reference that joins a text's parts, 0 to 255.

    It follows from the id, so that a part sent again after a crash is known as the same one;
    and from the serial in it, so that a grower's texts in a row have different ones.
    """
    serial = text_id.rpartition(":")[2]
    whole = serial.isascii() and serial.isdecimal() and len(serial) <= LONGEST_SERIAL
    return (int(serial) if whole else zlib.crc32(text_id.encode())) & 0xFF


def _parts(text: str, alphabet: Alphabet) -> tuple[list[str], int]:
    """Cut a text, and say in which data_coding its parts travel."""
    if measure(text).encoding is Encoding.UCS2:
        return split(text), UCS2_CODING
    if alphabet == "gsm7" or _in_latin1(text):
        return split(text), DEFAULT_CODING
    # Letters of GSM 7-bit that Latin-1 lacks: the euro and some Greek, one unit each.
    if len(text) <= _UCS2_ALONE:
        return [text], UCS2_CODING
    cuts = range(0, len(text), _UCS2_PART)
    return [text[cut : cut + _UCS2_PART] for cut in cuts], UCS2_CODING


def _in_latin1(text: str) -> bool:
    return all(ord(char) <= 0xFF for char in text)  # noqa: PLR2004 - where Latin-1 ends


def _octets(text: str, alphabet: Alphabet, coding: int) -> bytes:
    if coding == UCS2_CODING:
        return text.encode("utf-16-be", "replace")
    if alphabet == "latin1":
        return text.encode("latin-1")
    encoded: bytes = _GSM.encode(text)[0]
    return encoded


def decode(octets: bytes, data_coding: int, alphabet: Alphabet) -> str:
    """Read a text in any data_coding; what cannot be read becomes the replacement character.

    Reserved codings are taken for the peer's default alphabet. The coding groups of TS 23.038
    that some peers pass through are understood: 0xF0 and above with a class, 0x10 to 0x1F with a
    class and an alphabet.
    """
    codec = _CODECS.get(data_coding)
    if codec is None and data_coding >= _CLASS_GROUP and data_coding & _EIGHT_BIT:
        codec = "latin-1"
    if codec is None and 0x10 <= data_coding <= 0x1F:  # noqa: PLR2004 - the group named above
        codec = {1: "latin-1", 2: "utf-16-be"}.get(data_coding >> 2 & 3)
    if codec is not None:
        text = octets.decode(codec, "replace")
    elif alphabet == "latin1":
        text = octets.decode("latin-1")
    else:
        text = _GSM.decode(octets, "replace")[0]
    return text.replace("\0", "")
