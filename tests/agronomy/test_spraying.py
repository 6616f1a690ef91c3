"""Spray mixes and calibrations against published worked examples, and what no mix may do."""

from __future__ import annotations

import itertools
import math
from typing import TYPE_CHECKING

import pint
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from bot.agronomy.area import Area, per_hectare
from bot.agronomy.spraying import (
    Mix,
    Purchase,
    bottles,
    mix,
    output,
    output_l_per_ha,
    speed_km_per_h,
    strip_l_per_ha,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

UNITS: pint.UnitRegistry[float] = pint.UnitRegistry()

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


# Calibrations in other published guides.


def metric(value: float, unit: str, to: str) -> float:
    return float(UNITS.Quantity(value, unit).to(to).magnitude)


def gallons_per_acre(l_per_ha: float) -> float:
    return metric(l_per_ha, "litre / hectare", "gallon / acre")


def test_two_litres_on_200_square_metres() -> None:
    # IRRI Rice Knowledge Bank, "Calibration", example 1: 2 L on 200 m2 are 100 L/ha
    assert strip_l_per_ha(2, 20, 10) == 100


def test_two_litres_a_minute_over_four_metres() -> None:
    # the same, example 2: 120 s for 100 m, 2 L/min, 4 m wide are 100 L/ha
    assert output_l_per_ha(2, 4, speed_km_per_h(120)) == pytest.approx(100)


def test_a_calibrator_made_of_a_tin() -> None:
    # stewardshipcommunity.com, "Do-it-yourself calibrator for knapsack sprayers", by E. Thornhill
    # of IPARC: 10 m2, as a swath of 0.5 m by 20 m, into a tin of 400 ml. By hand, a full tin:
    assert Area.from_sides(20, 0.5).square_metres == 10
    assert strip_l_per_ha(0.4, 20, 0.5) == 400


@pytest.mark.parametrize(
    "ounces",
    [
        25,  # UF/IFAS Extension Alachua County, "The 1/128th rule", 2022: 25 fl oz, 25 gal/acre
        40,  # "1/128 method of calibration" (slides, slidegur.com): 40 fl oz, 40 gal/acre
    ],
)
def test_ounces_on_a_128th_of_an_acre_are_gallons_an_acre(ounces: float) -> None:
    # a plot of 18.5 x 18.5 ft: Larimer County Weed District, "Calibration"; it is 342 square feet
    # where 340 would be exact, so within 1 %
    side = metric(18.5, "foot", "metre")
    used = strip_l_per_ha(metric(ounces, "fluid_ounce", "litre"), side, side)
    assert gallons_per_acre(used) == pytest.approx(ounces, rel=0.01)


def test_a_worksheet_for_tree_rows() -> None:
    # NC State Extension, "Backpack sprayer calibration worksheet": a spray 6 ft wide is walked
    # 57 ft; 7.5 oz are 7.5 gal/acre; 8 oz an acre then are 3.2 oz in a tank of 3 gallons, there
    # "96 ml" with an ounce taken as 30 ml
    used = strip_l_per_ha(
        metric(7.5, "fluid_ounce", "litre"), metric(57, "foot", "metre"), metric(6, "foot", "metre")
    )
    assert gallons_per_acre(used) == pytest.approx(7.5, rel=0.01)
    rate = metric(8, "fluid_ounce / acre", "litre / hectare")
    volume = metric(7.5, "gallon / acre", "litre / hectare")
    in_tank = mix(ACRE, rate, metric(3, "gallon", "litre"), volume).ml_per_tank
    assert in_tank == pytest.approx(96, rel=0.03)
    assert in_tank == 94  # by hand: 3.2 x 29.5735 = 94.6, down


def test_a_nozzle_on_a_vehicle() -> None:
    # Albany County Weed and Pest, "Calibrating your sprayer": 480 oz a minute (3.75 gal) over
    # 222 inches at 5 miles an hour are 20 gal/acre
    assert metric(480, "fluid_ounce", "gallon") == pytest.approx(3.75)
    volume = output_l_per_ha(
        metric(3.75, "gallon", "litre"),
        metric(222, "inch", "metre"),
        metric(5, "mile", "kilometre"),
    )
    assert gallons_per_acre(volume) == pytest.approx(20, rel=0.005)


def test_the_tanks_of_a_large_field() -> None:
    # "Calculating spray application information" (applicator factsheet, docslib.org): 200 L/ha
    # on 20 ha are 4000 L, and 4 tanks of 1000 L
    worked = mix(Area.from_value(20, "ha"), 1, 1000, 200)
    assert (worked.water_l, worked.tanks, worked.full_tanks) == (4000, 4, 4)


def test_the_knapsack_of_a_rice_handbook() -> None:
    # IRRI, "A handbook on weed control in rice", page 60: a knapsack of 15 L at 200 L/ha, and a
    # field of 1000 m2 (seen; the answers are pictures there). By hand: 20 L, and 750 m2 a tank
    assert mix(Area(1000), 4, 15, 200).water_l == pytest.approx(20)
    assert mix(Area(750), 4, 15, 200).tanks == pytest.approx(1)


def test_a_dose_shared_among_tank_loads() -> None:
    # "A simple calibration procedure" (6.3.3), cocoa pesticide manual, pm.cocoaquality.eu: with
    # 12 tank-loads of 15 L a hectare, a twelfth of the dose in each. By hand: 3 L / 12 = 250 ml
    worked = mix(HECTARE, 3, 15, 12 * 15)
    assert (worked.full_tanks, worked.ml_per_tank, worked.last_tank_l) == (12, 250, 0)


def test_product_for_a_field() -> None:
    # IRRI Rice Knowledge Bank, "Product required": rate x area. By hand: 2 L/ha x 0.25 ha = 0.5 L
    assert mix(Area.from_value(0.25, "ha"), 2, 15, 200).product_l == 0.5


# A measured output and the range it is judged by.

# "knapsack sprayers deliver 250-600 l spray liquid ha-1": agricultureinindia.net, "Common
# herbicide application equipment and their calibration"
KNAPSACK = (250, 600, 400)
"""From, to, and a usual volume between (by hand)."""


@pytest.mark.parametrize(
    ("measured", "counted_with", "plausible"),
    [
        (430.52, 430.52, "fits"),  # the field notes
        (250, 250, "fits"),  # the ends of the range are in it
        (600, 600, "fits"),
        (200, 400, "low"),  # the stewardship FAQ; doses are counted with the usual volume
        (700, 700, "high"),  # doses are counted with what was measured
    ],
)
def test_an_output_is_judged(measured: float, counted_with: float, plausible: str) -> None:
    judged = output(measured, *KNAPSACK)
    assert judged.measured_l_per_ha == measured
    assert (judged.l_per_ha, judged.plausible) == (counted_with, plausible)


def test_a_measurement_gone_wrong_does_not_fill_the_tank_with_product() -> None:
    # by hand: 0.1 L on 25 m2 are 40 L/ha, which would put 15 / 40 x 4 L = 1500 ml in a tank;
    # counted with the usual 200 L/ha it is 15 / 200 x 4 L = 300 ml
    measured = strip_l_per_ha(0.1, 100 / 3, 0.75)
    assert mix(ACRE, 4, 15, measured).ml_per_tank == 1500
    assert mix(ACRE, 4, 15, output(measured, 100, 600, 200).l_per_ha).ml_per_tank == 300


@given(
    st.floats(1, 3000),
    st.lists(st.floats(10, 1500), min_size=3, max_size=3).map(sorted),
    rates,
    tanks,
)
def test_no_judgement_puts_more_on_a_hectare_or_in_a_tank(
    measured: float, known: list[float], rate: float, tank: float
) -> None:
    low, usual, high = known
    judged = output(measured, low, high, usual)
    if judged.plausible == "low":
        assert judged.l_per_ha == usual
    assert (judged.plausible == "fits") == (low <= measured <= high)
    worked = mix(HECTARE, rate, tank, judged.l_per_ha)
    # what is in a litre, times the litres that really go on a hectare
    assert worked.ml_per_tank / tank * measured <= rate * 1000 * (1 + 1e-9)
    assert worked.ml_per_tank <= rate * 1000 * tank / low * (1 + 1e-9)


@pytest.mark.parametrize(
    ("measured", "low", "high", "cause"),
    [
        (0, 100, 600, "must be above 0"),
        (-200, 100, 600, "must be above 0"),
        (math.nan, 100, 600, "must be above 0"),
        (200, 600, 100, "no usual volume"),
    ],
)
def test_no_output_to_judge(measured: float, low: float, high: float, cause: str) -> None:
    with pytest.raises(ValueError, match=cause):
        output(measured, low, high, min(low, high))


# From the strip to the shop: both methods carried through, every step by hand.

SOLD = (1, 0.5, 0.25)


def test_the_strip_method_from_strip_to_shop() -> None:
    # 55 s a strip at 0.6 L/min: 0.55 L on 25 m2 = 220 L/ha; one acre is 0.404686 ha
    judged = output(strip_l_per_ha(0.55, 100 / 3, 0.75), 100, 600, 200)
    assert judged.l_per_ha == pytest.approx(220)
    assert judged.plausible == "fits"
    worked = mix(ACRE, 4, 15, judged.l_per_ha)
    assert worked.ml_per_tank == 272  # 15 / 220 x 4000 = 272.7
    assert worked.water_l == pytest.approx(89.031, abs=0.001)  # 0.404686 x 220
    assert worked.full_tanks == 5  # 75 L
    assert worked.last_tank_l == pytest.approx(14.031, abs=0.001)
    assert worked.last_tank_ml == 255  # 14.031 / 220 x 4000 = 255.1
    assert worked.product_l == pytest.approx(1.6187, abs=0.0001)  # 0.404686 x 4
    # 1619 ml: 1 + 0.5 + 0.25 L, 131 ml left; 1.5 L would not do, 2 L would leave 381 ml
    assert bottles(worked.product_l, SOLD) == Purchase(((1, 1), (0.5, 1), (0.25, 1)), 1.75, 0.131)


def test_the_flow_method_from_jug_to_shop() -> None:
    # 1.01 L/min over 46 x 0.51 m a minute = 430.52 L/ha; half a hectare, 4 L/ha, a tank of 16 L
    judged = output(strip_l_per_ha(1.01, 46, 0.51), 100, 400, 200)
    assert judged.l_per_ha == pytest.approx(430.52, abs=0.01)
    assert judged.plausible == "high"
    worked = mix(Area.from_value(0.5, "ha"), 4, 16, judged.l_per_ha)
    assert worked.ml_per_tank == 148  # 16 / 430.52 x 4000 = 148.66
    assert worked.water_l == pytest.approx(215.26, abs=0.01)
    assert worked.full_tanks == 13  # 208 L
    assert worked.last_tank_l == pytest.approx(7.26, abs=0.01)
    assert worked.last_tank_ml == 67  # 7.26 / 430.52 x 4000 = 67.45
    assert worked.product_l == 2
    assert bottles(worked.product_l, (5, 1)) == Purchase(((1, 2),), 2, 0)
    # counted with 400 instead, 160 ml a tank would be 160 / 16 x 430.52 = 4305 ml a hectare
    assert mix(HECTARE, 4, 16, 400).ml_per_tank == 160
    assert 160 / 16 * judged.l_per_ha == pytest.approx(4305, abs=1)


# Bottles.


@pytest.mark.parametrize(
    ("product_l", "sizes_l", "bought", "left_l"),
    [
        # by hand
        (4, (1, 5), ((1, 4),), 0),  # 4 L, not one of 5 L
        (4.5, (1, 5), ((5, 1),), 0.5),  # as much as 5 of 1 L, in fewer bottles
        (0.1, (1, 0.5, 0.25), ((0.25, 1),), 0.15),
        (0.6, (0.5, 0.2), ((0.2, 3),), 0),  # largest first would take 0.7 L
        (1.2, (1, 0.4), ((0.4, 3),), 0),  # likewise 1.4 L
        (1, (0, 0.4, 0), ((0.4, 3),), 0.2),  # 0 is a size not sold
        (2000, (0.1, 0.25, 0.5, 1, 5), ((5, 400),), 0),
        (1999.99, (5, 0.1, 1), ((5, 400),), 0.01),  # 1999.99, up to the next 100 ml
        (1999.35, (5, 0.1, 1), ((5, 399), (1, 4), (0.1, 4)), 0.05),
        (0.3, (0.1,), ((0.1, 3),), 0),  # not a fourth
        (0.1 * 0.1, (0.01,), ((0.01, 1),), 0),  # 10.000000000000002 ml in floats: one, not two
        (15, (3, 4, 6, 7), ((7, 1), (4, 2)), 0),  # as few as 6 + 6 + 3, with the larger one
        (1.6000004, (0.8, 0.2), ((0.8, 2), (0.2, 1)), 0.199),  # a little over 1600 ml is 1601
    ],
)
def test_bottles_by_hand(
    product_l: float,
    sizes_l: tuple[float, ...],
    bought: tuple[tuple[float, int], ...],
    left_l: float,
) -> None:
    chosen = bottles(product_l, sizes_l)
    assert chosen.bottles == bought
    assert chosen.left_l == left_l
    assert chosen.bought_l == pytest.approx(sum(size * count for size, count in bought))


def test_the_largest_need_that_no_bottles_meet_exactly() -> None:
    # Frobenius numbers (from memory): 43 for 6, 9 and 20; and a x b - a - b for two sizes without
    # a common divisor (Sylvester): 5 x 7 - 5 - 7 = 23
    for sizes, largest in (((6, 9, 20), 43), ((5, 7), 23)):
        assert bottles(largest, sizes).left_l == 1
        assert all(bottles(need, sizes).left_l == 0 for need in range(largest + 1, largest + 60))


def every_choice(need: int, sizes: Sequence[int]) -> tuple[int, int]:
    """Least sum and then fewest pieces, from every choice there is."""
    counts = itertools.product(*(range(math.ceil(need / size) + 1) for size in sizes))
    return min(
        (total, sum(each))
        for each in counts
        if (total := sum(map(int.__mul__, each, sizes))) >= need
    )


def by_table(need: int, sizes: Sequence[int]) -> tuple[int, int]:
    """The same from the change-making table of any algorithms text, as long as the need."""
    fewest = [0] + [need + 1] * (need + min(sizes))
    for total in range(1, len(fewest)):
        fewest[total] = min((fewest[total - s] + 1 for s in sizes if s <= total), default=need + 1)
    total = next(t for t in range(need, len(fewest)) if fewest[t] <= need)
    return total, fewest[total]


def in_ml(chosen: Purchase, ml: int) -> tuple[int, int]:
    return round(chosen.bought_l * 1000 / ml), sum(count for _, count in chosen.bottles)


@given(
    st.integers(1, 40),
    st.lists(st.integers(3, 20), min_size=1, max_size=3, unique=True),
    st.sampled_from([1, 10, 50, 250]),
)
def test_no_choice_of_bottles_is_better(need: int, sizes: list[int], ml: int) -> None:
    chosen = bottles(need * ml / 1000, [size * ml / 1000 for size in sizes])
    assert in_ml(chosen, ml) == every_choice(need, sizes)


@given(st.integers(1, 3000), st.lists(st.integers(2, 25), min_size=1, max_size=4, unique=True))
def test_no_choice_is_better_for_a_large_need(need: int, sizes: list[int]) -> None:
    # many times the largest bottle, so that most of the need is never tried out
    chosen = bottles(need / 1000, [size / 1000 for size in sizes])
    assert in_ml(chosen, 1) == by_table(need, sizes)


@given(
    st.floats(0.001, 2000),
    st.lists(st.sampled_from([0, 0.1, 0.25, 0.5, 1, 2, 2.5, 5]), min_size=1),
)
def test_what_is_bought_is_enough_and_adds_up(product_l: float, sizes_l: list[float]) -> None:
    assume(any(sizes_l))
    chosen = bottles(product_l, sizes_l)
    smallest = min(size for size in sizes_l if size > 0)
    assert chosen.bought_l == pytest.approx(sum(size * count for size, count in chosen.bottles))
    assert 0 <= chosen.left_l < smallest
    assert chosen.left_l == pytest.approx(chosen.bought_l - product_l, abs=0.001)
    assert chosen.bought_l >= product_l - 1e-9
    sizes = [size for size, _ in chosen.bottles]
    assert sizes == sorted(set(sizes), reverse=True)
    assert set(sizes) <= set(sizes_l)
    assert all(count > 0 for _, count in chosen.bottles)


@pytest.mark.parametrize(
    ("product_l", "sizes_l", "cause"),
    [
        (0, (1,), "nothing to buy"),
        (-1, (1,), "nothing to buy"),
        (math.nan, (1,), "nothing to buy"),
        (1, (), "no bottle size"),
        (1, (0, 0), "no bottle size"),
    ],
)
def test_nothing_to_buy(product_l: float, sizes_l: tuple[float, ...], cause: str) -> None:
    with pytest.raises(ValueError, match=cause):
        bottles(product_l, sizes_l)
