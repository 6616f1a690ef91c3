"""What the desk's pages share: what stands behind them, and how they write things.

The desk speaks British English; what growers are sent is in their own languages.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING, cast
from zoneinfo import ZoneInfo

from flask import abort, current_app, url_for

from bot.dialogue.standing import ANSWERING, FINISHED, NOT_BEGUN
from bot.web.desk.guarding import must_see
from bot.wording.formats import long_date, number, short_date
from bot.wording.languages import SOURCE

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date

    from flask import Blueprint

    from bot.dialogue.turn import Dialogue
    from bot.exchange import Exchange
    from bot.store.groups import Group, Groups
    from bot.store.people import User

WORK = {
    "slash": "Cut the field low",
    "spray_fallow": "Spray the fallow",
    "clear": "Clear the field",
    "plough": "Plough",
    "ridge": "Make ridges",
    "plant": "Plant",
    "spray_preemergence": "Pre-emergence spray",
    "gap_fill": "Fill gaps",
    "weed_check": "Weed check",
    "weed_by_hand": "Weed by hand",
    "spray_shielded": "Spray with a shield",
    "harvest_check": "Check the roots",
}
"""The operations by name, in the order of a season. Beside one another on a page they must be
told apart, which the short words of a text need not."""

STAGES = {
    NOT_BEGUN: "Not begun",
    ANSWERING: "Answering questions",
    **WORK,
    FINISHED: "All done",
}
"""Where growers are in the season; with an operation's name, that is what comes next."""

SILENT = {
    "stopped": "STOP",
    "no_consent": "No consent",
    "unreachable": "Not reached",
}
"""Marks of growers who get nothing but direct replies, by `standing.why_silent`."""

NO_GROUP = "Without a group"


@dataclass(frozen=True, slots=True)
class Fault:
    """What is wrong with a form, in a sentence, and the field it is said beside."""

    field: str
    said: str


# What stands behind a page


def exchange_here() -> Exchange:
    """Return the exchange of the app that this request is at."""
    return cast("Exchange", current_app.extensions["exchange"])


def groups_here() -> Groups:
    """Return the groups of the app that this request is at."""
    return cast("Groups", current_app.extensions["groups"])


def group_here(name: str) -> Group:
    """Return a group; 404 unless it is there and theirs to see."""
    must_see(name)
    group = groups_here().shelf.find(name)
    if group is None:
        abort(404)
    return group


def dialogue_here() -> Dialogue:
    """Return the conversation of the app that this request is at."""
    return exchange_here().dialogue


def groups_of(user: User) -> list[Group]:
    """Return the groups that are theirs to see, by name; admins see every one."""
    every = groups_here().shelf.all().values()
    return [each for each in every if user.may_see(each.name)]


def names_of(groups: Sequence[Group], user: User) -> list[str]:
    """Return the names to read growers by: an admin's have "" among them, for those without."""
    names = [each.name for each in groups]
    return [*names, ""] if user.may_see("") else names


def day_in(zone: str) -> date:
    """Return the day it is in a zone, or in the operator's where that is empty."""
    here = exchange_here()
    at = datetime.fromtimestamp(here.clock(), UTC)
    return at.astimezone(ZoneInfo(zone or here.settings.zone)).date()


MOST_SKIPPED = 1_000_000
"""Rows that a page may skip: an address with more is a slip."""


def page_start(written: str) -> int:
    """Read from an address how many rows to skip; 0 for what is no such number."""
    if not (written.isascii() and written.isdigit()):
        return 0
    return min(int(written[:LONGEST_COUNT]), MOST_SKIPPED)


LONGEST_COUNT = 9
"""Digits worth reading of a count."""


# How things are written


def work(name: str) -> str:
    """Write an operation's name, or its id, which has a number where it recurs."""
    stem, _, last = name.rpartition("_")
    if last.isdigit():
        return f"{work(stem)} {last}"
    return WORK.get(name) or name.replace("_", " ").capitalize()


def stage_name(stage: str) -> str:
    """Write a stage of `standing`."""
    return STAGES.get(stage) or work(stage)


def count(value: int) -> str:
    """Write a number: 12,400."""
    return number(value, SOURCE)


def day(value: date) -> str:
    """Write a day: "Mon 2 Mar 2026"."""
    return long_date(value, SOURCE)


def brief(value: date, today: date) -> str:
    """Write a day in a table: "Mon 2 Mar", with the year where it is another than today's."""
    return short_date(value, SOURCE) if value.year == today.year else day(value)


def days(value: int) -> str:
    """Write how many days: "1 day"."""
    return f"{count(value)} day{'' if value == 1 else 's'}"


def language_name(code: str) -> str:
    """Write a language by its own name; "not known" for none."""
    if not code:
        return "not known"
    spoken = dialogue_here().languages.get(code)
    return spoken.words.language if spoken else code


def group_title(name: str) -> str:
    """Write a group's name, also where it is none."""
    return name or NO_GROUP


def group_address(name: str, **query: str | int) -> str:
    """Return the address of a group's page; "" is the growers without a group."""
    if name:
        return url_for("desk.group", name=name, **query)  # type: ignore[arg-type]
    return url_for("desk.no_group", **query)  # type: ignore[arg-type]


def register(desk: Blueprint) -> None:
    """Let the desk's templates write as above."""

    @desk.app_context_processor
    def helpers() -> dict[str, object]:
        return {
            "brief": brief,
            "count": count,
            "day": day,
            "days": days,
            "group_address": group_address,
            "group_title": group_title,
            "language_name": language_name,
            "offered": lambda endpoint: endpoint in current_app.view_functions,
            "stage_name": stage_name,
            "work": work,
        }
