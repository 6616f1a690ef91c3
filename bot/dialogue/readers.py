"""Reading an answer: from what a grower typed to a value, or to why it could not be read.

Every question can be answered by its number, by its word, or by the plain value. Bad input is
a value too: `Unread` names the sentence that says what is expected. Nothing is guessed: where
two readings are possible the grower is asked again.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from datetime import date, timedelta
from decimal import Decimal
from typing import TYPE_CHECKING

from bot.agronomy.area import Area
from bot.dialogue.records import Answer
from bot.wording.words import Words, normal

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from bot.dialogue.loading import Step

LONGEST = 480
"""Characters of a text worth reading: three full messages."""


@dataclass(frozen=True, slots=True)
class Unread:
    """An answer that could not be read. `reason` is a sentence's name, `values` fill it."""

    reason: str
    values: Mapping[str, Answer | date] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Asked:
    """A question as one grower sees it: the step, the labels in their language, the day."""

    step: Step
    options: Mapping[str, str]
    """Values and labels in the order numbered; for yes and no, reports and choices."""
    words: Words
    today: date
    area: tuple[float, float]
    """The smallest and largest field in acres."""
    notes: Mapping[str, Answer] = field(default_factory=dict)


Reading = dict[str, Answer]


def read(text: str, asked: Asked) -> Reading | Unread:
    """Read an answer to a question: the values by the names they are kept under."""
    step, state = asked.step, asked.step.state
    if len(text) > LONGEST:
        return Unread("too_long")
    if state.report:
        return _report(text, asked)
    if asked.words.answer(text) == "unsure":
        return _unsure(asked)
    if state.choose_any:
        return _choose_any(text, asked)
    if state.yes_no:
        return _kept(step, _yes_no(text, asked))
    if state.number:
        return _kept(step, _number(text, asked))
    if state.area:
        return _kept(step, _area(text, asked))
    if state.day:
        return _kept(step, _day(text, asked))
    return _kept(step, _choose(text, asked))


def _kept(step: Step, value: Answer | Unread) -> Reading | Unread:
    return value if isinstance(value, Unread) else {step.answer: value}


def _unsure(asked: Asked) -> Reading | Unread:
    """Take the safe course the flow file names for a grower who does not know."""
    state = asked.step.state
    if state.choose_any:
        return dict[str, Answer](dict.fromkeys(state.choose_any, False))
    if state.unsure is None and not state.unsure_is_unknown:
        return Unread("unsure_refused")
    return {asked.step.answer: state.unsure}


# Choices


def _index(text: str, options: Sequence[str]) -> str | None:
    """The option whose number the text is: "2", "2." or "(2)"."""
    plain = normal(text)
    if plain.isascii() and plain.isdigit() and len(plain) <= 2 and 1 <= int(plain) <= len(options):  # noqa: PLR2004 - no question has a hundred choices
        return options[int(plain) - 1]
    return None


def _choose(text: str, asked: Asked) -> Answer | Unread:
    options = list(asked.options)
    if (numbered := _index(text, options)) is not None:
        return numbered
    plain = normal(text)
    for value, label in asked.options.items():
        label_plain = normal(label)
        if plain in (label_plain, normal(value)) or _number_and(
            plain, options.index(value) + 1, label_plain
        ):
            return value
    typed = set(plain.split())
    if not typed or max(map(len, typed)) < 3:  # noqa: PLR2004 - "of" fits many labels
        return Unread("pick_one")
    fitting = [
        value for value, label in asked.options.items() if typed <= set(normal(label).split())
    ]
    return fitting[0] if len(fitting) == 1 else Unread("pick_one")


def _number_and(plain: str, number: int, label: str) -> bool:
    """Whether the text is an option's number and words of its label: "2 grass"."""
    first, _, rest = plain.partition(" ")
    return first == str(number) and bool(rest) and set(rest.split()) <= set(label.split())


