"""Spray mixes and calibrations against published worked examples, and what no mix may do."""

from __future__ import annotations

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from bot.agronomy.area import Area, per_hectare
from bot.agronomy.spraying import (
    Mix,
    mix,
    output_l_per_ha,
    speed_km_per_h,
    strip_l_per_ha,
)

ACRE = Area.from_value(1, "acre")
HECTARE = Area.from_value(1, "ha")

areas = st.floats(80, 1e6).map(Area)
rates = st.floats(0.2, 10)
tanks = st.floats(1, 25)
volumes = st.floats(50, 600)


# The strip method: "Step 5 of 6: calibrating your knapsack sprayer", stewardship FAQ,
# pesticidewise.com. A swath of 0.75 m, 33.3 m walked in 50 s, 200 L/ha wanted.


def test_the_strip_is_25_square_metres_and_takes_half_a_litre() -> None:
    assert Area.from_sides(33.3, 0.75).square_metres == pytest.approx(25, abs=0.05)
    assert strip_l_per_ha(0.5, 33.3, 0.75) == pytest.approx(200, abs=0.5)


def test_50_seconds_for_the_strip_are_2_4_km_an_hour() -> None:
    speed = speed_km_per_h(50 * 100 / 33.3)
    assert speed == pytest.approx(2.4, abs=0.005)
    assert speed / 3.6 == pytest.approx(0.67, abs=0.005)  # "0.67 m/second"


def test_half_a_litre_in_50_seconds_is_200_litres_a_hectare() -> None:
    assert output_l_per_ha(0.5 / 50 * 60, 0.75, 2.4) == pytest.approx(200)


def test_55_seconds_for_the_strip_put_out_more_than_200() -> None:
    # the operator's first try there; by hand: 200 x 55 / 50 = 220
    slow = speed_km_per_h(55 * 100 / 33.3)
    assert output_l_per_ha(0.6, 0.75, slow) == pytest.approx(220, abs=0.5)


# The flow method: R. (student's field notes), "Calibration with knapsack sprayer", 2009.

FLOWS = (1.2, 1.0, 1.0, 0.92, 0.92)
MEAN_FLOW = sum(FLOWS) / len(FLOWS)


def test_the_mean_flow_and_the_ground_of_a_minute() -> None:
    assert pytest.approx(1.01, abs=0.005) == MEAN_FLOW
    assert Area.from_sides(46, 0.51).square_metres == pytest.approx(23.46)


def test_the_flow_method_puts_out_430_5_litres_a_hectare() -> None:
    # the notes round the mean to 1.01 L first: 430.52
    assert strip_l_per_ha(1.01, 46, 0.51) == pytest.approx(430.52, abs=0.01)
    # and the speed formula of the makers' handbooks comes to the same: 46 m a minute is 2.76 km/h
    speed = speed_km_per_h(100 / 46 * 60)
    assert speed == pytest.approx(2.76)
    assert output_l_per_ha(1.01, 0.51, speed) == pytest.approx(430.52, abs=0.01)


def test_the_walking_speed_of_a_turf_guide() -> None:
    # turfai.co.uk, "Knapsack Sprayer Calibration": 100 m in 90 s; 360 / 90 = 4 km/h
    assert speed_km_per_h(90) == 4


def test_two_litres_on_a_square_of_ten_metres() -> None:
    # weedforce.com.au, "Calibrating your spray": 2 L on 10 x 10 m are 200 L/ha,
    assert strip_l_per_ha(2, 10, 10) == 200
    # and a label rate of 5 L/ha then means 250 ml in a tank of 10 L
    assert mix(HECTARE, 5, 10, 200).ml_per_tank == 250


@given(st.floats(0.2, 3), st.floats(0.3, 2), st.floats(1, 8))
def test_the_two_methods_agree(flow: float, swath: float, speed: float) -> None:
    metres_a_minute = speed * 1000 / 60
    by_strip = strip_l_per_ha(flow, metres_a_minute, swath)
    assert output_l_per_ha(flow, swath, speed) == pytest.approx(by_strip)


# Mixes. Product in a tank = tank / (L/ha) x label rate: the same field notes.


@pytest.mark.parametrize(
    ("rate", "tank", "volume", "ml"),
    [
        # by hand: 15 / 200 x 4 L = 300 ml; 15 / 200 x 5 L = 375 ml; 20 / 250 x 3 L = 240 ml
        (4, 15, 200, 300),
        (5, 15, 200, 375),
        (3, 20, 250, 240),
        # by hand, at the output of the notes: 16 / 430.52 x 4 L = 148.66 ml, down to 148
        (4, 16, 430.52, 148),
    ],
)
def test_product_in_a_tank(rate: float, tank: float, volume: float, ml: int) -> None:
    assert mix(HECTARE, rate, tank, volume).ml_per_tank == ml


def test_glyphosate_for_a_hectare_by_hand() -> None:
    # 200 L; 200 / 15 = 13.33 tanks: 13 full ones of 300 ml, and 5 L with 100 ml; 4 L in all
    worked = mix(HECTARE, 4, 15, 200)
    assert worked.product_l == 4
    assert worked.water_l == 200
    assert worked.tanks == pytest.approx(13.333, abs=0.001)
    assert (worked.full_tanks, worked.ml_per_tank) == (13, 300)
    assert (worked.last_tank_l, worked.last_tank_ml) == (pytest.approx(5), 100)


