"""Stakes and spacing against published plant populations."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bot.agronomy.area import Area
from bot.agronomy.planting import stand

HECTARE = Area.from_value(1, "ha")
ACRE = Area.from_value(1, "acre")

spacings = st.floats(0.3, 3)
areas = st.floats(50, 1e6).map(Area)


@pytest.mark.parametrize(
    ("row_m", "in_row_m", "published", "within"),
    [
        # Howeler 2007, as cited in a cassava agronomy review: 100 x 100 cm is 10,000 a hectare
        (1.0, 1.0, 10_000, 0),
        # the usual advice of the trade (common practice): 1.0 x 0.8 m is 12,500 a hectare
        (1.0, 0.8, 12_500, 0),
        # by hand: 10,000 / 0.64, for the 80 x 80 cm of the same review
        (0.8, 0.8, 15_625, 0),
        # "about 12 000", "18 000" and "about 15 000 plants per ha": abstract of a chapter on
        # cassava planting, taylorfrancis.com, 10.4324/9781351114264-13
        (0.9, 0.9, 12_000, 400),
        (0.75, 0.75, 18_000, 400),
        (1.0, 0.66, 15_000, 400),
    ],
)
def test_plants_to_a_hectare(
    row_m: float, in_row_m: float, published: float, within: float
) -> None:
    planted = stand(HECTARE, row_m, in_row_m, 0)
    assert planted.plants_per_hectare == pytest.approx(published, abs=within, rel=1e-12)
    assert planted.stakes == pytest.approx(published, abs=within)


@pytest.mark.parametrize(
    ("row_m", "in_row_m", "published"),
    [
        # "1x1m give 4,000 plants per acre", "80cmx100cm ... 5,000 plants per acre": naads.or.ug,
        # "Land Preparation" (cassava); both are round numbers
        (1.0, 1.0, 4000),
        (0.8, 1.0, 5000),
    ],
)
def test_plants_to_an_acre(row_m: float, in_row_m: float, published: int) -> None:
    assert stand(ACRE, row_m, in_row_m, 0).stakes == pytest.approx(published, rel=0.02)


@pytest.mark.parametrize(
    ("area", "in_row_m", "spare_percent", "stakes", "spare"),
    [
        # by hand: 4046.8564224 / 0.8 = 5058.57, up to 5059; a tenth of that is 505.9, up to 506
        (ACRE, 0.8, 10, 5059, 506),
        # by hand: 4046.8564224 / 0.7 = 5781.22, up to 5782; a fifth of that is 1156.4, up to 1157
        (ACRE, 0.7, 20, 5782, 1157),
        # by hand: 40 x 60 = 2400 m2; / 0.8 = 3000, a tenth 300: whole, so nothing to round
        (Area.from_sides(40, 60), 0.8, 10, 3000, 300),
    ],
)
def test_stakes_for_a_field(
    area: Area, in_row_m: float, spare_percent: float, stakes: int, spare: int
) -> None:
    planted = stand(area, 1.0, in_row_m, spare_percent)
    assert (planted.stakes, planted.spare_stakes) == (stakes, spare)


@given(areas, spacings, spacings, st.floats(0, 50))
def test_enough_stakes_and_not_one_too_many(
    area: Area, row_m: float, in_row_m: float, spare_percent: float
) -> None:
    planted = stand(area, row_m, in_row_m, spare_percent)
    places = area.square_metres / (row_m * in_row_m)
    assert places - 1e-5 <= planted.stakes < places + 1
    spare = planted.stakes * spare_percent / 100
    assert spare - 1e-5 <= planted.spare_stakes < spare + 1
    assert planted.stakes == math.ceil(places) or math.isclose(planted.stakes, places)


@given(areas, spacings, spacings)
def test_closer_spacing_and_larger_fields_never_need_fewer(
    area: Area, row_m: float, in_row_m: float
) -> None:
    planted = stand(area, row_m, in_row_m, 10)
    closer = stand(area, row_m, in_row_m * 0.9, 10)
    larger = stand(Area(area.square_metres * 1.1), row_m, in_row_m, 10)
    for more in (closer, larger):
        assert more.stakes >= planted.stakes
        assert more.spare_stakes >= planted.spare_stakes
    assert larger.plants_per_hectare == planted.plants_per_hectare


@pytest.mark.parametrize(("row_m", "in_row_m"), [(0, 0.8), (1, 0), (-1, 0.8), (1, -0.8)])
def test_no_spacing(row_m: float, in_row_m: float) -> None:
    with pytest.raises(ValueError, match="must be above 0"):
        stand(HECTARE, row_m, in_row_m, 10)
