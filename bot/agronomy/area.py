"""The area of a field in square metres, acres and hectares."""

from __future__ import annotations

import math
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

    @classmethod
    def from_triangle(cls, a_m: float, b_m: float, c_m: float) -> Self:
        """Make the area of a triangle from its sides in metres. Raises ValueError unless they close.

        Heron's formula, with the sides sorted and bracketed so that a flat triangle loses no
        figures. Source: Kahan, "Miscalculating Area and Angles of a Needle-like Triangle", 1999.
        The area of a flat triangle still hangs on a pace more or less: let the grower choose
        corners that make a fuller one.
        """
        if not closes(a_m, b_m, c_m):
            raise ValueError(
                f"sides of {a_m}, {b_m} and {c_m} m make no triangle: each must be above 0 and "
                "shorter than the other two together; measure them again"
            )
        short, middle, long = sorted((a_m, b_m, c_m))
        outer = (long + (middle + short)) * (short - (long - middle))
        inner = (short + (long - middle)) * (long + (middle - short))
        return cls(math.sqrt(outer) * math.sqrt(inner) / 4)

    @classmethod
    def from_four_sides(
        cls, a_m: float, b_m: float, c_m: float, d_m: float, diagonal_m: float
    ) -> Self:
        """Make the area of a field of four corners from its sides and a diagonal in metres.

        The sides are in walking order from the first corner. The diagonal runs from the first
        corner to the third and must lie in the field: where a corner points inwards, walk from
        there. Raises ValueError unless both triangles, (a, b, diagonal) and (c, d, diagonal),
        close.
        """
        near = cls.from_triangle(a_m, b_m, diagonal_m)
        far = cls.from_triangle(c_m, d_m, diagonal_m)
        return cls(near.square_metres + far.square_metres)

    @classmethod
    def from_round(cls, round_m: float) -> Self:
        """Make the area of a circle from the walk once around it in metres, above 0.

        No other shape holds as much for the walk, so a field that is not round has less.
        """
        if not 0 < round_m < math.inf:
            raise ValueError(f"a walk of {round_m} m around a field must be above 0; check it")
        return cls(round_m * round_m / (4 * math.pi))

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


def closes(a_m: float, b_m: float, c_m: float) -> bool:
    """Whether three sides in metres make a triangle.

    They do where each is finite, above 0 and shorter than the other two together.
    """
    short, middle, long = sorted((a_m, b_m, c_m))
    # A difference of floats this near each other is exact, which a sum is not. It is never below
    # 0, so a side of 0 or less fails too; and so does one that is infinite or no number.
    return long - middle < short


def pace_m(distance_m: float, paces: float) -> float:
    """Metres of one pace, from the paces that a known distance took.

    Raises ValueError unless both are above 0 (and finite). Mind that some count a pace, one
    step, and some a stride, two: the field must be counted as the distance was.
    """
    if not (0 < distance_m < math.inf and 0 < paces < math.inf):
        raise ValueError(f"{paces} paces for {distance_m} m must both be above 0; count again")
    return distance_m / paces