@pytest.mark.parametrize(
    ("l_per_acre", "acres", "in_full", "in_last"),
    [
        # common practice: isoxaflutole 75 + aclonifen 500 g/L at 0.5 L an acre. By hand, one acre
        # at 200 L/ha: 80.937 L of water, 5 tanks of 15 L and 5.937 L; 500 / 80.937 = 6.1776 ml/L
        (0.5, 1, (5, 92), (5.937, 36)),
        # common practice: S-metolachlor 290 + atrazine 370 g/L at 1.6 L an acre. By hand, half an
        # acre: 40.469 L, 2 tanks and 10.469 L; 1600 / 80.937 = 19.768 ml/L
        (1.6, 0.5, (2, 296), (10.469, 206)),
    ],
)
def test_preemergence_mixes_by_hand(
    l_per_acre: float, acres: float, in_full: tuple[int, int], in_last: tuple[float, int]
) -> None:
    worked = mix(Area.from_value(acres, "acre"), per_hectare(l_per_acre), 15, 200)
    assert worked.product_l == pytest.approx(l_per_acre * acres)
    assert (worked.full_tanks, worked.ml_per_tank) == in_full
    assert (worked.last_tank_l, worked.last_tank_ml) == pytest.approx(in_last, abs=0.001)


def test_a_field_that_fills_its_tanks_leaves_no_last_one() -> None:
    # by hand: 0.3 ha x 200 L/ha = 60 L, 4 tanks of 15 L
    worked = mix(Area.from_value(0.3, "ha"), 4, 15, 200)
    assert (worked.full_tanks, worked.last_tank_l, worked.last_tank_ml) == (4, 0, 0)


def test_a_field_smaller_than_a_tank_has_only_a_last_one() -> None:
    # by hand: 100 m2 x 200 L/ha = 2 L, with 4 / 200 x 2 L = 40 ml
    worked = mix(Area(100), 4, 15, 200)
    assert (worked.full_tanks, worked.last_tank_ml) == (0, 40)
    assert worked.last_tank_l == pytest.approx(2)


def total_ml(worked: Mix) -> int:
    return worked.full_tanks * worked.ml_per_tank + worked.last_tank_ml


@given(areas, rates, tanks, volumes)
def test_no_tank_is_ever_over_the_label(
    area: Area, rate: float, tank: float, volume: float
) -> None:
    worked = mix(area, rate, tank, volume)
    label_ml_per_l = rate * 1000 / volume
    assert worked.ml_per_tank <= label_ml_per_l * tank + 1e-6
    assert worked.last_tank_ml <= label_ml_per_l * worked.last_tank_l + 1e-6
    assert total_ml(worked) <= worked.product_l * 1000 + 1e-6 * (worked.full_tanks + 1)


@given(areas, rates, tanks, volumes)
def test_the_tanks_add_up(area: Area, rate: float, tank: float, volume: float) -> None:
    worked = mix(area, rate, tank, volume)
    # within a millilitre a tank, as each is rounded down
    assert total_ml(worked) > worked.product_l * 1000 - (worked.full_tanks + 1) - 1e-3
    assert worked.full_tanks * tank + worked.last_tank_l == pytest.approx(worked.water_l)
    assert 0 <= worked.last_tank_l < tank
    assert worked.tanks == pytest.approx(worked.water_l / tank)


@given(areas, st.floats(1, 3), rates, tanks, volumes)
def test_a_larger_field_never_takes_less(
    area: Area, times: float, rate: float, tank: float, volume: float
) -> None:
    small = mix(area, rate, tank, volume)
    large = mix(Area(area.square_metres * times), rate, tank, volume)
    assert large.ml_per_tank == small.ml_per_tank
    assert large.product_l >= small.product_l
    assert large.water_l >= small.water_l
    assert large.tanks >= small.tanks
    assert large.full_tanks >= small.full_tanks
    assert total_ml(large) >= total_ml(small)


@given(areas, st.integers(2, 8), rates, tanks, volumes)
def test_amounts_grow_as_the_field_does(
    area: Area, times: int, rate: float, tank: float, volume: float
) -> None:
    one = mix(area, rate, tank, volume)
    many = mix(Area(area.square_metres * times), rate, tank, volume)
    assert many.product_l == pytest.approx(one.product_l * times)
    assert many.water_l == pytest.approx(one.water_l * times)
    assert many.tanks == pytest.approx(one.tanks * times)


@given(areas, rates, tanks, volumes, st.floats(0.5, 2))
def test_a_tank_twice_as_large_takes_twice_as_much(
    area: Area, rate: float, tank: float, volume: float, times: float
) -> None:
    one = mix(area, rate, tank, volume)
    other = mix(area, rate, tank * times, volume)
    assume(one.ml_per_tank > 0)
    assert other.ml_per_tank == pytest.approx(one.ml_per_tank * times, abs=1 + times)
    assert other.product_l == one.product_l


@pytest.mark.parametrize(
    ("rate", "tank", "volume"), [(0, 15, 200), (4, 0, 200), (4, 15, 0), (-4, 15, 200)]
)
def test_nothing_to_mix(rate: float, tank: float, volume: float) -> None:
    with pytest.raises(ValueError, match="above 0 litres"):
        mix(ACRE, rate, tank, volume)
