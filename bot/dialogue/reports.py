"""Reading a report on work: "1", "done yesterday", "not yet, Friday", "hier c'est fait"."""

from __future__ import annotations

import re
from datetime import date
from typing import TYPE_CHECKING

from bot.dialogue.days import bounded, find_day
from bot.dialogue.unread import Unread

if TYPE_CHECKING:
    from bot.dialogue.records import Answer
    from bot.wording.words import Words

_NUMBERED = re.compile(r"([123])(?!\d)[\s.,:)-]*(.*)\Z", re.ASCII | re.DOTALL)
_REPORTS = ("done", "not_yet", "help")
_MEANINGS = {"done": "done", "yes": "done", "not_yet": "not_yet", "no": "not_yet"}
_LONGEST_PHRASE = 6
"""Words of the longest phrase for "done" or "not yet"."""

REPORT_BACK = 60
"""Days back that a report may reach; older work is for the agent to enter."""
REPORT_AHEAD = 120
"""Days ahead that work may be put off in one text."""


def read_report(text: str, words: Words, today: date) -> dict[str, Answer] | Unread:
    """Read "1", "done", "1 yesterday", "not yet, Friday", or only a day: "yesterday", "12/3"."""
    text = text.strip(" .,;:!?")
    alone = _day_alone(text, words, today)
    if alone is not None:
        return alone
    report, rest = _report_word(text, words)
    if report is None:
        report, rest = _day_and_report(text, words, today)
    if report is None or (report == "help" and rest and words.command(rest) != "help"):
        return Unread("pick_one")
    if report == "help" or not rest:
        return {"report": report, "reported_on": None}
    done = report == "done"
    day = find_day(rest, words, today, past=done)
    kept = bounded(day, today, *((-REPORT_BACK, 0) if done else (0, REPORT_AHEAD)))
    return kept if isinstance(kept, Unread) else {"report": report, "reported_on": kept}


def _day_alone(text: str, words: Words, today: date) -> dict[str, Answer] | Unread | None:
    """Take a day alone as done on it, or as put off to it, whichever lies nearer to today."""
    if words.weekday(text) is not None:
        return Unread("pick_one")  # last Friday or next Friday: it could be either
    if words.weekday(words.without(text, "before_day")) is not None:
        return None  # likewise "on Friday", but "until Friday" says more
    if re.match(r"\d\s+\d", text):
        return None  # "1 12/3": the answer's number, and a day
    found = [find_day(text, words, today, past=past) for past in (True, False)]
    days = [day for day in found if isinstance(day, date)]
    if not days:
        return found[0] if isinstance(found[0], Unread) else None
    day = min(days, key=lambda each: abs(each - today))
    kept = bounded(day, today, -REPORT_BACK, REPORT_AHEAD)
    if isinstance(kept, Unread):
        return kept
    return {"report": "done" if day <= today else "not_yet", "reported_on": kept}


def _report_word(text: str, words: Words) -> tuple[str | None, str]:
    """Split a report into what it reports and the day behind it."""
    if words.command(text) == "help":
        return "help", ""
    if numbered := _NUMBERED.match(text):
        return _REPORTS[int(numbered[1]) - 1], numbered[2]
    tokens = text.split()
    for length in range(min(len(tokens), _LONGEST_PHRASE), 0, -1):
        report = _MEANINGS.get(words.answer(" ".join(tokens[:length])) or "")
        if report is not None:
            rest = " ".join(tokens[length:])
            again, behind = (None, "") if rest[:1].isdigit() else _report_word(rest, words)
            # "No, not yet" says it twice.
            return (report, behind) if again == report else (report, rest)
    return None, ""


def _day_and_report(text: str, words: Words, today: date) -> tuple[str | None, str]:
    """Split a report that begins with its day: "hier c'est fait"."""
    tokens = text.split()
    for place in range(1, min(len(tokens), _LONGEST_PHRASE)):
        front, rest = " ".join(tokens[:place]), " ".join(tokens[place:])
        report, behind = _report_word(rest, words)
        if report in ("done", "not_yet") and not behind and not rest[0].isdigit():
            found = find_day(front, words, today, past=report == "done")
            if isinstance(found, date):
                return report, front
    return None, ""
