"""The ledger of groups, and the page of one: its season as a picture, its growers by next work."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import phonenumbers
from flask import flash, redirect, render_template, request, url_for
from msgspec.structs import replace

from bot.dialogue.standing import NO_DAY, days_behind, monday, next_open, stage, why_silent
from bot.store.groups import LONGEST_NAME, Group, added_up, tidy
from bot.web.desk.guarding import desk_here, may_see, me, must_be_admin, must_see, record
from bot.web.desk.pictures import (
    MOST_WEEKS,
    CalendarRow,
    calendar,
    calendar_table,
    stages_bar,
)
from bot.web.desk.showing import (
    SILENT,
    STAGES,
    Fault,
    day_in,
    dialogue_here,
    exchange_here,
    group_here,
    group_title,
    groups_here,
    groups_of,
    names_of,
    page_start,
    stage_name,
    work,
)

if TYPE_CHECKING:
    from collections import Counter
    from collections.abc import Mapping, Sequence

    from flask import Blueprint
    from flask.typing import ResponseReturnValue
    from markupsafe import Markup

    from bot.dialogue.records import Grower
    from bot.store.groups import Overview
    from bot.web.desk.pictures import CalendarLine

GROUPS = 50
"""Groups on a page of the ledger."""

PAGE = 50
"""Growers on a page."""

WEEKS_BACK = 26
"""Weeks gone by that the calendar shows; what is left of a plan after them is told in words."""

PARTS = {"behind": "Behind", "week": "Due this week", "later": "Later", "none": "No day"}
"""The parts of a group by when the next work is due."""


@dataclass(frozen=True, slots=True)
class Row:
    """A grower in a group's table; `operation` is their next work, if any, and `due` its day."""

    number: str
    grower: Grower
    stage: str
    operation: str
    due: date | None
    behind: int
    marks: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Season:
    """A group's calendar: the picture, and the same as lines. `before` is left of older weeks."""

    picture: Markup
    lines: list[CalendarLine]
    before: int


def register(desk: Blueprint) -> None:
    """Add the pages of groups."""

    @desk.get("/groups")
    def groups() -> str:
        """List the groups, with what each comes to."""
        wanted = request.args.get("change", "") if me().role == "admin" else ""
        found = groups_here().shelf.find(wanted) if wanted else None
        return _ledger(found.name, _set(found)) if found else _ledger()

    @desk.post("/groups")
    def keep_group() -> ResponseReturnValue:
        """Add a group, or change what is set for one."""
        must_be_admin()
        return _kept()

    @desk.get("/groups/<path:name>")
    def group(name: str) -> str:
        """Show a group: its season, its stages and its growers."""
        return _group_page(group_here(name))

    @desk.get("/no-group")
    def no_group() -> str:
        """Show the growers who are in no group."""
        must_see("")
        return _group_page(Group(""))


# The ledger


def _ledger(
    was: str = "", typed: Mapping[str, str] | None = None, faults: Sequence[Fault] = ()
) -> str:
    every, named = groups_of(me()), tidy(request.args.get("named", ""))
    groups = [each for each in every if named.casefold() in each.name.casefold()]
    start, today = page_start(request.args.get("start", "")), day_in("")
    names = [each.name for each in groups] if named else names_of(groups, me())
    # Those without a group come behind the last one, and count for no row: there may be none.
    end = start + GROUPS + (1 if start + GROUPS >= len(groups) else 0)
    overviews = groups_here().overviews(names[start:end], today)
    # What is on other pages is only added up, as each group's own counts take the most to read.
    if len(groups) > GROUPS:
        together = groups_here().together(names, today)
    else:
        together = added_up(overviews.values())
    return render_template(
        "desk/groups.html",
        any=bool(names_of(every, me())),
        groups=groups[start : start + GROUPS],
        overviews=overviews,
        together=together,
        planted_of=planted_of,
        named=named,
        start=start,
        page=GROUPS,
        listed=len(groups),
        was=was,
        typed=typed or {},
        faults=faults,
        settings=desk_here().settings,
        languages=dialogue_here().languages,
        longest_name=LONGEST_NAME,
    )


def planted_of(sums: Counter[str]) -> int:
    """Count the growers who have planted, whenever that was."""
    return sum(count for fact, count in sums.items() if fact.startswith("done:plant:"))


_SET = ("country", "zone", "language")
"""What may be set for a group."""


def _kept() -> ResponseReturnValue:
    form, shelf = request.form, groups_here().shelf
    was, name = form.get("was", ""), tidy(form.get("name", ""))
    country, zone, language = (form.get(each, "").strip() for each in _SET)
    group = Group(name, country.upper(), zone, language)
    faults = _faults_in(group)
    if not was and not any(each.isalnum() for each in name):
        faults.insert(0, Fault("name", "Give the group a name with a letter or a digit in it."))
    if faults:
        return _ledger(was, form, faults), 400
    if was:
        if shelf.change(was, lambda kept: replace(kept, **_set(group))) is None:
            gone = Fault("name", f"There is no group {was} any more.")
            return _ledger(typed=form, faults=[gone]), 404
        record("changed the group", was, _listed(group))
        flash(f"{was} is changed.")
    else:
        if not shelf.add(name, group):
            taken = Fault("name", f"There is a group {name} already. Give this one another name.")
            return _ledger(typed=form, faults=[taken]), 409
        record("added the group", name, _listed(group))
        flash(f"{name} is added.")
    return redirect(url_for("desk.groups"), 303)


