"""What the texts of one season cost in a language, and what they would cost without accents."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from typing import TYPE_CHECKING

from msgspec.structs import replace

from bot.dialogue.composing import plan_texts, reminder_texts
from bot.dialogue.loading import is_given
from bot.dialogue.planning import change, first_asked, lay_anew, make
from bot.dialogue.walk import Walk
from bot.wording.gsm import segments

if TYPE_CHECKING:
    from collections.abc import Mapping
    from decimal import Decimal

    from bot.dialogue.loading import Flows, Step
    from bot.dialogue.records import Answer, Answers
    from bot.dialogue.voice import Voice


@dataclass(frozen=True, slots=True)
class SeasonCost:
    """SMS and money of one season for all growers; `folded`, with letters brought to GSM 7-bit."""

    segments: int
    cost: Decimal
    folded_segments: int
    folded_cost: Decimal


FIRST_DAY = date(2026, 3, 2)

TYPICAL: Mapping[str, Answer] = {
    "area": "1.5 acre",
    "fertile": True,
    **dict.fromkeys(("stony", "shallow", "waterlogged", "sloping"), False),
    "cover": "broadleaf",
    "height_cm": 40,
    "hard_weeds": False,
    "green": True,
    "herbicide_ok": True,
    "price_per_tonne": 90_000,
    "haulage_cost_per_tonne": 10_000,
    "plough_cost_per_acre": 60_000,
    "ridge_cost_per_acre": 50_000,
    "dry_season_harvest": False,
    "clay_waterlogged": False,
    "weeds_hard_to_control": False,
    "light_well_drained": False,
    "low_sprouting": False,
    "fast_early_weeds": True,
    "preemergence": "isoxaflutole_aclonifen",
    "tank_l": 15,
    "workers": 2,
    "date_kind": "start",
    "start_date": FIRST_DAY.isoformat(),
}
"""The answers of a season that has every usual operation. A question that a flow file adds is
answered with its first answer."""


def season_cost(
    flows: Flows, voice: Voice, folded: Voice, growers: int, price: Decimal
) -> SeasonCost:
    """Work out what one season of so many growers costs in this language.

    Counted are the texts we send: each question, the plan, a reminder of each operation and the
    reply to its report, the long ones in parts. `price` is that of one SMS. `folded` is the same
    language with its letters folded: folding the texts of `voice` would not do, since a plan
    in fewer letters is also packed into fewer texts.
    """
    plain, cheap = (
        growers * sum(map(segments, season_texts(flows, each))) for each in (voice, folded)
    )
    return SeasonCost(plain, plain * price, cheap, cheap * price)


def season_texts(flows: Flows, voice: Voice) -> list[str]:
    """Write every text of a typical season, each operation done on the day it is due."""
    walk = _typical_walk(flows)
    laid = make(flows, walk, FIRST_DAY)
    texts = [voice.question(step, {}) for step in walk.asked]
    texts += plan_texts(voice, walk, laid)
    plan = laid.plan
    while (owed := plan.next_reminder) is not None:
        operation = plan.find(owed.operation)
        if operation is None:
            break
        today = owed.day
        first = first_asked(flows, plan, operation)
        texts += reminder_texts(voice, walk, operation, today, first)
        done = replace(operation, done=today, reminded=1, reminded_on=today)
        plan = lay_anew(flows, change(plan, done), walk.answers, today).plan
        following = plan.next_reminder
        reply = voice.say("noted_done", day=today)
        if following is None:
            reply += "\n" + voice.say("all_done")
        else:
            act = voice.operation(following.operation, "act")
            reply += "\n" + voice.say("next_is", day=following.day, act=act)
        texts.append(reply)
    return texts


def _typical_walk(flows: Flows) -> Walk:
    answers = dict(TYPICAL)
    while True:
        walk = Walk.season(flows, answers)
        step = walk.step
        if step is None or step.kind != "ask" or is_given(answers, step):
            return walk
        answers |= _first_answer(step)


def _first_answer(step: Step) -> Answers:
    state = step.state
    value: Answer = next(iter(state.choose), False)
    if state.number:
        value = step.low
    elif state.area or state.paces:
        value = "1 acre"
    elif state.day:
        value = (FIRST_DAY + timedelta(days=max(state.day.earliest, 0))).isoformat()
    return dict.fromkeys(step.answers, value)
