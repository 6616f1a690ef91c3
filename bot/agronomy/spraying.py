"""Sprays: what goes into a tank, how much a field takes, and what a sprayer puts out.

A dose is never rounded up: the product in a tank stays at or under the rate on the label.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from bot.agronomy.area import Area


@dataclass(frozen=True, slots=True)
class Mix:
    """A spray for a whole field.

    `water_l` is what all tanks hold together: a tank is topped up with water to its mark, so
    the few millilitres of product count as water. `tanks` is not rounded; `full_tanks` of them
    are full and the last one holds `last_tank_l` litres (0 when none is left over).
    """

    product_l: float
    water_l: float
    tanks: float
    ml_per_tank: int
    full_tanks: int
    last_tank_l: float
    last_tank_ml: int


def mix(area: Area, rate_l_per_ha: float, tank_l: float, volume_l_per_ha: float) -> Mix:
    """Work out a spray of `rate_l_per_ha` of product in `volume_l_per_ha` of water.

    Product in a tank = tank / spray volume x label rate. Source: R. (student's field notes),
    "Calibration with knapsack sprayer", 2009. Raises ValueError unless all are above 0.
    """
    if min(rate_l_per_ha, tank_l, volume_l_per_ha) <= 0:
        raise ValueError("rate, tank and spray volume must be above 0 litres")
    water_l = volume_l_per_ha * area.hectares
    tanks = water_l / tank_l
    ml_per_l = rate_l_per_ha / volume_l_per_ha * 1000
    full_tanks = math.floor(round(tanks, 9))
    last_tank_l = max(0.0, water_l - full_tanks * tank_l)
    if last_tank_l < 1e-6 * tank_l:
        last_tank_l = 0.0
    return Mix(
        product_l=rate_l_per_ha * area.hectares,
        water_l=water_l,
        tanks=tanks,
        ml_per_tank=_down(ml_per_l * tank_l),
        full_tanks=full_tanks,
        last_tank_l=last_tank_l,
        last_tank_ml=_down(ml_per_l * last_tank_l),
    )


def _down(millilitres: float) -> int:
    """Round down to whole millilitres, but not for the dust a float leaves under one."""
    return math.floor(millilitres + 1e-9)


def speed_km_per_h(seconds_for_100_m: float) -> float:
    """Walking speed from the seconds 100 m take. Source: sprayer makers' handbooks."""
    return 360 / seconds_for_100_m


def output_l_per_ha(flow_l_per_min: float, swath_m: float, speed_kmh: float) -> float:
    """Spray volume = 600 x flow / (swath x speed). Source: sprayer makers' handbooks."""
    return 600 * flow_l_per_min / (swath_m * speed_kmh)


def strip_l_per_ha(used_l: float, length_m: float, swath_m: float) -> float:
    """Spray volume from the litres a measured strip took, `length_m` long and a swath wide."""
    return used_l * 10_000 / (length_m * swath_m)
