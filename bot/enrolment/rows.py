"""Reading the rows of an enrolment file: each a grower, or what is wrong with it.

A file is read as it comes, never held. Of each number only its row and a fingerprint of what was
said of it are kept (some 200 bytes), so a number that comes again is yielded as `Merged`, with
what it adds to the row before; whoever imports applies both, in order, and need not look back.
"""

from __future__ import annotations

import re
import struct
import unicodedata
from typing import TYPE_CHECKING

import phonenumbers
from babel import Locale
from msgspec import Struct
from msgspec.structs import replace

from bot.enrolment.columns import consent_words
from bot.enrolment.files import NO_VALUE
from bot.gateways.numbers import NumberReader
from bot.wording.words import normal

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from bot.enrolment.files import Sheet
    from bot.wording.languages import Language

LONGEST_NAME = 80
"""Characters of a grower's or a village's name."""


class Enrolled(Struct, frozen=True, gc=False):
    """A row as read. What the file does not say is empty, and `consent` None.

    `row` is its number as a spreadsheet shows it, `number` E.164, `language` the code of one on
    offer.
    """

    row: int
    number: str
    name: str = ""
    village: str = ""
    language: str = ""
    consent: bool | None = None


class Faulty(Struct, frozen=True):
    """A row that cannot be used, its cells as they were, and all that is wrong with it."""

    row: int
    cells: tuple[str, ...]
    reason: str


class Merged(Struct, frozen=True):
    """A row whose number an earlier row has.

    `adds` is what it says and the earlier row did not; the rest of `adds` is empty. `what` says
    where they contradict each other, and is empty where they do not. The earlier row then stands,
    but for consent: who has once said no has not agreed.
    """

    row: int
    first_row: int
    adds: Enrolled
    what: str = ""


def read_rows(
    sheet: Sheet, country: str, languages: Mapping[str, Language]
) -> Iterator[Enrolled | Faulty | Merged]:
    """Read the rows of a sheet, in their order.

    `country` (ISO 3166) is that of numbers without a country code; `languages` are those on
    offer. Raises FileFault where the file turns out to be damaged.
    """
    reader = _RowReader(sheet, country, languages)
    seen: dict[int, bytes] = {}
    for number, cells, fault in sheet.rows:
        outcome = Faulty(number, tuple(cells), fault) if fault else reader.read(number, cells)
        if isinstance(outcome, Faulty):
            yield outcome
            continue
        key = int(outcome.number)
        first = seen.get(key)
        if first is None:
            seen[key] = _fingerprint(outcome)
            yield outcome
        else:
            merged, seen[key] = _merged(outcome, first)
            yield merged


class _RowReader:
    """Reads rows of one sheet for one country and its languages."""

    def __init__(self, sheet: Sheet, country: str, languages: Mapping[str, Language]) -> None:
        self._columns = sheet.columns
        self._width = len(sheet.header)
        self._phones = _PhoneReader(country)
        self._codes = _language_names(languages)
        self._offered = ", ".join(
            f"{code} ({each.words.language})" for code, each in languages.items()
        )
        self._agreed = {word: said == "yes" for word, said in consent_words().items()}

    def read(self, row: int, cells: Sequence[str]) -> Enrolled | Faulty:
        """Read one row."""
        padded = (
            cells if len(cells) >= self._width else [*cells, *[""] * (self._width - len(cells))]
        )
        at = self._columns
        wrong: list[str] = []
        number = self._phones.read(padded[at.phone], wrong)
        name = "" if at.name is None else _name("name", padded[at.name], wrong)
        village = "" if at.village is None else _name("village", padded[at.village], wrong)
        language = "" if at.language is None else self._language(padded[at.language], wrong)
        consent = None if at.consent is None else self._consent(padded[at.consent], wrong)
        if wrong:
            return Faulty(row, tuple(cells), "; ".join(wrong))
        return Enrolled(row, number, name, village, language, consent)

    def _language(self, cell: str, wrong: list[str]) -> str:
        code = self._codes.get(cell)
        if code is not None:
            return code
        plain = normal(cell)
        if plain and plain not in self._codes:
            wrong.append(f"{_shown(cell)} is no language on offer; write one of {self._offered}")
        return self._codes.get(plain, "")

    def _consent(self, cell: str, wrong: list[str]) -> bool | None:
        if not cell:
            return None
        agreed = self._agreed.get(cell)
        if agreed is not None:
            return agreed
        plain = normal(cell)
        if plain and plain not in self._agreed:
            wrong.append(f"consent {_shown(cell)} is neither yes nor no; write yes, no or nothing")
        return self._agreed.get(plain)


def _language_names(languages: Mapping[str, Language]) -> dict[str, str]:
    """Give the codes of languages by code, own name, and name in English and each of them."""
    names = {"": ""}
    locales = [
        Locale.parse("en"),
        *(Locale.parse(each.words.locale) for each in languages.values()),
    ]
    for code, each in languages.items():
        own = Locale.parse(each.words.locale)
        called = [own.get_display_name(locale) for locale in locales]
        for name in (code, each.words.language, *filter(None, called)):
            names.setdefault(normal(name), code)
    return names


# Phone numbers

