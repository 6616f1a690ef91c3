"""What a row of a decision may ask of an answer: to be one of some values, or in an interval.

A condition has no code in it, only a set or an interval, so that a decision's rows can be
proved to leave no gap and never to overlap (see `bot.dialogue.proof`). As written in a flow
file:

    cover: woody                 one value
    cover: [woody, broadleaf]    one of several
    green: true                  yes
    height_cm: "> 50"            an interval: > >= < <= and "15..20", both ends inside
    height_cm: "> knee_height_cm"    the bound is a figure, by its name
    reported_on: unknown         the grower did not say; `known` is its opposite
"""

from __future__ import annotations

import itertools
import math
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from bot.dialogue.records import Answer

UNKNOWN = "unknown"
KNOWN = "known"

_COMPARISON = re.compile(r"(>=|<=|>|<)\s*(\S+)\Z")
_BETWEEN = re.compile(r"(\S+?)\s*\.\.\s*(\S+)\Z")


@dataclass(frozen=True, slots=True)
class OneOf:
    """The answer is one of these values; None among them means "unknown"."""

    values: frozenset[Answer]

    def holds(self, answer: Answer) -> bool:
        """Whether the answer satisfies the condition."""
        return answer in self.values

    def edges(self) -> tuple[float, ...]:
        """No numbers at which the condition changes."""
        return ()


@dataclass(frozen=True, slots=True)
class Between:
    """The answer is a number in an interval, each end inside it or not."""

    low: float
    high: float
    low_inside: bool = True
    high_inside: bool = True

    def holds(self, answer: Answer) -> bool:
        """Whether the answer satisfies the condition; an unknown number never does."""
        if not isinstance(answer, int | float):
            return False
        above = answer >= self.low if self.low_inside else answer > self.low
        below = answer <= self.high if self.high_inside else answer < self.high
        return above and below

    def edges(self) -> tuple[float, ...]:
        """The numbers at which the condition changes from false to true or back."""
        return tuple(end for end in (self.low, self.high) if math.isfinite(end))


@dataclass(frozen=True, slots=True)
class IsKnown:
    """The grower gave an answer, whatever it was."""

    def holds(self, answer: Answer) -> bool:
        """Whether the answer satisfies the condition."""
        return answer is not None

    def edges(self) -> tuple[float, ...]:
        """No numbers at which the condition changes."""
        return ()


Condition = OneOf | Between | IsKnown


def read_condition(raw: object, figure: Callable[[str], float]) -> Condition:
    """Read one condition as written in a flow file.

    `figure` gives a figure's value by name and raises KeyError for a name it does not know.
    A text that is neither an interval nor a plain value raises ValueError.
    """
    if isinstance(raw, list):
        return OneOf(frozenset(_value(each) for each in raw))
    if isinstance(raw, str):
        if raw == KNOWN:
            return IsKnown()
        if compared := _COMPARISON.match(raw):
            sign, bound = compared[1], _number(compared[2], figure)
            inside = sign.endswith("=")
            if sign.startswith(">"):
                return Between(bound, math.inf, low_inside=inside)
            return Between(-math.inf, bound, high_inside=inside)
        if between := _BETWEEN.match(raw):
            return Between(_number(between[1], figure), _number(between[2], figure))
        if not raw.isidentifier():
            raise ValueError(
                f"{raw!r} is not a condition; write a value, a list of values, "
                '"> 50", "<= 50", "15..20", known or unknown'
            )
    return OneOf(frozenset([_value(raw)]))


def _value(raw: object) -> Answer:
    if raw == UNKNOWN:
        return None
    if isinstance(raw, str | bool | int | float):
        return raw
    raise ValueError(f"{raw!r} cannot be compared with an answer; write a name, a number or true")


def _number(text: str, figure: Callable[[str], float]) -> float:
    try:
        return float(text)
    except ValueError:
        return figure(text)


@dataclass(frozen=True, slots=True)
class When:
    """All the conditions of one row; a row without any always holds."""

    conditions: tuple[tuple[str, Condition], ...]

    def holds(self, answers: dict[str, Answer]) -> bool:
        """Whether every condition holds; a question not yet asked counts as unknown."""
        return all(condition.holds(answers.get(name)) for name, condition in self.conditions)

    @property
    def names(self) -> frozenset[str]:
        """The answers the row looks at."""
        return frozenset(name for name, _ in self.conditions)


def cells(
    values: Iterable[Answer], low: float, high: float, edges: Iterable[float]
) -> list[Answer]:
    """Representatives of every way the conditions can turn out for one answer.

    For an enumeration, its `values`; for a number in [low, high], every edge in it, its two
    ends, and a point between each neighbouring pair: an interval condition cannot change in
    between, so trying these is trying all.
    """
    listed = list(values)
    if listed or low > high:
        return listed
    points = sorted({low, high, *(edge for edge in edges if low < edge < high)})
    between = [(a + b) / 2 for a, b in itertools.pairwise(points)]
    return [_whole(point) for point in sorted([*points, *between])]


def _whole(point: float) -> Answer:
    return int(point) if point == int(point) else point
