"""A made-up union's growers, as many as wanted: real turns lead to a few hundred, which are varied.

Every template is a grower as a season's turns left them, on a day in the middle of it. Those made
of it differ in their number, name, village, group and days. 70 in 100 have a plan whose next
reminder falls due in the next four weeks; the others are new, in the middle of the questions,
through with their season, or have stopped.
"""

from __future__ import annotations

import random
from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import TYPE_CHECKING

from msgspec import structs

from bot.demo import ASHA, BEGIN, REHEMA, TOBIAS, Persona
from bot.dialogue.records import Grower
from bot.reminders.schedule import next_due
from bot.settings import Settings
from bot.store.groups import Groups
from bot.store.growers import NEW, Commit
from tests.benchmarks.season import season

if TYPE_CHECKING:
    from collections.abc import Iterator

    from bot.dialogue.records import Answers, Plan
    from bot.dialogue.turn import Dialogue
    from bot.store.growers import Store

NOW = BEGIN.timestamp() + 30 * 24 * 3600
TODAY = BEGIN.date() + timedelta(days=30)
SPREAD_DAYS = 28
"""A grower's next reminder falls due within so many days."""

PER_GROUP = 1000
BATCH = 2000
SETTINGS = Settings()

NAMES = ("Neema Kato", "Baraka Mwita", "Asha Lema", "Juma Nyembe", "Rehema Mushi", "Tobias Okello")
VILLAGES = ("Kanoro", "Luhembe", "Kasele", "Kisanda", "Lubanga Hill", "Mto wa Chini")

MIX = (("plan", 70), ("new", 12), ("asked", 8), ("done", 5), ("stopped", 5))
"""Growers of each kind in a hundred."""


@dataclass(frozen=True, slots=True)
class Templates:
    """Growers as turns left them, by kind, each with the day of it."""

    by_kind: dict[str, list[tuple[Grower, date]]]

    def one(self, place: int) -> Grower:
        """The grower at a place, the same on every run."""
        chance = random.Random(place)  # noqa: S311 - any will do
        kind = chance.choices([name for name, _ in MIX], [many for _, many in MIX])[0]
        grower, day = chance.choice(self.by_kind[kind])
        if grower.plan and grower.plan.next_reminder:
            due = TODAY + timedelta(days=chance.randrange(1, SPREAD_DAYS))
            grower = later(grower, due - grower.plan.next_reminder.day)
        else:
            grower = later(grower, TODAY - day)
        return structs.replace(
            grower,
            name=chance.choice(NAMES),
            village=chance.choice(VILLAGES),
            group=group_of(place),
        )


def templates(dialogue: Dialogue, seasons: int, seed: int = 11) -> Templates:
    """Live through so many seasons of growers who differ in their fields and answers."""
    chance = random.Random(seed)  # noqa: S311 - any will do
    found: dict[str, list[tuple[Grower, date]]] = {name: [] for name, _ in MIX}
    found["new"].append((Grower(language="sw"), BEGIN.date()))
    for _ in range(seasons):
        heard = season(dialogue, _someone(chance))
        after = [(structs.replace(each.turn.grower, waiting=()), each.today) for each in heard]
        planned = [(grower, day) for grower, day in after if grower.plan and grower.session is None]
        amid = [each for each in planned if each[0].plan and each[0].plan.next_reminder]
        found["plan"] += chance.sample(amid, min(2, len(amid)))
        found["asked"].append(chance.choice([each for each in after if each[0].plan is None]))
        found["done"].append(planned[-1])
        stopped, day = chance.choice(amid)
        found["stopped"].append((dialogue.turn(stopped, "stop", day, "sms").grower, day))
    return Templates(found)


def group_of(place: int) -> str:
    """The group of the grower at a place."""
    return f"Mirindi {place // PER_GROUP:04d}"


def number_of(place: int) -> str:
    """The number of the grower at a place."""
    return f"+2557{place:08d}"


def commits(made: Templates, first: int, last: int) -> Iterator[Commit]:
    """What enrols the growers of places `first` up to `last`, as they are in the season."""
    for place in range(first, last):
        grower = made.one(place)
        yield Commit(number_of(place), NEW, grower, next_due(grower, SETTINGS, NOW))


def fill(store: Store, made: Templates, first: int, last: int) -> None:
    """Put growers of places `first` up to `last` into a store, and their groups."""
    groups = Groups(store.redis)
    for place in range(first, last, PER_GROUP):
        groups.named(group_of(place))
    for start in range(first, last, BATCH):
        lost = store.commit_many(commits(made, start, min(start + BATCH, last)))
        if lost:
            raise RuntimeError(f"{lost[0]} was in the store already")


def later(grower: Grower, by: timedelta) -> Grower:
    """A grower whose season is so much later: every day of the plan and of the answers."""
    return structs.replace(
        grower,
        answers=_answers_later(grower.answers, by),
        plan=grower.plan and _plan_later(grower.plan, by),
    )


def _plan_later(plan: Plan, by: timedelta) -> Plan:
    operations = tuple(
        structs.replace(
            each,
            earliest=each.earliest + by,
            due=each.due + by,
            latest=each.latest + by,
            done=each.done and each.done + by,
            promised=each.promised and each.promised + by,
            reminded_on=each.reminded_on and each.reminded_on + by,
        )
        for each in plan.operations
    )
    coming = plan.next_reminder
    return structs.replace(
        plan,
        operations=operations,
        next_reminder=coming and structs.replace(coming, day=coming.day + by),
        diary=tuple(structs.replace(each, day=each.day + by) for each in plan.diary),
    )


def _answers_later(answers: Answers, by: timedelta) -> Answers:
    return {
        name: (date.fromisoformat(value) + by).isoformat()
        if isinstance(value, str) and name in _DAYS
        else value
        for name, value in answers.items()
    }


_DAYS = {"start_date", "planting_date", "rain_expected"}


def _someone(chance: random.Random) -> Persona:
    """A grower like one of the demo's three, with a field and prices of their own."""
    model = chance.choice([ASHA, TOBIAS, REHEMA])
    sides = f"{chance.randrange(20, 120)}x{chance.randrange(20, 120)}"
    answers = model.answers | {
        "tillage.price_per_tonne": str(chance.randrange(80, 260) * 1000),
        "tillage.haulage_cost_per_tonne": str(chance.randrange(0, 40) * 1000),
        "planting.workers": str(chance.randrange(1, 6)),
        "gaps.gaps_in_100": str(chance.randrange(0, 30)),
        "report.done_on": "today",
    }
    if model is not REHEMA:  # who paces her field, and is misread in between
        answers["field.area"] = sides
        answers["clearing.height_cm"] = str(chance.randrange(10, 180))
    if model is ASHA:  # whose answers are in Kiswahili
        answers["report.done_on"] = "leo"
    if model is TOBIAS:  # whose answers are numbers in either
        answers["welcome.language"] = chance.choice("12")
    return replace(model, answers=answers, channel=chance.choice(["sms", "ussd"]), met={})
