"""Growers over the API: enrolling them, reading, changing and forgetting one."""

from __future__ import annotations

import unicodedata
from collections import Counter
from typing import TYPE_CHECKING, Any

from msgspec import UNSET, structs

from bot.dialogue.standing import NO_DAY, days_behind, monday, next_open, stage, was_due
from bot.enrolment import rows
from bot.enrolment.columns import Columns
from bot.enrolment.files import Row, Sheet
from bot.enrolment.importing import take_in
from bot.gateways.numbers import masked
from bot.store.forgetting import forget
from bot.web.api import shapes
from bot.web.api.routes import Call, Route, faulty
from bot.web.api.shapes import Fault, Problem

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from datetime import date

    from bot.dialogue import records
    from bot.enrolment.importing import Outcome
    from bot.store.groups import Group

ENROLMENT_BYTES = 1024 * 1024
"""Bytes of an enrolment that are read: a thousand growers take about a quarter."""


def shown(call: Call, number: str, grower: records.Grower) -> shapes.Grower:
    """Show a grower as the API does."""
    coming = next_open(grower)
    return shapes.Grower(
        number=number,
        name=grower.name,
        village=grower.village,
        language=grower.language,
        group=grower.group,
        consent=grower.consent,
        stopped=grower.stopped,
        unreachable=grower.unreachable,
        texted=grower.receives,
        call=grower.trouble,
        stage=stage(grower),
        next=shapes.Work(coming.id, coming.name, was_due(coming)) if coming else None,
        days_behind=days_behind(grower, call.api.day(grower.zone)),
    )


# Enrolling

_HEADER = Columns(phone=0, name=1, village=2, language=3, consent=4)


def enrol(call: Call, body: shapes.Enrolment) -> shapes.Enrolled:
    """Enrol growers in groups, by the rules of an enrolment file."""
    groups = call.groups()
    came: dict[int, shapes.Taken] = {}
    theirs: dict[str, dict[int, shapes.NewGrower]] = {}
    for place, grower in enumerate(body.growers):
        if grower.group in groups:
            theirs.setdefault(grower.group, {})[place] = grower
        else:
            came[place] = _refused(grower.number, f"there is no group {grower.group!r}")
    first: dict[str, int] = {}
    for name, growers in theirs.items():
        ready: dict[str, rows.Enrolled] = {}
        for place, row in zip(growers, _read(call, groups[name], growers), strict=True):
            if isinstance(row, rows.Faulty):
                came[place] = _refused(row.cells[0], row.reason)
            elif (before := first.setdefault(_number(row), place)) != place:
                reason = f"growers[{before}] has the same number"
                came[place] = _refused(_number(row), reason)
            elif isinstance(row, rows.Enrolled):
                ready[row.number] = row
        outcomes = _taken(call, groups[name], [*ready.values()])
        came |= {first[number]: _taken_as(number, was) for number, was in outcomes.items()}
    counts = Counter(each.outcome for each in came.values())
    if done := counts["added"] + counts["changed"]:
        call.record("enrolled growers in", ", ".join(theirs), f"{done} growers")
    return shapes.Enrolled(
        [came[place] for place in sorted(came)],
        *(counts[each] for each in ("added", "changed", "unchanged", "refused")),
    )


def _read(
    call: Call, group: Group, growers: dict[int, shapes.NewGrower]
) -> Iterator[rows.Enrolled | rows.Faulty | rows.Merged]:
    """Read growers as the rows of a file would be."""
    cells = (
        Row(place, [each.number, each.name, each.village, each.language, _YES[each.consent]])
        for place, each in growers.items()
    )
    here = call.api.exchange
    sheet = Sheet(("number", "name", "village", "language", "consent"), _HEADER, cells)
    return rows.read_rows(sheet, group.country or here.settings.country, here.dialogue.languages)


_YES = {True: "yes", False: "no"}


def _number(row: rows.Enrolled | rows.Merged) -> str:
    return row.adds.number if isinstance(row, rows.Merged) else row.number


def _taken(call: Call, group: Group, growers: Sequence[rows.Enrolled]) -> dict[str, Outcome]:
    here = call.api.exchange
    outcomes: dict[str, Outcome] = {}
    take_in(
        growers,
        group,
        here.store,
        here.settings,
        here.clock(),
        asks_consent=True,
        may_move=call.token.may_see,
        came=outcomes.__setitem__,
    )
    return outcomes


def _taken_as(number: str, outcome: Outcome) -> shapes.Taken:
    if outcome == "elsewhere":
        return _refused(number, "this number is in a group that the token does not reach")
    return shapes.Taken(number, outcome)


def _refused(number: str, reason: str) -> shapes.Taken:
    return shapes.Taken(number, "refused", reason)


