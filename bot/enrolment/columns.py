"""Which column of an enrolment file holds what, from its header in any of four languages.

The words are in `columns.toml`. They are compared without capitals, accents, punctuation and
spaces, and a header may say it twice: "Simu / Phone", "Phone (as dialled)".
"""

from __future__ import annotations

import re
import tomllib
from functools import lru_cache
from importlib import resources
from typing import TYPE_CHECKING

from msgspec import Struct

from bot.settings import nearest
from bot.wording.words import normal

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

MEANINGS = ("phone", "name", "village", "language", "consent")
"""What a column can hold. Only the phone must be there."""

_PARTS = re.compile(r"[/()\[\]:]")
"""What stands between two names of one column, or a name and a remark."""

_MOST_SHOWN = 20
"""Titles that a fault lists; a header may have hundreds."""


class FileFault(ValueError):  # noqa: N818 - the file is at fault, not the program
    """A file that cannot be read; the message says exactly why and what to do about it.

    `header` is the row that was looked at for titles, if it came so far, so that a person may
    point out the columns.
    """

    def __init__(self, message: str, header: Sequence[str] = ()) -> None:
        super().__init__(message)
        self.header = tuple(header)


class Columns(Struct, frozen=True):
    """Where in a row things stand, counted from 0; None where the file has no such column.

    `ignored` are the titles of the columns that are not read.
    """

    phone: int
    name: int | None = None
    village: int | None = None
    language: int | None = None
    consent: int | None = None
    ignored: tuple[str, ...] = ()


def recognise(titles: Sequence[str], mapping: Mapping[str, str]) -> Columns | None:
    """Say which column is what, or None where no title is that of a phone column.

    `mapping` names columns by their titles ({"phone": "Contact 1"}) over what would be
    recognised. Raises FileFault for two columns of one meaning, and for a mapping that names a
    meaning or a column that there is none of.
    """
    if wrong := next((meaning for meaning in mapping if meaning not in MEANINGS), ""):
        raise FileFault(f"no column can be {wrong!r}; {nearest(wrong, MEANINGS)}", titles)
    if not names_phone(titles, mapping):
        return None
    places = {meaning: _mapped(title, meaning, titles) for meaning, title in mapping.items()}
    for meaning in MEANINGS:
        free = [place for place in range(len(titles)) if place not in places.values()]
        found = [place for place in free if _meaning(titles[place]) == meaning]
        if meaning in places or not found:
            continue
        if len(found) > 1:
            both = " and ".join(repr(titles[place]) for place in found)
            raise FileFault(
                f"the columns {both} both look like the {meaning}; say which one is "
                "(map the column), or rename the other",
                titles,
            )
        places[meaning] = found[0]
    ignored = (title.strip() for place, title in enumerate(titles) if place not in places.values())
    return Columns(**places, ignored=tuple(filter(None, ignored)))


def names_phone(titles: Sequence[str], mapping: Mapping[str, str]) -> bool:
    """Whether a row of a file has the title of a phone column, and so is the header."""
    if "phone" in mapping:
        wanted = _plain(mapping["phone"])
        return any(_plain(title) == wanted for title in titles)
    return any(_meaning(title) == "phone" for title in titles)


def no_phone(titles: Sequence[str], mapping: Mapping[str, str]) -> FileFault:
    """Make the fault of a file in which no header was found; `titles` is its likeliest row."""
    shown = [title.strip() for title in titles if title.strip()][:_MOST_SHOWN]
    seen = ", ".join(f"{title[:60]!r}" for title in shown)
    if "phone" in mapping:
        hint = nearest(mapping["phone"], shown)
        return FileFault(f"no column is called {mapping['phone']!r}; {hint}", titles)
    return FileFault(
        "no column of phone numbers was recognised in the first ten rows; call it Phone, Simu, "
        f"Téléphone or Lambar waya, or say which column it is. The header seen: {seen}",
        titles,
    )


def _mapped(title: str, meaning: str, titles: Sequence[str]) -> int:
    """Find the one column of a title that was asked for."""
    exact = [place for place, each in enumerate(titles) if each.strip() == title.strip()]
    found = exact or [place for place, each in enumerate(titles) if _plain(each) == _plain(title)]
    if len(found) == 1:
        return found[0]
    if found:
        raise FileFault(
            f"{len(found)} columns are called {title!r}, so the {meaning} may be any of them; "
            "rename all but one",
            titles,
        )
    hint = nearest(title, filter(None, (each.strip() for each in titles)))
    raise FileFault(f"no column is called {title!r} for the {meaning}; {hint}", titles)


def _meaning(title: str) -> str | None:
    """Say what a column of this title holds, if all of the title that is known says the same."""
    words = _words()
    if found := words.get(_plain(title)):
        return found
    meanings = {words[plain] for part in _PARTS.split(title) if (plain := _plain(part)) in words}
    return meanings.pop() if len(meanings) == 1 else None


def _plain(title: str) -> str:
    """Bring a title to the letters and digits by which titles are compared."""
    return "".join(filter(str.isalnum, normal(title)))


@lru_cache(maxsize=1)
def _words() -> dict[str, str]:
    """Read the titles of `columns.toml`, each with its meaning."""
    return _by_word("columns")


@lru_cache(maxsize=1)
def consent_words() -> dict[str, str]:
    """Read the words of a consent column, in their plain form (`normal`), each "yes" or "no"."""
    return _by_word("consent")


def _by_word(table: str) -> dict[str, str]:
    file = tomllib.loads((resources.files(__package__) / "columns.toml").read_text("utf-8"))
    form = _plain if table == "columns" else normal
    meanings: dict[str, str] = {}
    for meaning, languages in file[table].items():
        for word in (word for words in languages.values() for word in words):
            if meanings.setdefault(form(word), meaning) != meaning:
                raise ValueError(f"columns.toml: {word!r} has two meanings; keep one")
    return meanings
