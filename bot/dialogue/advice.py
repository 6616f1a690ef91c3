"""The advice on an answer sheet, as data: what `fieldbell advise --json` prints.

A sheet goes through the same flows and figures as a conversation. The names here are published
(`schema`): others build on them.
"""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING, Any, Literal

import msgspec
from msgspec import Struct

from bot.dialogue import composing
from bot.dialogue.calculations import budget_of, glyphosate_of, preemergence_of, stand_of
from bot.dialogue.planning import make
from bot.dialogue.walk import Walk
from bot.wording.gsm import segments

if TYPE_CHECKING:
    from bot.agronomy.spraying import Mix
    from bot.dialogue.loading import Flows
    from bot.dialogue.records import Answers
    from bot.dialogue.sheet import Sheet
    from bot.dialogue.voice import Voice


class Window(Struct, frozen=True):
    """One operation of the plan. Dates are ISO; `id` tells apart those that recur."""

    name: str
    id: str
    earliest: date
    due: date
    latest: date
    why: str
    done: bool = False


class SprayAmount(Struct, frozen=True):
    """A spray for the whole field. `tanks` may be a fraction: the last tank is a part one."""

    product_l: float
    water_l: float
    tanks: float
    ml_per_tank: int
    full_tanks: int
    last_tank_l: float
    last_tank_ml: int


class Amounts(Struct, frozen=True, omit_defaults=True):
    """What to bring to the field."""

    stakes: int
    spare_stakes: int
    glyphosate: SprayAmount | None = None
    preemergence: SprayAmount | None = None


class Money(Struct, frozen=True):
    """An acre's budget in the sheet's own currency; null where a price is not known."""

    gain: float | None
    cost: float | None
    net: float | None
    break_even_price: float | None
    break_even_cost: float | None
    advice: str


class Advice(Struct, frozen=True):
    """The advice on one sheet. `segments` counts all texts together."""

    verdict: str
    operations: list[Window]
    amounts: Amounts
    budget: dict[str, Money]
    cautions: list[str]
    texts: list[str]
    segments: int


def schema() -> dict[str, Any]:
    """Give the JSON Schema of `Advice`."""
    return msgspec.json.schema(Advice)


def advise(sheet: Sheet, flows: Flows, voice: Voice) -> Advice:
    """Give the advice on a sheet without faults."""
    walk = Walk.season(flows, sheet.answers)
    for optional in ("rain_expected", "spray_volume_l_per_ha"):
        if optional in sheet.answers:
            walk.answers[optional] = sheet.answers[optional]
    laid = make(flows, walk, sheet.today, sheet.done)
    answers, figures = walk.answers, flows.figures
    stand = stand_of(answers, figures)
    texts = composing.plan_texts(voice, figures, walk, laid)
    return Advice(
        verdict=str(answers["verdict"]),
        operations=[
            Window(
                name=each.name,
                id=each.id,
                earliest=each.earliest,
                due=each.due,
                latest=each.latest,
                why=voice.operation(each.id, "why"),
                done=each.done is not None,
            )
            for each in laid.plan.in_date_order()
        ],
        amounts=Amounts(
            stakes=stand.stakes,
            spare_stakes=stand.spare_stakes,
            glyphosate=_amount(glyphosate_of(answers, figures)),
            preemergence=_amount(preemergence_of(answers, figures)),
        ),
        budget={
            "plough": _money(flows, answers, "plough"),
            "ridge": _money(flows, answers, "ridge"),
        },
        cautions=voice.cautions(composing.caution_names(voice, laid.plan.operations)),
        texts=list(texts),
        segments=sum(map(segments, texts)),
    )


def _amount(mix: Mix | None) -> SprayAmount | None:
    if mix is None:
        return None
    return SprayAmount(
        product_l=round(mix.product_l, 3),
        water_l=round(mix.water_l, 1),
        tanks=round(mix.tanks, 2),
        ml_per_tank=mix.ml_per_tank,
        full_tanks=mix.full_tanks,
        last_tank_l=round(mix.last_tank_l, 1),
        last_tank_ml=mix.last_tank_ml,
    )


def _money(flows: Flows, answers: Answers, work: Literal["plough", "ridge"]) -> Money:
    worked = budget_of(work, answers, flows.figures)
    advice = str(answers[f"{work}_advice"])
    if worked is None:
        return Money(None, None, None, None, None, advice)
    return Money(
        gain=worked.gain,
        cost=worked.cost,
        net=worked.net,
        break_even_price=round(worked.break_even_price, 2),
        break_even_cost=worked.break_even_cost,
        advice=advice,
    )
