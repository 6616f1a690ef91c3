"""Areas against pint, shapely and the definitions of the units."""

from __future__ import annotations

import math
from decimal import Decimal, localcontext
from fractions import Fraction
from itertools import pairwise, permutations

import pint
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from shapely.geometry import Point, Polygon, box

from bot.agronomy.area import M2_PER_ACRE, M2_PER_HECTARE, Area, closes, pace_m, per_hectare

UNITS = pint.UnitRegistry()
FOOT_ACRE = 43_560 * UNITS.foot**2
"""The international acre. pint's own `acre` is of US survey feet, 4 parts in a million larger."""

sides = st.floats(0.1, 5000)
fields = st.floats(0.001, 1000)
corners = st.tuples(st.floats(-500, 500), st.floats(-500, 500))
angles = st.floats(math.radians(10), math.radians(170))


@st.composite
def triangles(draw: st.DrawFn) -> tuple[float, float, float]:
    """Three sides, from two of them and the angle between (the law of cosines)."""
    a, b, angle = draw(st.floats(1, 500)), draw(st.floats(1, 500)), draw(angles)
    c = math.sqrt((a - b) ** 2 + 2 * a * b * (1 - math.cos(angle)))
    assume(closes(a, b, c))
    return a, b, c


@st.composite
def four_cornered(draw: st.DrawFn) -> list[tuple[float, float]]:
    """Four corners in walking order, at the ends of two lines that cross: never a dent."""
    first, second, third, fourth = (draw(st.floats(1, 500)) for _ in range(4))
    angle = draw(angles)
    east, north = math.cos(angle), math.sin(angle)
    return [
        (first, 0),
        (second * east, second * north),
        (-third, 0),
        (-fourth * east, -fourth * north),
    ]


def walked(field: list[tuple[float, float]]) -> list[float]:
    """The sides of a field in walking order, back to its first corner."""
    return [math.dist(*side) for side in pairwise([*field, field[0]])]


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


@pytest.mark.parametrize(
    ("sides_m", "expected", "rounding"),
    [
        # Heron's triples (from memory, exact)
        ((3, 4, 5), 6, 1e-12),
        ((5, 12, 13), 30, 1e-12),
        ((13, 14, 15), 84, 1e-12),
        # NCERT, Mathematics, class IX, chapter 12 "Heron's formula", example 2: a park
        ((120, 80, 50), 375 * math.sqrt(15), 1e-9),
        # the same, example 4: a field of wheat, 1.6 x root 2 hectares, and one of 3.84
        ((240, 200, 360), 16_000 * math.sqrt(2), 1e-9),
        ((240, 320, 400), 38_400, 1e-9),
        # the same, exercise 12.1, question 2: a wall
        ((122, 22, 120), 1320, 1e-9),
        # "Find the area of a triangular field", 9.mathsteacher.in, 2023: 9.075 hectares
        ((275, 660, 715), 90_750, 1e-9),
        # an answer book to a mensuration in chains, scanned as IQUAAAAAQAAJ, page 46
        ((5, 5, 6), 12, 1e-12),
        ((74, 82, 90), 2855.61, 0.005),
        ((234, 234, 234), 23_710, 0.5),
        # a field in metres, to the decimetre: macosa.dima.unige.it, esr/ge2/1a_36s
        ((53.9, 64.4, 40.1), 1076.817, 0.001),
        # field work by tape alone: "Elementary surveying field manual", field work 4, 2014,
        # docgo.net, triangles 2 and 3 (its triangle 1 is misprinted)
        ((5.2, 4.83, 6.36), 12.311, 0.001),
        ((6.36, 3.5, 4.87), 8.448, 0.001),
    ],
)
def test_published_triangles(
    sides_m: tuple[float, float, float], expected: float, rounding: float
) -> None:
    for a, b, c in permutations(sides_m):
        assert Area.from_triangle(a, b, c).square_metres == pytest.approx(expected, abs=rounding)


