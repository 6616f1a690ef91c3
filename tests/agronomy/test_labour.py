"""Labour against published work rates, and days and hands against each other."""

from __future__ import annotations

import math

import pint
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from bot.agronomy.area import Area
from bot.agronomy.labour import days_taken, person_days, to_hire

UNITS = pint.UnitRegistry()
FOOT_ACRE = 43_560 * UNITS.foot**2
"""The international acre. pint's own `acre` is of US survey feet, 4 parts in a million larger."""

HECTARE = Area.from_value(1, "ha")
ACRE = Area.from_value(1, "acre")

works = st.floats(0.01, 20_000)
people = st.integers(1, 200)
windows = st.integers(1, 90)
dusts = st.floats(-1e-9, 1e-9)


@pytest.mark.parametrize(
    ("area", "days_per_acre", "work"),
    [
        # a study of family lands at Abura-Dunkwa, Ghana, p. 18 of the scan (author not on the
        # page read): "the clearing of one acre of mfofo land requires 12 man-days of work"; the
        # season's clearing is "between one and two acres"
        (ACRE, 12, 12),
        (Area.from_value(2, "acre"), 12, 24),
        # the same: long fallow "about 50 percent higher"
        (ACRE, 12 * 1.5, 18),
        # by hand: 12 a 0.40468564 ha is 29.65 a hectare; 40 x 60 m is 0.593053 acre
        (HECTARE, 12, 29.6526),
        (Area.from_sides(40, 60), 12, 7.11663),
    ],
)
def test_work_on_a_field(area: Area, days_per_acre: float, work: float) -> None:
    assert person_days(area, days_per_acre) == pytest.approx(work, rel=1e-5)


@pytest.mark.parametrize(
    ("per_hectare", "per_acre"),
    [
        # labour-days on a hectare of cassava without tillage: 132. "Pueraria phaseoloides Fallows
        # Improve Labour Effiency and Productivity of Cassava Systems in the Forest Zone of
        # Cameroon", abstract, Tropentag 2010. By hand, x 0.40468564: 53.4185
        (132, 53.4185),
        # person-days of hand weeding on a hectare of maize, with herbicide and without: 41 and
        # 73. Ragasa et al., Patterns of Adoption of Improved Maize Technologies in Ghana, IFPRI
        # Working Paper 36, 2013 (read as quoted in a digest). By hand: 16.5921 and 29.5421
        (41, 16.5921),
        (73, 29.5421),
    ],
)
def test_a_published_hectare_is_the_same_work_by_the_acre(
    per_hectare: float, per_acre: float
) -> None:
    assert person_days(HECTARE, per_acre) == pytest.approx(per_hectare, rel=1e-5)


@given(st.floats(0.02, 250), st.floats(0.1, 100))
def test_work_as_pint_works_it_out(hectares: float, days_per_acre: float) -> None:
    rate = days_per_acre * UNITS.day / FOOT_ACRE
    work = (rate * (hectares * UNITS.hectare)).to("day").magnitude
    assert person_days(Area.from_value(hectares, "ha"), days_per_acre) == pytest.approx(work)


@pytest.mark.parametrize(
    ("work", "hands", "days"),
    [
        # Abura-Dunkwa again: an acre of 12 man-days and "three or four colleagues"; by hand
        (12, 1, 12),
        (12, 4, 3),
        (12, 5, 3),
        # IFPRI again: 73 person-days, by hand: / 6 is 12.17 and / 4 is 18.25, each up
        (73, 6, 13),
        (73, 4, 19),
        # by hand: a day begun is a day taken; no work takes none
        (0.2, 3, 1),
        (3.000_01, 3, 2),
        (0, 2, 0),
    ],
)
def test_days_by_hand(work: float, hands: int, days: int) -> None:
    assert days_taken(work, hands) == days


@pytest.mark.parametrize(
    ("work", "hands", "window", "hired"),
    [
        # by hand, for the 12 man-days of Abura-Dunkwa: 12 / 5 is 2.4, up to 3 people
        (12, 1, 5, 2),
        (12, 3, 5, 0),
        (12, 8, 5, 0),
        (12, 1, 1, 11),
        (12, 1, 12, 0),
        # by hand, for the 73 person-days of IFPRI: 73 / 14 is 5.2, up to 6 people
        (73, 2, 14, 4),
        (0, 1, 1, 0),
    ],
)
def test_hiring_by_hand(work: float, hands: int, window: int, hired: int) -> None:
    assert to_hire(work, hands, window) == hired


@given(works, people, windows)
@example(0.3 * 3, 1, 9)
@example(4.1 * 3, 1, 3)
def test_with_the_hired_it_fits_and_with_one_fewer_it_does_not(
    work: float, hands: int, window: int
) -> None:
    hired = to_hire(work, hands, window)
    assert days_taken(work, hands + hired) <= window
    if hired:
        assert days_taken(work, hands + hired - 1) > window


@given(works, people)
def test_the_days_are_enough_and_not_one_too_many(work: float, hands: int) -> None:
    days = days_taken(work, hands)
    assert days * hands >= work - 1e-6
    assert (days - 1) * hands < work


@given(works, people, windows)
def test_more_hands_more_time_or_less_work_never_cost_more(
    work: float, hands: int, window: int
) -> None:
    assert days_taken(work, hands + 1) <= days_taken(work, hands) <= days_taken(work * 1.1, hands)
    hired = to_hire(work, hands, window)
    assert to_hire(work, hands + 1, window) == max(0, hired - 1)
    assert to_hire(work, hands, window + 1) <= hired <= to_hire(work * 1.1, hands, window)


@given(st.integers(1, 90), people, people, dusts)
@example(10, 3, 1, 3e-15)
def test_dust_of_a_float_makes_no_day_and_hires_nobody(
    days: int, needed: int, hands: int, dust: float
) -> None:
    work = days * needed * (1 + dust / 100)
    assert days_taken(work, needed) == days
    assert to_hire(work, hands, days) == max(0, needed - hands)


def test_a_tenth_of_an_acre_three_times_is_no_longer_than_whole() -> None:
    # 3 x 0.1 is 0.30000000000000004 in floats, so 10 days an acre are a little over 3
    assert 3 * 0.1 * 10 > 3
    assert days_taken(3 * 0.1 * 10, 1) == 3
    assert to_hire(3 * 0.1 * 10, 1, 3) == 0


@pytest.mark.parametrize("days_per_acre", [0, -1, math.nan, math.inf])
def test_no_operation_takes_such_work(days_per_acre: float) -> None:
    with pytest.raises(ValueError, match="must be above 0; check the figure"):
        person_days(ACRE, days_per_acre)


@pytest.mark.parametrize("work", [-0.1, math.nan, math.inf])
def test_no_work_is_like_that(work: float) -> None:
    with pytest.raises(ValueError, match="must be 0 or more"):
        days_taken(work, 2)
    with pytest.raises(ValueError, match="must be 0 or more"):
        to_hire(work, 2, 5)


@pytest.mark.parametrize("hands", [0, -1])
def test_nobody_works(hands: int) -> None:
    with pytest.raises(ValueError, match="give at least 1"):
        days_taken(12, hands)
    with pytest.raises(ValueError, match="hires nobody; give at least 1"):
        to_hire(12, hands, 5)


@pytest.mark.parametrize("window", [0, -5])
def test_no_window(window: int) -> None:
    with pytest.raises(ValueError, match="give a window of at least 1"):
        to_hire(12, 2, window)
