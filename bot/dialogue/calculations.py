"""Calculations that flows may name.

Each works on answers through `bot.dialogue.reckoning`, and declares which answers it needs, so
that the proof can show that they are always there, and which values it can yield.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from bot.agronomy.spraying import output, output_l_per_ha, speed_km_per_h, strip_l_per_ha
from bot.agronomy.weeding import may_follow, spray_group
from bot.dialogue.reckoning import budget_of, weeding_costs_of

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from bot.agronomy.figures import Figures
    from bot.agronomy.tillage import Budget
    from bot.dialogue.records import Answer, Answers

FAULTS = ("stony", "shallow", "waterlogged", "sloping")
SOIL = (*FAULTS, "fertile")

MEASURED = ("spray_volume_l_per_ha", "sprouted_of_20")
"""Answers measured outside a season's questions, which its amounts are counted with."""


@dataclass(frozen=True, slots=True)
class Calculation:
    """A calculation by name: the answers it needs, and every value its results can have."""

    needs: tuple[str, ...]
    """Answers it is worked out from. Where each has few values (`exact`), the proof tries all."""
    exact: bool
    yields: Mapping[str, tuple[Answer, ...]]
    """For a number, one value for each way a decision may take it."""
    work: Callable[[Mapping[str, Answer], Figures], Answers]


# The field

RIDGED_FAULTS = ("shallow", "waterlogged", "sloping")
"""The faults whose remedy is ridges."""


def _faults(answers: Mapping[str, Answer], _: Figures) -> Answers:
    return {
        "fault_count": sum(answers[fault] is True for fault in FAULTS),
        "needs_ridges": any(answers[fault] is True for fault in RIDGED_FAULTS),
    }


# Money

RETURNS: tuple[Answer, ...] = ("pays", "loses", "cost_unknown")


def _tillage_returns(answers: Mapping[str, Answer], figures: Figures) -> Answers:
    return {
        "plough_return": _return(budget_of("plough", answers, figures)),
        "ridge_return": _return(budget_of("ridge", answers, figures)),
    }


def _return(worked: Budget | None) -> str:
    if worked is None:
        return "cost_unknown"
    return "pays" if worked.pays else "loses"


def _weeding_costs(answers: Mapping[str, Answer], figures: Figures) -> Answers:
    costs = weeding_costs_of(answers, figures)
    return {"cheaper_weeding": costs.cheaper if costs else None}


# The sprayer

OUTPUTS: tuple[Answer, ...] = ("low", "fits", "high")
VOLUMES: tuple[Answer, ...] = (200, 20_000)
"""One that a sprayer may have, and one that none has."""


def _strip_output(answers: Mapping[str, Answer], figures: Figures) -> Answers:
    used, length, swath = _numbers(answers, "strip_used_l", "strip_length_m", "swath_m")
    return _output(strip_l_per_ha(used, length, swath), figures)


def _flow_output(answers: Mapping[str, Answer], figures: Figures) -> Answers:
    flow, seconds, swath = _numbers(answers, "flow_l_per_min", "seconds_for_100_m", "swath_m")
    return _output(output_l_per_ha(flow, swath, speed_km_per_h(seconds)), figures)


def _numbers(answers: Mapping[str, Answer], *names: str) -> list[float]:
    """Take answers that are known to be numbers where the flow asks for the calculation."""
    return [float(str(answers[name])) for name in names]


def _output(measured: float, figures: Figures) -> Answers:
    row = figures.row("default_spray_volume_l_per_ha")
    found = output(measured, row.low, row.high, row.value)
    return {"spray_volume_l_per_ha": round(found.l_per_ha, 1), "output_is": found.plausible}


# Weeds

GROUPS: tuple[Answer, ...] = (1, 9, 10, 22, None)


def _rotation(answers: Mapping[str, Answer], _: Figures) -> Answers:
    group = spray_group(str(answers["product"]))
    last = answers["last_group"]
    allowed = group is not None and may_follow(group, last if isinstance(last, int) else None)
    return {"spray_group": group, "may_spray": allowed}


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
    "weeding_costs": Calculation(
        needs=("wage_per_day", "herbicide_cost_per_acre"),
        exact=False,
        yields={"cheaper_weeding": ("hoe", "spray")},
        work=_weeding_costs,
    ),
    "strip_output": Calculation(
        needs=("swath_m", "strip_length_m", "strip_used_l"),
        exact=False,
        yields={"spray_volume_l_per_ha": VOLUMES, "output_is": OUTPUTS},
        work=_strip_output,
    ),
    "flow_output": Calculation(
        needs=("swath_m", "flow_l_per_min", "seconds_for_100_m"),
        exact=False,
        yields={"spray_volume_l_per_ha": VOLUMES, "output_is": OUTPUTS},
        work=_flow_output,
    ),
    "rotation": Calculation(
        needs=("product", "last_group"),
        exact=True,
        yields={"spray_group": GROUPS, "may_spray": (True, False)},
        work=_rotation,
    ),
}


_SPRAYS = (("glyphosate", "fallow_spray"), ("preemergence", "preemergence"))

PLACEHOLDERS: Mapping[str, tuple[str, ...]] = {
    **dict.fromkeys(
        ("row_m", "in_row_m", "stakes", "spare_stakes", "bundles"),
        ("area|paced_area", "low_sprouting"),
    ),
    "tank": ("tank_l",),
    **{
        f"{spray}_{part}": ("area|paced_area", "tank_l", need)
        for spray, need in _SPRAYS
        for part in ("ml_per_tank", "tanks", "water_l", "product_l", "bottles", "left_l")
    },
    "measured_area": ("paced_area",),
    "sprayer_l_per_ha": ("spray_volume_l_per_ha",),
    "sprayer_l_per_acre": ("spray_volume_l_per_ha",),
    "gap_stakes": ("gaps_in_100",),
    "spare_tested": ("sprouted_of_20",),
    **dict.fromkeys(
        ("hoe_cost", "spray_cost", "break_even_wage"), ("wage_per_day", "herbicide_cost_per_acre")
    ),
}
"""Amounts a sentence of advice may state, and the answers each needs ("a|b": one of them). A figure's name is a
placeholder too, and needs none. Flows begun from a plan have the plan's own answers as well."""

AMOUNTS = frozenset(
    each for each in PLACEHOLDERS if not each.endswith(("_tanks", "_bottles", "measured_area"))
)
"""Those that are numbers, so that a noun can go with them."""
