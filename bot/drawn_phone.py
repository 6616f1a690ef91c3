"""A basic phone drawn in plain text, with a text message on its screen."""

from __future__ import annotations

import unicodedata
from typing import TYPE_CHECKING

from bot.wording.gsm import split

if TYPE_CHECKING:
    from collections.abc import Iterator

_WIDTH = 26
"""Letters on a line of the phone drawn: as on a basic one."""


def phone(text: str) -> Iterator[str]:
    """Draw a text on a phone, with a line where each SMS after the first begins."""
    yield "  ." + "-" * (_WIDTH + 2) + "."
    for place, part in enumerate(split(text), start=1):
        if place > 1:
            yield "  |" + f" SMS {place} ".center(_WIDTH + 2, "-") + "|"
        for line in _wrapped(part.strip(" ")):
            yield f"  | {line}{' ' * (_WIDTH - _columns(line))} |"
    yield "  |" + "_" * (_WIDTH + 2) + "|"
    yield "  |" + "[ok]    ( )    [back]".center(_WIDTH + 2) + "|"
    yield "  '" + "-" * (_WIDTH + 2) + "'"


def _wrapped(part: str) -> Iterator[str]:
    """Break a part of a text into lines of the phone, at word ends where it can be."""
    for line in part.split("\n"):
        rest = line
        while _columns(rest) > _WIDTH:
            end = _WIDTH
            while _columns(rest[:end]) < _WIDTH:
                end += 1
            space = rest.rfind(" ", 0, end + 1)
            end = space if space > 0 else end
            yield rest[:end].rstrip()
            rest = rest[end:].lstrip()
        yield rest


def _columns(line: str) -> int:
    """Count the columns a line takes in a terminal: none for an accent, two for a wide letter."""
    return sum(
        0
        if unicodedata.combining(char)
        else 2
        if unicodedata.east_asian_width(char) in {"W", "F"}
        else 1
        for char in line
    )
