"""Stakes for a field: how many plants its spacing gives, and how many stakes to spare."""

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


def _whole(stakes: float) -> int:
    """Round up, but not for the dust a float leaves behind a whole number."""
    return math.ceil(round(stakes, 6))
