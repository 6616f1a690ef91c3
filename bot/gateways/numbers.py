"""Phone numbers: how they are read (ITU-T E.164) and how they may appear in a log."""

from __future__ import annotations

import phonenumbers
from phonenumbers import NumberParseException, PhoneNumberFormat

LONGEST = 64
"""Characters worth reading: E.164 has 15 digits, the rest is room for punctuation."""

_SHOWN = 4, 2
"""Characters of a number left readable at its beginning and end."""


def read_number(raw: str, country: str) -> str | None:
    """Return a number as "+255712345678", or None if it cannot be one.

    `country` (ISO 3166) is for numbers written without their country code. Only the length is
    judged, not whether the operator has given the number out: new ranges appear before any
    list knows them, and whoever wrote to us has a number.
    """
    written = raw.strip()[:LONGEST]
    digits = written.removeprefix("00")
    # As written; else the country code without a plus, or behind 00, as gateways also have it.
    for attempt in (written, "+" + digits if digits.isdecimal() else ""):
        try:
            number = phonenumbers.parse(attempt, country)
        except NumberParseException:
            continue
        if phonenumbers.is_possible_number(number):
            return phonenumbers.format_number(number, PhoneNumberFormat.E164)
    return None


def masked(number: str) -> str:
    """Return a number for a log, "+255*******78": a log must not become a list of growers."""
    head, tail = _SHOWN
    if len(number) <= head + tail:
        return "*" * len(number)
    return number[:head] + "*" * (len(number) - head - tail) + number[-tail:]
