"""Phone numbers: how they are read (ITU-T E.164) and how they may appear in a log."""

from __future__ import annotations

import re
from functools import lru_cache

import phonenumbers
from phonenumbers import NumberParseException, PhoneMetadata, PhoneNumberFormat, ValidationResult

LONGEST = 64
"""Characters worth reading: E.164 has 15 digits, the rest is room for punctuation."""

SHORTEST = 7
"""Digits of the shortest numbers that mobile phones have, with their country's code (from memory)."""

_PUNCTUATION = str.maketrans("", "", " -.()")
"""What people set between the digits of a number, and what no reading depends on."""

_SHOWN = 4, 2
"""Characters of a number left readable at its beginning and end."""


def read_number(raw: str, country: str) -> str | None:
    """Return a number as "+255712345678", or None if it cannot be one.

    `country` (ISO 3166) is for numbers written without their country code. Only the length is
    judged, not whether the operator has given the number out: new ranges appear before any
    list knows them, and whoever wrote to us has a number.
    """
    written = raw.strip()[:LONGEST]
    compact = written.translate(_PUNCTUATION)
    digits = compact[2:] if compact.startswith("00") else written
    # As written; else the country code without a plus, or behind 00, as gateways also have it.
    attempts = [written, "+" + digits if digits.isdecimal() else ""]
    if compact.startswith(f"00{phonenumbers.country_code_for_region(country)}"):
        # Not all countries dial 00, but all write it; there, it could pass for a long number.
        attempts.reverse()
    for attempt in attempts:
        try:
            number = phonenumbers.parse(attempt, country)
        except NumberParseException:
            continue
        # Not what can be dialled within a town only.
        if phonenumbers.is_possible_number_with_reason(number) == ValidationResult.IS_POSSIBLE:
            whole = phonenumbers.format_number(number, PhoneNumberFormat.E164)
            if len(whole) > SHORTEST:
                return whole
    return None


@lru_cache(maxsize=1024)
def country_of(number: str) -> str:
    """Return the country (ISO 3166) of an E.164 number, "" where nobody can tell.

    Where countries share a code, as +1 is shared, it is told by the ranges that `phonenumbers`
    knows.
    """
    try:
        return phonenumbers.region_code_for_number(phonenumbers.parse(number)) or ""
    except NumberParseException:
        return ""


class NumberReader:
    """`read_number` for one country, quick enough for a file of a hundred thousand.

    A number of the country itself, plainly written, is read by the country's lengths and
    prefixes alone (the metadata of `phonenumbers`). Wherever those leave a doubt, and for a
    country that shares its code with a larger one, `read_number` is asked, so that the answer is
    always the same as its own.
    """

    def __init__(self, country: str) -> None:
        self._country = country
        self._rules: _Rules | None = None
        code = phonenumbers.country_code_for_region(country)
        if phonenumbers.region_code_for_country_code(code) == country:
            self._rules = _Rules(country, code)

    def __call__(self, raw: str) -> str | None:
        """Return a number as "+255712345678", or None if it cannot be one."""
        if self._rules and len(raw) <= LONGEST:
            digits = raw if raw.isdigit() else raw.translate(_PUNCTUATION)
            if number := self._rules.read(digits):
                return number
        return read_number(raw, self._country)


class _Rules:
    """How one country writes its numbers, as far as it is plain."""

    def __init__(self, country: str, code: int) -> None:
        self._code = str(code)
        self._plus = re.compile(rf"(?:\+|00){code}")
        data = PhoneMetadata.metadata_for_region(country)
        described = data.general_desc if data else None
        if data is None or described is None:
            raise ValueError(f"phonenumbers knows nothing of {country}")
        lengths = described.possible_length
        self._lengths = {each for each in lengths if each + len(self._code) >= SHORTEST}
        self._longest = max(*lengths, *described.possible_length_local_only, 0)
        never = "(?!)"
        self._valid = re.compile(described.national_number_pattern or never)
        self._trunk = re.compile(data.national_prefix_for_parsing or never)
        self._abroad = re.compile(data.international_prefix or never)

    def read(self, digits: str) -> str | None:
        """Read a number without punctuation, or None for what is not plain."""
        if abroad := self._plus.match(digits):
            digits = digits[abroad.end() :]
        if not (digits.isascii() and digits.isdigit()):
            return None
        if abroad:
            national = digits
        elif self._abroad.match(digits):
            return None
        elif digits.startswith(self._code):
            # It is the code if the number is too long with it, or only right without it.
            national = digits[len(self._code) :]
            right = self._valid.fullmatch(national) and not self._valid.fullmatch(digits)
            if not right and len(digits) <= self._longest:
                return None
        elif trunk := self._trunk.match(digits):
            if trunk.lastindex or self._valid.fullmatch(digits):
                return None  # a carrier's code, or a number that begins like the prefix
            national = digits[trunk.end() :]
            return f"+{self._code}{national}" if len(national) in self._lengths else None
        else:
            national = digits
        if len(national) not in self._lengths or self._trunk.match(national):
            return None
        return f"+{self._code}{national}"


def masked(number: str) -> str:
    """Return a number for a log, "+255*******78": a log must not become a list of growers."""
    head, tail = _SHOWN
    if len(number) <= head + tail:
        return "*" * len(number)
    return number[:head] + "*" * (len(number) - head - tail) + number[-tail:]
