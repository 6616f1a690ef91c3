"""What the desk's pages share: what stands behind them, and how they write things.

The desk speaks British English; what growers are sent is in their own languages.
"""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING, cast
from zoneinfo import ZoneInfo

from babel import Locale
from babel.dates import format_date
from flask import current_app, url_for

from bot.dialogue.standing import ANSWERING, FINISHED, NOT_BEGUN
from bot.wording.formats import number
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


# What stands behind a page


def exchange_here() -> Exchange:
    """Return the exchange of the app that this request is at."""
    return cast("Exchange", current_app.extensions["exchange"])


def groups_here() -> Groups:
    """Return the groups of the app that this request is at."""
    return cast("Groups", current_app.extensions["groups"])


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
    return format_date(value, "EEE d MMM y", locale="en_GB")


def days(value: int) -> str:
    """Write how many days: "1 day"."""
    return f"{count(value)} day{'' if value == 1 else 's'}"


def language_name(code: str) -> str:
    """Write a language as English calls it; "not known" for none."""
    return (Locale.parse(code).get_language_name(SOURCE) or code) if code else "not known"


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
