"""Reports over the API: the groups, a season, and what became of texts."""

from __future__ import annotations

from collections import Counter
from datetime import UTC, date, datetime, timedelta
from typing import TYPE_CHECKING

from bot.dialogue.records import stem
from bot.dialogue.standing import adoption
from bot.store.groups import Group, Overview, added_up
from bot.store.settled import tallies
from bot.web.api import shapes
from bot.web.api.routes import Call, Route
from bot.web.api.shapes import Problem

if TYPE_CHECKING:
    from collections.abc import Mapping

UNKNOWN = "unknown"
"""The kind of a text that is not known yet: the report on it came before we knew it had left."""


def _by_day(call: Call, groups: Mapping[str, Group]) -> dict[date, list[str]]:
    """The names of groups by the day it is where they are; "" are those without a group."""
    days: dict[date, list[str]] = {}
    for name, group in groups.items():
        days.setdefault(call.api.day(group.zone), []).append(name)
    return days


def listed(call: Call) -> shapes.GroupList:
    """List the groups that the token reaches."""
    groups = call.groups()
    found: dict[str, Overview] = {}
    for today, names in _by_day(call, groups).items():
        found |= call.api.groups.sizes(names, today)
    return shapes.GroupList(
        [
            shapes.Group(
                name=name,
                country=group.country,
                zone=group.zone,
                language=group.language,
                season=group.season,
                growers=found[name].size,
                behind=found[name].behind,
                to_ring=found[name].to_ring,
            )
            for name, group in groups.items()
        ]
    )


# The season


def season(call: Call, query: shapes.SeasonQuery) -> shapes.SeasonReport | Problem:
    """Report how far the growers of groups have come."""
    groups = _groups(call, query.group)
    if isinstance(groups, Problem):
        return groups
    days = _by_day(call, groups).items()
    found = added_up(call.api.groups.together(names, today) for today, names in days)
    counts: dict[str, dict[str, int]] = {}
    for name, count in sorted(found.sums.items()):
        kind, _, what = name.partition(":")
        if count:
            counts.setdefault(kind, {})[what] = count
    return shapes.SeasonReport(
        groups=[name for name in groups if name],
        growers=found.size,
        behind=found.behind,
        to_ring=found.to_ring,
        stages=counts.get("stage", {}),
        languages=counts.get("language", {}),
        silent=counts.get("silent", {}),
        operations=[
            shapes.Adoption(
                name=each.operation,
                planned=each.planned,
                done=each.done,
                late=each.late,
                late_days=each.late_days,
                product_ml=each.ml,
                weeks=[
                    shapes.Week(monday, week["open"], week["done"])
                    for monday, week in each.weeks.items()
                ],
            )
            for each in adoption(found.sums, map(stem, call.api.dialogue.flows.operations))
        ],
    )


def _groups(call: Call, one: object) -> dict[str, Group] | Problem:
    """Return the group asked for, or all that the token reaches, with those without a group."""
    if isinstance(one, str):
        found = call.group(one)
        return found if isinstance(found, Problem) else {found.name: found}
    return call.groups() | ({"": Group("")} if call.token.may_see("") else {})


# What became of texts

_COUNTED = ("heard", "sent", "refused", "delivered", "failed", "segments")


def deliveries(call: Call, query: shapes.DeliveriesQuery) -> shapes.DeliveryReport | Problem:
    """Report what became of the texts of days."""
    groups = _groups(call, query.group)
    if isinstance(groups, Problem):
        return groups
    settings = call.api.exchange.settings
    today = datetime.fromtimestamp(call.api.exchange.clock(), UTC).date()
    days = [today - timedelta(days=back) for back in reversed(range(query.days))]
    report = []
    for day, counts in tallies(call.api.groups, days, today).items():
        kinds: dict[str, Counter[str]] = {}
        for (what, kind, group), count in counts.items():
            if group in groups:
                kinds.setdefault(kind or UNKNOWN, Counter())[what] += count
        total = sum(kinds.values(), Counter())
        price = settings.segment_price
        report.append(
            shapes.Day(
                day,
                _texts(total),
                cost=round(total["segments"] * price, 2) if price else None,
                kinds={kind: _texts(counts) for kind, counts in sorted(kinds.items())},
            )
        )
    return shapes.DeliveryReport(settings.currency, report)


def _texts(counts: Counter[str]) -> shapes.Texts:
    return shapes.Texts(*(counts[what] for what in _COUNTED))


ROUTES = [
    Route("GET", "/groups", listed, "growers:read", shapes.GroupList, "List the groups."),
    Route(
        "GET",
        "/reports/season",
        season,
        "reports:read",
        shapes.SeasonReport,
        "Report how far growers have come: stages, operations done and late, herbicide advised.",
        query=shapes.SeasonQuery,
        problems=(404,),
    ),
    Route(
        "GET",
        "/reports/deliveries",
        deliveries,
        "reports:read",
        shapes.DeliveryReport,
        "Report what became of texts, day by day.",
        query=shapes.DeliveriesQuery,
        problems=(404,),
    ),
]
