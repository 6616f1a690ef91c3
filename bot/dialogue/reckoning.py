"""What a grower's answers come to: the area, stakes, tanks, bottles, money and work of a field.

Each takes answers to formulas of `bot.agronomy` and figures of flows/figures.yaml. How a text
states them is in `bot.dialogue.stating`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from bot.agronomy.area import Area, pace_m, per_hectare
from bot.agronomy.labour import days_taken, person_days, to_hire
from bot.agronomy.money import Choice, WeedingCosts, weeding_costs
from bot.agronomy.planting import (
    Stand,
    bundles,
    gap_stakes,
    spare_for_sprouting,
    stand,
)
from bot.agronomy.spraying import Mix, Purchase, bottles, mix
from bot.agronomy.tillage import Budget, budget
from bot.agronomy.weeding import HRAC_GROUPS
from bot.dialogue.links import chain

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from bot.agronomy.calendar import Link
    from bot.agronomy.figures import Figures
    from bot.dialogue.loading import Flows
    from bot.dialogue.records import Answer, Operation, Plan

Work = Literal["plough", "ridge"]
WORKS: tuple[Work, ...] = ("plough", "ridge")

TESTED = 20
"""Stakes in the sprouting test."""
COUNTED = 100
"""Places looked at when gaps are counted."""


# The field and its stakes


def area_answer(answers: Mapping[str, Answer]) -> str:
    """The answer that gives the field's size: the grower's own, or the one paced; may be empty."""
    return str(answers.get("area") or answers.get("paced_area") or "")


def area_of(answers: Mapping[str, Answer]) -> Area:
    """The field's area from its answer: "1.5 acre", "2400 m2", "40x60 m", "3 plot 450"."""
    size, _, rest = area_answer(answers).partition(" ")
    unit, _, local_m2 = rest.partition(" ")
    if "x" in size:
        length, width = size.split("x")
        return Area.from_sides(float(length), float(width))
    if local_m2:
        return Area(float(size) * float(local_m2))
    return Area.from_value(float(size), unit)


def pace_of(answers: Mapping[str, Answer], figures: Figures) -> float:
    """Metres of one of the grower's paces, or of a usual one."""
    steps = answers.get("steps_counted")
    if not isinstance(steps, int | float):
        return figures["pace_m"]
    return pace_m(figures["pace_course_m"], float(steps))


def stand_of(answers: Mapping[str, Answer], figures: Figures) -> Stand:
    """Stakes for the field, closer and with more to spare where few may sprout.

    Where stakes have been tested, there are as many to spare as the test says, if that is more.
    """
    low = answers["low_sprouting"] is True
    found = stand(
        area_of(answers),
        figures["row_spacing_m"],
        in_row_m(answers, figures),
        figures["spare_stakes_low_sprouting_percent" if low else "spare_stakes_percent"],
    )
    sprouted = answers.get("sprouted_of_20")
    if not isinstance(sprouted, int | float) or sprouted < 1:
        return found
    tested = spare_for_sprouting(found.stakes, int(sprouted), TESTED)
    return Stand(found.plants_per_hectare, found.stakes, max(found.spare_stakes, tested))


def in_row_m(answers: Mapping[str, Answer], figures: Figures) -> float:
    """Spacing within the row in metres."""
    low = answers["low_sprouting"] is True
    return figures["in_row_spacing_low_sprouting_m" if low else "in_row_spacing_m"]


def bundles_of(found: Stand, figures: Figures) -> int:
    """Bundles of stems to get for the field's stakes and the spare ones."""
    return bundles(
        found.stakes + found.spare_stakes,
        int(figures["stems_per_bundle"]),
        figures["stem_length_m"],
        figures["stake_length_to_cm"],
    )


def gap_stakes_of(answers: Mapping[str, Answer], figures: Figures) -> int | None:
    """Stakes to bring for the gaps, from those counted; None where none were counted."""
    gaps = answers.get("gaps_in_100")
    if not isinstance(gaps, int | float):
        return None
    places = stand_of(answers, figures).stakes
    return gap_stakes(places, int(gaps), COUNTED, figures["spare_stakes_percent"])


# Sprays


def glyphosate_of(answers: Mapping[str, Answer], figures: Figures) -> Mix | None:
    """The spray before planting, where the route has one: more against hard perennial weeds."""
    if answers.get("fallow_spray") is not True or answers.get("tank_l") is None:
        return None
    return _mix(_glyphosate_rate(answers, figures), answers, figures)


def preemergence_of(answers: Mapping[str, Answer], figures: Figures) -> Mix | None:
    """The spray right after planting, where there is one."""
    if answers.get("preemergence") in {None, "neither"} or answers.get("tank_l") is None:
        return None
    return _mix(_preemergence_rate(answers, figures), answers, figures)


def millilitres_of(
    operation: str, group: int | None, answers: Mapping[str, Answer], figures: Figures
) -> int:
    """Millilitres of herbicide product advised for an operation on the field; 0 for no spray.

    The area times the rate that the tanks are mixed with. A spray among the cassava counts at
    the usual rate of glyphosate, if that is what it is (by its HRAC `group`): of other products
    no rate is advised there, as the label alone decides.
    """
    match operation:
        case "spray_fallow":
            rate = _glyphosate_rate(answers, figures)
        case "spray_preemergence" if answers.get("preemergence") not in {None, "neither"}:
            rate = _preemergence_rate(answers, figures)
        case "spray_shielded" if group == HRAC_GROUPS["glyphosate"]:
            rate = figures["glyphosate_360_l_per_ha"]
        case _:
            return 0
    return round(rate * area_of(answers).hectares * 1000)


