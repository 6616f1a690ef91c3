"""Reading an answer: from what a grower typed to a value, or to why it could not be read.

Every question can be answered by its number, by its word, or by the plain value. Bad input is
a value too: `Unread` names the sentence that says what is expected. Nothing is guessed: where
two readings are possible the grower is asked again.

A text is read as it stands; if that fails, without words that change nothing ("please"); and as a
last resort as mistyped (bot/wording/slips.py), but never where a herbicide hangs on it.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import TYPE_CHECKING

from bot.dialogue.days import find_day
from bot.dialogue.quantities import JOINING, Sizes, area, measured, paced, short, without_per
from bot.dialogue.records import Answer, unsure
from bot.dialogue.unread import Unread
from bot.wording.words import Words, normal

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from bot.dialogue.loading import Step

LONGEST = 480
"""Characters of a text worth reading: three full messages."""


@dataclass(frozen=True, slots=True)
class Asked:
    """A question as one grower sees it: the step, the labels in their language, the day."""

    step: Step
    options: Mapping[str, str]
    """Values and labels in the order numbered; for yes and no, reports and choices."""
    words: Words
    today: date
    sizes: Sizes
    pace_m: float = 1.0
    """Metres of one of the grower's paces."""


Reading = dict[str, Answer]


HERBICIDE_QUESTIONS = frozenset(
    {"planting.preemergence", "weeding.product", "clearing.herbicide_ok"}
)
"""A mistyped answer here is asked again: what is sprayed is never a guess."""


def read(text: str, asked: Asked) -> Reading | Unread:
    """Read an answer to a question: the values by the names they are kept under."""
    if len(text) > LONGEST:
        return Unread("too_long")
    found = _read(text, asked)
    if isinstance(found, Unread) and (bare := _bare(text, asked)) != text.strip():
        text = bare
        if asked.words.command(text) != "stop":
            found = _read(text, asked)
    if isinstance(found, Unread) and (mistyped := _mistyped(text, asked)) is not None:
        return mistyped
    return found


def _read(text: str, asked: Asked) -> Reading | Unread:
    """Read an answer as it stands."""
    step, state = asked.step, asked.step.state
    if state.report:
        return _report(text, asked)
    if _shared(text, asked.words) == "unsure":
        return _unsure(asked)
    if state.choose_any:
        return _choose_any(text, asked)
    value = _value(text, asked)
    return value if isinstance(value, Unread) else {step.answer: value}


def _bare(text: str, asked: Asked) -> str:
    """Leave out the words around an answer that change nothing in it: "about", "please"."""
    state, words = asked.step.state, asked.words
    bare = words.without(text.strip(), "polite")
    if state.number or state.area or state.paces:
        bare = words.without(words.without(bare, "about"), "polite")
    if state.number and state.number.unit == "money":
        bare = without_per(bare, asked.step.answer.rpartition("_per_")[2], words)
    if state.number and state.number.unit == "cm":
        # "knee 1.2 m" gives a height; "knee 2" may be two knees.
        measure = words.without(bare, "knee")
        bare = measure if re.search(r"[^\W\d_]", measure) else bare
    return bare


def _mistyped(text: str, asked: Asked) -> Reading | None:
    """Read an answer with slips in it; None where nothing, or more than one thing, is meant."""
    state, words = asked.step.state, asked.words.lenient()
    if words is None or asked.step.context in HERBICIDE_QUESTIONS:
        return None
    if len(text.split()) > _MOST_WORDS or words.may_command(text):
        return None
    exact, asked = asked, replace(asked, words=words)
    number = state.number
    if number and number.unit != "count":
        # A number is read as it stands or not at all; only that it is not known may be mistyped.
        found = _unsure(asked) if _shared(text, words) == "unsure" else None
    elif asked.options and not state.yes_no and not state.report:
        answered = _shared(text, words)
        found = _respelt(text, exact)
        if answered is not None:
            # A shared answer is as good a guess as a label: they must come to the same.
            shared = _read(text, asked)
            found = shared if found in (None, shared) else None
    else:
        found = _read(text, asked)
    return None if isinstance(found, Unread) else found


_MOST_WORDS = 8
"""A longer text is no mistyped answer but a letter, and would take long to go through."""

_MOST_SPELLINGS = 8


def _respelt(text: str, asked: Asked) -> Reading | None:
    """Read a choice by words of the labels that are mistyped; each may be but one choice."""
    labels = {word for label in asked.options.values() for word in normal(label).split()}
    labels |= {word for value in asked.options for word in value.split("_")}
    known = frozenset(labels)
    spelt = [""]
    for token in normal(text).split():
        words = set() if token in known else asked.words.spellings(token, known)
        spelt = [f"{before} {word}" for before in spelt for word in words or {token}]
        if len(spelt) > _MOST_SPELLINGS:
            return None
    readings: list[Reading] = []
    for each in spelt:
        found = _read(each, asked)
        if not isinstance(found, Unread) and found not in readings:
            readings.append(found)
    return readings[0] if len(readings) == 1 else None


