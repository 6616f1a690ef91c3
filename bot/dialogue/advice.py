"""The advice on an answer sheet, as data: what `fieldbell advise --json` prints.

A sheet goes through the same flows and figures as a conversation. The names here are published
(`schema`): others build on them.
"""

from __future__ import annotations

from datetime import date, timedelta
from typing import TYPE_CHECKING, Any

import msgspec
from msgspec import Struct

from bot.agronomy.money import Change, recommend, undominated
from bot.dialogue import composing
from bot.dialogue.planning import make, wanted_day
from bot.dialogue.reckoning import (
    Work,
    budget_of,
    bundles_of,
    glyphosate_of,
    labour_of,
    preemergence_of,
    purchase_of,
    stand_of,
    tillage_choices,
    weeding_costs_of,
)
from bot.dialogue.walk import Walk
from bot.wording.gsm import segments

if TYPE_CHECKING:
    from bot.agronomy.figures import Figures
    from bot.agronomy.spraying import Mix
    from bot.dialogue.loading import Flows
    from bot.dialogue.records import Answers, Plan
    from bot.dialogue.sheet import Sheet
    from bot.dialogue.voice import Voice


class Window(Struct, frozen=True):
    """One operation of the plan. Dates are ISO; `id` tells apart those that recur.

    `start_by`, where a planting day is wanted or the rains are expected, is the last day to
    begin on if planting is to be then; it is null otherwise, and after planting.
    """

    name: str
    id: str
    earliest: date
    due: date
    latest: date
    why: str
    done: bool = False
    start_by: date | None = None


class SprayAmount(Struct, frozen=True):
    """A spray for the whole field. `tanks` may be a fraction: the last tank is a part one.

    `bottles` to buy are counts by size in litres; `left_over_l` of them stay over.
    """

    product_l: float
    water_l: float
    tanks: float
    ml_per_tank: int
    full_tanks: int
    last_tank_l: float
    last_tank_ml: int
    bottles: dict[str, int]
    left_over_l: float


class Amounts(Struct, frozen=True, omit_defaults=True):
    """What to bring to the field."""

    stakes: int
    spare_stakes: int
    bundles: int
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


class Tillage(Struct, frozen=True):
    """One way of tilling an acre in the marginal analysis, in the sheet's own currency.

    A dominated way costs more and leaves no more than another. `marginal_rate` is what a
    further cost brings back beyond itself, as a fraction, measured from the next cheaper way
    that is not dominated; null for the cheapest.
    """

    way: str
    costs: float
    benefit: float
    net: float
    dominated: bool
    marginal_rate: float | None
    recommended: bool


class Labour(Struct, frozen=True):
    """The work by hand of one operation on the whole field, in person-days.

    `least` and `most` are the range of the norm. The household takes `days` over it; to be done
    in `window_days` it needs `hire` more people.
    """

    name: str
    person_days: float
    least: float
    most: float
    days: int
    window_days: int
    hire: int


class Weeding(Struct, frozen=True):
    """One weeding of an acre, in the sheet's own currency, and what a spray's gate leaves open.

    `cheaper` is hoe or spray; at a day's wage of `break_even_wage` both cost the same. Before
    `spray_from`, the first day of a shielded spray, only the hoe is open; it is null where the
    grower uses no herbicide.
    """

    hoe: float
    spray: float
    cheaper: str
    break_even_wage: float | None
    spray_from: date | None


class Advice(Struct, frozen=True):
    """The advice on one sheet. `segments` counts all texts together.

    `weeding` is null unless the sheet gives a day's wage and what herbicide for an acre costs.
    `assumed` names the answers the sheet left unknown, for which a safe one was taken.
    """

    verdict: str
    operations: list[Window]
    amounts: Amounts
    budget: dict[str, Money]
    tillage: list[Tillage]
    weeding: Weeding | None
    labour: list[Labour]
    assumed: list[str]
    cautions: list[str]
    texts: list[str]
    segments: int


def schema() -> dict[str, Any]:
    """Give the JSON Schema of `Advice`."""
    return msgspec.json.schema(Advice)


