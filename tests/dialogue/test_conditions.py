from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bot.dialogue.conditions import Between, IsKnown, OneOf, When, cells, read_condition

FIGURES = {"knee_height_cm": 50.0}


def read(raw: object) -> OneOf | Between | IsKnown:
    return read_condition(raw, FIGURES.__getitem__)


@pytest.mark.parametrize(
    ("raw", "holding", "failing"),
    [
        ("woody", ["woody"], ["grass", None, True]),
        (["woody", "broadleaf"], ["woody", "broadleaf"], ["grass", None]),
        (True, [True], [False, None]),
        (False, [False], [True, None]),
        ("> 50", [50.01, 51, 800], [50, 49.99, 0, None, "51"]),
        (">= 50", [50, 50.01], [49.99, None]),
        ("< 50", [49.99, 0], [50, None]),
        ("<= 50", [50, 1], [50.01, None]),
        ("15..20", [15, 17.5, 20], [14.99, 20.01, None]),
        ("> knee_height_cm", [51], [50]),
        ("<= knee_height_cm", [50], [51]),
        ("10..knee_height_cm", [10, 50], [9, 51]),
        ("unknown", [None], ["woody", 0, False]),
        ("known", ["woody", 0, False], [None]),
        ([9, 10, "unknown"], [9, 10, None], [1]),
        (2, [2], [1, None]),
    ],
)
def test_a_condition_holds_for_what_it_says_and_nothing_else(
    raw: object, holding: list[object], failing: list[object]
) -> None:
    condition = read(raw)
    assert [answer for answer in holding if not condition.holds(answer)] == []
    assert [answer for answer in failing if condition.holds(answer)] == []


@pytest.mark.parametrize("raw", ["> > 50", "50%", "woody, grass", "", {"a": 1}, 1j, ["a", {}]])
def test_what_is_no_condition_is_refused_with_a_remedy(raw: object) -> None:
    with pytest.raises(ValueError, match="write"):
        read(raw)


def test_an_unknown_figure_is_a_key_error() -> None:
    with pytest.raises(KeyError, match="knee"):
        read("> knee")


def test_a_row_without_conditions_always_holds() -> None:
    assert When(()).holds({})
    assert When(()).names == frozenset()


def test_all_conditions_of_a_row_must_hold_and_a_question_not_asked_counts_as_unknown() -> None:
    row = When((("cover", read("woody")), ("height_cm", read("> 50"))))
    assert row.holds({"cover": "woody", "height_cm": 60})
    assert not row.holds({"cover": "woody", "height_cm": 40})
    assert not row.holds({"cover": "woody"})
    assert row.names == {"cover", "height_cm"}


def test_a_listed_answer_is_tried_in_full() -> None:
    assert cells(["a", "b"], 0, 0, [1, 2]) == ["a", "b"]


BOUND = st.integers(0, 100)


@st.composite
def intervals(draw: st.DrawFn) -> Between:
    low, high = sorted([draw(BOUND), draw(BOUND)])
    return Between(low, high, draw(st.booleans()), draw(st.booleans()))


@given(
    conditions=st.lists(intervals(), max_size=5),
    number=st.one_of(st.integers(0, 100), st.floats(0, 100)),
)
def test_cells_cover_every_way_intervals_can_turn_out(
    conditions: list[Between], number: float
) -> None:
    tried = cells([], 0, 100, [edge for each in conditions for edge in each.edges()])
    outcome = [each.holds(number) for each in conditions]
    assert outcome in [[each.holds(cell) for each in conditions] for cell in tried]


@given(edges=st.lists(st.floats(-50, 150)), low=st.integers(0, 50), high=st.integers(51, 100))
def test_cells_stay_in_the_range_and_include_its_ends(
    edges: list[float], low: int, high: int
) -> None:
    tried = cells([], low, high, edges)
    assert all(low <= cell <= high for cell in tried)
    assert {low, high} <= set(tried)