def _shared(text: str, words: Words) -> str | None:
    """Name the shared answer a text gives, once or in several words for the same: "yes ok"."""
    answer = words.answer(text)
    if answer is not None or " " not in text.strip():
        return answer
    meanings = {words.answer(token) for token in text.split()}
    return meanings.pop() if len(meanings) == 1 else None


def _value(text: str, asked: Asked) -> Answer | Unread:
    """Read the one value a question asks for."""
    state = asked.step.state
    if state.yes_no:
        return _yes_no(text, asked)
    if state.number:
        return _number(text, asked)
    if state.area:
        return area(text, asked.words, asked.sizes)
    if state.paces:
        return paced(text, state.paces, asked.words, asked.pace_m, asked.sizes)
    if state.day:
        return _day(text, asked)
    return _choose(text, asked)


def _unsure(asked: Asked) -> Reading | Unread:
    """Take the safe course the flow file names for a grower who does not know, and mark it."""
    state = asked.step.state
    mark: Reading = {unsure(asked.step.answer): True}
    if state.choose_any:
        return dict[str, Answer](dict.fromkeys(state.choose_any, False)) | mark
    if state.unsure is None and not state.unsure_is_unknown:
        return Unread("unsure_refused")
    if state.day and isinstance(state.unsure, int):
        day = asked.today + timedelta(days=state.unsure)
        return mark | {asked.step.answer: day.isoformat()}
    return mark | {asked.step.answer: state.unsure}


# Choices


def _index(text: str, options: Sequence[str]) -> str | None:
    """The option whose number the text is: "2", "2." or "(2)"."""
    plain = normal(text)
    if plain.isascii() and plain.isdigit() and len(plain) <= 2 and 1 <= int(plain) <= len(options):  # noqa: PLR2004 - no question has a hundred choices
        return options[int(plain) - 1]
    return None


def _choose(text: str, asked: Asked) -> Answer | Unread:
    if (numbered := _index(text, list(asked.options))) is not None:
        return numbered
    plain = normal(text)
    for place, (value, label) in enumerate(asked.options.items(), start=1):
        if plain in {normal(label), normal(value)} or _number_and(plain, place, normal(label)):
            return value
    fitting = [
        value
        for value, label in asked.options.items()
        if _names(plain, normal(label), value, asked.words)
    ]
    return fitting[0] if len(fitting) == 1 else Unread("pick_one")


_SHORTEST_WORD = 3
"""Letters; shorter words ("of", "ya") name nothing."""


def _names(plain: str, label: str, value: str, words: Words) -> bool:
    """Whether words of a label name it: two of them, or its first, its last or its value's.

    "grass herbicide" picks "A grass herbicide for broad-leaved crops", "herbicide" does not, nor
    does "dawa", with which the Kiswahili label begins, but which is any chemical.
    """
    written = label.split()
    naming = {*written[:1], *written[-1:], *value.split("_")}
    naming = {word for word in naming if not words.is_vague(word)}
    typed = plain.split()
    telling = [word for word in typed if len(word) >= _SHORTEST_WORD]
    return set(typed) <= set(written) and (len(telling) > 1 or not naming.isdisjoint(telling))


def _number_and(plain: str, number: int, label: str) -> bool:
    """Whether the text is an option's number and words of its label: "2 grass"."""
    first, _, rest = plain.partition(" ")
    return first == str(number) and bool(rest) and set(rest.split()) <= set(label.split())


def _choose_any(text: str, asked: Asked) -> Reading | Unread:
    values = list(asked.step.state.choose_any)
    nothing: Reading = dict.fromkeys(values, False)
    plain = normal(text)
    if _shared(text, asked.words) in ("none", "no") or plain == normal(asked.options["none"]):
        return nothing
    picked = dict(nothing)
    tokens = [token for token in re.split(r"[\s/]+", plain) if token not in JOINING]
    if all(token.isascii() and token.isdigit() for token in tokens):
        digits = [int(digit) for digit in "".join(tokens)]
        if digits == [len(values) + 1]:
            return nothing
        if not all(1 <= digit <= len(values) for digit in digits):
            return Unread("pick_any")
        for digit in digits:
            picked[values[digit - 1]] = True
        return picked
    single = _choose(text, asked)
    if isinstance(single, str) and single in picked:
        picked[single] = True
        return picked
    return Unread("pick_any")


