"""The texts of a plan, a reminder and a report, in the order a grower reads them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from bot.dialogue.calculations import (
    budget_of,
    glyphosate_of,
    in_row_m,
    preemergence_of,
    stand_of,
)
from bot.dialogue.voice import Voice, pack

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import date

    from bot.agronomy.calendar import Broken
    from bot.agronomy.figures import Figures
    from bot.agronomy.spraying import Mix
    from bot.dialogue.loading import Saying
    from bot.dialogue.planning import LaidOut
    from bot.dialogue.records import Answer, Operation, Plan
    from bot.dialogue.walk import Walk

PLAN_BUDGET = 2
"""Segments a text of the plan may take. Longer plans are more texts, not longer ones."""

DATES_ON_A_SCREEN = 4
"""Next dates shown at once on USSD, where the whole plan would be too many screens."""


def amounts(voice: Voice, answers: Mapping[str, Answer], figures: Figures) -> dict[str, object]:
    """Work out the amounts that advice may state, by placeholder, as far as answers reach."""
    values: dict[str, object] = {}
    if answers.get("low_sprouting") is not None and answers.get("area"):
        stand = stand_of(answers, figures)
        values |= {
            "row_m": figures["row_spacing_m"],
            "in_row_m": in_row_m(answers, figures),
            "stakes": stand.stakes,
            "spare_stakes": stand.spare_stakes,
        }
    values["tank"] = answers.get("tank_l")
    sprays = {
        "glyphosate": glyphosate_of(answers, figures),
        "preemergence": preemergence_of(answers, figures),
    }
    for spray, mix in sprays.items():
        if mix is not None:
            values |= {
                f"{spray}_ml_per_tank": mix.ml_per_tank,
                f"{spray}_tanks": _tanks(voice, mix),
                f"{spray}_water_l": round(mix.water_l, 1),
                f"{spray}_product_l": round(mix.product_l, 2),
            }
    return values


def _tanks(voice: Voice, mix: Mix) -> str:
    """Say how many tanks are full, and what goes into a last one that is not."""
    last = {"last_l": round(mix.last_tank_l, 1), "last_ml": mix.last_tank_ml}
    if not mix.last_tank_l:
        return voice.say("tanks_full", full=mix.full_tanks)
    if not mix.full_tanks:
        return voice.say("tanks_last", **last)
    return voice.say("tanks_and_last", full=mix.full_tanks, **last)


def plan_texts(voice: Voice, figures: Figures, walk: Walk, laid: LaidOut) -> tuple[str, ...]:
    """Write the whole plan: what cannot be met, the days, the advice, the money, the cautions."""
    answers, plan = walk.answers, laid.plan
    values = amounts(voice, answers, figures)
    advice = [voice.tell(each, values) for each in walk.said if _still_holds(each, plan)]
    money = _budgets(voice, figures, answers) if _ahead("plant", plan) else []
    return pack(
        [
            *broken_lines(voice, laid.broken, plan, answers),
            title(voice, answers),
            *dates(voice, plan),
            *advice,
            *money,
            *voice.cautions(caution_names(voice, plan.operations)),
        ],
        PLAN_BUDGET,
    )


def _ahead(operation: str, plan: Plan) -> bool:
    """Whether an operation of the plan is still to come."""
    found = plan.find(operation)
    return found is not None and found.done is None


def _still_holds(saying: Saying, plan: Plan) -> bool:
    return all(_ahead(each, plan) for each in (saying.about, saying.until) if each)


def dates(voice: Voice, plan: Plan, most: int | None = None) -> list[str]:
    """List the operations not yet done, a line each."""
    waiting = [each for each in plan.in_date_order() if not each.done]
    return [
        voice.say("plan_line", day=each.due, name=voice.operation(each.id, "name"))
        for each in waiting[:most]
    ]


def title(voice: Voice, answers: Mapping[str, Answer]) -> str:
    """Head a plan with the field it is for."""
    return voice.say("plan_title", area=voice.area(str(answers["area"])))


def broken_lines(
    voice: Voice, broken: Sequence[Broken], plan: Plan, answers: Mapping[str, Answer]
) -> list[str]:
    """Say which links of the plan the facts have broken, and what to do."""
    lines = []
    for each in broken:
        operation = plan.find(each.operation)
        if each.after is not None:
            name = voice.operation(each.operation, "name")
            sentence = "left_out" if operation is None else "broken_link"
            lines.append(voice.say(sentence, name=name, days=each.days))
        elif operation is not None and answers.get("planting_date"):
            wanted = type(operation.due).fromisoformat(str(answers["planting_date"]))
            lines.append(
                voice.say(
                    "broken_wanted", wanted=wanted, days=each.days, earliest=operation.earliest
                )
            )
    return lines


def _budgets(voice: Voice, figures: Figures, answers: Mapping[str, Answer]) -> list[str]:
    lines = []
    for work in ("plough", "ridge"):
        worked = budget_of(work, answers, figures)
        if worked is not None:
            lines.append(
                voice.say(
                    f"budget_{work}",
                    gain=round(worked.gain),
                    cost=round(worked.cost),
                    net=round(worked.net),
                    break_even_cost=round(worked.break_even_cost),
                    break_even_price=round(worked.break_even_price),
                )
            )
    return lines


def caution_names(voice: Voice, operations: Sequence[Operation]) -> list[str]:
    """Names of the cautions that these operations carry, each once, sprays first."""
    names = dict.fromkeys(
        name for each in operations if not each.done for name in voice.caution_names(each.id)
    )
    return sorted(names, key=lambda name: name != "spraying")


def reminder_texts(
    voice: Voice, figures: Figures, walk: Walk, operation: Operation, today: date
) -> tuple[str, ...]:
    """Write a reminder; the cautions first, so that what is asked stands last on the phone.

    `walk` is the season's, for the sentences that belong to the operation: what goes in a tank.
    """
    late = operation.reminded > 0
    opening = voice.say(
        "reminder_late" if late else "reminder",
        day=operation.due if late else today,
        act=voice.operation(operation.id, "act"),
    )
    values = amounts(voice, walk.answers, figures)
    details = [voice.tell(each, values) for each in walk.said if each.about == operation.id]
    question = "\n".join(
        filter(None, [opening, voice.operation(operation.id, "remind"), voice.report_options()])
    )
    cautions = voice.cautions(voice.caution_names(operation.id))
    return pack([*cautions, *details, question], PLAN_BUDGET)