@pytest.mark.parametrize(
    ("sides_m", "diagonal_m", "expected", "rounding"),
    [
        # NCERT, Mathematics, class IX, "Heron's formula", page 207, question 5: a rhombus of grass
        ((30, 30, 30, 30), 48, 864, 1e-9),
        # the same, exercise 12.2, question 1: a park; 65.4 with root 35 cut to 5.9
        ((12, 5, 8, 9), 13, 30 + 6 * math.sqrt(35), 1e-9),
        # a mensuration in Scots chains, scanned as DPo2AAAAMAAJ, page 134, example 4
        ((45, 39, 42, 36), 48, 1552.7223, 0.0005),
        # the same, example 5: 76 acres 2 roods 19 falls 6 ells (10 square chains an acre, 4 roods,
        # 40 falls, 36 ells), to an ell, 1/576 of a square chain
        ((10.25, 35, 50, 30), 40, 765 + 19 / 16 + 6 / 576, 1 / 576),
        # a field of two triangles in links: "Manual calculation of area of a field",
        # manasurveyor.blogspot.com, 2024, 209,269.12 and 229,503.96
        ((614, 682, 768, 600), 932, 209_269.12 + 229_503.96, 0.02),
        # a plot measured on site: "Calculating area of irregular shaped plots", paramvisions.com,
        # 2021, type 4: 34.426 m2 by its first triangle; the second by hand, root of 1353.5648
        ((7, 10, 6.7, 11), 13.2, 34.426 + math.sqrt(15.45 * 4.45 * 8.75 * 2.25), 0.001),
        # a plot paced 8 and 12 m long and 5 m wide: "Estimating the size of your land",
        # farmersweekly.co.za, 50 m2; its slanting side and its diagonal by Pythagoras
        ((12, 5, 8, math.hypot(5, 4)), 13, 50, 1e-9),
    ],
)
def test_published_fields_of_four_corners(
    sides_m: tuple[float, float, float, float], diagonal_m: float, expected: float, rounding: float
) -> None:
    area = Area.from_four_sides(*sides_m, diagonal_m)
    assert area.square_metres == pytest.approx(expected, abs=rounding)


@pytest.mark.parametrize(
    ("length", "width", "expected"),
    [
        # Better Farming Series 17, "Groundnuts", FAO and INADES, 1977, paragraph 19
        (100, 100, 10_000),
        (200, 50, 10_000),
        (71, 71, 5041),
        (100, 50, 5000),
    ],
)
def test_published_rectangles(length: float, width: float, expected: float) -> None:
    assert Area.from_sides(length, width).square_metres == expected
    cut = Area.from_four_sides(length, width, length, width, math.hypot(length, width))
    assert cut.square_metres == pytest.approx(expected)


@pytest.mark.parametrize(
    ("round_m", "their_pi", "expected"),
    [
        # sarthaks.com 105185: a field fenced with 220 m, then ploughed
        (220, 22 / 7, 3850),
        # lakshyaeducation.in, "The perimeter of a circular field and a square field are equal"
        (440, 22 / 7, 15_400),
        # examians.com: once round a circular field in 88 s at 14.4 km an hour, 352 m
        (352, 22 / 7, 9856),
        # esaral.com 12169
        (22, 22 / 7, 38.5),
        # queryhome.com 16894: a round patch to be sodded, 100 ft about, to the hundredth
        (100, 3.14, 796.17),
    ],
)
def test_published_circles(round_m: float, their_pi: float, expected: float) -> None:
    # pi divides, so what they got with theirs is put right by the ratio
    ours = Area.from_round(round_m).square_metres
    assert ours * math.pi / their_pi == pytest.approx(expected, abs=0.01)


@pytest.mark.parametrize(
    ("distance_m", "paces", "expected", "rounding"),
    [
        # "Pacing", agricultural engineering, progressivegardening.com: 200 ft in 62, 60 and 64
        # paces; 3.2 ft a pace
        (200 * 0.3048, (62 + 60 + 64) / 3, 3.2 * 0.3048, 0.05 * 0.3048),
        # a laboratory exercise on pacing, scribd.com 561653319: 90 m, mean of five counts
        (90, (173 + 168 + 171 + 171 + 173) / 5, 0.53, 0.005),
        # "Field surveying", slideserve.com, magm-230: ten paces in 25.4 ft, 2.5 ft a pace
        (25.4 * 0.3048, 10, 2.5 * 0.3048, 0.05 * 0.3048),
    ],
)
def test_published_paces(distance_m: float, paces: float, expected: float, rounding: float) -> None:
    assert pace_m(distance_m, paces) == pytest.approx(expected, abs=rounding)


