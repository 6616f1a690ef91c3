"""How a grower stands in the season, and what of it is counted for an agent: pure, no clock.

Counted facts never speak of today: what is behind follows from due days when it is asked. So a
count changes only when a record does, and the store can keep it in the same commit.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from datetime import date, timedelta
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from bot.dialogue.records import Grower, Operation, Plan

NOT_BEGUN, ANSWERING, FINISHED = "not_begun", "answering", "finished"
"""Stages beside the name of the operation that comes next."""

STAGE = "stage:"
"""How the fact begins that says in which stage a grower is; of each grower there is one."""

NUDGE_AFTER_DAYS = (3, 7)
"""Days from a reminder without an answer to the next; after the last one a person should ring."""


def was_due(operation: Operation) -> date:
    """The day an operation was due on before days went by.

    What is overdue is due today whenever a plan is laid out, as each reminder does; but the
    first reminder went out on the due day, and the others so many days after it.
    """
    if not operation.reminded_on:
        return operation.due
    nudged = sum(NUDGE_AFTER_DAYS[: max(operation.reminded - 1, 0)])
    return min(operation.due, operation.reminded_on - timedelta(days=nudged))


def next_open(grower: Grower) -> Operation | None:
    """The operation that comes next in a grower's plan; None without one, or when all is done."""
    if grower.plan is None:
        return None
    waiting = [each for each in grower.plan.operations if not each.done]
    return min(waiting, key=was_due, default=None)


def stage(grower: Grower) -> str:
    """Where a grower is: an operation's name, or one of the stages around a plan."""
    if grower.plan is None:
        return ANSWERING if grower.session or grower.answers else NOT_BEGUN
    coming = next_open(grower)
    return coming.name if coming else FINISHED


def days_behind(grower: Grower, today: date) -> int:
    """Days since the next operation should have been done; 0 when it is not overdue."""
    coming = next_open(grower)
    return max((today - was_due(coming)).days, 0) if coming else 0


def planted(grower: Grower) -> date | None:
    """The day the field was planted, if it is."""
    plant = grower.plan.find("plant") if grower.plan else None
    return plant.done if plant else None


def why_silent(grower: Grower) -> str:
    """Why a grower gets nothing but direct replies: the first reason that holds, or empty."""
    if grower.stopped:
        return "stopped"
    if not grower.consent:
        return "no_consent"
    return "unreachable" if grower.unreachable else ""


def facts(grower: Grower) -> Counter[str]:
    """What is counted of a grower, by name.

    `stage:plant`, `language:sw`, `silent:stopped`; and for each operation of the plan
    `open:plant:2026-03-23` or `done:plant:2026-03-23` with the Monday of its week,
    `late:plant` and `late_days:plant` where it was done late, and `ml:spray_fallow`, the
    millilitres of product advised.
    """
    return Counter(changed(None, grower))


def changed(old: Grower | None, new: Grower | None) -> dict[str, int]:
    """How the counts change when a record changes; None is a record that is not there."""
    counts: dict[str, int] = {}
    # Most texts answer a question and leave the plan as it is; it need not be counted then.
    same_plan = old is not None and new is not None and old.plan is new.plan
    for grower, sign in ((old, -1), (new, 1)):
        if grower is not None:
            counted = [(name, 1) for name in standing(grower)]
            if grower.plan and not same_plan:
                counted += _of_plan(grower.plan)
            for name, count in counted:
                counts[name] = counts.get(name, 0) + sign * count
    return {name: count for name, count in counts.items() if count}


def standing(grower: Grower) -> tuple[str, ...]:
    """Return what is counted once of a grower, whatever their plan is: all there is without one."""
    silent = why_silent(grower)
    facts = f"{STAGE}{stage(grower)}", f"language:{grower.language}"
    return (*facts, f"silent:{silent}") if silent else facts


def _of_plan(plan: Plan) -> list[tuple[str, int]]:
    counted = []
    for each in plan.operations:
        day = each.done or was_due(each)
        kind = "done" if each.done else "open"
        counted.append((f"{kind}:{each.name}:{monday(day)}", 1))
        if each.late:
            counted += [(f"late:{each.name}", 1), (f"late_days:{each.name}", each.late)]
        if each.ml:
            counted.append((f"ml:{each.name}", each.ml))
    return counted


def monday(day: date) -> date:
    """The Monday of a day's week (ISO 8601)."""
    return day.fromordinal(day.toordinal() - day.weekday())


@dataclass(frozen=True, slots=True)
class Adoption:
    """One operation over all plans: how often it is in one, was done, and was done late.

    `late_days` are those of all that were late; `ml` is herbicide product advised. `weeks` has,
    by their Mondays, how many are "open" and how many "done".
    """

    operation: str
    planned: int
    done: int
    late: int
    late_days: int
    ml: int
    weeks: Mapping[date, Counter[str]]

    @property
    def percent(self) -> int:
        """Done of what is planned, in percent; halves go up."""
        return (200 * self.done + self.planned) // (2 * self.planned) if self.planned else 0

    @property
    def mean_late(self) -> float:
        """Days late, on average of those that were."""
        return round(self.late_days / self.late, 1) if self.late else 0.0

    @property
    def litres(self) -> float:
        """Herbicide product advised, in litres."""
        return round(self.ml / 1000, 1)


def adoption(sums: Mapping[str, int], operations: Iterable[str]) -> list[Adoption]:
    """Read from counted facts what became of each operation, in the order of `operations`."""
    totals: dict[str, Counter[str]] = {name: Counter() for name in operations}
    weeks: dict[str, dict[date, Counter[str]]] = {}
    for fact, many in sums.items():
        kind, _, rest = fact.partition(":")
        if kind in {"open", "done", "late", "late_days", "ml"} and many:
            name, _, week = rest.partition(":")
            totals.setdefault(name, Counter())[kind] += many
            if week:
                theirs = weeks.setdefault(name, {}).setdefault(date.fromisoformat(week), Counter())
                theirs[kind] += many
    return [
        Adoption(
            name,
            each["open"] + each["done"],
            each["done"],
            each["late"],
            each["late_days"],
            each["ml"],
            dict(sorted(weeks.get(name, {}).items())),
        )
        for name, each in totals.items()
        if any(each.values())
    ]


def due_ordinal(grower: Grower) -> int:
    """The day the next operation is due, as a proleptic ordinal; `NO_DAY` where none is."""
    coming = next_open(grower)
    return was_due(coming).toordinal() if coming else NO_DAY


NO_DAY = 9_999_999
"""Sorts behind every day there is."""
