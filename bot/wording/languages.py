"""The languages on offer, one folder each: what a speaker types and what we answer."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from bot.wording.catalogue import Catalogue
from bot.wording.words import Words

if TYPE_CHECKING:
    from importlib.resources.abc import Traversable
    from pathlib import Path

SOURCE = "en"
"""The language the message ids are written in; it needs no translations."""


@dataclass(frozen=True, slots=True)
class Language:
    """One language. `code` is its folder's name and what a grower's record keeps."""

    code: str
    words: Words
    catalogue: Catalogue

    @property
    def draft(self) -> bool:
        """Whether no speaker has read it yet."""
        return self.words.status == "draft"


def read_languages(folder: Traversable | Path) -> dict[str, Language]:
    """Read every language: `<folder>/<code>/words.yaml` and `<folder>/<code>/messages.po`.

    In the order of their codes. Only English may do without `messages.po`. Raises ValueError
    naming the file at fault.
    """
    if not folder.joinpath(SOURCE).is_dir():
        raise ValueError(f"{folder} has no folder {SOURCE}; copy the one that came with Fieldbell")
    codes = sorted(entry.name for entry in folder.iterdir() if entry.is_dir())
    return {code: _read(code, folder.joinpath(code)) for code in codes}


def _read(code: str, folder: Traversable | Path) -> Language:
    words_file = folder.joinpath("words.yaml")
    if not words_file.is_file():
        raise ValueError(f"{code}/words.yaml is missing; copy {SOURCE}/words.yaml and translate it")
    try:
        words = Words.read(words_file.read_text(encoding="utf-8"))
    except UnicodeDecodeError as error:
        raise ValueError(f"{code}/words.yaml is not UTF-8 text; save it as UTF-8") from error
    except ValueError as error:
        raise ValueError(f"{code}/words.yaml: {error}") from error
    return Language(code, words, _read_catalogue(code, folder.joinpath("messages.po")))


def _read_catalogue(code: str, file: Traversable | Path) -> Catalogue:
    if not file.is_file():
        if code == SOURCE:
            return Catalogue.source()
        raise ValueError(f"{code}/messages.po is missing; only {SOURCE} needs no translations")
    try:
        return Catalogue.read(file.read_bytes())
    except ValueError as error:
        raise ValueError(f"{code}/messages.po: {error}") from error
