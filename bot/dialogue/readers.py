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
from datetime import timedelta
from typing import TYPE_CHECKING

from bot.dialogue.days import bounded, find_day
from bot.dialogue.money import without_per
from bot.dialogue.numbers import short
from bot.dialogue.quantities import Sizes, area, measured, paced
from bot.dialogue.records import Answer, unsure
from bot.dialogue.reports import read_report
from bot.dialogue.unread import Unread
from bot.wording.words import Words, normal

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import date

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
    stops: frozenset[str] = frozenset()
    """Plain words that stop all texts in a language on offer; no slip is ever read in one."""


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
        if asked.words.command(text) != "stop" and normal(text) not in asked.stops:
            found = _read(text, asked)
    if isinstance(found, Unread) and (mistyped := _mistyped(text, asked)) is not None:
        return mistyped
    return found


def _read(text: str, asked: Asked) -> Reading | Unread:
    """Read an answer as it stands."""
    step, state = asked.step, asked.step.state
    text = asked.words.said_otherwise(step.context, text) or text
    if state.report:
        return read_report(text, asked.words, asked.today)
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
    if len(text.split()) > _MOST_WORDS or words.may_command(text) or normal(text) in asked.stops:
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
        value for value, label in asked.options.items() if _names(plain, label, value, asked.words)
    ]
    return fitting[0] if len(fitting) == 1 else Unread("pick_one")


_SHORTEST_WORD = 3
"""Letters; shorter words ("of", "ya") name nothing."""


def _names(plain: str, label: str, value: str, words: Words) -> bool:
    """Whether words of a label name it: two of them, or its first, its last or its value's.

    "grass herbicide" picks "A grass herbicide for broad-leaved crops", "herbicide" does not, nor
    does "dawa", with which the Kiswahili label begins, but which is any chemical.
    """
    typed, written = plain.split(), normal(label).split()
    if words.is_vague(plain) or not set(typed) <= set(written):
        return False
    telling = [word for word in typed if len(word) >= _SHORTEST_WORD and not word.isdigit()]
    if any(word.isdigit() for word in typed):
        parts = [normal(part).split() for part in re.split(r"[,;:(]", label)]
        if len(typed) > 1 and typed in parts:
            return True
        # Of "under 15 cm, under 4 leaves", "4 leaves" is none.
        if all(part[: len(typed)] != typed for part in parts):
            return False
    naming = {*written[:1], *written[-1:], *value.split("_")}
    naming = {word for word in naming if not words.is_vague(word)}
    return len(telling) > 1 or not naming.isdisjoint(telling)


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
    tokens = [token for token in re.split(r"[\s/]+", plain) if not asked.words.joins(token)]
    if all(token.isascii() and token.isdigit() for token in tokens):
        digits = [int(digit) for digit in "".join(tokens)]
        if digits == [len(values) + 1]:
            return nothing
        if not all(1 <= digit <= len(values) for digit in digits):
            return Unread("pick_any")
        for digit in digits:
            picked[values[digit - 1]] = True
        return picked
    whole = _choose(text, asked)
    # "Stones and a slope", unless a label is meant that has the word in it.
    pieces = [plain] if isinstance(whole, str) else _split(text, asked.words.small("joining"))
    found = [_choose(piece, asked) for piece in pieces]
    if any(each not in values for each in found):
        return Unread("pick_any")
    return {value: value in found for value in values}


def _split(text: str, joining: frozenset[str]) -> list[str]:
    """Part a text at its commas and joining words."""
    pieces: list[list[str]] = []
    for part in re.split(r"[,;+&]", text):
        pieces.append([])
        for word in normal(part).split():
            if word in joining:
                pieces.append([])
            else:
                pieces[-1].append(word)
    return [" ".join(piece) for piece in pieces if piece]


def _yes_no(text: str, asked: Asked) -> bool | Unread:
    match _index(text, ("yes", "no")) or _yes_or_no(text, asked):
        case "yes":
            return True
        case "no":
            return False
        case _:
            return Unread("yes_or_no")


def _yes_or_no(text: str, asked: Asked) -> str | None:
    """Name what a text says, once or twice over: "a'a ta bushe", no, it is dry."""
    words = asked.words
    said = _shared(words.said_otherwise(asked.step.context, text) or text, words)
    tokens = text.split()
    if said is not None or len(tokens) > _MOST_WORDS:
        return said
    for place in range(1, len(tokens)):
        first, then = " ".join(tokens[:place]), " ".join(tokens[place:])
        said = _shared(first, words)
        if said in ("yes", "no") and said == _yes_or_no(then, asked):
            return said
    return None


# Numbers, areas and days


def _number(text: str, asked: Asked) -> Answer | Unread:
    number = asked.step.state.number
    if number is None:
        raise TypeError(f"{asked.step.context} has no number to read")
    if asked.step.low <= 0 and _shared(text, asked.words) == "none":
        return 0
    if number.unit == "count":
        last = normal(text.rpartition(" ")[2])
        if last in asked.words.small("denying") and asked.step.answer != "steps_counted":
            return Unread("number_range", {"low": asked.step.low, "high": asked.step.high})
        text = _without_total(text, asked)
    value = measured(text, number.unit, asked.words)
    if isinstance(value, Unread):
        return value
    # As floats, for 0.2 as typed lies below the float 0.2 of a range that begins there.
    fits = value is not None and asked.step.low <= float(value) <= asked.step.high
    if value is None or not fits or (number.unit == "count" and value % 1):
        return Unread("number_range", {"low": asked.step.low, "high": asked.step.high})
    return short(value)


def _without_total(text: str, asked: Asked) -> str:
    """Leave out the number counted from, where it is the question's own: "17 of 20", "17/20"."""
    if asked.step.low > 0:
        return text  # people are counted from no number
    total = f"{asked.step.high:g}"
    if total == "100":
        text = text.removesuffix("%").strip()
    tokens = text.replace("/", " / ").split()
    out_of = normal(" ".join(tokens[1:-1])) if len(tokens) > 1 else ""
    known = out_of == "/" or out_of in asked.words.small("out_of")
    return tokens[0] if known and tokens[-1] == total else text


def _day(text: str, asked: Asked) -> Answer | Unread:
    bounds = asked.step.state.day
    if bounds is None:
        raise TypeError(f"{asked.step.context} has no day to read")
    day = find_day(text, asked.words, asked.today, past=bounds.latest <= 0)
    return bounded(day, asked.today, bounds.earliest, bounds.latest)