# One grower


def show(call: Call, number: str) -> shapes.Grower | Problem:
    """Show a grower."""
    loaded = call.grower(number)
    return loaded if isinstance(loaded, Problem) else shown(call, number, loaded.grower)


def edit(call: Call, number: str, body: shapes.GrowerChange) -> shapes.Grower | Problem:
    """Change what is known of a grower. Who has sent STOP stays stopped."""
    given = {name: value for name, value in structs.asdict(body).items() if value is not UNSET}
    faults = []
    for name in ("name", "village"):
        if name in given:
            given[name] = _plain(given[name])
    offered = call.api.dialogue.languages
    if given.get("language") and given["language"] not in offered:
        faults.append(Fault("language", f"write the code of a language: {', '.join(offered)}"))
    group = call.group(given["group"]) if "group" in given else None
    if isinstance(group, Problem):
        faults.append(Fault("group", group.detail))
    if faults or isinstance(group, Problem):
        return faulty(*faults)

    def change(grower: records.Grower) -> records.Grower:
        changes: dict[str, Any] = given
        if group is not None and group.name != grower.group:
            changes = given | {"zone": group.zone}
        return structs.replace(grower, **changes)

    changed = call.change(number, change)
    if isinstance(changed, Problem):
        return changed
    call.record("changed", masked(number), ", ".join(given))
    return shown(call, number, changed)


def _plain(written: str) -> str:
    """Write a name as an enrolment does: NFC, single spaces, nothing that cannot be seen."""
    spaced = " ".join(unicodedata.normalize("NFC", written).split())
    return "".join(each for each in spaced if unicodedata.category(each)[0] != "C")


def erase(call: Call, number: str) -> Problem | None:
    """Forget everything of a number."""
    store = call.api.exchange.store
    # They may be gone already, but not on enough replicas when it was tried.
    store.confirm(number, desk=True)
    loaded = call.grower(number)
    if isinstance(loaded, Problem):
        return loaded
    forget(store, number)
    call.record("forgot", masked(number))
    return None


# The growers of a group


def listed(call: Call, name: str, query: shapes.GrowersQuery) -> shapes.GrowerPage | Problem:
    """List the growers of a group."""
    group = call.group(name)
    if isinstance(group, Problem):
        return group
    days = _days(query.due, call.api.day(group.zone))
    found = call.api.groups.due([group.name], *days, query.offset, query.limit + 1)
    numbers = [number for number, _ in found[: query.limit]]
    growers = [
        shown(call, number, loaded.grower)
        for number, loaded in zip(numbers, call.api.exchange.store.load_many(numbers), strict=True)
        if loaded.known is not None and loaded.grower.group == group.name
    ]
    following = query.offset + query.limit
    more = len(found) > query.limit and following <= shapes.MOST_SKIPPED
    return shapes.GrowerPage(growers, following if more else None)


def _days(due: object, today: date) -> tuple[int, int]:
    """Return the first and the last day of a part of a group, as ordinals."""
    now, sunday = today.toordinal(), monday(today).toordinal() + 6
    parts = {
        "behind": (0, now - 1),
        "week": (now, sunday),
        "later": (sunday + 1, NO_DAY - 1),
        "none": (NO_DAY, NO_DAY),
    }
    return parts.get(str(due), (0, NO_DAY))


ROUTES = [
    Route(
        "POST",
        "/growers",
        enrol,
        "growers:write",
        shapes.Enrolled,
        "Enrol growers, or bring them up to date; doing it again changes nothing.",
        body=shapes.Enrolment,
        most_bytes=ENROLMENT_BYTES,
        example={
            "growers": [
                {
                    "number": "0655 512 345",
                    "name": "Asha Mwanga",
                    "village": "Kasele",
                    "language": "sw",
                    "consent": True,
                    "group": "Mirindi North",
                }
            ]
        },
    ),
    Route(
        "GET",
        "/growers/{number}",
        show,
        "growers:read",
        shapes.Grower,
        "Show a grower.",
    ),
    Route(
        "PATCH",
        "/growers/{number}",
        edit,
        "growers:write",
        shapes.Grower,
        "Change a grower's name, village, language, group or consent.",
        body=shapes.GrowerChange,
        example={"village": "Upper Kasele", "group": "Mirindi North"},
    ),
    Route(
        "DELETE",
        "/growers/{number}",
        erase,
        "growers:write",
        None,
        "Forget a grower: nothing of the number is kept.",
        status=204,
    ),
    Route(
        "GET",
        "/groups/{name}/growers",
        listed,
        "growers:read",
        shapes.GrowerPage,
        "List a group's growers by the day their next work is due.",
        query=shapes.GrowersQuery,
    ),
]
