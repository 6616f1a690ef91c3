"""Calculations that flows may name, and the amounts a plan states.

Each takes answers to figures of `bot.agronomy`, and declares which answers it needs, so that
the proof can show that they are always there, and which values it can yield.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from bot.agronomy.area import Area, per_hectare
from bot.agronomy.planting import Stand, stand
from bot.agronomy.spraying import Mix, mix
from bot.agronomy.tillage import Budget, budget

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from bot.agronomy.figures import Figures
    from bot.dialogue.records import Answer

FAULTS = ("stony", "shallow", "waterlogged", "sloping")
SOIL = (*FAULTS, "fertile")
RETURNS: tuple[Answer, ...] = ("pays", "loses", "cost_unknown")


@dataclass(frozen=True, slots=True)
class Calculation:
    """A calculation by name: the answers it needs, and every value its results can have."""

    needs: tuple[str, ...]
    """Answers it is worked out from. Where each has few values (`exact`), the proof tries all."""
    exact: bool
    yields: Mapping[str, tuple[Answer, ...]]
    work: Callable[[Mapping[str, Answer], Figures], dict[str, Answer]]


RIDGED_FAULTS = ("shallow", "waterlogged", "sloping")
"""The faults whose remedy is ridges."""


def _faults(answers: Mapping[str, Answer], _: Figures) -> dict[str, Answer]:
    return {
        "fault_count": sum(answers[fault] is True for fault in FAULTS),
        "needs_ridges": any(answers[fault] is True for fault in RIDGED_FAULTS),
    }


def _tillage_returns(answers: Mapping[str, Answer], figures: Figures) -> dict[str, Answer]:
    return {
        "plough_return": _return(budget_of("plough", answers, figures)),
        "ridge_return": _return(budget_of("ridge", answers, figures)),
    }


def _return(worked: Budget | None) -> str:
    if worked is None:
        return "cost_unknown"
    return "pays" if worked.pays else "loses"


CALCULATIONS: Mapping[str, Calculation] = {
    "faults": Calculation(
        needs=FAULTS,
        exact=True,
        yields={
            "fault_count": tuple(range(len(FAULTS) + 1)),
            "needs_ridges": (True, False),
        },
        work=_faults,
    ),
    "tillage_returns": Calculation(
        needs=(
            "price_per_tonne",
            "haulage_cost_per_tonne",
            "plough_cost_per_acre",
            "ridge_cost_per_acre",
        ),
        exact=False,
        yields={"plough_return": RETURNS, "ridge_return": RETURNS},
        work=_tillage_returns,
    ),
}


def area_of(answers: Mapping[str, Answer]) -> Area:
    """The field's area from its answer: "1.5 acre", "0.6 ha", "2400 m2" or "40x60 m"."""
    size, _, unit = str(answers["area"]).partition(" ")
    if "x" in size:
        length, width = size.split("x")
        return Area.from_sides(float(length), float(width))
    return Area.from_value(float(size), unit)


def budget_of(
    work: Literal["plough", "ridge"], answers: Mapping[str, Answer], figures: Figures
) -> Budget | None:
    """What ploughing or ridging an acre brings and costs; None where a price is not known."""
    price = answers.get("price_per_tonne")
    cost = answers.get(f"{work}_cost_per_acre")
    if price is None or cost is None:
        return None
    gain = figures["ploughing_gain_t_per_acre" if work == "plough" else "ridging_gain_t_per_acre"]
    haulage = answers.get("haulage_cost_per_tonne") or 0
    return budget(gain, float(cost), float(price), float(haulage))


def stand_of(answers: Mapping[str, Answer], figures: Figures) -> Stand:
    """Stakes for the field, closer and with more to spare where few may sprout."""
    low = answers["low_sprouting"] is True
    return stand(
        area_of(answers),
        figures["row_spacing_m"],
        in_row_m(answers, figures),
        figures["spare_stakes_low_sprouting_percent" if low else "spare_stakes_percent"],
    )


def in_row_m(answers: Mapping[str, Answer], figures: Figures) -> float:
    """Spacing within the row in metres."""
    low = answers["low_sprouting"] is True
    return figures["in_row_spacing_low_sprouting_m" if low else "in_row_spacing_m"]


def glyphosate_of(answers: Mapping[str, Answer], figures: Figures) -> Mix | None:
    """The spray before planting, where the route has one: more against hard perennial weeds."""
    if answers.get("fallow_spray") is not True or answers.get("tank_l") is None:
        return None
    hard = answers.get("hard_weeds") is True
    rate = figures["glyphosate_360_hard_weeds_l_per_ha" if hard else "glyphosate_360_l_per_ha"]
    return _mix(rate, answers, figures)


def preemergence_of(answers: Mapping[str, Answer], figures: Figures) -> Mix | None:
    """The spray right after planting, where there is one."""
    product = answers.get("preemergence")
    if product in {None, "neither"} or answers.get("tank_l") is None:
        return None
    litres_per_acre = figures[f"{product}_l_per_acre"]
    return _mix(per_hectare(litres_per_acre), answers, figures)


def _mix(rate_l_per_ha: float, answers: Mapping[str, Answer], figures: Figures) -> Mix:
    volume = answers.get("spray_volume_l_per_ha") or figures["default_spray_volume_l_per_ha"]
    return mix(area_of(answers), rate_l_per_ha, float(answers["tank_l"] or 0), float(volume))


PLACEHOLDERS: Mapping[str, tuple[str, ...]] = {
    "row_m": ("area", "low_sprouting"),
    "in_row_m": ("area", "low_sprouting"),
    "stakes": ("area", "low_sprouting"),
    "spare_stakes": ("area", "low_sprouting"),
    "tank": ("tank_l",),
    **{
        f"{spray}_{part}": ("area", "tank_l", need)
        for spray, need in (("glyphosate", "fallow_spray"), ("preemergence", "preemergence"))
        for part in ("ml_per_tank", "tanks", "water_l", "product_l")
    },
}
"""Amounts a sentence of advice may state, and the answers each needs. A figure's name is a
placeholder too, and needs none."""
