"""One language's translations, read from its `messages.po` when the program starts.

English is the source language: a text's English is its message id, and needs no file. There
are no compiled `.mo` files to forget to rebuild; Babel compiles the `.po` in memory and
gettext looks texts up. An entry marked fuzzy is a guess nobody has confirmed, so it is not used.
"""

from __future__ import annotations

import codecs
import gettext
import re
from io import BytesIO
from typing import TYPE_CHECKING, Self

from babel.messages.catalog import Catalog
from babel.messages.mofile import write_mo
from babel.messages.pofile import PoFileError, PoFileParser

from bot.wording.formats import placeholders

if TYPE_CHECKING:
    from babel.messages.catalog import Message

MOST_FORMS = 6
"""No language has more plural forms (CLDR, "Language Plural Rules": Arabic has six)."""

_DIVIDES = re.compile(r"/|%(?!\s*[1-9])")
"""In a plural rule: what could divide by nought. Gettext's rules take remainders, of numbers."""


class Catalogue:
    """The texts of one language; a text without a translation comes out in English."""

    __slots__ = ("_texts", "_translated")

    def __init__(
        self,
        texts: gettext.NullTranslations,
        translated: frozenset[tuple[str, str | None]] | None,
    ) -> None:
        self._texts = texts
        self._translated = translated

    @classmethod
    def source(cls) -> Self:
        """English: every message id is its own text."""
        return cls(gettext.NullTranslations(), None)

    @classmethod
    def read(cls, po_bytes: bytes) -> Self:
        """Read a `.po` file.

        Raises ValueError, saying where, for a file that is not a `.po` and for a translation
        whose placeholders its English text does not have: found now, not in mid-conversation.
        """
        messages = read_messages(po_bytes)
        used = [message for message in messages if message.id and not message.fuzzy]
        for message in used:
            _check_placeholders(message)
        return cls(
            _compiled(messages),
            frozenset(
                (forms_of(message.id)[0], message.context)
                for message in used
                if all(forms_of(message.string))
            ),
        )

    def text(self, msgid: str, context: str | None = None) -> str:
        """Give the text for a message id, told apart by `context` (msgctxt) where one is given."""
        if not msgid:
            return ""  # in a catalogue the empty id holds the file's header
        if context is None:
            return self._texts.gettext(msgid)
        return self._texts.pgettext(context, msgid)

    def plural(self, singular: str, plural: str, n: int, context: str | None = None) -> str:
        """Give the form for `n` things by the language's plural rule; `n` is not filled in."""
        if context is None:
            return self._texts.ngettext(singular, plural, n)
        return self._texts.npgettext(context, singular, plural, n)

    def has(self, msgid: str, context: str | None = None) -> bool:
        """Whether a message id (a plural's singular) is fully translated; always so in English."""
        return self._translated is None or (msgid, context) in self._translated


def read_messages(po_bytes: bytes) -> Catalog:
    """Read the entries of a `.po` file, fuzzy ones and all; a byte order mark is passed over.

    Raises ValueError, saying where, for a file that is not a `.po`.
    """
    try:
        return parsed(po_bytes.removeprefix(codecs.BOM_UTF8))
    except UnicodeDecodeError as error:
        letters = error.object[error.start : error.end]
        raise ValueError(
            f"not a readable .po file: {letters!r} is no {error.encoding} text; "
            "save the file as UTF-8"
        ) from error
    except AttributeError as error:  # so the library fails on a header's date
        raise ValueError(
            "not a readable .po file: a date in its first entry, the header, is not written as "
            "2026-01-31 12:00+0000; repair that line"
        ) from error
    except (PoFileError, LookupError, ValueError) as error:
        raise ValueError(f"not a readable .po file: {error}; repair that line") from error


def parsed(po_bytes: bytes, locale: str | None = None) -> Catalog:
    """Parse a `.po` file as Babel does, but for more plural forms than any language has.

    For each entry a list of so many is made: a header of one line could take all memory there
    is. Raises what Babel raises, and ValueError for such a header.
    """
    catalog = _Bounded(locale=locale)
    PoFileParser(catalog, abort_invalid=True).parse(BytesIO(po_bytes))
    return catalog


class _Bounded(Catalog):
    @property
    def num_plurals(self) -> int:
        """How many plural forms there are. Raises ValueError where they are too many."""
        number = super().num_plurals
        if number > MOST_FORMS:
            raise ValueError(f"nplurals in the header is over {MOST_FORMS}")
        return number


def _compiled(messages: Catalog) -> gettext.GNUTranslations:
    compiled = BytesIO()
    if _DIVIDES.search(messages.plural_expr):
        raise ValueError(
            "not a readable .po file: the plural rule in the header divides by what may be nought; "
            "write the language's own rule"
        )
    try:
        write_mo(compiled, messages)
        compiled.seek(0)
        return gettext.GNUTranslations(compiled)
    except (LookupError, ValueError) as error:  # a charset that there is none of, or cannot hold it
        raise ValueError(
            f"not a readable .po file: {error}; write charset=utf-8 in its first entry, the header"
        ) from error


def forms_of(value: str | list[str] | tuple[str, ...] | None) -> tuple[str, ...]:
    """List the forms of an id or a translation: one, or its plurals; an empty one for none."""
    return (value or "",) if isinstance(value, str | None) else tuple(value)


def _check_placeholders(message: Message) -> None:
    """Refuse a translation that asks for a value its English text never gets."""
    forms = forms_of(message.id)
    known = frozenset[str]().union(*map(placeholders, forms))
    for translation in forms_of(message.string):
        try:
            strange = placeholders(translation) - known
        except ValueError as error:
            raise ValueError(f"the translation of {forms[0]!r}: {error}") from error
        if strange:
            raise ValueError(
                f"the translation of {forms[0]!r} has {sorted(strange)}, which the English text "
                f"does not; use its own names: {sorted(known)}"
            )
