"""Stakes for a field: how many its spacing takes, how many to spare, and what to get and bring."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from bot.agronomy.area import Area


@dataclass(frozen=True, slots=True)
class Stand:
    """Plants to a hectare, stakes for the whole field, and spare ones for gap-filling."""

    plants_per_hectare: float
    stakes: int
    spare_stakes: int


def stand(area: Area, row_m: float, in_row_m: float, spare_percent: float) -> Stand:
    """Count the stakes for a field, one a place, at a spacing in metres.

    Plants to a hectare are 10,000 m2 divided by the ground of one plant. Stakes are rounded up
    to whole ones. Raises ValueError for a spacing of 0 or less.
    """
    if row_m <= 0 or in_row_m <= 0:
        raise ValueError(f"spacing {row_m} x {in_row_m} m must be above 0")
    stakes = _whole(area.square_metres / (row_m * in_row_m))
    return Stand(
        plants_per_hectare=10_000 / (row_m * in_row_m),
        stakes=stakes,
        spare_stakes=_whole(stakes * spare_percent / 100),
    )


def bundles(stakes: int, stems_per_bundle: int, stem_m: float, stake_cm: float) -> int:
    """Count the bundles of stems to get, each stem giving only whole stakes.

    Raises ValueError when a bundle has no stem, a stake has no length, or a stem is shorter than
    a stake.
    """
    if stems_per_bundle < 1 or stake_cm <= 0:
        raise ValueError(
            f"a bundle of {stems_per_bundle} stems and stakes of {stake_cm} cm must be above 0"
        )
    stakes_per_stem = math.floor(round(stem_m * 100 / stake_cm, 6))
    if stakes_per_stem < 1:
        raise ValueError(f"a stem of {stem_m} m gives no stake of {stake_cm} cm; get longer stems")
    return -(-stakes // (stems_per_bundle * stakes_per_stem))


def spare_for_sprouting(stakes: int, sprouted: int, tested: int) -> int:
    """Count the stakes to have beside one a place, for as many as there are places to sprout.

    Of `tested` stakes `sprouted` did, and the rest are taken to do alike. Rounded up. Raises
    ValueError unless some of those tested sprouted, and no more than were tested.
    """
    if not 0 < sprouted <= tested:
        raise ValueError(
            f"{sprouted} of {tested} stakes sprouted: must be above 0 and at most all; test again"
        )
    return -(-stakes * (tested - sprouted) // sprouted)


def gap_stakes(places: int, gaps: int, counted: int, spare_percent: float) -> int:
    """Count the stakes to bring for filling gaps in `places`, and `spare_percent` more.

    Of `counted` places `gaps` had no plant, and the rest are taken to be alike. Rounded up.
    Raises ValueError unless places were counted, and no more gaps than places.
    """
    if counted <= 0 or not 0 <= gaps <= counted:
        raise ValueError(f"{gaps} gaps in {counted} places counted cannot be; count again")
    return _whole(places * gaps / counted * (1 + spare_percent / 100))


def _whole(stakes: float) -> int:
    """Round up, but not for the dust a float leaves behind a whole number."""
    return math.ceil(round(stakes, 6))
