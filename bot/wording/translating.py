"""A translator's file: made, brought up to date, and compared with the English text by text.

The file is an ordinary gettext catalogue (`messages.po`): any gettext editor opens it. Bringing
it up to date keeps the work done; a text that changed keeps its old translation, marked fuzzy,
which is not used until a translator has looked at it.
"""

from __future__ import annotations

import re
import unicodedata
from collections import Counter
from dataclasses import dataclass
from datetime import UTC, datetime
from io import BytesIO
from typing import TYPE_CHECKING, Literal, Protocol

from babel import Locale, UnknownLocaleError
from babel.messages import pofile
from babel.messages.catalog import Catalog

from bot.wording.catalogue import forms_of, parsed
from bot.wording.formats import placeholders
from bot.wording.gsm import Encoding, allowed_segments, room
from bot.wording.plurals import plural_forms

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping

    from babel.messages.catalog import Message

Kind = Literal["error", "warning"]


class Translatable(Protocol):
    """A text to translate: its name, the English, and a note for the translator."""

    @property
    def context(self) -> str:
        """Give the text's name, which is its gettext context."""

    @property
    def text(self) -> str:
        """Give the English text."""

    @property
    def one(self) -> str:
        """Give the English for exactly one of what is counted; empty where nothing is."""

    @property
    def count(self) -> str:
        """Name the value that decides between the forms; empty where there is one."""

    @property
    def note(self) -> str:
        """Say where the text shows."""


# The file


def update(
    po_bytes: bytes | None,
    texts: Iterable[Translatable],
    locale: str,
    examples: Mapping[str, str] | None = None,
    remarks: Mapping[str, str] | None = None,
) -> bytes:
    """Write a catalogue of these texts, keeping the translations of `po_bytes`.

    `examples` are values by placeholder, and `remarks` (`in_words`) say by a text's name how
    much room it has; both become comments that a gettext editor shows beside the text. Raises
    ValueError for a locale that CLDR does not have, and for a damaged file.
    """
    try:
        Locale.parse(locale)
    except UnknownLocaleError as error:
        raise ValueError(str(error)) from error
    template = _catalog(None)
    for each in texts:
        comments = [each.note, *filter(None, [(remarks or {}).get(each.context)])]
        comments += [
            f"{{{name}}} stands for a value, for example: {examples[name]}"
            for name in sorted(placeholders(each.text))
            if examples and name in examples
        ]
        if each.count:
            comments.append(
                f"{{{each.count}}} decides the form; one that is for a single number may leave it out"
            )
        ids = (each.one, each.text) if each.one else each.text
        template.add(ids, context=each.context, auto_comments=comments)
    catalogue = _read(po_bytes, locale, "mend it, nothing was written") if po_bytes else None
    if catalogue is None:
        catalogue = _catalog(locale)
        catalogue.mime_headers = [("Plural-Forms", plural_forms(locale))]
    before = _by_name(catalogue)
    catalogue.update(template, no_fuzzy_matching=True, keep_user_comments=True)
    for message in catalogue:
        if message.id and message.context in before:
            _keep(before.pop(message.context), message, catalogue.num_plurals)
    catalogue.obsolete = {
        key: each for key, each in catalogue.obsolete.items() if each.context in before
    }
    written = BytesIO()
    pofile.write_po(written, catalogue, width=96, include_previous=True)
    return written.getvalue()


def _by_name(catalogue: Catalog) -> dict[str, Message]:
    """List what is translated by the names of the texts, texts that there are no more with it."""
    found = (*catalogue.obsolete.values(), *catalogue)
    return {
        each.context: each
        for each in found
        if each.id and each.context and any(forms_of(each.string))
    }


def _take_previous(message: Message) -> list[str]:
    """Take from a fuzzy text's comments the English it was translated from ("#| msgid").

    The reader takes those lines for a translator's own, and would have them written as such.
    """
    own = [each for each in message.user_comments if not each.startswith("|")]
    said = [each[1:].strip() for each in message.user_comments if each.startswith("|")]
    message.user_comments = own
    ids = [each for each in pofile.read_po(said) if each.id] if said else []
    return list(forms_of(ids[0].id)) if ids else []


