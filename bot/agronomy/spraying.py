"""Sprays: what goes into a tank, how much a field takes, what a sprayer puts out, what to buy.

A dose is never rounded up: the product in a tank stays at or under the rate on the label.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from collections.abc import Sequence

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


@dataclass(frozen=True, slots=True)
class Output:
    """A measured spray volume in litres a hectare, and the one that doses are counted with."""

    measured_l_per_ha: float
    l_per_ha: float
    plausible: Literal["low", "fits", "high"]


def output(measured_l_per_ha: float, low: float, high: float, usual: float) -> Output:
    """Judge a measured spray volume by the range a sprayer is known to put out, in L/ha.

    Out of it a measurement is suspect, and doses are counted with the volume that puts less in
    a tank: the `usual` one where too little was measured, for a slip of the jug must not lead to
    a strong mix; the measured one where it was too much, for anything less would put more on a
    hectare than the label allows. Raises ValueError unless the measurement is above 0 and
    `usual` lies within the range.
    """
    if not measured_l_per_ha > 0:
        raise ValueError(
            f"a spray volume of {measured_l_per_ha} L/ha must be above 0; measure again"
        )
    if not low <= usual <= high:
        raise ValueError(f"{usual} L/ha is no usual volume in a range of {low} to {high}")
    if measured_l_per_ha < low:
        return Output(measured_l_per_ha, usual, "low")
    return Output(
        measured_l_per_ha, measured_l_per_ha, "high" if measured_l_per_ha > high else "fits"
    )


@dataclass(frozen=True, slots=True)
class Purchase:
    """Bottles to buy: (size in litres, how many), the largest first and none with 0.

    `left_l` is what stays in the last bottle after the spray: to be stored safely or shared.
    """

    bottles: tuple[tuple[float, int], ...]
    bought_l: float
    left_l: float


def bottles(product_l: float, sizes_l: Sequence[float]) -> Purchase:
    """Choose bottles for `product_l` litres: the least bought in all, then the fewest bottles.

    The least bought comes first because leftover herbicide is a danger in a house. Of choices
    alike in both, the one with the larger bottles. Counted in whole millilitres, the need rounded
    up and a size down; a size of 0 is one not sold. Raises ValueError for a need of 0 or less,
    and when no size is above 0.
    """
    if not product_l > 0:
        raise ValueError(f"{product_l} L of product must be above 0; there is nothing to buy")
    sizes = sorted({ml for ml in (_down(size * 1000) for size in sizes_l) if ml > 0}, reverse=True)
    if not sizes:
        raise ValueError("no bottle size is above 0 ml; name at least one that is sold")
    need_ml = math.ceil(round(product_l * 1000, 6))
    unit = math.gcd(*sizes)
    steps = [size // unit for size in sizes]
    need = -(-need_ml // unit)

    # Among as many smaller bottles as the largest has units, some fill a whole number of the
    # largest and are better bought as such. So the smaller ones together stay under `most`, all
    # the rest is the largest, and only what is left to choose is tried out.
    largest = steps[0]
    most = (largest - 1) * max(steps[1:], default=0)
    sure = max(0, need - most) // largest
    chosen = _fewest(need - sure * largest, steps)
    counts = [chosen.count(step) + (sure if step == largest else 0) for step in steps]
    bought_ml = sum(size * count for size, count in zip(sizes, counts, strict=True))
    return Purchase(
        bottles=tuple(
            (size / 1000, count) for size, count in zip(sizes, counts, strict=True) if count
        ),
        bought_l=bought_ml / 1000,
        left_l=(bought_ml - need_ml) / 1000,
    )


def _fewest(need: int, steps: Sequence[int]) -> list[int]:
    """Fewest `steps`, given largest first, for the least sum that is not under `need`.

    Builds, sum by sum from 0, the fewest steps to it and the last one taken.
    """
    fewest: list[float] = [0]
    last = [0]
    while len(fewest) <= need or fewest[-1] == math.inf:
        total = len(fewest)
        count, step = math.inf, 0
        for each in steps:
            if each <= total and fewest[total - each] + 1 < count:
                count, step = fewest[total - each] + 1, each
        fewest.append(count)
        last.append(step)
    chosen = []
    total = len(fewest) - 1
    while total > 0:
        chosen.append(last[total])
        total -= last[total]
    return chosen
