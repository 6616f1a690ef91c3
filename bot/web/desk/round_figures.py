"""What a round would do, and how far it has come, as the desk shows it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, cast

from flask import current_app

from bot.dialogue.slips import SEASON
from bot.gateways.numbers import masked
from bot.reminders.rounds import REASONS, Chosen, judge
from bot.store.groups import Group
from bot.web.desk.guarding import may_see
from bot.web.desk.pictures import progress_bar
from bot.web.desk.showing import (
    day_in,
    days,
    dialogue_here,
    exchange_here,
    groups_here,
    language_name,
    work,
)
from bot.wording.gsm import segments

if TYPE_CHECKING:
    from collections import Counter

    from markupsafe import Markup

    from bot.store.rounds import Conditions, Progress, Round, Rounds

FLOWS = {
    SEASON: "The season: all that a plan is made from",
    "sprayer": "How much the sprayer gives out",
    "stakes": "Whether stakes sprout",
    "costs": "Whether hoeing or spraying costs less",
    "gaps": "How many stakes have not sprouted",
    "rain": "Whether the rain has come that planting waits for",
}
"""What a conversation is about that a round can begin."""


@dataclass(frozen=True, slots=True)
class Counted:
    """What a pass came to: growers chosen, by language with their segments, and left out, why."""

    chosen: int
    languages: list[tuple[str, int, int]]
    segments: int
    left_out: list[tuple[int, str]]


@dataclass(frozen=True, slots=True)
class Example:
    """A text as a real grower would get it."""

    name: str
    number: str
    language: str
    bodies: tuple[str, ...]
    segments: int


@dataclass(frozen=True, slots=True)
class Fared:
    """What became of a round's texts; `left` have not been handed to the gateway yet."""

    sent: int
    delivered: int
    failed: int
    left: int
    picture: Markup


def rounds_here() -> Rounds:
    """Return the rounds of the app that this request is at."""
    return cast("Rounds", current_app.extensions["rounds"])


def flow_name(flow: str) -> str:
    """Write what a conversation is about."""
    return FLOWS.get(flow) or flow.replace("_", " ").capitalize()


def said_conditions(wanted: Conditions) -> list[str]:
    """Say in words whom a round is for; empty for everyone."""
    said = []
    if wanted.languages:
        said.append(f"speak {' or '.join(map(language_name, wanted.languages))}")
    if wanted.operation:
        said.append(f"have this work before them: {work(wanted.operation).lower()}")
    if wanted.within is not None:
        said.append(f"have work due within {days(wanted.within)}, or overdue")
    if wanted.behind is not None:
        said.append(f"are behind by {days(max(wanted.behind, 1))} or more")
    if wanted.not_planted:
        said.append("have not planted")
    if wanted.no_plan:
        said.append("have no plan under way")
    return said


def of_count(progress: Progress) -> Counted:
    """Read what a pass has counted so far."""
    counts = progress.counts
    codes = sorted(name.partition(":")[2] for name in counts if name.startswith("language:"))
    languages = [(code, counts[f"language:{code}"], counts[f"segments:{code}"]) for code in codes]
    left_out = [(counts[f"left_out:{each}"], said) for each, said in REASONS.items()]
    return Counted(
        counts["chosen"],
        languages,
        sum(many for *_, many in languages),
        [(many, said) for many, said in left_out if many],
    )


def examples_of(one: Round) -> list[Example]:
    """Write the round's texts for some of those counted, as they and their plans are now."""
    numbers = rounds_here().progress(one.id, "count").examples
    found = []
    for number, loaded in zip(numbers, exchange_here().store.load_many(numbers), strict=True):
        if loaded.known is None or not may_see(loaded.grower.group):
            continue
        grower = loaded.grower
        group = groups_here().shelf.find(grower.group) or Group(grower.group)
        chosen = judge(one, group, grower, day_in(group.zone), dialogue_here())
        if isinstance(chosen, Chosen):
            bodies = tuple(text.body for text in chosen.texts)
            many = sum(map(segments, bodies))
            found.append(Example(grower.name, masked(number), chosen.language, bodies, many))
    return found


def fared_of(one: Round, counted: int, progress: Progress) -> Fared:
    """Count what became of the texts. Each grower gets one, but for a first greeting in parts."""
    told: Counter[str] = rounds_here().fared(one.id)
    handed = told["sent"] + told["refused"]
    failed = told["refused"] + told["failed"]
    # Who was counted may be left out by now; what was chosen in the end is known at the end.
    spread = progress.counts["chosen"]
    expected = spread if one.state == "finished" else max(counted, spread)
    left = max(expected - handed - told["withdrawn"], 0)
    label = "How far the round has come, in texts"
    picture = progress_bar(max(handed - failed, 0), failed, left, label, ident="progress")
    return Fared(told["sent"], told["delivered"], failed, left, picture)