def _keep(old: Message, message: Message, plurals: int) -> None:
    """Give a text the translation it had, marked fuzzy where its English has changed since.

    A text that has got forms has the old translation in each, for the translator to change.
    """
    kept = forms_of(old.string)
    if not message.pluralizable:
        message.string = kept[-1]
    else:
        message.string = kept if old.pluralizable else kept * plurals
    message.flags |= old.flags
    message.user_comments = [each for each in old.user_comments if not each.startswith("|")]
    if forms_of(old.id) != forms_of(message.id):
        message.flags.add("fuzzy")
        message.previous_id = list(forms_of(old.id))
    elif old.fuzzy:
        message.previous_id = _previous(old.user_comments)


def _previous(comments: Iterable[str]) -> list[str]:
    """Find in a fuzzy text's comments the English it was translated from ("#| msgid").

    The reader takes those lines for a translator's own, and the writer wraps them like any.
    """
    said = " ".join(each[1:].strip() for each in comments if each.startswith("|"))
    return [
        "".join(map(pofile.unescape, _QUOTED.findall(each))) for each in _PREVIOUS.findall(said)
    ]


_QUOTED = re.compile(r'"(?:[^"\\]|\\.)*"')
_PREVIOUS = re.compile(rf"msgid(?:_plural)?((?: +{_QUOTED.pattern})+)")


def in_words(budget: int) -> str:
    """Say how much room a budget of so many segments is, as translators count it."""
    return (
        f"at most {budget} SMS: {room(budget)} characters; with a letter outside the basic set "
        f"of phones the same {room(budget)}, but it goes out as "
        f"{allowed_segments(budget, Encoding.UCS2)} SMS"
    )


def read_translations(po_bytes: bytes, locale: str) -> Catalog:
    """Read a translator's file as it is, fuzzy entries and all. Raises ValueError saying where."""
    return _read(po_bytes, locale, "mend that line, or save the file anew in a gettext editor")


def _read(po_bytes: bytes, locale: str, remedy: str) -> Catalog:
    # The reader takes the last letter of a line for its quotation mark if there is none.
    for number, line in enumerate(po_bytes.splitlines(), start=1):
        text = line.strip()
        if text and not text.startswith(b"#") and not text.endswith(b'"'):
            raise ValueError(
                f"messages.po is damaged: line {number} has no closing quotation mark; {remedy}"
            )
    try:
        return parsed(po_bytes, locale)
    except UnicodeDecodeError as error:
        letters = error.object[error.start : error.end]
        raise ValueError(
            f"messages.po is damaged: {letters!r} is no {error.encoding} text; save it as UTF-8"
        ) from error
    except (pofile.PoFileError, LookupError, ValueError, AttributeError) as error:
        # AttributeError: a date of the header that goes over two lines. LookupError: a charset nobody knows; ValueError: bytes that are not in the charset.
        raise ValueError(f"messages.po is damaged: {error}; {remedy}") from error


def _catalog(locale: str | None) -> Catalog:
    return Catalog(
        locale=locale,
        project="Fieldbell",
        version="0",
        copyright_holder="the Fieldbell translators",
        msgid_bugs_address="none",
        last_translator="none",
        language_team="none",
        header_comment=f"# Fieldbell in the language {locale}. Open this file in a gettext editor.",
        # The same texts must give the same file, whatever the day.
        creation_date=_EPOCH,
        revision_date=_EPOCH,
        charset="utf-8",
        fuzzy=False,
    )


_EPOCH = datetime(2026, 1, 1, tzinfo=UTC)


# One translation beside its English


@dataclass(frozen=True, slots=True)
class Note:
    """A finding: in which text or file, what is wrong, and what to do.

    With an error a grower would misread, or not get, a text; a warning is for the translator
    to weigh.
    """

    where: str
    what: str
    remedy: str
    kind: Kind = "error"

    def __str__(self) -> str:
        """Write the finding as one line."""
        return f"{self.where}: {self.what}; {self.remedy}"


_HOLE = re.compile(r"\{([A-Za-z_][A-Za-z0-9_]*)\}")