def _choose_any(text: str, asked: Asked) -> Reading | Unread:
    values = list(asked.step.state.choose_any)
    nothing: Reading = dict.fromkeys(values, False)
    plain = normal(text)
    if asked.words.answer(text) in ("none", "no") or plain == normal(asked.options["none"]):
        return nothing
    picked = dict(nothing)
    tokens = re.split(r"[\s/]+", plain)
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
    match _index(text, ("yes", "no")) or asked.words.answer(text):
        case "yes":
            return True
        case "no":
            return False
        case _:
            return Unread("yes_or_no")


# Numbers

_DIGITS = re.compile(r"\d[\d.,' ]*")
_FRACTION = re.compile(r"(?:(\d+)\s+)?(\d+)\s*/\s*(\d+)\Z")
_HALVES = {"½": "1/2", "¼": "1/4", "¾": "3/4"}
_GROUPED = re.compile(r"\d{1,3}(?:([., ])\d{3})(?:\1\d{3})*\Z")
_PLAIN = re.compile(r"\d+(?:[.,]\d+)?\Z")


def _plain_number(text: str, *, large: bool, words: Words) -> Decimal | Unread | None:
    """One number in digits or words; None when it is not a number.

    `large` says that thousands are usual (money), so "15,000" and "15.000" are fifteen
    thousand; otherwise such a text could mean two things and is asked again.
    """
    text = text.strip()
    for sign, fraction in _HALVES.items():
        text = text.replace(sign, f" {fraction}")
    text = text.strip()
    if fraction_read := _FRACTION.match(text):
        whole, above, below = fraction_read.groups()
        if int(below) == 0:
            return None
        return Decimal(whole or 0) + Decimal(above) / Decimal(below)
    if _GROUPED.match(text):
        if large or " " in text:
            return Decimal(re.sub(r"\D", "", text))
        if not text.startswith("0"):
            return Unread("two_numbers")
    if _PLAIN.match(text) and text.isascii():
        return Decimal(text.replace(",", "."))
    if (
        thousands := re.fullmatch(r"(\d+(?:[.,]\d+)?)\s*k", text, re.IGNORECASE | re.ASCII)
    ) and large:
        return Decimal(thousands[1].replace(",", ".")) * 1000
    return words.number(text)


_UNIT_SPLIT = re.compile(r"([\d.,/½¼¾\s]*[\d½¼¾])\s*([^\d\s].*)?\Z", re.ASCII | re.DOTALL)


def _number(text: str, asked: Asked) -> Answer | Unread:
    number = asked.step.state.number
    if number is None:
        raise TypeError(f"{asked.step.context} has no number to read")
    large = number.unit == "money"
    value = _plain_number(text, large=large, words=asked.words)
    if value is None and (parts := _UNIT_SPLIT.match(text.strip())) and parts[2]:
        value = _plain_number(parts[1], large=large, words=asked.words)
        if isinstance(value, Decimal):
            value = _in_unit(value, normal(parts[2]), number.unit, asked.words)
    if isinstance(value, Unread):
        return value
    if value is None or not asked.step.low <= value <= asked.step.high:
        return Unread("number_range", {"low": asked.step.low, "high": asked.step.high})
    return _short(value)


_LITRES = frozenset({"l", "lt", "ltr", "litre", "litres", "liter", "liters", "lita"})
_LONGEST_CURRENCY = 4
"""Letters of a currency's sign or code behind a price: "TZS", "Tsh", "/="."""


def _in_unit(value: Decimal, written: str, unit: str, words: Words) -> Decimal | None:
    """Turn a number with a unit behind it into the question's own; None for a foreign unit."""
    if unit == "cm":
        if written in {"cm", "sm"}:
            return value
        return value * 100 if words.unit(written) == "m" else None
    if unit == "litre":
        return value if written in _LITRES else None
    # What a currency is called says nothing about the amount; "m" may mean millions.
    currency = len(written) <= _LONGEST_CURRENCY and written.isalpha() and written != "m"
    return value if currency or not written[:1].isalnum() else None


def _short(value: Decimal) -> int | float:
    return int(value) if value == value.to_integral_value() else float(round(value, 4))


# Area

