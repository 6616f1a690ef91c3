"""The words a speaker types, from a language's `words.yaml`.

Growers type on small keypads: without accents, in any case, with stray punctuation. The words
of the file and a text from a phone are brought to one plain form (`normal`), so that every
lookup is one dictionary access. Names of weekdays and months come from CLDR through Babel;
the file adds the spellings people really use.
"""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass, replace
from decimal import Decimal
from functools import lru_cache
from typing import TYPE_CHECKING, Annotated, Literal, Self, get_args

import msgspec
import yaml
from babel import Locale, UnknownLocaleError
from babel.dates import get_day_names, get_month_names

if TYPE_CHECKING:
    from collections.abc import Mapping

_APOSTROPHES = "'`\u00b4\u02bb\u02bc\u2018\u2019"
_INVISIBLE = "\u00ad\u200b-\u200f\u2060\ufe00-\ufe0f\ufeff\U0001f3fb-\U0001f3ff"
# ... joiners, direction marks, and the style and skin marks of emoji
_DROPPED = re.compile(f"[{_APOSTROPHES}{_INVISIBLE}]")
_ACCENTS = re.compile("[\u0300-\u036f]")
# ASCII punctuation but for the slash of 1/2, then what phones and other scripts add.
_STRAY = re.compile(
    r"[\s!-.:-@\[-_{-~\u00a1\u00a7\u00ab\u00b7\u00bb\u00bf\u060c\u061b\u061f\u0964\u1361-\u1368"
    "\u2000-\u2043\u2045-\u206f\u3000-\u303f]+"
)


@lru_cache(maxsize=512)  # one text is looked up as a command, an answer, a unit ...
def normal(text: str) -> str:
    """Bring a text to the plain form in which words are compared.

    Letters are casefolded and compatibility forms unified (NFKC: "m²" is "m2", "½" is "1/2").
    Accents on Latin, Greek and Cyrillic letters and all apostrophes are dropped, since most
    keypads lack them: "fév." is "fev", "don't" is "dont". Other punctuation and white space
    are one space, none at the ends. A text of punctuation alone is its first mark: "?!" is "?".
    """
    if not text.isascii():
        decomposed = unicodedata.normalize("NFKD", _DROPPED.sub("", text))
        bare = _ACCENTS.sub("", unicodedata.normalize("NFKD", decomposed.casefold()))
        text = unicodedata.normalize("NFKC", bare).replace("\u2044", "/")
    plain = _STRAY.sub(" ", _DROPPED.sub("", text.casefold())).strip()
    return plain or text.strip()[:1]


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