def _set(group: Group) -> dict[str, str]:
    return {each: getattr(group, each) for each in _SET}


def _faults_in(group: Group) -> list[Fault]:
    found = []
    if group.country and group.country not in phonenumbers.SUPPORTED_REGIONS:
        found.append(Fault("country", "Write the country's two letters, as TZ or KE, or nothing."))
    if group.zone and not _is_zone(group.zone):
        found.append(Fault("zone", "Write a time zone by name, as Africa/Nairobi, or nothing."))
    if group.language and group.language not in dialogue_here().languages:
        found.append(Fault("language", "Choose one of the languages on offer."))
    return found


def _is_zone(name: str) -> bool:
    try:
        ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        return False
    return True


def _listed(group: Group) -> str:
    return ", ".join(f"{name} {value}" for name, value in _set(group).items() if value)


# A group


def _group_page(group: Group) -> str:
    today = day_in(group.zone)
    overview = groups_here().overviews([group.name], today)[group.name]
    part = request.args.get("part", "")
    if part not in PARTS:
        part = "behind" if overview.behind else "week"
    start = page_start(request.args.get("start", ""))
    found = groups_here().due([group.name], *_bounds(part, today), start, PAGE + 1)
    return render_template(
        "desk/group.html",
        group=group,
        overview=overview,
        planted=planted_of(overview.sums),
        today=today,
        season=season_of(overview.sums, today, group.name),
        stages=_stages(overview, group.name),
        parts=PARTS,
        part=part,
        start=start,
        page=PAGE,
        rows=_rows([number for number, _ in found[:PAGE]], today),
        more=len(found) > PAGE,
    )


def _bounds(part: str, today: date) -> tuple[int, int]:
    """Return the first and the last day of a part, as ordinals."""
    now, sunday = today.toordinal(), monday(today).toordinal() + 6
    return {
        "behind": (0, now - 1),
        "week": (now, sunday),
        "later": (sunday + 1, NO_DAY - 1),
        "none": (NO_DAY, NO_DAY),
    }[part]


def _rows(numbers: list[str], today: date) -> list[Row]:
    rows = []
    for number, loaded in zip(numbers, exchange_here().store.load_many(numbers), strict=True):
        grower = loaded.known
        if grower is None or not may_see(grower.group):
            continue  # forgotten, or moved out of sight, since the list was read
        coming = next_open(grower)
        rows.append(
            Row(
                number,
                grower,
                stage(grower),
                coming.id if coming else "",
                coming.due if coming else None,
                days_behind(grower, today),
                marks_of(grower),
            )
        )
    return rows


def marks_of(grower: Grower) -> tuple[str, ...]:
    """Say in a word or two what is to be known of a grower at sight."""
    silent = why_silent(grower)
    return (
        *((SILENT[silent],) if silent else ()),
        *(("To ring",) if grower.trouble else ()),
    )


def _stages(overview: Overview, name: str) -> Markup:
    counts = [(stage_name(each), overview.sums[f"stage:{each}"]) for each in STAGES]
    return stages_bar(counts, f"Where the growers of {group_title(name)} are", ident="stages")


def season_of(sums: Counter[str], today: date, name: str) -> Season | None:
    """Draw a group's operations by week from the counted facts; None where there are none."""
    dated: dict[tuple[str, str], dict[date, int]] = {}
    for fact, count in sums.items():
        kind, *rest = fact.split(":")
        if kind in {"done", "open"} and count:
            operation, week = rest
            dated.setdefault((operation, kind), {})[date.fromisoformat(week)] = count
    if not dated:
        return None
    every = {week for counts in dated.values() for week in counts}
    first = max(min(every), monday(today) - timedelta(weeks=WEEKS_BACK))
    last = max(*every, monday(today))
    many = min((last - first).days // 7 + 1, MOST_WEEKS)
    weeks = [first + timedelta(weeks=place) for place in range(many)]
    present = {operation for operation, _ in dated}
    ordered = [*(each for each in STAGES if each in present), *sorted(present - {*STAGES})]
    rows = [
        CalendarRow(
            work(operation),
            *(
                [dated.get((operation, kind), {}).get(week, 0) for week in weeks]
                for kind in ("done", "open")
            ),
        )
        for operation in ordered
    ]
    left = sum(
        count
        for (_, kind), counts in dated.items()
        for week, count in counts.items()
        if kind == "open" and week < first
    )
    label = f"The season of {group_title(name)}, operation by operation and week by week"
    return Season(
        calendar(weeks, rows, today, label, ident="season"),
        calendar_table(weeks, rows, today),
        left,
    )
