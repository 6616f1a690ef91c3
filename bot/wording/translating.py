"""A translator's file, made and brought up to date from the list of texts.

The file is an ordinary gettext catalogue (`messages.po`): any gettext editor opens it. Bringing
it up to date keeps the work done; a text that changed keeps its old translation, marked fuzzy,
which is not used until a translator has looked at it.
"""

from __future__ import annotations

from datetime import UTC, datetime
from io import BytesIO
from typing import TYPE_CHECKING, Protocol

from babel import Locale, UnknownLocaleError
from babel.messages import pofile
from babel.messages.catalog import Catalog

if TYPE_CHECKING:
    from collections.abc import Iterable


class Translatable(Protocol):
    """A text to translate: its name, the English, and a note for the translator."""

    @property
    def context(self) -> str:
        """Give the text's name, which is its gettext context."""

    @property
    def text(self) -> str:
        """Give the English text."""

    @property
    def note(self) -> str:
        """Say where the text shows."""


def update(po_bytes: bytes | None, texts: Iterable[Translatable], locale: str) -> bytes:
    """Write a catalogue of these texts, keeping the translations of `po_bytes`.

    Raises ValueError for a locale that CLDR does not have, and for a damaged file.
    """
    try:
        Locale.parse(locale)
    except UnknownLocaleError as error:
        raise ValueError(str(error)) from error
    template = _catalog(None)
    for each in texts:
        template.add(each.text, context=each.context, auto_comments=[each.note])
    catalogue = _read(po_bytes, locale) if po_bytes else _catalog(locale)
    catalogue.update(template, keep_user_comments=True)
    written = BytesIO()
    pofile.write_po(written, catalogue, width=96, ignore_obsolete=True)
    return written.getvalue()


def _read(po_bytes: bytes, locale: str) -> Catalog:
    # The reader takes the last letter of a line for its quotation mark if there is none.
    for number, line in enumerate(po_bytes.splitlines(), start=1):
        text = line.strip()
        if text and not text.startswith(b"#") and not text.endswith(b'"'):
            raise ValueError(
                f"messages.po is damaged: line {number} has no closing quotation mark; "
                "mend it, nothing was written"
            )
    try:
        return pofile.read_po(BytesIO(po_bytes), locale=locale, abort_invalid=True)
    except (pofile.PoFileError, UnicodeDecodeError) as error:
        raise ValueError(
            f"messages.po is damaged: {error}; mend it, nothing was written"
        ) from error


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
