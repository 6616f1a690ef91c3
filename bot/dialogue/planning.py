"""A plan: made from the answers, and laid out anew whenever a fact about it changes.

The operations come from a walk through the flows; their windows from the network of links
(`bot.agronomy.calendar`). A report or a promise changes one fact, and everything not yet done
moves with it. Reminders are not a list of their own: the plan owes at most one at a time, and
which one follows from the plan, so a reminder can never be stale.
"""

from __future__ import annotations

from dataclasses import dataclass
from dataclasses import replace as dataclass_replace
from datetime import date, timedelta
from typing import TYPE_CHECKING, Literal

from msgspec.structs import replace

from bot.agronomy.calendar import Broken, Facts, Link, lay_out
from bot.agronomy.weeding import HRAC_GROUPS
from bot.dialogue.links import chain, follows, what_precedes
from bot.dialogue.reckoning import millilitres_of
from bot.dialogue.records import Answers, Operation, Plan, Reminder
from bot.dialogue.standing import NUDGE_AFTER_DAYS, was_due
from bot.dialogue.walk import Walk

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from bot.dialogue.loading import Flows
    from bot.dialogue.records import Answer

GROUPS = {
    "spray_fallow": HRAC_GROUPS["glyphosate"],
    "isoxaflutole_aclonifen": HRAC_GROUPS["isoxaflutole"],
    "smetolachlor_atrazine": HRAC_GROUPS["s_metolachlor"],
}
"""HRAC group of each spray before the weeding sprays (of a mixture, its first substance)."""


RemedyKind = Literal["by_hand", "later", "shorter"]


@dataclass(frozen=True, slots=True)
class Remedy:
    """A way to plant nearer to the wanted day, and the first day it allows.

    `by_hand` leaves out the spray before planting, `shorter` the ploughing where ridges till
    the soil as well, and `later` keeps the plan as it is.
    """

    kind: RemedyKind
    earliest: date


@dataclass(frozen=True, slots=True)
class LaidOut:
    """A plan, and the links in it that the facts have broken.

    Where the wanted planting day cannot be met, `longest` is the longest wait on the way to
    planting, and `remedies` say what could be done, in the order a practitioner tries them.
    """

    plan: Plan
    broken: tuple[Broken, ...]
    longest: Link | None = None
    remedies: tuple[Remedy, ...] = ()


def make(flows: Flows, walk: Walk, today: date, done: dict[str, date] | None = None) -> LaidOut:
    """Make the plan of a season's walk. `done` are operations already carried out."""
    rain = walk.answers.get("rain_expected")
    groups = {identity: _group(identity, walk.answers) for identity in walk.operations}
    operations = tuple(
        Operation(
            id=identity,
            earliest=today,
            due=today,
            latest=today,
            done=(done or {}).get(identity),
            promised=date.fromisoformat(str(rain)) if identity == "plant" and rain else None,
            group=group,
            ml=millilitres_of(identity, group, walk.answers, flows.figures),
        )
        for identity, group in groups.items()
    )
    laid = lay_anew(flows, Plan(operations), walk.answers, today)
    first = laid.plan.next_reminder
    if first is not None and first.day <= today:
        # The plan itself has just said so; a reminder on the same day would only cost money.
        first = replace(first, day=today + timedelta(days=1))
    return dataclass_replace(laid, plan=replace(laid.plan, next_reminder=first))


def _group(identity: str, answers: Answers) -> int | None:
    if identity == "spray_preemergence":
        return GROUPS.get(str(answers.get("preemergence")))
    return GROUPS.get(identity)


