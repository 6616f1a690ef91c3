"""Areas against pint, shapely and the definitions of the units."""

from __future__ import annotations

import math

import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st
from shapely.geometry import box

from bot.agronomy.area import M2_PER_ACRE, M2_PER_HECTARE, Area, per_hectare

UNITS = pint.UnitRegistry()
FOOT_ACRE = 43_560 * UNITS.foot**2
"""The international acre. pint's own `acre` is of US survey feet, 4 parts in a million larger."""

sides = st.floats(0.1, 5000)
fields = st.floats(0.001, 1000)


def test_the_international_acre_is_exact() -> None:
    # NIST Handbook 44, appendix C (from memory): 43,560 square feet of 0.3048 m
    assert M2_PER_ACRE == 4046.8564224
    assert pytest.approx(FOOT_ACRE.to("m**2").magnitude, rel=1e-12) == M2_PER_ACRE
    assert pytest.approx(UNITS.Quantity(1, "acre").to("m**2").magnitude, rel=1e-5) == M2_PER_ACRE


def test_the_hectare_is_a_square_of_100_metres() -> None:
    # BIPM, SI Brochure, table 8 (from memory): 1 ha = 1 hm2 = 10,000 m2; and pint
    assert M2_PER_HECTARE == 10_000
    assert UNITS.Quantity(1, "hectare").to("m**2").magnitude == pytest.approx(M2_PER_HECTARE)


@pytest.mark.parametrize(
    ("value", "unit", "acres", "hectares"),
    [
        # NIST SP 811, appendix B.8 (from memory): 1 acre = 0.404 687 ha; so 1 ha = 2.471 acres
        (1, "acre", 1, 0.404687),
        (1, "ha", 2.47105, 1),
        (2.5, "acre", 2.5, 1.011717),
        (2400, "m2", 0.593053, 0.24),
    ],
)
def test_conversion_tables(value: float, unit: str, acres: float, hectares: float) -> None:
    area = Area.from_value(value, unit)
    # the tables round to six figures, and the acre in this one is of US survey feet
    assert area.acres == pytest.approx(acres, rel=5e-6)
    assert area.hectares == pytest.approx(hectares, rel=5e-6)


@given(fields)
def test_acres_as_pint_converts_them(value: float) -> None:
    quantity = value * FOOT_ACRE
    area = Area.from_value(value, "acre")
    assert area.square_metres == pytest.approx(quantity.to("m**2").magnitude)
    assert area.hectares == pytest.approx(quantity.to("hectare").magnitude)
    assert area.acres == pytest.approx(value)


@given(fields)
def test_hectares_as_pint_converts_them(value: float) -> None:
    area = Area.from_value(value, "ha")
    assert area.square_metres == pytest.approx((value * UNITS.hectare).to("m**2").magnitude)
    assert area.acres == pytest.approx(float((value * UNITS.hectare) / FOOT_ACRE.to("hectare")))


@given(sides, sides)
def test_a_rectangle_as_shapely_measures_it(length: float, width: float) -> None:
    area = Area.from_sides(length, width)
    assert area.square_metres == pytest.approx(box(0, 0, length, width).area)
    assert area == Area.from_sides(width, length)


@pytest.mark.parametrize(
    ("per_acre", "expected"),
    [
        # by hand, / 0.40468564224: the two pre-emergence rates of the trade (common practice)
        (0.5, 1.23553),
        (1.6, 3.95369),
    ],
)
def test_a_rate_per_acre_as_pint_converts_it(per_acre: float, expected: float) -> None:
    assert per_hectare(per_acre) == pytest.approx(expected, abs=5e-6)
    rate = per_acre * UNITS.litre / FOOT_ACRE
    assert per_hectare(per_acre) == pytest.approx(rate.to("litre/hectare").magnitude)


@pytest.mark.parametrize("value", [0, -1, math.nan, -math.inf])
def test_no_field_has_such_an_area(value: float) -> None:
    with pytest.raises(ValueError, match="above 0 m2, not"):
        Area(value)
    with pytest.raises(ValueError, match="check its sides"):
        Area.from_value(value, "acre")


@pytest.mark.parametrize(("length", "width"), [(0, 40), (40, 0), (-40, 60), (-40, -60)])
def test_no_field_has_such_sides(length: float, width: float) -> None:
    with pytest.raises(ValueError, match="must be above 0; check them"):
        Area.from_sides(length, width)


def test_an_unknown_unit_names_the_known_ones() -> None:
    with pytest.raises(ValueError, match=r"'hectare' is no unit.*acre, ha, m2"):
        Area.from_value(1, "hectare")