def advise(sheet: Sheet, flows: Flows, voice: Voice) -> Advice:
    """Give the advice on a sheet without faults."""
    walk = Walk.season(flows, sheet.answers)
    if "rain_expected" in sheet.answers:
        walk.answers["rain_expected"] = sheet.answers["rain_expected"]
    laid = make(flows, walk, sheet.today, sheet.done)
    answers, figures = walk.answers, flows.figures
    stand = stand_of(answers, figures)
    texts = composing.plan_texts(voice, walk, laid)
    before_planting = _before_planting(laid.plan) if wanted_day(answers) else frozenset()
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
                start_by=each.due if each.id in before_planting and not each.done else None,
            )
            for each in laid.plan.in_date_order()
        ],
        amounts=Amounts(
            stakes=stand.stakes,
            spare_stakes=stand.spare_stakes,
            bundles=bundles_of(stand, figures),
            glyphosate=_amount(glyphosate_of(answers, figures), figures),
            preemergence=_amount(preemergence_of(answers, figures), figures),
        ),
        budget={
            "plough": _money(flows, answers, "plough"),
            "ridge": _money(flows, answers, "ridge"),
        },
        tillage=_tillage(answers, figures),
        weeding=_weeding(flows, laid.plan, sheet.answers),
        labour=[
            Labour(
                name=each.operation,
                person_days=round(each.work, 1),
                least=round(each.least, 1),
                most=round(each.most, 1),
                days=each.days,
                window_days=each.window_days,
                hire=each.hire,
            )
            for each in labour_of(flows, laid.plan, answers)
        ],
        assumed=[each.answer for each in walk.assumed],
        cautions=voice.cautions(composing.caution_names(voice, laid.plan.operations)),
        texts=list(texts),
        segments=sum(map(segments, texts)),
    )


def _before_planting(plan: Plan) -> frozenset[str]:
    """What leads up to planting, and planting itself."""
    names = [each.id for each in plan.operations]
    return frozenset(names[: names.index("plant") + 1]) if "plant" in names else frozenset()


def _tillage(answers: Answers, figures: Figures) -> list[Tillage]:
    """Weigh the ways of tilling that are open on the field, the cheapest first."""
    choices = tillage_choices(answers, figures)
    if not choices:
        return []
    kept = undominated(choices)
    best = recommend(choices, figures["least_return_percent"] / 100)
    rows = []
    for each in sorted(choices, key=lambda choice: (choice.costs, -choice.net)):
        place = kept.index(each) if each in kept else -1
        rate = Change(kept[place - 1], each).rate if place > 0 else None
        rows.append(
            Tillage(
                way=each.name,
                costs=each.costs,
                benefit=each.benefit,
                net=each.net,
                dominated=place < 0,
                marginal_rate=None if rate is None else round(rate, 4),
                recommended=each == best,
            )
        )
    return rows


def _weeding(flows: Flows, plan: Plan, answers: Answers) -> Weeding | None:
    costs = weeding_costs_of(answers, flows.figures)
    if costs is None:
        return None
    plant = plan.find("plant")
    gate = timedelta(days=int(flows.figures["glyphosate_gate_days"]))
    willing = plant is not None and answers.get("herbicide_ok") is True
    wage = costs.break_even_wage
    return Weeding(
        hoe=costs.hoe,
        spray=costs.spray,
        cheaper=costs.cheaper,
        break_even_wage=None if wage is None else round(wage, 2),
        spray_from=plant.due + gate if plant is not None and willing else None,
    )


def _amount(mix: Mix | None, figures: Figures) -> SprayAmount | None:
    if mix is None:
        return None
    purchase = purchase_of(mix, figures)
    return SprayAmount(
        product_l=round(mix.product_l, 3),
        water_l=round(mix.water_l, 1),
        tanks=round(mix.tanks, 2),
        ml_per_tank=mix.ml_per_tank,
        full_tanks=mix.full_tanks,
        last_tank_l=round(mix.last_tank_l, 1),
        last_tank_ml=mix.last_tank_ml,
        bottles={f"{size:g}": count for size, count in purchase.bottles},
        left_over_l=round(purchase.left_l, 3),
    )


def _money(flows: Flows, answers: Answers, work: Work) -> Money:
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