def lay_anew(flows: Flows, plan: Plan, answers: Answers, today: date) -> LaidOut:
    """Lay out the windows of a plan from what is done and promised, as seen today.

    What leads up to something done, and is not done itself, has been passed over and leaves the
    plan: nobody is told to spray a field that is planted. So does what would come too late to
    work at all.
    """
    operations = list(plan.operations)
    links = chain(flows, operations)
    passed = _passed(operations, links)
    if passed:
        operations = [each for each in operations if each.id not in passed]
        links = chain(flows, operations)
    facts = _facts(plan, operations, answers, today)
    slack = {each.id: _slack(flows, each.id) for each in operations}
    calendar = lay_out([each.id for each in operations], links, facts, slack)
    broken = calendar.broken
    never = {row.operation for row in flows.links if row.or_never}
    missed = {each.operation for each in broken} & never
    if missed:
        operations = [each for each in operations if each.id not in missed]
        links = chain(flows, operations)
        calendar = lay_out([each.id for each in operations], links, facts, slack)
    windows = calendar.windows
    dated = tuple(
        replace(
            each,
            earliest=windows[each.id].earliest,
            due=windows[each.id].due,
            latest=windows[each.id].latest,
        )
        for each in operations
    )
    reminder = next_reminder(dated, what_precedes(links), today)
    laid = replace(plan, operations=dated, next_reminder=reminder)
    if all(each.after is not None for each in broken):
        return LaidOut(laid, broken)
    longest = max(calendar.waits, key=lambda link: link.least, default=None)
    return LaidOut(laid, broken, longest, _remedies(flows, laid, answers, today))


def _remedies(flows: Flows, plan: Plan, answers: Answers, today: date) -> tuple[Remedy, ...]:
    """Find what brings planting nearer to the wanted day, and how near."""
    open_ = {each.id for each in plan.operations if not each.done}
    ways: dict[RemedyKind, tuple[Operation, ...]] = {}
    if "spray_fallow" in open_:
        ways["by_hand"] = _by_hand(flows, plan, answers, today)
    ways["later"] = plan.operations
    if {"plough", "ridge"} <= open_:
        ways["shorter"] = tuple(each for each in plan.operations if each.id != "plough")
    unwanted = answers | {"planting_date": None, "date_kind": None}
    found: dict[RemedyKind, date] = {}
    for kind, operations in ways.items():
        laid = lay_anew(flows, replace(plan, operations=operations), unwanted, today)
        if (plant := laid.plan.find("plant")) is not None:
            found[kind] = plant.earliest
    return tuple(
        Remedy(kind, day) for kind, day in found.items() if kind == "later" or day < found["later"]
    )


def _by_hand(flows: Flows, plan: Plan, answers: Answers, today: date) -> tuple[Operation, ...]:
    """The operations of the same field without herbicide, with what of them is done already."""
    walk = Walk.season(flows, answers | {"herbicide_ok": False})
    known = {each.id: each for each in plan.operations}
    return tuple(
        known.get(each) or Operation(each, today, today, today) for each in walk.operations
    )


def _facts(plan: Plan, operations: Sequence[Operation], answers: Answers, today: date) -> Facts:
    return Facts(
        today=today,
        start=_day(answers.get("start_date")),
        planting=_wanted(plan, answers),
        done={each.id: each.done for each in operations if each.done},
        promised={each.id: each.promised for each in operations if each.promised},
    )


def _passed(operations: Sequence[Operation], links: Sequence[Link]) -> set[str]:
    """Operations not done that lead up to one that is."""
    before = what_precedes(links)
    leading: set[str] = set()
    for each in operations:
        earlier = before.get(each.id) if each.done else None
        while earlier is not None:
            leading.add(earlier)
            earlier = before.get(earlier)
    return leading - {each.id for each in operations if each.done}


def _day(value: object) -> date | None:
    return date.fromisoformat(value) if isinstance(value, str) else None


def wanted_day(answers: Mapping[str, Answer]) -> date | None:
    """The day the grower wants to plant, or expects the rains to plant in."""
    return _day(answers.get("planting_date")) or (
        _day(answers.get("rain_expected")) if answers.get("date_kind") == "rains" else None
    )


def _wanted(plan: Plan, answers: Answers) -> date | None:
    """The day the grower wants to plant, or the later day they have put it off to."""
    wanted = wanted_day(answers)
    plant = plan.find("plant")
    if wanted and plant and plant.promised:
        return max(wanted, plant.promised)
    return wanted


def _slack(flows: Flows, identity: str) -> int:
    figure = flows.operation(identity).slack
    return int(flows.figures[figure]) if figure else 0