_PLAIN_LENGTH = 18  # with two numbers in it, a cell is longer
_PLAIN_PHONE = re.compile(r"\+?[0-9][0-9 ()-]*")
_SHORTENED = re.compile(r"[0-9]+([.,][0-9]+)?[eE]\+?[0-9]+")
_WHOLE = re.compile(r"(\+?[0-9]{5,})[.,]0+")
"""A number that a spreadsheet wrote with decimals."""
_BETWEEN = re.compile(r"[/;,|&\n]|\b(?:or|and|au|na|ou|et|ko|da|kuma)\b", re.IGNORECASE)
"""What people put between two numbers, in four languages."""
_LABEL = re.compile(r"^[^\W\d]+[\s.:]*(?=[+(0-9])")
"""A word in front, such as "tel:"."""
_AROUND = "\"'\u2019\u200e\u202a\u202c\ufeff \t\r\n"
"""What stands around a number unseen, or to make a spreadsheet take it for text."""
_MOST_DIGITS = 15
"""Digits of one number (ITU-T E.164)."""


_FROM_ABROAD = re.compile(r"[^0-9]*(?:\+|(?<![0-9])00)")
"""What a number of another country begins with: else a digit too many would make it one."""


class _PhoneReader:
    """Reads the cell of a phone number more strictly than a gateway's word is read.

    Whoever types a list makes slips, and a text to a number that was nearly read goes to a
    stranger.
    """

    def __init__(self, country: str) -> None:
        self._read = NumberReader(country)
        code = phonenumbers.country_code_for_region(country)
        self._own = f"+{code}"
        self._how = f"write it as it is dialled, or in full with a plus: +{code} ..."

    def read(self, cell: str, wrong: list[str]) -> str:
        """Read a number, or say in `wrong` why there is none."""
        if len(cell) <= _PLAIN_LENGTH and _PLAIN_PHONE.fullmatch(cell):
            text = cell
        else:
            text = cell.strip(_AROUND)
            if whole := _WHOLE.fullmatch(text):
                text = whole[1]
            elif reason := self._reason(text):
                wrong.append(reason)
                return ""
        number = self._read(text)
        if number is None:
            wrong.append(f"{_shown(cell)} cannot be a phone number; {self._how}")
            return ""
        if not number.startswith(self._own) and not _FROM_ABROAD.match(text):
            wrong.append(f"{_shown(cell)} is no number of this country; {self._how}")
            return ""
        return number

    def _reason(self, text: str) -> str:
        """Say why a cell that is not plainly a number is none, if it is none."""
        if not text:
            return "there is no phone number"
        if text == NO_VALUE:
            return (
                "the phone number is a formula that was never worked out; write the number itself, "
                "or open the file in a spreadsheet program and save it again"
            )
        if _SHORTENED.fullmatch(text):
            return (
                f"the spreadsheet has shortened the number to {_shown(text)}; format the column as "
                "text, and write the number again"
            )
        parts = [part for part in _BETWEEN.split(text) if any(map(str.isdecimal, part))]
        if len(parts) > 1 or sum(map(str.isdecimal, text)) > _MOST_DIGITS:
            return f"{_shown(text)} looks like more than one number; write the one to text"
        if any(map(str.isalpha, _LABEL.sub("", text))):
            return f"{_shown(text)} has letters in it; write the number only"
        return ""


# Names

_FORMULA_REASON = "the {field} is a formula that was never worked out; write what it stands for"


def _name(field: str, cell: str, wrong: list[str]) -> str:
    """Read a name: white space made single, what cannot be seen taken out."""
    name = " ".join(cell.split())
    if name.isascii() and name.isprintable() and len(name) <= LONGEST_NAME and name[:1] != "#":
        return name
    if not name.isascii():
        name = unicodedata.normalize("NFC", name)
    if not name.isprintable():
        name = "".join(each for each in name if unicodedata.category(each)[0] != "C")
    if "\ufffd" in name:
        wrong.append(f"a letter of the {field} {_shown(name)} was lost; write the {field} again")
    elif name == NO_VALUE:
        wrong.append(_FORMULA_REASON.format(field=field))
    elif len(name) > LONGEST_NAME:
        wrong.append(f"the {field} is over {LONGEST_NAME} characters; shorten it")
    return name


def _shown(cell: str) -> str:
    """Quote a cell in a reason, cut if it is long."""
    text = " ".join(cell.split())
    return repr(text if len(text) <= LONGEST_NAME else f"{text[:LONGEST_NAME]}...")


# A number that comes again

_FIELDS = ("name", "village", "language", "consent")
_PRINT = struct.Struct("<I4i")
"""A row, and of each field a hash, 0 where it is empty: by chance one in 2 billion looks alike."""
_HASHES = 2**31 - 1
_CONSENT = {None: 0, False: 1, True: 2}


def _fingerprint(enrolled: Enrolled) -> bytes:
    return _PRINT.pack(enrolled.row, *_hashes(enrolled))


def _hashes(enrolled: Enrolled) -> tuple[int, int, int, int]:
    name, village, language = enrolled.name, enrolled.village, enrolled.language
    return (
        hash(name) % _HASHES + 1 if name else 0,
        hash(village) % _HASHES + 1 if village else 0,
        hash(language) % _HASHES + 1 if language else 0,
        _CONSENT[enrolled.consent],
    )


def _merged(again: Enrolled, first: bytes) -> tuple[Merged, bytes]:
    """Say what a row adds to what is known of its number; give that, and what is known now."""
    first_row, *known = _PRINT.unpack(first)
    adds = Enrolled(again.row, again.number)
    against = []
    for place, (field, new) in enumerate(zip(_FIELDS, _hashes(again), strict=True)):
        old = known[place]
        if new in (0, old):
            continue
        value = getattr(again, field)
        if old == 0 or (field == "consent" and value is False):
            adds = replace(adds, **{field: value})
            known[place] = new
        if old == 0:
            continue
        if field == "consent":
            against.append("consent is yes in one row and no in another: taken for no")
        else:
            against.append(f"another {field}, {_shown(value)}, which is left out")
    return Merged(again.row, first_row, adds, "; ".join(against)), _PRINT.pack(first_row, *known)