def _yes_no(text: str, asked: Asked) -> bool | Unread:
    match _index(text, ("yes", "no")) or _shared(text, asked.words):
        case "yes":
            return True
        case "no":
            return False
        case _:
            return Unread("yes_or_no")


# Numbers, areas and days


def _number(text: str, asked: Asked) -> Answer | Unread:
    number = asked.step.state.number
    if number is None:
        raise TypeError(f"{asked.step.context} has no number to read")
    if asked.step.low <= 0 and _shared(text, asked.words) == "none":
        return 0
    value = measured(text, number.unit, asked.words)
    if isinstance(value, Unread):
        return value
    # As floats, for 0.2 as typed lies below the float 0.2 of a range that begins there.
    fits = value is not None and asked.step.low <= float(value) <= asked.step.high
    if value is None or not fits or (number.unit == "count" and value % 1):
        return Unread("number_range", {"low": asked.step.low, "high": asked.step.high})
    return short(value)


def _day(text: str, asked: Asked) -> Answer | Unread:
    bounds = asked.step.state.day
    if bounds is None:
        raise TypeError(f"{asked.step.context} has no day to read")
    day = find_day(text, asked.words, asked.today, past=bounds.latest <= 0)
    return _bounded(day, asked.today, bounds.earliest, bounds.latest)


def _bounded(day: date | Unread | None, today: date, earliest: int, latest: int) -> str | Unread:
    """Give a day within so many days of today, as it is kept."""
    if day is None:
        return Unread("day_in_words")
    if isinstance(day, Unread):
        return day
    low, high = today + timedelta(days=earliest), today + timedelta(days=latest)
    return (
        day.isoformat() if low <= day <= high else Unread("day_range", {"low": low, "high": high})
    )


# Reports

_NUMBERED = re.compile(r"([123])(?!\d)[\s.,:)-]*(.*)\Z", re.ASCII | re.DOTALL)
_REPORTS = ("done", "not_yet", "help")
_MEANINGS = {"done": "done", "yes": "done", "not_yet": "not_yet", "no": "not_yet"}
_LONGEST_PHRASE = 6
"""Words of the longest phrase for "done" or "not yet"."""

REPORT_BACK = 60
"""Days back that a report may reach; older work is for the agent to enter."""
REPORT_AHEAD = 120
"""Days ahead that work may be put off in one text."""


def _report(text: str, asked: Asked) -> Reading | Unread:
    """Read "1", "done", "1 yesterday", "not yet, Friday", or only a day: "yesterday", "12/3"."""
    text = text.strip(" .,;:!?")
    alone = _day_alone(text, asked)
    if alone is not None:
        return alone
    report, rest = _report_word(text, asked.words)
    if report is None or (report == "help" and rest and asked.words.command(rest) != "help"):
        return Unread("pick_one")
    if report == "help" or not rest:
        return {"report": report, "reported_on": None}
    done = report == "done"
    day = find_day(rest, asked.words, asked.today, past=done)
    kept = _bounded(day, asked.today, *((-REPORT_BACK, 0) if done else (0, REPORT_AHEAD)))
    return kept if isinstance(kept, Unread) else {"report": report, "reported_on": kept}


def _day_alone(text: str, asked: Asked) -> Reading | Unread | None:
    """Take a day alone as done on it, or as put off to it, whichever lies nearer to today."""
    if asked.words.weekday(text) is not None:
        return Unread("pick_one")  # last Friday or next Friday: it could be either
    if re.match(r"\d\s+\d", text):
        return None  # "1 12/3": the answer's number, and a day
    found = [find_day(text, asked.words, asked.today, past=past) for past in (True, False)]
    days = [day for day in found if isinstance(day, date)]
    if not days:
        return found[0] if isinstance(found[0], Unread) else None
    day = min(days, key=lambda each: abs(each - asked.today))
    kept = _bounded(day, asked.today, -REPORT_BACK, REPORT_AHEAD)
    if isinstance(kept, Unread):
        return kept
    return {"report": "done" if day <= asked.today else "not_yet", "reported_on": kept}


def _report_word(text: str, words: Words) -> tuple[str | None, str]:
    """Split a report into what it reports and the day behind it."""
    if words.command(text) == "help":
        return "help", ""
    if numbered := _NUMBERED.match(text):
        return _REPORTS[int(numbered[1]) - 1], numbered[2]
    tokens = text.split()
    for length in range(min(len(tokens), _LONGEST_PHRASE), 0, -1):
        meaning = words.answer(" ".join(tokens[:length]))
        if meaning in _MEANINGS:
            return _MEANINGS[meaning], " ".join(tokens[length:])
    return None, ""