@pytest.mark.parametrize(
    ("sides_m", "expected"),
    [
        # Kahan, "Miscalculating Area and Angles of a Needle-like Triangle", 1999, the table as
        # excerpted at cs.nyu.edu/exact/core/heron, rows 1 and 3 to 7; a double cannot hold these
        # decimals, and so flat a triangle turns their rounding into some millionths
        ((10, 10, 10), 43.30127020),
        ((100_000, 99999.99979, 0.00029), 9.999999990),
        ((100_000, 100_000, 1.00005), 50002.50003),
        ((99999.99996, 99999.99994, 0.00003), 1.118033988),
        ((99999.99996, 0.00003, 99999.99994), 1.118033988),
        ((10_000, 5000.000001, 15_000), 612.3724358),
    ],
)
def test_needles_as_kahan_measures_them(
    sides_m: tuple[float, float, float], expected: float
) -> None:
    assert Area.from_triangle(*sides_m).square_metres == pytest.approx(expected, rel=3e-6)


@given(sides, sides, st.floats(1e-16, 0.5))
def test_a_flat_triangle_loses_no_figures(a: float, b: float, flatness: float) -> None:
    c = (a + b) * (1 - flatness)
    assume(closes(a, b, c))
    # Heron in decimals enough to be exact up to the root
    with localcontext(prec=400):
        x, y, z = map(Decimal, (a, b, c))
        exact = ((x + y + z) * (x + y - z) * (x + z - y) * (y + z - x)).sqrt() / 4
    assert Area.from_triangle(a, b, c).square_metres == pytest.approx(float(exact), rel=1e-14)


def test_huge_sides_do_not_overflow() -> None:
    # 3-4-5, times 10 to the 150
    assert Area.from_triangle(3e150, 4e150, 5e150).square_metres == pytest.approx(6e300)


@given(corners, corners, corners)
def test_a_triangle_as_shapely_measures_it(
    first: tuple[float, float], second: tuple[float, float], third: tuple[float, float]
) -> None:
    shape = Polygon([first, second, third])
    # the corners' own rounding shows in a flatter one
    assume(shape.area > max(1.0, shape.length**2 / 1000))
    area = Area.from_triangle(*walked([first, second, third]))
    assert area.square_metres == pytest.approx(shape.area, rel=1e-9)


@given(four_cornered())
def test_four_corners_as_shapely_measures_them(field: list[tuple[float, float]]) -> None:
    shape = Polygon(field)
    a, b, c, d = walked(field)
    one, other = math.dist(field[0], field[2]), math.dist(field[1], field[3])
    assume(all(closes(*each) for each in ((a, b, one), (c, d, one), (b, c, other), (d, a, other))))
    assert Area.from_four_sides(a, b, c, d, one).square_metres == pytest.approx(shape.area)
    # a walk from the second corner takes the other diagonal
    assert Area.from_four_sides(b, c, d, a, other).square_metres == pytest.approx(shape.area)


def test_a_field_with_a_dent_is_walked_from_the_dent() -> None:
    dented = [(20.0, 20.0), (20.0, 60.0), (0.0, 0.0), (60.0, 20.0)]
    a, b, c, d = walked(dented)
    area = Area.from_four_sides(a, b, c, d, math.dist(dented[0], dented[2]))
    assert area.square_metres == pytest.approx(Polygon(dented).area)


@given(sides)
def test_a_circle_as_shapely_measures_it(radius: float) -> None:
    # 4,096 corners: their walk is 1 part in 10 million short, their area 4
    shape = Point(0, 0).buffer(radius, quad_segs=1024)
    assert Area.from_round(shape.length).square_metres == pytest.approx(shape.area, rel=1e-6)


@given(sides, sides)
def test_a_rectangle_cut_by_its_diagonal(length: float, width: float) -> None:
    diagonal = math.hypot(length, width)
    assume(closes(length, width, diagonal))
    cut = Area.from_four_sides(length, width, length, width, diagonal)
    # a strip 50,000 times as long as wide hangs on the last figure of its diagonal
    assert cut.square_metres == pytest.approx(
        Area.from_sides(length, width).square_metres, rel=1e-6
    )