_SIDES = re.compile(
    r"([\d.,]+)\s*(?:m\b|mita\b|meta\b)?\s*(?:x|\*|\u00d7|by|kwa|na)\s*([\d.,]+)\s*(\D*)\Z",
    re.IGNORECASE,
)


def _area(text: str, asked: Asked) -> Answer | Unread:
    low, high = asked.area
    refused = Unread("area_range", {"low": low, "high": high})
    text = text.strip()
    if sides := _SIDES.match(text):
        length, width = (
            _plain_number(side, large=False, words=asked.words) for side in sides.groups()[:2]
        )
        unit = sides[3].strip()
        if not isinstance(length, Decimal) or not isinstance(width, Decimal):
            return Unread("not_understood")
        if unit and asked.words.unit(unit) != "m":
            return Unread("not_understood")
        if not low <= Area.from_sides(float(length), float(width)).acres <= high:
            return refused
        return f"{_short(length)}x{_short(width)} m"
    parts = _UNIT_SPLIT.match(text)
    if parts and parts[2]:
        value, unit_name = (
            _plain_number(parts[1], large=asked.words.unit(parts[2]) == "m2", words=asked.words),
            asked.words.unit(parts[2]),
        )
    elif parts:
        value, unit_name = _plain_number(text, large=False, words=asked.words), None
    else:
        value, unit_name = _worded_area(text, asked.words)
    if isinstance(value, Unread):
        return value
    if value is None:
        return Unread("not_understood")
    if unit_name in (None, "m"):
        return Unread("which_unit", {"number": _short(value)})
    if not value or not low <= Area.from_value(float(value), unit_name).acres <= high:
        return refused
    return f"{_short(value)} {unit_name}"


_JOINING = frozenset({"and", "na", "of", "ya"})


def _worded_area(text: str, words: Words) -> tuple[Decimal | None, str | None]:
    """Read an area in words, unit first or last: "half acre", "ekari moja na nusu"."""
    unit: str | None = None
    numbers: list[Decimal] = []
    for token in text.split():
        value = _plain_number(token, large=False, words=words)
        if normal(token) in _JOINING:
            continue
        if unit is None and (name := words.unit(token)):
            unit = name
        elif isinstance(value, Decimal):
            numbers.append(value)
        else:
            return None, None
    match numbers:
        case [value]:
            return value, unit
        case [whole, part] if part < 1 and whole == whole.to_integral_value():
            return whole + part, unit
        case _:
            return None, None


# Days

_ISO = re.compile(r"(\d{4})[-/.](\d{1,2})[-/.](\d{1,2})\Z", re.ASCII)
_DAY_MONTH = re.compile(r"(\d{1,2})\s*[-/. ]\s*(\d{1,2})(?:\s*[-/. ]\s*(\d{2}|\d{4}))?\Z", re.ASCII)
_NAMED_MONTH = re.compile(
    r"(\d{1,2})(?:st|nd|rd|th)?\s*[-/. ]?\s*([^\W\d]+)\.?(?:\s*[-/., ]\s*(\d{2}|\d{4}))?\Z"
)


def _day(text: str, asked: Asked) -> Answer | Unread:
    bounds = asked.step.state.day
    if bounds is None:
        raise TypeError(f"{asked.step.context} has no day to read")
    earliest = asked.today + timedelta(days=bounds.earliest)
    latest = asked.today + timedelta(days=bounds.latest)
    day = find_day(text, asked.words, asked.today, past=bounds.latest <= 0)
    if day is None:
        return Unread("day_in_words")
    if isinstance(day, Unread):
        return day
    if not earliest <= day <= latest:
        return Unread("day_range", {"low": earliest, "high": latest})
    return day.isoformat()


