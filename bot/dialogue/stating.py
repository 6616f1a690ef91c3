"""Amounts as a text states them: stakes, tanks, bottles, money and work, in one language."""

from __future__ import annotations

from typing import TYPE_CHECKING

from bot.agronomy.area import M2_PER_ACRE, M2_PER_HECTARE
from bot.agronomy.tillage import budget
from bot.dialogue.reckoning import (
    WORKS,
    area_answer,
    budget_of,
    bundles_of,
    gain_of,
    gap_stakes_of,
    glyphosate_of,
    in_row_m,
    labour_of,
    preemergence_of,
    purchase_of,
    stand_of,
    weeding_costs_of,
)

if TYPE_CHECKING:
    from collections.abc import Mapping

    from bot.agronomy.figures import Figures
    from bot.agronomy.spraying import Mix, Purchase
    from bot.dialogue.loading import Flows
    from bot.dialogue.reckoning import Work
    from bot.dialogue.records import Answer, Plan
    from bot.dialogue.voice import Voice

A_THIRD_LESS = 2 / 3


def amounts(voice: Voice, answers: Mapping[str, Answer], figures: Figures) -> dict[str, object]:
    """Work out the amounts that advice may state, by placeholder, as far as answers reach."""
    values: dict[str, object] = {"tank": answers.get("tank_l")}
    if area := area_answer(answers):
        values["measured_area"] = voice.area(area)
        values |= _stakes(answers, figures)
    values |= _sprays(voice, answers, figures)
    volume = answers.get("spray_volume_l_per_ha")
    if isinstance(volume, int | float):
        values |= {
            "sprayer_l_per_ha": volume,
            "sprayer_l_per_acre": volume * M2_PER_ACRE / M2_PER_HECTARE,
        }
    costs = weeding_costs_of(answers, figures)
    if costs is not None:
        values |= {
            "hoe_cost": round(costs.hoe),
            "spray_cost": round(costs.spray),
            "break_even_wage": round(costs.break_even_wage or 0),
        }
    return values


def _stakes(answers: Mapping[str, Answer], figures: Figures) -> dict[str, object]:
    if answers.get("low_sprouting") is None:
        return {}
    stand = stand_of(answers, figures)
    return {
        "row_m": figures["row_spacing_m"],
        "in_row_m": in_row_m(answers, figures),
        "stakes": stand.stakes,
        "spare_stakes": stand.spare_stakes,
        "spare_tested": stand.spare_stakes,
        "bundles": bundles_of(stand, figures),
        "gap_stakes": gap_stakes_of(answers, figures),
    }


def _sprays(voice: Voice, answers: Mapping[str, Answer], figures: Figures) -> dict[str, object]:
    sprays = {
        "glyphosate": glyphosate_of(answers, figures),
        "preemergence": preemergence_of(answers, figures),
    }
    values: dict[str, object] = {}
    for spray, mix in sprays.items():
        if mix is not None:
            purchase = purchase_of(mix, figures)
            values |= {
                f"{spray}_ml_per_tank": mix.ml_per_tank,
                f"{spray}_tanks": _tanks(voice, mix),
                f"{spray}_water_l": round(mix.water_l, 1),
                f"{spray}_product_l": round(mix.product_l, 2),
                f"{spray}_bottles": _bottles(voice, purchase),
                f"{spray}_left_l": round(purchase.left_l, 2),
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


def _bottles(voice: Voice, purchase: Purchase) -> str:
    """List the bottles to buy: "1 of 5 L, 2 of 0.5 L"."""
    return ", ".join(
        voice.say("bottles", count=count, size=size) for size, count in purchase.bottles
    )


def money_lines(
    voice: Voice, figures: Figures, answers: Mapping[str, Answer], plan: Plan
) -> list[str]:
    """Say what the tillage of this plan leaves on an acre, and when that would be wrong.

    Of a work that is not in the plan, or whose cost or price is not known, it says when it
    would pay.
    """
    budgets = {
        work: worked
        for work in WORKS
        if plan.find(work) and (worked := budget_of(work, answers, figures))
    }
    lines = []
    if budgets:
        which = "_and_".join(budgets)
        found = list(budgets.values())
        price = round(max(each.break_even_price for each in found))
        gain, cost = (
            round(sum(each.gain for each in found)),
            round(sum(each.cost for each in found)),
        )
        if all(each.pays for each in found):
            lines.append(voice.say(f"money_{which}_pays", net=gain - cost, price=price))
            lines.append(_after_a_fall(voice, figures, answers, list(budgets)))
        else:
            # The land asks for it, or nothing better is open: then the loss is said.
            lines.append(voice.say(f"money_{which}_short", gain=gain, cost=cost, price=price))
    for work in WORKS:
        if work not in budgets:
            lines += _condition(voice, figures, answers, work)
    return lines


def _after_a_fall(
    voice: Voice, figures: Figures, answers: Mapping[str, Answer], chosen: list[Work]
) -> str:
    """Say what a third less for a tonne, or a third less gained, would make of it."""
    wrong = [work for work in chosen if not _stands(work, answers, figures)]
    if not wrong:
        return voice.say("money_after_fall_right")
    return voice.say(f"money_after_fall_without_{'_and_'.join(wrong)}")


def _stands(work: Work, answers: Mapping[str, Answer], figures: Figures) -> bool:
    falls = (
        budget_of(work, answers, figures, price=A_THIRD_LESS),
        budget_of(work, answers, figures, gain=A_THIRD_LESS),
    )
    return all(worked is not None and worked.pays for worked in falls)


def _condition(
    voice: Voice, figures: Figures, answers: Mapping[str, Answer], work: Work
) -> list[str]:
    """Say when a work would pay: its cost or the price is not known, or it does not pay now."""
    price, cost = answers.get("price_per_tonne"), answers.get(f"{work}_cost_per_acre")
    haulage = float(answers.get("haulage_cost_per_tonne") or 0)
    # What is not known has no part in the limit that is said.
    worked = budget(
        gain_of(work, figures),
        float(cost or 0),
        float(price or 0),
        haulage,
        figures["least_return_percent"] / 100,
    )
    if cost is not None:
        return [voice.say(f"{work}_pays_above", price=round(worked.break_even_price))]
    if price is not None and float(price) > haulage:
        return [voice.say(f"{work}_pays_below", cost=round(worked.break_even_cost))]
    return []


def labour_lines(
    voice: Voice, flows: Flows, plan: Plan, answers: Mapping[str, Answer]
) -> list[str]:
    """Say how much work by hand the plan is, and where the household needs help in time.

    What the household does within a day is not worth a word.
    """
    found = [each for each in labour_of(flows, plan, answers) if each.days > 1]
    if not found:
        return []
    works = [
        voice.say(
            "labour_of",
            name=voice.operation(each.operation, "name"),
            least=max(round(each.least), 1),
            most=max(round(each.most), 1),
        )
        for each in found
    ]
    hires = [
        voice.say(
            "hire",
            name=voice.operation(each.operation, "name"),
            work=round(each.work),
            window=each.window_days,
            hire=each.hire,
        )
        for each in found
        if each.hire
    ]
    return [voice.say("labour", works=", ".join(works)), *hires]


def volume_line(voice: Voice, figures: Figures, answers: Mapping[str, Answer]) -> list[str]:
    """Say that tanks are counted with a usual output, where the sprayer was not measured."""
    if answers.get("spray_volume_l_per_ha") or answers.get("tank_l") is None:
        return []
    return [voice.say("volume_assumed", volume=figures["default_spray_volume_l_per_ha"])]
