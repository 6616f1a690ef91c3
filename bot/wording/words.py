"""The words a speaker types, from a language's `words.yaml`.

Growers type on small keypads: without accents, in any case, with stray punctuation. The words
of the file and a text from a phone are brought to one plain form (`normal`), so that every
lookup is one dictionary access. Names of weekdays and months come from CLDR through Babel;
the file adds the spellings people really use.

A lookup knows a word only as it stands in the file. `lenient` gives words that take a slip for
the word it must be in (bot/wording/slips.py): the last resort of a reader.
"""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass, field, replace
from decimal import Decimal
from functools import lru_cache
from typing import TYPE_CHECKING, Literal, Self

import msgspec
import yaml
from babel import Locale, UnknownLocaleError
from babel.dates import get_day_names, get_month_names

from bot.wording.folding import unhooked
from bot.wording.slips import Slips, distance
from bot.wording.words_file import MONTHS, WEEKDAYS, WordsFile

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence

    from bot.wording.words_file import (
        AroundKind,
        Month,
        SmallWord,
        Spellings,
        Towards,
        Weekday,
    )

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
    Accents on Latin, Greek and Cyrillic letters, hooks and all apostrophes are dropped, since
    most keypads lack them: "fév." is "fev", "don't" is "dont", "ɗaya" is "daya". Other
    punctuation and white space are one space, none at the ends. A text of punctuation alone is
    its first mark: "?!" is "?".
    """
    text = without_accents(text)
    plain = _STRAY.sub(" ", _DROPPED.sub("", text.casefold())).strip()
    return plain or text.strip()[:1]


def without_accents(text: str) -> str:
    """Give a text in plain small letters, its punctuation as it stands."""
    if text.isascii():
        return text.casefold()
    decomposed = unicodedata.normalize("NFKD", _DROPPED.sub("", text))
    bare = _ACCENTS.sub("", unicodedata.normalize("NFKD", decomposed.casefold()))
    return unicodedata.normalize("NFKC", unhooked(bare)).replace("\u2044", "/")


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
_SIGNS = {
    "cm": ("cm", "cms"),
    "litre": ("l",),
    "cl": ("cl",),
    "ml": ("ml", "mls", "cc"),
    "seconds": ("s", "sec", "secs"),
    "minutes": ("min", "mins", "mn"),
}
"""Signs of measures, which are the same in every language."""
_FEW_LETTERS = 3
_LONGEST_COUNT = 3
"""Digits of a number of days or weeks."""
_MOST_AROUND = 3
"""So many polite words are left out on each side: "yes please, my good sir"."""
_SCALES = {"hundred": 100, "thousand": 1000, "lakh": 100_000, "million": 1_000_000}
_COUNTED_DAYS = {"days_ago": -1, "days_ahead": 1, "weeks_ago": -7, "weeks_ahead": 7}
_TOWARDS: dict[str, Towards] = {
    "last_weekday": "last",
    "next_weekday": "next",
    "coming_weekday": "coming",
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
    count_stands: Literal["before", "behind"] = "before"
    """Where a number in words stands by its scale: "two thousand", "elfu mbili"."""
    _scales: Mapping[str, str] = field(default_factory=dict)
    _measures: Mapping[str, str] = field(default_factory=dict)
    _small: Mapping[str, frozenset[str]] = field(default_factory=dict)
    _counted_days: Mapping[str, Sequence[Sequence[str]]] = field(default_factory=dict)
    _around: Mapping[str, frozenset[str]] = field(default_factory=dict)
    _apart: frozenset[str] = frozenset()
    _vague: frozenset[str] = frozenset()
    _other_words: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    _slips: Slips | None = None
    _takes_slips: bool = False

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
        larger = file.larger_numbers
        if wrong := next((name for name in larger if not (name.isascii() and name.isdigit())), ""):
            raise ValueError(f"{wrong!r} under larger_numbers is no number; write it in digits")
        scales = _spellings(file.scales)
        scales.pop("count_stands", None)
        measures = _spellings(file.measures)
        words = cls(
            language=file.language,
            locale=file.locale,
            status=file.status,
            reviewer=file.reviewer,
            _commands=_index("commands", msgspec.structs.asdict(file.commands)),
            _answers=_index("answers", msgspec.structs.asdict(file.answers)),
            _units=_index("units", msgspec.structs.asdict(file.units)),
            _numbers=_index("numbers", {**msgspec.structs.asdict(file.numbers), **larger}),
            _days=_index("days", msgspec.structs.asdict(file.days)),
            _weekdays=_index("weekdays", _weekday_names(locale, file.weekdays)),
            _months=_index("months", _month_names(locale, file.months)),
            count_stands=file.scales.count_stands if file.scales else "before",
            _scales=_index("scales", scales),
            _measures=_index(
                "measures",
                {
                    name: (*measures.get(name, ()), *_SIGNS.get(name, ()))
                    for name in {**measures, **_SIGNS}
                },
            ),
            _small=_plain(_spellings(file.small_words)),
            _counted_days=_patterns(_spellings(file.counted_days)),
            _around=_plain(_spellings(file.around)),
            _apart=frozenset(map(normal, file.apart)),
            _vague=frozenset(map(normal, file.vague)),
            _other_words={
                question: _index(f"other_words: {question}", answers)
                for question, answers in file.other_words.items()
            },
        )
        if words.command("stop") != "stop":
            # Notices on stopping are often English, whatever the rest of a text is in.
            raise ValueError("'stop' must be one of the words under commands: stop; add it")
        return replace(words, _slips=words._slips_with(words._units))

    def with_units(self, spellings: Mapping[str, tuple[str, ...]]) -> Words:
        """Know local units of area, too, by their spellings. Raises ValueError for one in use."""
        local = _index("units", spellings)
        if taken := sorted(local.keys() & self._units.keys()):
            raise ValueError(f"unit {taken[0]!r} is in use for {self._units[taken[0]]}; drop it")
        units = {**self._units, **local}
        return replace(self, _units=units, _slips=self._slips_with(units))

    def lenient(self) -> Words | None:
        """Give words that know a mistyped word, too, where it can be but one.

        None where the file names no words `apart`: nobody has yet looked at what is near ours.
        """
        return replace(self, _takes_slips=True) if self._slips else None

    def may_command(self, text: str) -> bool:
        """Whether a text is a command or near one, so that it is no answer with a slip in it."""
        return self._slips is not None and self._slips.may_command(normal(text))

    def spellings(self, typed: str, labels: frozenset[str]) -> set[str]:
        """Give the words of `labels` that a mistyped one can be: the nearest, all as near."""
        return self._slips.spellings(normal(typed), labels) if self._slips else set()

    def said_otherwise(self, question: str, text: str) -> str | None:
        """Give the answer that a text stands for at a question, as `other_words` has it."""
        return self._other_words.get(question, {}).get(normal(text))

    def is_vague(self, text: str) -> bool:
        """Whether a word alone says too little to pick the answer it begins or ends."""
        return normal(text) in self._vague

    def without(self, text: str, kind: AroundKind) -> str:
        """Leave out the words of a kind that stand before and behind an answer."""
        words = self._around.get(kind, frozenset())
        for sign in words:
            if len(sign) == 1 and not sign.isalnum():
                text = text.replace(sign, " ")  # an emoji stands close to a word
        tokens = text.split()
        lengths = sorted({len(each.split()) for each in words}, reverse=True)
        for length in lengths * _MOST_AROUND:
            if length < len(tokens) and normal(" ".join(tokens[:length])) in words:
                del tokens[:length]
            if length < len(tokens) and normal(" ".join(tokens[-length:])) in words:
                del tokens[-length:]
        return " ".join(tokens)

    def _slips_with(self, units: Mapping[str, str]) -> Slips | None:
        """Make ready to look for slips, where it is known what looks like our words."""
        if not self._apart:
            return None
        groups = {
            "answers": self._answers,
            "units": units,
            "numbers": self._numbers,
            "days": self._days,
            "weekdays": self._weekdays,
            "months": self._months,
            "scales": self._scales,
            "measures": self._measures,
        }
        return Slips(groups, self._commands, self._apart)

    def _find(self, group: str, index: Mapping[str, str], text: str) -> str | None:
        """Look a text up in a group, then as a slip in one of its words if those are taken."""
        plain = normal(text)
        found = index.get(plain)
        if found is not None or not self._takes_slips or self._slips is None:
            return found
        # Three letters, and digits, are a slip on the keypad in an answer only.
        letters = plain.replace(" ", "")
        if group != "answers" and not (letters.isalpha() and len(letters) > _FEW_LETTERS):
            return None
        return self._slips.meant(plain, group)

    def _counted(
        self, text: str, meanings: Mapping[str, object], place: str
    ) -> Iterator[tuple[str, list[str]]]:
        """Match a text with the phrases of some meanings, giving what stands in the place."""
        tokens = normal(text).split()
        for meaning in meanings:
            for pattern in self._counted_days.get(meaning, ()):
                at = pattern.index(place)
                tail = len(pattern) - at - 1
                inside = tokens[at : len(tokens) - tail]
                around = [*tokens[:at], *tokens[len(tokens) - tail :]]
                if inside and self._same(around, [each for each in pattern if each != place]):
                    yield meaning, inside

    def _same(self, typed: Sequence[str], words: Sequence[str]) -> bool:
        if len(typed) != len(words):
            return False
        return all(
            one == other or (self._takes_slips and distance(one, other) is not None)
            for one, other in zip(typed, words, strict=True)
        )

    def stops(self) -> Iterable[str]:
        """Give the plain words that stop our texts."""
        return (word for word, command in self._commands.items() if command == "stop")

    def command(self, text: str) -> str | None:
        """Name the command a text gives: "stop", "help" and so on, as in `Commands`."""
        return self._commands.get(normal(text))

    def answer(self, text: str) -> str | None:
        """Name the shared answer a text gives: "yes", "no", "unsure", "done", "not_yet", "none"."""
        return self._find("answers", self._answers, text)

    def unit(self, text: str) -> str | None:
        """Name the unit a text means: "acre", "ha", "m2", "m", "counted", or a local one."""
        return self._find("units", self._units, text)

    def number(self, text: str) -> Decimal | None:
        """Give the value of a number in words, a quarter to ten. Digits are not read here."""
        name = self._find("numbers", self._numbers, text)
        return None if name is None else _NUMBERS.get(name) or Decimal(name)

    def scale(self, text: str) -> int | None:
        """Give what an amount is counted in: 100, 1000, 100,000 (a lakh) or 1,000,000."""
        name = self._scales.get(normal(text))
        return None if name is None else _SCALES[name]

    def measure(self, text: str) -> str | None:
        """Name what else a text means by a unit: "cm", "litre", "seconds" ..., or "money"."""
        return self._measures.get(normal(text))

    def small(self, kind: SmallWord) -> frozenset[str]:
        """Give the plain words of a kind that stand inside numbers, sizes and dates."""
        return self._small.get(kind, frozenset())

    def joins(self, text: str) -> bool:
        """Whether a word joins the parts of a number or a size: "and", "of"."""
        plain = normal(text)
        return plain in self.small("joining") or plain in self.small("of")

    def unit_spellings(self, name: str) -> frozenset[str]:
        """Give the plain spellings of a unit."""
        return frozenset(word for word, meaning in self._units.items() if meaning == name)

    def day(self, text: str) -> int | None:
        """Give the day a text names, in days from today: "yesterday" is -1, "in 3 days" 3."""
        name = self._find("days", self._days, text)
        if name is not None:
            return _DAYS[name]
        counts = set()
        for meaning, typed in self._counted(text, _COUNTED_DAYS, "{n}"):
            number = self._whole(" ".join(typed))
            if number is not None:
                counts.add(number * _COUNTED_DAYS[meaning])
        return counts.pop() if len(counts) == 1 else None

    def _whole(self, text: str) -> int | None:
        """Read a whole number of at most three digits, or in words."""
        if text.isascii() and text.isdigit():
            return int(text) if len(text) <= _LONGEST_COUNT else None
        number = self.number(text)
        return int(number) if number is not None and number == int(number) else None

    def weekday(self, text: str) -> int | None:
        """Give the weekday a text names, 0 (Monday) to 6 (Sunday), as `date.weekday` counts."""
        name = self._find("weekdays", self._weekdays, text)
        return None if name is None else WEEKDAYS.index(name)

    def weekday_towards(self, text: str) -> tuple[int, Towards] | None:
        """Give the weekday and the direction of "last Friday", "next Friday"."""
        found = {
            (weekday, _TOWARDS[meaning])
            for meaning, typed in self._counted(text, _TOWARDS, "{day}")
            if (weekday := self.weekday(" ".join(typed))) is not None
        }
        return found.pop() if len(found) == 1 else None

    def month(self, text: str) -> int | None:
        """Give the month a text names, 1 to 12."""
        name = self._find("months", self._months, text)
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


def _spellings(group: msgspec.Struct | None) -> dict[str, Spellings]:
    return {} if group is None else msgspec.structs.asdict(group)


def _plain(spellings: Mapping[str, Spellings]) -> dict[str, frozenset[str]]:
    return {name: frozenset(map(normal, written)) for name, written in spellings.items()}


_PLACES = ("{n}", "{day}")


def _patterns(phrases: Mapping[str, Spellings]) -> dict[str, list[list[str]]]:
    """Part phrases into plain words and the place that is left open in each."""
    patterns: dict[str, list[list[str]]] = {}
    for meaning, written in phrases.items():
        place = _PLACES["weekday" in meaning]
        for phrase in written:
            head, found, tail = phrase.partition(place)
            if not found:
                raise ValueError(
                    f"{phrase!r} under counted_days: {meaning} lacks {place}; add it where "
                    f"the {'weekday' if place == '{day}' else 'number'} stands"
                )
            pattern = [*normal(head).split(), place, *normal(tail).split()]
            patterns.setdefault(meaning, []).append(pattern)
    return patterns


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