def next_reminder(
    operations: Sequence[Operation], before: dict[str, str], today: date
) -> Reminder | None:
    """The reminder a plan owes next: the earliest of those whose time can come.

    An operation waits for the one it follows to be reported: nobody is told to clear what was
    never sprayed, or that spraying is allowed 8 weeks after a planting nobody reported. One
    unanswered reminder a day is enough, as the answer "1" must mean one thing.
    """
    done = {each.id for each in operations if each.done}
    owed = []
    for each in operations:
        waits_for = before.get(each.id)
        if each.done or each.reminded > len(NUDGE_AFTER_DAYS):
            continue
        if waits_for is not None and waits_for not in done:
            continue
        day = each.due
        if each.reminded and each.reminded_on:
            day = max(day, each.reminded_on + timedelta(days=NUDGE_AFTER_DAYS[each.reminded - 1]))
        owed.append(Reminder(each.id, day))
    if not owed:
        return None
    first = min(owed, key=lambda reminder: reminder.day)
    asked_today = any(each.reminded_on == today and not each.done for each in operations)
    if asked_today and first.day <= today:
        return replace(first, day=today + timedelta(days=1))
    return first


def closes(flows: Flows, plan: Plan, operation: Operation) -> date | None:
    """The last day that what was done before an operation leaves it; None where nothing does."""
    link = next((it for it in chain(flows, plan.operations) if it.operation == operation.id), None)
    before = plan.find(link.after) if link else None
    if link is None or link.most is None or before is None or before.done is None:
        return None
    return before.done + timedelta(days=link.most)


def first_asked(flows: Flows, plan: Plan, operation: Operation) -> str:
    """Name the flow that an operation's reminder begins with; empty once it is ready."""
    return "" if operation.id in plan.ready else flows.operation(operation.id).first


def done_on(plan: Plan, operation: Operation, day: date) -> Plan:
    """Report an operation done on a day, and how many days past the one it was due on."""
    late = max((day - was_due(operation)).days, 0)
    done = replace(operation, done=day, promised=None, late=late)
    return replace(change(plan, done), last_group=operation.group or plan.last_group)


def put_off(plan: Plan, operation: Operation, day: date) -> Plan:
    """Put an operation off to a day, by the grower's word, and ask about it anew from then."""
    moved = replace(operation, promised=day, reminded=0, reminded_on=None)
    # Rain that has fallen by now may be gone by then: it is asked about again.
    ready = tuple(each for each in plan.ready if each != operation.id)
    return replace(change(plan, moved), ready=ready)


def done_later(flows: Flows, plan: Plan, operation: Operation, day: date) -> Operation | None:
    """The operation before this one, if that was done only after `day`; None where all is well."""
    before = plan.find(follows(flows, plan).get(operation.id, ""))
    too_early = before is not None and before.done is not None and day < before.done
    return before if too_early else None


def change(plan: Plan, operation: Operation) -> Plan:
    """Put a changed operation in the place of the one with its id, or add it."""
    if plan.find(operation.id) is None:
        return replace(plan, operations=(*plan.operations, operation))
    return replace(
        plan,
        operations=tuple(
            operation if each.id == operation.id else each for each in plan.operations
        ),
    )


def fresh_id(plan: Plan, name: str) -> str:
    """An id for an operation that a weed check adds: one number past those the plan has."""
    numbers = [
        int(each.id.rpartition("_")[2])
        for each in plan.operations
        if each.name == name and each.id != name
    ]
    return f"{name}_{max([FIRST_ADDED - 1, *numbers]) + 1}"


FIRST_ADDED = 5
"""Operations added by weed checks are numbered past the ones every plan has."""


def next_open(plan: Plan) -> Operation | None:
    """The operation meant by "I have done it": the last one asked about, else the first open."""
    waiting = [each for each in plan.in_date_order() if not each.done]
    asked = [each for each in waiting if each.reminded_on]
    if asked:
        return max(asked, key=lambda each: each.reminded_on or date.min)
    return waiting[0] if waiting else None
