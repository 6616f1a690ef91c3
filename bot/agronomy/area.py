"""The area of a field in square metres, acres and hectares."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, Self

M2_PER_ACRE = 4046.8564224
"""The international acre. Source: NIST Handbook 44, appendix C (from memory)."""

M2_PER_HECTARE = 10_000.0

Unit = Literal["acre", "ha", "m2"]

_M2 = {"acre": M2_PER_ACRE, "ha": M2_PER_HECTARE, "m2": 1.0}


@dataclass(frozen=True, slots=True)
class Area:
    """An area, above 0 square metres."""

    square_metres: float

    def __post_init__(self) -> None:
        """Refuse an area that no field has."""
        if not self.square_metres > 0:
            raise ValueError(
                f"an area must be above 0 m2, not {self.square_metres}; check its sides"
            )

    @classmethod
    def from_value(cls, value: float, unit: Unit | str) -> Self:
        """Make an area of `value` acres ("acre"), hectares ("ha") or square metres ("m2")."""
        if unit not in _M2:
            raise ValueError(f"{unit!r} is no unit of area here; use one of {', '.join(_M2)}")
        return cls(value * _M2[unit])

    @classmethod
    def from_sides(cls, length_m: float, width_m: float) -> Self:
        """Make the area of a rectangle from its sides in metres."""
        if min(length_m, width_m) <= 0:
            raise ValueError(f"sides of {length_m} x {width_m} m must be above 0; check them")
        return cls(length_m * width_m)

    @property
    def acres(self) -> float:
        """The area in international acres."""
        return self.square_metres / M2_PER_ACRE

    @property
    def hectares(self) -> float:
        """The area in hectares."""
        return self.square_metres / M2_PER_HECTARE


def per_hectare(per_acre: float) -> float:
    """Turn a rate per acre into the same rate per hectare."""
    return per_acre * M2_PER_HECTARE / M2_PER_ACRE
