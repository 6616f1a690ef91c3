"""The page an agent begins the day with: who needs a call, what is due, who is behind."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING

from flask import render_template, request

from bot.dialogue.standing import days_behind, monday, next_open
from bot.web.desk.guarding import me
from bot.web.desk.showing import (
    WORK,
    day_in,
    exchange_here,
    groups_here,
    groups_of,
    names_of,
    page_start,
)

if TYPE_CHECKING:
    from collections.abc import Iterable
    from datetime import date

    from flask import Blueprint

    from bot.dialogue.records import Grower

MOST = {"calls": 10, "behind": 25}
"""Growers of each list on the page; the rest are a link away."""


@dataclass(frozen=True, slots=True)
class Call:
    """A grower to ring, and since when (UTC epoch seconds)."""

    number: str
    grower: Grower
    since: float


@dataclass(frozen=True, slots=True)
class Behind:
    """A grower whose next work, `operation`, should have been done so many days ago."""

    number: str
    grower: Grower
    operation: str
    days: int


@dataclass(frozen=True, slots=True)
class Due:
    """An operation: in how many plans it is due this week, and overdue from earlier weeks."""

    operation: str
    this_week: int
    overdue: int


def register(desk: Blueprint) -> None:
    """Add the page of the day."""

    @desk.get("/")
    def today() -> str:
        """Show who needs a call, what is due this week and who is behind."""
        groups = groups_of(me())
        names = names_of(groups, me())
        now = day_in("")
        overview = groups_here().together(names, now)
        start = {each: page_start(request.args.get(each, "")) for each in MOST}
        return render_template(
            "desk/today.html",
            groups=groups,
            growers=overview.size,
            today=now,
            calls=_calls(names, start["calls"]),
            to_ring=overview.to_ring,
            due=due_this_week(overview.sums, now),
            behind=_behind(names, now, start["behind"]),
            are_behind=overview.behind,
            start=start,
            most=MOST,
        )


def due_this_week(sums: Counter[str], today: date) -> list[Due]:
    """Read from the counted facts what is open in plans in this week and in those gone by.

    The order is that of a season; operations with nothing open are left out.
    """
    this = monday(today).isoformat()
    weeks: dict[str, Counter[str]] = {name: Counter() for name in WORK}
    for fact, count in sums.items():
        kind, _, rest = fact.partition(":")
        name, _, week = rest.partition(":")
        if kind == "open" and week <= this:
            weeks.setdefault(name, Counter())["this" if week == this else "gone"] += count
    return [Due(name, each["this"], each["gone"]) for name, each in weeks.items() if each.total()]


def _calls(names: list[str], start: int) -> list[Call]:
    listed = groups_here().to_ring(names)[start : start + MOST["calls"]]
    growers = _known(number for number, _ in listed)
    # Who has written since the list was read may be in trouble no more.
    return [
        Call(number, growers[number], since)
        for number, since in listed
        if number in growers and growers[number].trouble
    ]


def _behind(names: list[str], today: date, start: int) -> list[Behind]:
    listed = groups_here().due(names, 0, today.toordinal() - 1, start, MOST["behind"])
    growers = _known(number for number, _ in listed)
    return [
        Behind(number, grower, work.id, days_behind(grower, today))
        for number, grower in growers.items()
        if (work := next_open(grower)) and days_behind(grower, today)
    ]


def _known(numbers: Iterable[str]) -> dict[str, Grower]:
    """Read growers by number, in order, without those who are there no more."""
    wanted = list(numbers)
    read = exchange_here().store.load_many(wanted)
    return {
        number: loaded.grower
        for number, loaded in zip(wanted, read, strict=True)
        if loaded.known is not None
    }
