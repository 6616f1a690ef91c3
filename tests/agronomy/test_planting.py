"""Stakes and spacing against published populations, and bundles, sprouting and gaps by hand."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bot.agronomy.area import Area
from bot.agronomy.planting import bundles, gap_stakes, spare_for_sprouting, stand

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


# Bundles. "50 sticks of one metre-length each, made up a bundle": an agriculture consultant,
# in "Cassava farmers urged to avoid delayed planting", pmnewsnigeria.com, 2019.


@pytest.mark.parametrize(
    ("stakes", "published"),
    [
        # "at a density of 1m x 0.5m, using about 100-120 bundles" for a hectare: "Making money
        # from cassava stems", thenationonlineng.net, 2021. By hand: 20,000 stakes, and with a
        # fifth to spare 24,000; 4 stakes of 25 cm a stem are 200 a bundle
        (20_000, 100),
        (24_000, 120),
        # common practice: 50 to 60 bundles for a hectare at 1 x 1 m; by hand, with a fifth to spare
        (10_000, 50),
        (12_000, 60),
    ],
)
def test_bundles_for_a_hectare(stakes: int, published: int) -> None:
    assert bundles(stakes, 50, 1, 25) == published


@pytest.mark.parametrize(
    ("stem_m", "stake_cm", "published"),
    [
        # FAO and INADES, Better Farming Series 16, "Roots and Tubers", 1977: pieces of 20 to 30 cm,
        # and "each stem can be made into 4 or 5 cuttings" (the length of a stem is not given)
        (1, 20, 5),
        (1.2, 30, 4),
        # naads.or.ug, "Land Preparation": stems of 1 m to 1.5 m into pieces of 15 cm; by hand
        (1, 15, 6),
        (1.5, 15, 10),
        # by hand: 0.29 m is 28.999... cm in floats, and one stake of 29 cm all the same
        (0.29, 29, 1),
    ],
)
def test_stakes_from_a_stem(stem_m: float, stake_cm: float, published: int) -> None:
    assert bundles(published, 1, stem_m, stake_cm) == 1
    assert bundles(published + 1, 1, stem_m, stake_cm) == 2


def test_bundles_for_an_acre_by_hand() -> None:
    # 5059 stakes and 506 to spare, at 1 x 0.8 m: 5565 / (50 x 4) = 27.8, up to 28; of stems that
    # give 5 stakes of 20 cm, 5565 / 250 = 22.3, up to 23
    assert bundles(5059 + 506, 50, 1, 25) == 28
    assert bundles(5059 + 506, 50, 1, 20) == 23


@given(st.integers(1, 100_000), st.integers(1, 100), st.integers(5, 30), st.integers(1, 8))
def test_bundles_give_the_stakes_and_one_fewer_would_not(
    stakes: int, stems: int, stake_cm: int, per_stem: int
) -> None:
    # a stem a little longer than its stakes, so that an end is left over
    needed = bundles(stakes, stems, (per_stem * stake_cm + 1) / 100, stake_cm)
    assert needed * stems * per_stem >= stakes > (needed - 1) * stems * per_stem


@pytest.mark.parametrize(
    ("stems", "stem_m", "stake_cm", "cause"),
    [
        (50, 0.24, 25, "gives no stake"),
        (50, 0, 25, "gives no stake"),
        (0, 1, 25, "above 0"),
        (50, 1, 0, "above 0"),
    ],
)
def test_no_bundles(stems: int, stem_m: float, stake_cm: float, cause: str) -> None:
    with pytest.raises(ValueError, match=cause):
        bundles(10_000, stems, stem_m, stake_cm)


# Sprouting.


@pytest.mark.parametrize(
    ("places", "sprouted", "tested", "spare"),
    [
        # IRRI Rice Knowledge Bank, "Seed rate calculation in upland": 40 kg/ha at a germination of
        # 80 %; by hand, 40 / 0.8 = 50, so 10 more
        (40, 80, 100, 10),
        # Ikeh and others, "Effects of planting population, planting position, and number of nodes
        # per cutting on cassava seed yield", 2023: cuttings of 5 nodes established at 100 %, of 2
        # nodes at 60.0 and 60.5 %. By hand, on a hectare: 10,000 x 40 / 60 = 6666.7 and
        # 10,000 x 39.5 / 60.5 = 6528.9
        (10_000, 100, 100, 0),
        (10_000, 60, 100, 6667),
        (10_000, 121, 200, 6529),
        # Oguzor, "Effect of planting methods on growth of cassava", Research Journal of Biological
        # Sciences, 2007: 88.8 % sprouted. By hand: 10,000 x 112 / 888 = 1261.3
        (10_000, 888, 1000, 1262),
        # by hand: 8 of 10, 5059 x 2 / 8 = 1264.75
        (5059, 8, 10, 1265),
    ],
)
def test_spare_for_sprouting(places: int, sprouted: int, tested: int, spare: int) -> None:
    assert spare_for_sprouting(places, sprouted, tested) == spare


@given(st.integers(0, 100_000), st.integers(1, 200), st.integers(0, 200))
def test_as_many_sprout_as_there_are_places(stakes: int, sprouted: int, failed: int) -> None:
    tested = sprouted + failed
    spare = spare_for_sprouting(stakes, sprouted, tested)
    assert (stakes + spare) * sprouted >= stakes * tested
    assert spare == 0 or (stakes + spare - 1) * sprouted < stakes * tested


@pytest.mark.parametrize(("sprouted", "tested"), [(0, 10), (-1, 10), (11, 10), (0, 0)])
def test_no_sprouting_test(sprouted: int, tested: int) -> None:
    with pytest.raises(ValueError, match="test again"):
        spare_for_sprouting(10_000, sprouted, tested)


# Gaps.


@pytest.mark.parametrize(
    ("places", "gaps", "counted", "spare_percent", "stakes"),
    [
        # rtb.cgiar.org, "Cassava (Manihot esculenta Crantz) stems quality for root production
        # effectiveness", abstract: 18.2 % of stands missing on research farms, 32.7 % with trained
        # planters, 42.0 % on traditional farms. By hand, on a hectare:
        (10_000, 182, 1000, 0, 1820),
        (10_000, 327, 1000, 0, 3270),
        (10_000, 42, 100, 10, 4620),
        # "Seed rate calculation" (slides, soukservices.com), example 6, maize: of 20.576 kg, 5 %
        # more for filling gaps are 1.028 kg; here in grams, 1028.8, up
        (20_576, 5, 100, 0, 1029),
        # by hand: 5059 x 7 / 100 = 354.13, and a tenth more 389.5
        (5059, 7, 100, 0, 355),
        (5059, 7, 100, 10, 390),
        (5059, 0, 100, 10, 0),
        (5059, 30, 30, 0, 5059),
    ],
)
def test_gap_stakes(
    places: int, gaps: int, counted: int, spare_percent: float, stakes: int
) -> None:
    assert gap_stakes(places, gaps, counted, spare_percent) == stakes


@given(st.integers(1, 100_000), st.integers(0, 300), st.integers(1, 300), st.integers(0, 50))
def test_gap_stakes_fill_the_gaps_and_no_more(
    places: int, gaps: int, planted: int, spare_percent: int
) -> None:
    counted = gaps + planted
    stakes = gap_stakes(places, gaps, counted, spare_percent)
    needed = places * gaps * (100 + spare_percent)  # times 100 and the places counted
    assert (stakes - 1) * 100 * counted < needed <= stakes * 100 * counted


@pytest.mark.parametrize(("gaps", "counted"), [(11, 10), (-1, 10), (0, 0), (1, 0), (0, -10)])
def test_no_gaps_counted(gaps: int, counted: int) -> None:
    with pytest.raises(ValueError, match="count again"):
        gap_stakes(10_000, gaps, counted, 10)