def _glyphosate_rate(answers: Mapping[str, Answer], figures: Figures) -> float:
    """Litres of product on a hectare: more against hard perennial weeds."""
    hard = answers.get("hard_weeds") is True
    return figures["glyphosate_360_hard_weeds_l_per_ha" if hard else "glyphosate_360_l_per_ha"]


def _preemergence_rate(answers: Mapping[str, Answer], figures: Figures) -> float:
    return per_hectare(figures[f"{answers['preemergence']}_l_per_acre"])


def _mix(rate_l_per_ha: float, answers: Mapping[str, Answer], figures: Figures) -> Mix:
    volume = answers.get("spray_volume_l_per_ha") or figures["default_spray_volume_l_per_ha"]
    return mix(area_of(answers), rate_l_per_ha, float(answers["tank_l"] or 0), float(volume))


def purchase_of(spray: Mix, figures: Figures) -> Purchase:
    """Bottles to buy for a spray, from the sizes on sale."""
    sizes = [figures[f"bottle_{size}_l"] for size in ("large", "medium", "small")]
    return bottles(spray.product_l, sizes)


# Money


def budget_of(
    work: Work,
    answers: Mapping[str, Answer],
    figures: Figures,
    *,
    price: float = 1,
    gain: float = 1,
) -> Budget | None:
    """What ploughing or ridging an acre brings and costs; None where a price is not known.

    `price` and `gain` are shares of the usual ones: 2/3 for a fall by a third.
    """
    per_tonne = answers.get("price_per_tonne")
    cost = answers.get(f"{work}_cost_per_acre")
    if per_tonne is None or cost is None:
        return None
    return budget(
        gain_of(work, figures) * gain,
        float(cost),
        float(per_tonne) * price,
        float(answers.get("haulage_cost_per_tonne") or 0),
        figures["least_return_percent"] / 100,
    )


def gain_of(work: Work, figures: Figures) -> float:
    """Fresh roots that the work brings on an acre, in tonnes."""
    return figures["ploughing_gain_t_per_acre" if work == "plough" else "ridging_gain_t_per_acre"]


def tillage_choices(answers: Mapping[str, Answer], figures: Figures) -> list[Choice]:
    """The ways of tilling an acre that are open on this field, weighed against no tillage.

    Where the land itself needs ridges, only ways with ridges are open; without tillage only
    light soil that drains well can be planted. Gains and costs of the two works add up. Empty
    where a price is not known.
    """
    budgets = {work: budget_of(work, answers, figures) for work in WORKS}
    ways: dict[str, tuple[Work, ...]] = {
        "no_tillage": (),
        "plough": ("plough",),
        "ridge": ("ridge",),
        "plough_and_ridge": WORKS,
    }
    if answers.get("ridge_advice") == "strongly_advised":
        ways = {name: works for name, works in ways.items() if "ridge" in works}
    elif answers.get("light_well_drained") is not True:
        del ways["no_tillage"]
    choices = []
    for name, works in ways.items():
        known = [worked for work in works if (worked := budgets[work]) is not None]
        if len(known) < len(works):
            return []
        choices.append(
            Choice(name, sum(each.cost for each in known), sum(each.gain for each in known))
        )
    return choices


def weeding_costs_of(answers: Mapping[str, Answer], figures: Figures) -> WeedingCosts | None:
    """One weeding of an acre by hoe and by sprayer; None where a price is not known."""
    wage, product = answers.get("wage_per_day"), answers.get("herbicide_cost_per_acre")
    if not isinstance(wage, int | float) or not isinstance(product, int | float):
        return None
    return weeding_costs(
        figures["labour_hoe_days_per_acre"], figures["labour_spray_days_per_acre"], wage, product
    )


# Work


@dataclass(frozen=True, slots=True)
class Labour:
    """The work of one operation on the field, in person-days, and who is short for it.

    `least` and `most` are the range of the norm. The household takes `days` over it; beside
    them `hire` more people are needed for it to be done within `window_days`.
    """

    operation: str
    work: float
    least: float
    most: float
    days: int
    window_days: int
    hire: int


def labour_of(flows: Flows, plan: Plan, answers: Mapping[str, Answer]) -> list[Labour]:
    """The work by hand of each kind of operation still to be done; what recurs stands once.

    A weed check stands for the weeding that may follow it. Norms and their sources are in
    flows/figures.yaml.
    """
    people = int(float(answers.get("workers") or flows.figures["workers"]))
    links = chain(flows, plan.operations)
    found: dict[str, Labour] = {}
    for each in plan.in_date_order():
        name = "weed_by_hand" if each.name == "weed_check" else each.name
        figure = _norm(flows, name, answers)
        if not figure or each.done or name in found:
            continue
        norm = flows.figures.row(figure)
        area = area_of(answers)
        work = person_days(area, norm.value)
        window = _window_days(flows, each, links)
        found[name] = Labour(
            operation=name,
            work=work,
            least=person_days(area, norm.low),
            most=person_days(area, norm.high),
            days=days_taken(work, people),
            window_days=window,
            hire=to_hire(work, people, window),
        )
    return list(found.values())


def _norm(flows: Flows, name: str, answers: Mapping[str, Answer]) -> str:
    if name == "clear" and answers.get("dig_out") is True:
        return "labour_dig_out_days_per_acre"
    return flows.operation(name).labour


def _window_days(flows: Flows, operation: Operation, links: Sequence[Link]) -> int:
    """Days there are for the work, the first and the last included."""
    if operation.name == "weed_check":
        return int(flows.figures["weeding_within_days"]) + 1
    days = (operation.latest - operation.due).days
    if each := next((it for it in links if it.operation == operation.id and it.most), None):
        # What planting may wait for rain gives what follows it no more days of its own.
        days = min(days, (each.most or 0) - each.least)
    return days + 1