def find_day(text: str, words: Words, today: date, *, past: bool) -> date | Unread | None:
    """The day a text names; None when it names none.

    A weekday is the last one for a day that has passed (`past`), else the next one, today
    included. A date without a year is the nearest such date in that direction.
    """
    text = text.strip()
    if (offset := words.day(text)) is not None:
        return today + timedelta(days=offset)
    if (weekday := words.weekday(text)) is not None:
        ahead = (weekday - today.weekday()) % 7
        return today + timedelta(days=ahead if not past or ahead == 0 else ahead - 7)
    if iso := _ISO.match(text):
        return _date(int(iso[1]), int(iso[2]), int(iso[3]))
    if numbers := _DAY_MONTH.match(text):
        return _of_year(int(numbers[1]), int(numbers[2]), numbers[3], today, past=past)
    if (named := _NAMED_MONTH.match(text)) and (month := words.month(named[2])):
        return _of_year(int(named[1]), month, named[3], today, past=past)
    return None


def _of_year(day: int, month: int, year: str | None, today: date, *, past: bool) -> date | Unread:
    if year is not None:
        return _date(int(year) + (2000 if len(year) == 2 else 0), month, day)  # noqa: PLR2004
    for candidate in (today.year, today.year - 1) if past else (today.year, today.year + 1):
        found = _date(candidate, month, day)
        if isinstance(found, date) and (found <= today if past else found >= today):
            return found
    # 29 February may lie years away; any other day without a year is in one of the two.
    return Unread("no_such_day")


def _date(year: int, month: int, day: int) -> date | Unread:
    try:
        return date(year, month, day)
    except ValueError:
        return Unread("no_such_day")


# Reports

_REPORT = re.compile(r"([123])(?![\d/])(?!\s*[-/.]\s*\d)[\s.,:)-]*(.*)\Z", re.ASCII | re.DOTALL)
_REPORTS = ("done", "not_yet", "help")
_MEANINGS = {"done": "done", "yes": "done", "not_yet": "not_yet", "no": "not_yet"}


def _report(text: str, asked: Asked) -> Reading | Unread:
    """Read "1", "done", "1 yesterday", "not yet, Friday", or only a day: "yesterday", "12/3"."""
    report, rest = _report_word(text.strip(), asked.words)
    if report is None:
        return _bare_day(text, asked)
    if report == "help" or not rest:
        return {"report": report, "reported_on": None}
    done = report == "done"
    day = find_day(rest, asked.words, asked.today, past=done)
    if not isinstance(day, date):
        return day or Unread("day_in_words")
    low, high = (-REPORT_BACK, 0) if done else (0, REPORT_AHEAD)
    low_day, high_day = (asked.today + timedelta(days=days) for days in (low, high))
    if not low_day <= day <= high_day:
        return Unread("day_range", {"low": low_day, "high": high_day})
    return {"report": report, "reported_on": day.isoformat()}


REPORT_BACK = 60
"""Days back that a report may reach; older work is for the agent to enter."""
REPORT_AHEAD = 120
"""Days ahead that work may be put off in one text."""


def _bare_day(text: str, asked: Asked) -> Reading | Unread:
    """Take a day alone as done on it, or as put off to it, whichever lies nearer to today."""
    if asked.words.weekday(text) is not None:
        return Unread("pick_one")  # last Friday or next Friday: it could be either
    found = [find_day(text, asked.words, asked.today, past=past) for past in (True, False)]
    days = [day for day in found if isinstance(day, date)]
    if not days:
        return found[0] if isinstance(found[0], Unread) else Unread("pick_one")
    day = min(days, key=lambda each: abs(each - asked.today))
    if not -REPORT_BACK <= (day - asked.today).days <= REPORT_AHEAD:
        return Unread("pick_one")
    report = "done" if day <= asked.today else "not_yet"
    return {"report": report, "reported_on": day.isoformat()}


def _report_word(text: str, words: Words) -> tuple[str | None, str]:
    """Split a report into what it reports and the day behind it."""
    if numbered := _REPORT.match(text):
        return _REPORTS[int(numbered[1]) - 1], numbered[2]
    tokens = text.split()
    for length in range(min(len(tokens), 6), 0, -1):
        meaning = words.answer(" ".join(tokens[:length]))
        if meaning in _MEANINGS:
            return _MEANINGS[meaning], " ".join(tokens[length:])
    return None, ""
