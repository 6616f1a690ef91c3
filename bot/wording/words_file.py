"""A language's `words.yaml` as it is written: its groups and what stands in each.

`bot/wording/words.py` makes them ready to look up.
"""

from __future__ import annotations

from typing import Annotated, Literal, get_args

import msgspec

Spellings = Annotated[tuple[str, ...], msgspec.Meta(min_length=1)]

Weekday = Literal["monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday"]
Month = Literal[
    "january",
    "february",
    "march",
    "april",
    "may",
    "june",
    "july",
    "august",
    "september",
    "october",
    "november",
    "december",
]
WEEKDAYS: tuple[Weekday, ...] = get_args(Weekday)
MONTHS: tuple[Month, ...] = get_args(Month)

AroundKind = Literal["polite", "about", "before_day", "knee", "per_tonne", "per_acre", "per_day"]
"""Words that may stand beside an answer; see `Around`."""

SmallWord = Literal["joining", "by", "of", "out_of", "article", "ordinal", "side", "denying"]
"""Words inside a number, a size or a date; see `SmallWords`."""

Towards = Literal["last", "next", "coming"]
"""Which of the weekdays of a name is meant: "last Friday", "next Friday", "the coming Friday"."""


class Commands(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """What works in any state of the conversation."""

    stop: Spellings
    start: Spellings
    help: Spellings
    back: Spellings
    plan: Spellings
    new: Spellings
    same: Spellings
    more: Spellings
    language: Spellings


class Answers(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Answers that questions share. `none` is "there is none", not a refusal."""

    yes: Spellings
    no: Spellings
    unsure: Spellings
    done: Spellings
    not_yet: Spellings
    none: Spellings


class Units(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Units of a field's size and sides; `counted` may stand behind a bare count."""

    acre: Spellings
    ha: Spellings
    m2: Spellings
    m: Spellings
    counted: Spellings


class Numbers(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Numbers people write out."""

    half: Spellings
    quarter: Spellings
    three_quarters: Spellings
    one: Spellings
    two: Spellings
    three: Spellings
    four: Spellings
    five: Spellings
    six: Spellings
    seven: Spellings
    eight: Spellings
    nine: Spellings
    ten: Spellings


class Days(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Days counted from today."""

    today: Spellings
    yesterday: Spellings
    day_before_yesterday: Spellings
    tomorrow: Spellings
    day_after_tomorrow: Spellings


# The groups from here on may be left out; what they would read is then asked again.


class Scales(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """What amounts of money are counted in; a lakh, where it is known, is a hundred thousand.

    `count_stands` says where a number in words stands: before ("two thousand") or behind
    ("elfu mbili"). In digits it may stand on either side.
    """

    count_stands: Literal["before", "behind"]
    hundred: Spellings
    thousand: Spellings
    million: Spellings
    lakh: tuple[str, ...] = ()


class SmallWords(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Words inside a number, a size or a date.

    `joining` stands between its parts ("one and a half"), `of` before what a part is of ("half
    of an acre", "12 of March"), `out_of` before a whole ("17 out of 20"), `by` between the
    sides of a field, and `article` before a unit. `ordinal` ends the number of a day ("12th").
    `side` are the words for a field's length and width ("length 60 width 40"). A number behind a `denying` word is none, although it may be a unit, too ("pas 27", "27 pas").
    """

    joining: Spellings
    by: Spellings
    of: tuple[str, ...] = ()
    out_of: tuple[str, ...] = ()
    article: tuple[str, ...] = ()
    ordinal: tuple[str, ...] = ()
    side: tuple[str, ...] = ()
    denying: tuple[str, ...] = ()


class Measures(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Units of other things than land, beside their signs (cm, l, ml), and names of money."""

    cm: Spellings
    litre: Spellings
    ml: Spellings
    seconds: Spellings
    minutes: Spellings
    money: Spellings


class CountedDays(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Days by their distance, "{n} days ago", and weekdays with a direction, "last {day}"."""

    days_ago: Spellings
    days_ahead: Spellings
    weeks_ago: Spellings
    weeks_ahead: Spellings
    last_weekday: Spellings
    next_weekday: Spellings
    coming_weekday: Spellings


class Around(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Words that stand beside an answer and change nothing in it.

    `polite` may be beside any, `about` beside a number or a size, `before_day` before a day,
    `knee` beside a height with its unit; `per_tonne` and its like behind an amount of money at
    a question that asks for just that.
    """

    polite: Spellings
    about: Spellings
    before_day: Spellings
    knee: Spellings
    per_tonne: Spellings
    per_acre: Spellings
    per_day: Spellings


class WordsFile(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A `words.yaml` as written.

    `apart` are words that a slip must not turn into ours, `vague` words of a label that do not
    pick it alone. `other_words` are, by question and answer, what stands for that answer there:
    the answer may be an option's value, yes or no, or what else could be typed.
    """

    language: Annotated[str, msgspec.Meta(min_length=1)]
    locale: str
    status: Literal["draft", "reviewed"]
    reviewer: str
    commands: Commands
    answers: Answers
    units: Units
    numbers: Numbers
    days: Days
    weekdays: dict[Weekday, Spellings] = {}
    months: dict[Month, Spellings] = {}
    larger_numbers: dict[str, Spellings] = {}
    scales: Scales | None = None
    small_words: SmallWords | None = None
    measures: Measures | None = None
    counted_days: CountedDays | None = None
    around: Around | None = None
    apart: tuple[str, ...] = ()
    vague: tuple[str, ...] = ()
    other_words: dict[str, dict[str, Spellings]] = {}