def slips(where: str, english: str, translation: str, spare: str = "") -> Iterator[Note]:
    """Compare a translation with its English: values, digits, lines, characters unseen.

    The value `spare` may be left out.
    """
    try:
        placeholders(translation)
    except ValueError as error:
        what, _, remedy = str(error).rpartition("; ")
        yield Note(where, what, remedy)
        return
    yield from _values(where, english, translation, spare)
    yield from _digits(where, _HOLE.sub(" ", english), _HOLE.sub(" ", translation))
    if english.count("\n") != translation.count("\n"):
        yield Note(
            where,
            f"the English has {english.count(chr(10)) + 1} lines, "
            f"the translation {translation.count(chr(10)) + 1}",
            "break the lines where the English does",
        )
    yield from _unseen(where, translation)


def _values(where: str, english: str, translation: str, spare: str) -> Iterator[Note]:
    wanted, found = Counter(_HOLE.findall(english)), Counter(_HOLE.findall(translation))
    for name in sorted(wanted.keys() - found.keys() - {spare}):
        yield Note(where, f"{{{name}}} is lost", "put it, braces and all, where the value belongs")
    for name in sorted(found.keys() - wanted.keys()):
        names = ", ".join(f"{{{each}}}" for each in sorted(wanted)) or "none"
        yield Note(
            where,
            f"{{{name}}} is not in the English",
            f"write no other names than its own: {names}",
        )
    for name in sorted(wanted.keys() & found.keys()):
        if found[name] > wanted[name]:
            yield Note(
                where,
                f"{{{name}}} stands {found[name]} times",
                "the value is put in each time; keep one unless the sentence needs it twice",
                "warning",
            )


_GROUPING = re.compile("(?<=[0-9])[ ,.'\u00a0\u202f](?=[0-9]{3}(?![0-9]))")
"""What parts thousands: 10,000 is 10 000 in another language."""
_NUMBER = re.compile(r"\d+(?:[.,]\d+)?")


def _digits(where: str, english: str, translation: str) -> Iterator[Note]:
    """Compare the numbers in digits. Fewer are an error; more may explain: "an acre (0.4 ha)"."""
    wanted, found = (
        Counter(map(_plain, _NUMBER.findall(_GROUPING.sub("", text))))
        for text in (english, translation)
    )
    for number in (wanted - found).elements():
        yield Note(where, f"the number {number} is lost", "write it in digits, as the English does")
    for number in (found - wanted).elements():
        yield Note(
            where,
            f"the number {number} is not in the English",
            "take it out, unless it only explains",
            "warning",
        )


def _plain(number: str) -> str:
    """Write a number of any script, 0,5 or 0.5, in one way."""
    return "".join(str(unicodedata.decimal(char, ".")) for char in number)


_DIRECTIONS = frozenset("\u200e\u200f\u061c\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")
_JOINERS = frozenset("\u200c\u200d")
_UNSEEN = _DIRECTIONS | _JOINERS | frozenset("\u00ad\u200b\u2060\ufeff\u00a0\u2007\u202f")
_NAMES = {"\u00ad": "a soft hyphen", "\u00a0": "a no-break space", "\u202f": "a no-break space"}


def _unseen(where: str, translation: str) -> Iterator[Note]:
    """Find characters nobody sees, each of which would more than halve the room.

    Direction marks belong in scripts written from the right, joiners outside the Latin one.
    """
    leftward = any(
        char.isalpha() and unicodedata.bidirectional(char) in {"R", "AL"} for char in translation
    )
    latin = any("LATIN" in unicodedata.name(char, "") for char in translation)
    for char in dict.fromkeys(char for char in translation if char in _UNSEEN):
        if (char in _DIRECTIONS and leftward) or (char in _JOINERS and not latin):
            continue
        name = _NAMES.get(char) or unicodedata.name(char, "a mark").lower()
        at = translation.index(char) + 1
        space = unicodedata.category(char) == "Zs"
        yield Note(
            where,
            f"{name} (U+{ord(char):04X}) at character {at}, which nobody sees",
            "put an ordinary space there" if space else "delete it",
        )
