"""Days as people type them: "kesho", "Friday", "3 days ago", "12/3", "12 March", "lundi 9 mars"."""

from __future__ import annotations

import re
from datetime import date, timedelta
from typing import TYPE_CHECKING

from bot.dialogue.unread import Unread
from bot.wording.words import normal

if TYPE_CHECKING:
    from bot.wording.words import Words
    from bot.wording.words_file import Towards

_ISO = re.compile(r"(\d{4})[-/.](\d{1,2})[-/.](\d{1,2})\Z", re.ASCII)
_DAY_MONTH = re.compile(r"(\d{1,2})\s*[-/. ]\s*(\d{1,2})(?:\s*[-/. ]\s*(\d{4}|\d{2}))?\Z", re.ASCII)
_YEAR = r"(?:\s*[-/., ]\s*(\d{4}|\d{2}))?"
_NAMED_MONTH = re.compile(rf"(\d{{1,2}})\s*[-/. ]?\s*([^\W\d][^\d,/]*?)\.?{_YEAR}\Z")
_MONTH_FIRST = re.compile(r"([^\W\d][^\d,/]*?)\.?\s*(\d{1,2})([^\W\d_]*)(?:,?\s+(\d{4}))?\Z")

_TWO_DIGITS = 100
_FAR_AHEAD = 330
"""Days. A date without a year that would lie further off is the one that has just passed."""


def find_day(text: str, words: Words, today: date, *, past: bool) -> date | Unread | None:
    """Find the day a text names; None when it names none.

    A weekday is the last one for a day that has passed (`past`), else the next one, today
    included. A date without a year is the one in the year around today, most of which lies in
    that direction. "Next Friday" is none where it could be this week's or the next one's.
    """
    text = text.strip(" .,;:!?")
    if words.day(text) is None:
        text = words.without(text, "before_day")
    if (offset := words.day(text)) is not None:
        return today + timedelta(days=offset)
    if (weekday := words.weekday(text)) is not None:
        ahead = (weekday - today.weekday()) % 7
        return today + timedelta(days=ahead if not past or ahead == 0 else ahead - 7)
    if towards := words.weekday_towards(text):
        return _towards(*towards, today)
    if iso := _ISO.match(text):
        return _date(int(iso[1]), int(iso[2]), int(iso[3]))
    if numbers := _DAY_MONTH.match(text):
        return _in_year(int(numbers[1]), int(numbers[2]), numbers[3], today, past=past)
    if (named := _NAMED_MONTH.match(text)) and (month := _month(named[2], words)):
        return _in_year(int(named[1]), month, named[3], today, past=past)
    if (named := _MONTH_FIRST.match(text)) and (month := words.month(named[1])):
        if named[3] and normal(named[3]) not in words.small("ordinal"):
            return None
        return _in_year(int(named[2]), month, named[4], today, past=past)
    return _in_words(text, words, today, past=past)


def bounded(day: date | Unread | None, today: date, earliest: int, latest: int) -> str | Unread:
    """Give a day within so many days of today, as it is kept."""
    if day is None:
        return Unread("day_in_words")
    if isinstance(day, Unread):
        return day
    low, high = today + timedelta(days=earliest), today + timedelta(days=latest)
    return (
        day.isoformat() if low <= day <= high else Unread("day_range", {"low": low, "high": high})
    )


def _month(text: str, words: Words) -> int | None:
    """Read what stands behind the number of a day: "March", "th of March", "er mars"."""
    tokens = text.split()
    between = words.small("ordinal") | words.small("of")
    while len(tokens) > 1 and normal(tokens[0]) in between:
        del tokens[0]
    return words.month(" ".join(tokens))


def _in_words(text: str, words: Words, today: date, *, past: bool) -> date | Unread | None:
    """Read a date behind its weekday, or one whose number is in words: "premier mars"."""
    tokens = re.sub(r"[,.]", " ", text).split()
    for place in range(1, len(tokens)):
        front, rest = " ".join(tokens[:place]), " ".join(tokens[place:])
        weekday = words.weekday(front)
        if weekday is not None and re.search(r"\d|\s", rest):
            found = find_day(rest, words, today, past=past)
            if isinstance(found, date) and found.weekday() != weekday:
                return Unread("no_such_day")
            return found
        day, month = words.number(front), _month(rest, words)
        if day is not None and day == int(day) and month is not None:
            return _in_year(int(day), month, None, today, past=past)
    return None


def _towards(weekday: int, which: Towards, today: date) -> date | None:
    """Find the last, the next or the coming day of a name; None where people differ on it.

    From Wednesday, to some "next Friday" is in two days, to others in nine; "next Monday" is clear,
    for the nearest one is in the next week. Who means tomorrow or yesterday says so.
    """
    if which == "last":
        back = (today.weekday() - weekday - 1) % 7 + 1
        return today - timedelta(days=back) if back > max(1, today.weekday()) else None
    ahead = (weekday - today.weekday() - 1) % 7 + 1
    if which == "next" and ahead < max(2, 7 - today.weekday()):
        return None
    return today + timedelta(days=ahead)


def _in_year(day: int, month: int, year: str | None, today: date, *, past: bool) -> date | Unread:
    if year is not None:
        written = int(year)
        return _date(written + 2000 if written < _TWO_DIGITS else written, month, day)
    last = today + timedelta(days=365 - _FAR_AHEAD if past else _FAR_AHEAD)
    for candidate in (last.year, last.year - 1):
        found = _date(candidate, month, day)
        if isinstance(found, date) and found <= last:
            return found
    # 29 February may lie years away; any other day without a year is in one of the two.
    return Unread("no_such_day")


def _date(year: int, month: int, day: int) -> date | Unread:
    try:
        return date(year, month, day)
    except ValueError:
        return Unread("no_such_day")
