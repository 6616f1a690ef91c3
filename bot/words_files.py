"""The files of a language as a translator has them: in a folder, perhaps half done or broken."""

from __future__ import annotations

import codecs
import os
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
from babel import Locale, UnknownLocaleError

from bot import data
from bot.dialogue.voice import Contacts, Voice
from bot.settings import Settings
from bot.wording.catalogue import Catalogue
from bot.wording.languages import SOURCE, Language
from bot.wording.words import Words

if TYPE_CHECKING:
    from bot.dialogue.loading import Flows

EXIT_INPUT = 2
"""Exit status when what was given cannot be used; the reason is on standard error."""


NOT_ENGLISH = f"{SOURCE}: the flows are written in English; there is nothing to translate"


class Refused(click.ClickException):
    """What was given cannot be used."""

    exit_code = EXIT_INPUT

    def show(self, file: Any = None) -> None:  # noqa: ANN401, ARG002 - click's signature
        """Print the lines as they are, one reason each."""
        click.echo(self.message, err=True)


def flows_of(code: str, settings: Path | None) -> Flows:
    """Read the flows as growers of a language meet them, with the district's own among them.

    `settings` is the file of settings, if one is named. Raises SettingsError or FlowError.
    """
    return data.flows(Settings.read(os.environ, settings).district, code)


def codes(folder: Path) -> list[str]:
    """Name the languages of a folder that have translations."""
    found = sorted(each.parent.name for each in folder.glob("*/messages.po"))
    if not found:
        raise Refused(f"{folder}: no language is there; begin one with `fieldbell words new`")
    return found


def po_of(code: str, folder: Path) -> bytes:
    """Read a language's messages.po, without the mark that some editors put in front of a text.

    Raises Refused where there is none.
    """
    return _file(code, folder, "messages.po").read_bytes().removeprefix(codecs.BOM_UTF8)


def words_text(code: str, folder: Path) -> str:
    """Read a language's words.yaml. Raises Refused where there is none, or it is no text."""
    try:
        return _file(code, folder, "words.yaml").read_text(encoding="utf-8")
    except UnicodeDecodeError as error:
        raise Refused(f"{code}: words.yaml is not UTF-8 text; save it as UTF-8") from error


def known_code(code: str) -> str:
    """Give a language's code back, which may name a folder. Raises Refused for any other text."""
    try:
        Locale.parse(code)
    except (UnknownLocaleError, ValueError) as error:
        raise Refused(f"{code}: {error}; use a CLDR code such as sw, fr or ha") from error
    return code


def _file(code: str, folder: Path, name: str) -> Path:
    """Find a language's file. Raises Refused where it, or the language, is not there."""
    file = folder / known_code(code) / name
    if not file.is_file():
        if code == SOURCE:
            raise Refused(NOT_ENGLISH)
        way = "update" if file.parent.is_dir() else "new"
        raise Refused(f"{code}: {file} is missing; make it with `fieldbell words {way} {code}`")
    return file


def language_of(code: str, folder: Path) -> Language:
    """Read a language. Raises ValueError, naming the file, for one that cannot be used."""
    return _read(code, po_of(code, folder), words_text(code, folder))


def _read(code: str, po: bytes | None, words_text: str) -> Language:
    try:
        read = Words.read(words_text)
    except ValueError as error:
        raise ValueError(f"words.yaml: {error}") from error
    try:
        return Language(code, read, Catalogue.source() if po is None else Catalogue.read(po))
    except ValueError as error:
        raise ValueError(f"messages.po: {error}") from error


def english() -> Language:
    """Read English by itself: a slip in another language must not stand in a translator's way."""
    words_file = data.folder("locales") / SOURCE / "words.yaml"
    return _read(SOURCE, None, words_file.read_text(encoding="utf-8"))


def voice_of(language: Language, flows: Flows, *, folded: bool = False) -> Voice:
    """Give a language its voice, alone; `folded` without the letters outside GSM 7-bit."""
    offered = {language.code: language.words.language}
    return Voice(language, flows, Contacts(), offered, folded=folded)


def others_beside(code: str, folder: Path) -> dict[str, Language]:
    """Read the languages beside one: those that came with Fieldbell, and those of its folder."""
    others = {SOURCE: english()}
    for place in (Path(str(data.folder("locales"))), folder):
        for each in sorted(place.glob("*/messages.po")):
            name = each.parent.name
            with suppress(Refused, ValueError):  # what is wrong with it, its own check says
                others[name] = language_of(name, place)
    others.pop(code, None)
    return others
