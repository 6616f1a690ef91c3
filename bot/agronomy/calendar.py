"""The calendar: when each operation can, should and must be done.

A plan is a network, not a list. Operations are linked by a least and a most number of days,
and the windows follow from the links by propagation, as in a simple temporal network (Dechter,
Meiri and Pearl, "Temporal constraint networks", Artificial Intelligence 49, 1991): forward
from what is really done, backward from a day the grower wants to plant.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

PLANT = "plant"
"""The operation a wanted planting day speaks of."""

_NEVER = date.max.toordinal()


@dataclass(frozen=True, slots=True)
class Link:
    """`operation` comes at least `least` and, unless None, at most `most` days after `after`."""

    operation: str
    after: str
    least: int
    most: int | None = None


@dataclass(frozen=True, slots=True)
class Facts:
    """What is known on a day.

    `start` is the first day of work, `planting` a day the grower wants to plant; `done` says
    which operation was done when, `promised` until when the grower has put one off.
    """

    today: date
    start: date | None = None
    planting: date | None = None
    done: Mapping[str, date] = field(default_factory=dict)
    promised: Mapping[str, date] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Window:
    """The days of one operation: possible from `earliest`, best on `due`, too late past `latest`."""

    earliest: date
    due: date
    latest: date


@dataclass(frozen=True, slots=True)
class Broken:
    """A link the facts have broken by so many `days`; `after` is None for the wanted day."""

    operation: str
    after: str | None
    days: int


@dataclass(frozen=True, slots=True)
class Calendar:
    """The windows of all operations, and the links that could not be kept.

    `waits` are the links that keep planting from being any earlier, first to last: each
    operation of the chain comes just the least days after the one before it.
    """

    windows: Mapping[str, Window]
    broken: tuple[Broken, ...]
    waits: tuple[Link, ...] = ()


def lay_out(
    operations: Sequence[str],
    links: Sequence[Link],
    facts: Facts,
    slack_days: Mapping[str, int] | None = None,
) -> Calendar:
    """Work out every operation's window. `operations` stand after those they follow.

    A done operation has the day it was done as its whole window and never moves. No other can
    be earlier than today, than the day it is put off to, or, where it follows nothing, than
    the first day of work. An operation is due as soon as it can be, but what leads to a wanted
    planting day is due as late as every link allows: "start by". Where that day can't be met,
    planting is due on the first day that can, and what leads to it by then. The latest day
    comes from the links; where none bounds it, and for planting, it is at most the due day and
    the operation's slack. A link that can't be kept is reported in `broken` and let go, so that
    a grower always has dates, and earliest <= due <= latest holds for all of them. The least
    days are never let go: they are what a herbicide or a sod needs.

    Raises ValueError if an operation stands before one it follows.
    """
    network = _Network(operations, links, facts, slack_days or {})
    earliest = network.rise(network.bounds_below())
    due = network.rise(network.wanted_days(earliest))
    latest = network.fall(due, network.bounds_above(due))
    return Calendar(
        windows={
            each: Window(*(date.fromordinal(days[each]) for days in (earliest, due, latest)))
            for each in operations
        },
        broken=network.broken(earliest, due),
        waits=network.waits(earliest),
    )


class _Network:
    """The links and facts of one plan. Days are ordinals, so that links are plain additions.

    Each propagation repeats until nothing moves. A network whose links agree is at rest within
    as many rounds as it has operations (Bellman and Ford); one still moving then never rests.
    """

    def __init__(
        self,
        operations: Sequence[str],
        links: Sequence[Link],
        facts: Facts,
        slack_days: Mapping[str, int],
    ) -> None:
        self.operations = operations
        place = {each: number for number, each in enumerate(operations)}
        self.links = sorted(
            (link for link in links if link.operation in place and link.after in place),
            key=lambda link: place[link.operation],
        )
        for link in self.links:
            if place[link.after] >= place[link.operation]:
                raise ValueError(
                    f"{link.operation} must stand after {link.after}, which it follows"
                )
        self.following = {link.operation for link in self.links}
        self.facts = facts
        self.slack = slack_days
        self.done = {each: day.toordinal() for each, day in facts.done.items() if each in place}
        wanted = facts.planting if PLANT in place and PLANT not in self.done else None
        self.wanted = wanted.toordinal() if wanted else None

    def bounds_below(self) -> dict[str, int]:
        """Find for each operation the first day that its own facts allow."""
        today = self.facts.today.toordinal()
        start = self.facts.start.toordinal() if self.facts.start else today
        bounds = {}
        for each in self.operations:
            put_off = self.facts.promised.get(each)
            bounds[each] = self.done.get(each) or max(
                today,
                today if each in self.following else start,
                put_off.toordinal() if put_off else today,
            )
        return bounds

    def rise(self, days: dict[str, int]) -> dict[str, int]:
        """Move days later until every link is kept that can be; nothing done moves."""
        moved = dict(days)
        for _ in self.operations:
            before = dict(moved)
            self._keep_least(moved)
            for link in reversed(self.links):
                if link.most is not None and link.after not in self.done:
                    moved[link.after] = max(moved[link.after], moved[link.operation] - link.most)
            if moved == before:
                return moved
        # The links contradict one another and would push days on for ever.
        moved = dict(days)
        self._keep_least(moved)
        return moved

    def _keep_least(self, days: dict[str, int]) -> None:
        """Move days later until all least days are kept; the order of links makes it one pass."""
        for link in self.links:
            if link.operation not in self.done:
                days[link.operation] = max(days[link.operation], days[link.after] + link.least)

    def wanted_days(self, earliest: dict[str, int]) -> dict[str, int]:
        """Put off planting to the wanted day, and what leads to it as far as links allow."""
        if self.wanted is None:
            return earliest
        planting = max(self.wanted, earliest[PLANT])
        by = self.fall(earliest, self.done | {PLANT: planting})
        leading = {PLANT}
        for link in reversed(self.links):
            if link.operation in leading and link.after not in self.done:
                leading.add(link.after)
        return earliest | {each: by[each] for each in leading} | {PLANT: planting}

    def bounds_above(self, due: dict[str, int]) -> dict[str, int]:
        """Give each operation that no link bounds, and planting, its slack; all done, the day."""
        bounded = {link.operation for link in self.links if link.most is not None}
        bounds = {
            each: due[each] + self.slack.get(each, 0)
            for each in self.operations
            if each not in bounded or each == PLANT
        }
        return bounds | self.done

    def fall(self, floor: dict[str, int], bounds: dict[str, int]) -> dict[str, int]:
        """Find the last days that keep every link and bound, but none before its floor."""
        days = {each: bounds.get(each, _NEVER) for each in self.operations}
        for _ in self.operations:
            before = dict(days)
            for link in self.links:
                if link.most is not None and link.operation not in self.done:
                    bound = days[link.after] + link.most
                    days[link.operation] = max(
                        floor[link.operation], min(days[link.operation], bound)
                    )
            for link in reversed(self.links):
                if link.after not in self.done and link.operation not in self.done:
                    bound = days[link.operation] - link.least
                    days[link.after] = max(floor[link.after], min(days[link.after], bound))
            if days == before:
                break
        return days

    def waits(self, earliest: dict[str, int]) -> tuple[Link, ...]:
        """Follow planting back along the links that leave it no earlier day."""
        chain: list[Link] = []
        while True:
            waiting = chain[-1].after if chain else PLANT
            holding = [
                link
                for link in self.links
                if link.operation == waiting
                and earliest[waiting] == earliest[link.after] + link.least
            ]
            if not holding:
                break
            # Of several that hold it equally, the longest wait; of those, any, but always the same.
            chain.append(max(holding, key=lambda link: (link.least, link.after)))
        return tuple(reversed(chain))

    def broken(self, earliest: dict[str, int], due: dict[str, int]) -> tuple[Broken, ...]:
        """Name the links that the due days can't keep, and a wanted day that is too early."""
        late = [
            Broken(link.operation, link.after, due[link.operation] - last)
            for link in self.links
            if link.most is not None
            and link.operation not in self.done
            and due[link.operation] > (last := due[link.after] + link.most)
        ]
        if self.wanted is not None and earliest[PLANT] > self.wanted:
            late.append(Broken(PLANT, None, earliest[PLANT] - self.wanted))
        return tuple(late)