@given(triangles())
def test_the_order_of_the_sides_does_not_matter(sides_m: tuple[float, float, float]) -> None:
    assert len({Area.from_triangle(*each) for each in permutations(sides_m)}) == 1


@given(triangles(), st.floats(0.01, 100))
def test_sides_k_times_as_long_hold_k_squared_as_much(
    sides_m: tuple[float, float, float], k: float
) -> None:
    a, b, c = sides_m
    larger = Area.from_triangle(k * a, k * b, k * c).square_metres
    assert larger == pytest.approx(k**2 * Area.from_triangle(a, b, c).square_metres, rel=1e-8)


@given(triangles())
def test_no_triangle_holds_more_than_the_equilateral_one(
    sides_m: tuple[float, float, float],
) -> None:
    # the isoperimetric inequality of triangles (from memory): area <= walk squared / (12 root 3)
    most = sum(sides_m) ** 2 / (12 * math.sqrt(3))
    assert Area.from_triangle(*sides_m).square_metres <= most * (1 + 1e-12)


@given(four_cornered())
def test_no_field_holds_more_than_the_round_one(field: list[tuple[float, float]]) -> None:
    # the isoperimetric inequality (from memory); of four corners the square holds most, pi/4 of it
    shape = Polygon(field)
    assert shape.area <= Area.from_round(shape.length).square_metres * math.pi / 4 * (1 + 1e-12)


@given(triangles(), st.floats(10, 200), st.integers(10, 400))
def test_a_field_in_paces_is_the_field_in_metres(
    sides_m: tuple[float, float, float], distance: float, paces: int
) -> None:
    pace = pace_m(distance, paces)
    a, b, c = (side / pace for side in sides_m)
    metres, counted = Area.from_triangle(*sides_m), Area.from_triangle(a, b, c)
    assert counted.square_metres * pace**2 == pytest.approx(metres.square_metres, rel=1e-8)
    paced = Area.from_triangle(a * pace, b * pace, c * pace)
    assert paced.square_metres == pytest.approx(metres.square_metres, rel=1e-8)


@given(sides, sides, st.floats(0, 10_000))
def test_sides_close_as_exact_fractions_say(a: float, b: float, c: float) -> None:
    for third in (c, a + b, abs(a - b), math.nextafter(a + b, 0)):
        x, y, z = map(Fraction, (a, b, third))
        exact = z > 0 and x < y + z and y < x + z and z < x + y
        assert {closes(*each) for each in permutations((a, b, third))} == {exact}


NO_TRIANGLES = [
    # Kahan's table, rows 2 and 8
    (-3, 5, 2),
    (99999.99999, 99999.99999, 200_000),
    # Euclid, Elements I.20 (from memory): any two sides are together more than the third
    (30, 40, 70),
    (30, 40, 71),
    (0, 40, 40),
    (0, 0, 0),
    (-3, -4, -5),
    (math.nan, 40, 40),
    (math.inf, 40, 40),
    (math.inf, math.inf, 40),
    (-math.inf, 40, 40),
]


@pytest.mark.parametrize("sides_m", NO_TRIANGLES)
def test_sides_that_do_not_close(sides_m: tuple[float, float, float]) -> None:
    for a, b, c in permutations(sides_m):
        assert not closes(a, b, c)
        with pytest.raises(ValueError, match=r"make no triangle.*measure them again"):
            Area.from_triangle(a, b, c)
        # either half of a field may be the one that does not close
        with pytest.raises(ValueError, match=f"{a}, {b} and {c} m make no triangle"):
            Area.from_four_sides(a, b, 40, 40, c)
        with pytest.raises(ValueError, match="make no triangle"):
            Area.from_four_sides(c, c, a, b, c)


@pytest.mark.parametrize("value", [0, -1, math.nan, math.inf, -math.inf])
def test_no_walk_and_no_count_is_such(value: float) -> None:
    with pytest.raises(ValueError, match="must be above 0; check it"):
        Area.from_round(value)
    with pytest.raises(ValueError, match="must both be above 0; count again"):
        pace_m(value, 60)
    with pytest.raises(ValueError, match="must both be above 0; count again"):
        pace_m(50, value)