class WordsFile(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A `words.yaml` as written."""

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


_NUMBERS = {
    "half": Decimal("0.5"),
    "quarter": Decimal("0.25"),
    "three_quarters": Decimal("0.75"),
    "one": Decimal(1),
    "two": Decimal(2),
    "three": Decimal(3),
    "four": Decimal(4),
    "five": Decimal(5),
    "six": Decimal(6),
    "seven": Decimal(7),
    "eight": Decimal(8),
    "nine": Decimal(9),
    "ten": Decimal(10),
}
_DAYS = {
    "today": 0,
    "yesterday": -1,
    "day_before_yesterday": -2,
    "tomorrow": 1,
    "day_after_tomorrow": 2,
}


@dataclass(frozen=True, slots=True)
class Words:
    """One language's words, ready to look up. Every lookup takes a text as typed.

    `language` is the language's own name, `locale` its CLDR locale, `status` "draft" until a
    speaker (`reviewer`) has read the file.
    """

    language: str
    locale: str
    status: Literal["draft", "reviewed"]
    reviewer: str
    _commands: Mapping[str, str]
    _answers: Mapping[str, str]
    _units: Mapping[str, str]
    _numbers: Mapping[str, str]
    _days: Mapping[str, str]
    _weekdays: Mapping[str, str]
    _months: Mapping[str, str]

    @classmethod
    def read(cls, yaml_text: str) -> Self:
        """Read a `words.yaml`.

        Raises ValueError, naming the place, when it is not such a file: a key missing or
        unknown, a locale CLDR does not have, one word with two meanings in a group, or no
        English "stop" among the words that stop our texts.
        """
        try:
            # Plain strings only: YAML would otherwise read the keys yes and no as truth values.
            raw = yaml.load(yaml_text, Loader=yaml.BaseLoader)  # noqa: S506 - builds no objects
            file = msgspec.convert(raw, WordsFile)
        except yaml.YAMLError as error:
            raise ValueError(f"not readable as YAML: {error}; repair that line") from error
        except msgspec.ValidationError as error:
            raise ValueError(f"{error}; compare with the English words.yaml") from error
        try:
            locale = Locale.parse(file.locale)
        except (UnknownLocaleError, ValueError) as error:
            raise ValueError(f"{error}; use a CLDR locale such as sw or en") from error
        words = cls(
            language=file.language,
            locale=file.locale,
            status=file.status,
            reviewer=file.reviewer,
            _commands=_index("commands", msgspec.structs.asdict(file.commands)),
            _answers=_index("answers", msgspec.structs.asdict(file.answers)),
            _units=_index("units", msgspec.structs.asdict(file.units)),
            _numbers=_index("numbers", msgspec.structs.asdict(file.numbers)),
            _days=_index("days", msgspec.structs.asdict(file.days)),
            _weekdays=_index("weekdays", _weekday_names(locale, file.weekdays)),
            _months=_index("months", _month_names(locale, file.months)),
        )
        if words.command("stop") != "stop":
            # Notices on stopping are often English, whatever the rest of a text is in.
            raise ValueError("'stop' must be one of the words under commands: stop; add it")
        return words

    def with_units(self, spellings: Mapping[str, tuple[str, ...]]) -> Words:
        """Know local units of area, too, by their spellings. Raises ValueError for one in use."""
        local = _index("units", spellings)
        if taken := sorted(local.keys() & self._units.keys()):
            raise ValueError(f"unit {taken[0]!r} is in use for {self._units[taken[0]]}; drop it")
        return replace(self, _units={**self._units, **local})

    def command(self, text: str) -> str | None:
        """Name the command a text gives: "stop", "help" and so on, as in `Commands`."""
        return self._commands.get(normal(text))

    def answer(self, text: str) -> str | None:
        """Name the shared answer a text gives: "yes", "no", "unsure", "done", "not_yet", "none"."""
        return self._answers.get(normal(text))

    def unit(self, text: str) -> str | None:
        """Name the unit a text means: "acre", "ha", "m2", "m", "counted", or a local one."""
        return self._units.get(normal(text))

    def number(self, text: str) -> Decimal | None:
        """Give the value of a number in words, a quarter to ten. Digits are not read here."""
        name = self._numbers.get(normal(text))
        return None if name is None else _NUMBERS[name]

    def day(self, text: str) -> int | None:
        """Give the day a text names, in days from today: -2 to 2."""
        name = self._days.get(normal(text))
        return None if name is None else _DAYS[name]

    def weekday(self, text: str) -> int | None:
        """Give the weekday a text names, 0 (Monday) to 6 (Sunday), as `date.weekday` counts."""
        name = self._weekdays.get(normal(text))
        return None if name is None else WEEKDAYS.index(name)

    def month(self, text: str) -> int | None:
        """Give the month a text names, 1 to 12."""
        name = self._months.get(normal(text))
        return None if name is None else MONTHS.index(name) + 1


def _index(group: str, spellings: Mapping[str, tuple[str, ...]]) -> dict[str, str]:
    """Map the plain form of each spelling to its meaning."""
    index: dict[str, str] = {}
    for meaning, written in spellings.items():
        for word in written:
            plain = normal(word)
            if not plain:
                raise ValueError(f"an empty word under {group}: {meaning}; remove it")
            other = index.setdefault(plain, meaning)
            if other != meaning:
                raise ValueError(
                    f"{word!r} means both {other} and {meaning} under {group}; keep one"
                )
    return index


def _weekday_names(
    locale: Locale, extra: Mapping[Weekday, tuple[str, ...]]
) -> dict[str, tuple[str, ...]]:
    names = [get_day_names(width, locale=locale) for width in ("wide", "abbreviated")]
    return {
        name: (*(each[place] for each in names), *extra.get(name, ()))
        for place, name in enumerate(WEEKDAYS)
    }


def _month_names(
    locale: Locale, extra: Mapping[Month, tuple[str, ...]]
) -> dict[str, tuple[str, ...]]:
    names = [get_month_names(width, locale=locale) for width in ("wide", "abbreviated")]
    return {
        name: (*(each[place] for each in names), *extra.get(name, ()))
        for place, name in enumerate(MONTHS, start=1)
    }
