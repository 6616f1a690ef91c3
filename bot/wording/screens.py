"""USSD screens: what fits on one, and how a longer text is paged.

A screen carries 160 octets: 182 septets of the GSM 7-bit alphabet, or 80 UTF-16 code units
when a letter on that screen lies outside it. Source: 3GPP TS 23.038.
"""

from __future__ import annotations

from bisect import bisect_right

from bot.wording.gsm import Encoding, measure

SCREEN_LIMIT = 182
"""Septets on a screen whose letters are all in the GSM 7-bit alphabet."""

UCS2_SCREEN_LIMIT = 80
"""UTF-16 code units on any other screen."""

_LIMITS = {Encoding.GSM7: SCREEN_LIMIT, Encoding.UCS2: UCS2_SCREEN_LIMIT}


def fits_screen(text: str) -> bool:
    """Tell whether a text is one screen or less."""
    size = measure(text)
    return size.units <= _LIMITS[size.encoding]


def pages(text: str, more: str) -> tuple[str, ...]:
    r"""Break a text into screens, each but the last ending in a line `more` ("0 more").

    A page ends at the end of a line, so that a numbered choice stays whole, unless that would
    leave more than half of the page empty; then at the end of a word; a word longer than a
    screen is cut. Nothing but the white space at a break and around the text is lost. An empty
    text is one empty page. Raises ValueError when `more` leaves no room for text.
    """
    ending = "\n" + more
    rest = text.strip()
    done = []
    while not fits_screen(rest):
        end = _page_end(rest, ending)
        done.append(rest[:end].rstrip() + ending)
        rest = rest[end:].lstrip()
    return (*done, rest)


def _page_end(rest: str, ending: str) -> int:
    """Find where the first page of `rest` ends, 1 or more: the best break with room for `ending`."""
    # A longer beginning never fits where a shorter one did not, so the longest is found by halves.
    most = bisect_right(
        range(SCREEN_LIMIT), 0, lo=1, key=lambda length: not fits_screen(rest[:length] + ending)
    )
    longest = most - 1
    if longest == 0:
        raise ValueError(f"the line {ending!r} leaves no room on a screen; shorten it")
    line_end = rest.rfind("\n", 0, longest + 1)
    if line_end > longest // 2:
        return line_end
    word_end = max(line_end, rest.rfind(" ", 0, longest + 1))
    return word_end if word_end > 0 else longest
