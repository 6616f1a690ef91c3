"""A district's own figures and units: held to the same ranges, and stated in weeks or hours."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import msgspec
import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st

from bot.agronomy.district import District, LocalUnit, read_district
from bot.agronomy.figures import Figures, read_figures

FILE = Path(__file__).parents[2] / "flows" / "figures.yaml"
FIGURES = read_figures(yaml.safe_load(FILE.read_text(encoding="utf-8")))
PLOT = {"m2": 450, "words": {"en": ["plot", "plots"], "sw": ["kiwanja", "viwanja"]}}


def figures_of(**values: float) -> Figures:
    return read_district({"figures": values}, FIGURES)[0]


def refused(raw: object) -> str:
    with pytest.raises(ValueError) as caught:  # noqa: PT011 - what it says is what is tested
        read_district(raw, FIGURES)
    return str(caught.value)


# The district's file


@pytest.mark.parametrize("raw", [None, {}, {"figures": {}}, {"units": {}}])
def test_an_empty_file_changes_nothing(raw: object) -> None:
    figures, district = read_district(raw, FIGURES)
    assert dict(figures) == dict(FIGURES)
    assert district == District()


def test_the_example_of_the_manual() -> None:
    figures, district = read_district(
        {
            "figures": {"price_per_tonne": 120000, "glyphosate_gate_days": 63},
            "units": {"plot": PLOT},
        },
        FIGURES,
    )
    assert figures["price_per_tonne"] == 120000
    assert figures["glyphosate_gate_days"] == 63
    changed = {name for name in figures if figures[name] != FIGURES[name]}
    assert changed == {"price_per_tonne", "glyphosate_gate_days"}
    assert district.units["plot"] == LocalUnit(
        m2=450, words={"en": ("plot", "plots"), "sw": ("kiwanja", "viwanja")}
    )


def test_the_figures_that_came_with_it_stay_as_they_are() -> None:
    before = dict(FIGURES)
    figures_of(glyphosate_gate_days=63)
    assert dict(FIGURES) == before


def test_a_changed_figure_keeps_its_unit_range_and_source() -> None:
    changed = figures_of(glyphosate_gate_days=63).row("glyphosate_gate_days")
    came = FIGURES.row("glyphosate_gate_days")
    assert msgspec.structs.replace(changed, value=came.value) == came


@pytest.mark.parametrize("name", list(FIGURES))
def test_every_figure_can_be_set_to_both_ends_of_its_range_and_not_beyond(name: str) -> None:
    row = FIGURES.row(name)
    for value in row.range:
        try:
            assert figures_of(**{name: value})[name] == value
        except ValueError as error:
            # the other one of a pair would be crossed, and is named
            assert "the first must not be larger" in str(error)  # noqa: PT017
            assert name in str(error)  # noqa: PT017
    for value in (row.low - 1e-6, row.high + 1e-6, float("nan"), float("inf"), float("-inf")):
        fault = refused({"figures": {name: value}})
        assert fault.startswith(f"{name}: ")
        assert f"outside its range {row.low:g} to {row.high:g} {row.unit}" in fault


@pytest.mark.parametrize(
    ("raw", "told"),
    [
        ({"figures": {"glyphosate_gate_day": 63}}, "did you mean glyphosate_gate_days?"),
        ({"figures": {"price": 63}}, "did you mean"),
        # a stated name is none to set
        ({"figures": {"glyphosate_gate_weeks": 9}}, "did you mean glyphosate_gate_days?"),
        ({"figures": {"glyphosate_gate_days": "nine weeks"}}, "glyphosate_gate_days"),
        ({"figures": {"glyphosate_gate_days": True}}, "glyphosate_gate_days: True is no number"),
        ({"figures": {"glyphosate_gate_days": None}}, "glyphosate_gate_days: None is no number"),
        (
            {"figures": {"glyphosate_gate_days": {"value": 63}}},
            "glyphosate_gate_days: {'value': 63} is no number",
        ),
        ({"figures": ["glyphosate_gate_days"]}, "it reads `figures:` with a value each"),
        ({"figure": {}}, "`figure`"),
        (["figures"], "it reads `figures:` with a value each, and `units:`"),
        ("glyphosate_gate_days: 63", "it reads `figures:` with a value each, and `units:`"),
        ({"units": {"plot": 450}}, "it reads `figures:` with a value each, and `units:`"),
        ({"units": {"plot": {"m2": 450}}}, "`words`"),
        ({"units": {"plot": PLOT | {"area": 450}}}, "`area`"),
        ({"units": {"plot": PLOT | {"m2": 0}}}, ">= 1"),
        ({"units": {"plot": PLOT | {"m2": -450}}}, ">= 1"),
        ({"units": {"plot": PLOT | {"m2": 100_001}}}, "<= 100000"),
        ({"units": {"plot": PLOT | {"m2": "450"}}}, "Expected `float`"),
        ({"units": {"plot": PLOT | {"words": {"en": []}}}}, "length >= 1"),
        ({"units": {"plot": PLOT | {"words": {"en": [""]}}}}, "length >= 1"),
        ({"units": {"plot": PLOT | {"words": {"en": "plot"}}}}, "Expected `array`"),
        *(
            ({"units": {name: PLOT}}, f"unit {name!r}: name it in small letters, such as plot")
            for name in ("acre", "ha", "m2", "m", "Plot", "my plot", "", "3plot", "plot-2")
        ),
    ],
)
def test_a_slip_is_named_with_its_remedy(raw: object, told: str) -> None:
    assert told in refused(raw)


@pytest.mark.parametrize("m2", [1, 450, 100_000])
def test_a_unit_is_between_a_square_metre_and_ten_hectares(m2: float) -> None:
    _, district = read_district({"units": {"plot": PLOT | {"m2": m2}}}, FIGURES)
    assert district.units["plot"].m2 == m2


def test_a_unit_without_any_words_cannot_be_said() -> None:
    # its first word is how texts write it
    assert "words" in refused({"units": {"plot": {"m2": 450, "words": {}}}})


def test_a_unit_of_no_number_of_square_metres_is_refused() -> None:
    refused({"units": {"plot": PLOT | {"m2": float("nan")}}})


# Figures stated in another unit


@pytest.mark.parametrize(
    ("name", "value"),
    [
        # by hand: 56 days are 8 weeks, 28 are 4, 84 are 12, 1 day is 24 hours
        ("glyphosate_gate_weeks", 8),
        ("weed_free_from_weeks", 4),
        ("weed_free_until_weeks", 12),
        ("preemergence_within_hours", 24),
        # as it stands
        ("glyphosate_gate_days", 56),
        ("row_spacing_m", 1.0),
    ],
)
def test_a_figure_is_stated_in_weeks_or_hours(name: str, value: float) -> None:
    assert FIGURES.states(name)
    assert FIGURES.stated(name) == pytest.approx(value)


def test_a_stated_figure_follows_the_district() -> None:
    figures = figures_of(glyphosate_gate_days=63, preemergence_within_days=2)
    assert figures.stated("glyphosate_gate_weeks") == 9
    assert figures.stated("preemergence_within_hours") == pytest.approx(48)


@pytest.mark.parametrize(
    "name",
    [
        "glyphosate_gate_months",
        "glyphosate_gate",
        "row_spacing_weeks",  # a length is no time
        "row_spacing_m_weeks",
        "weeks",
        "_weeks",
        "",
        "days",
        "glyphosate_gate_days_weeks",
    ],
)
def test_what_is_no_figure_is_not_stated(name: str) -> None:
    assert not FIGURES.states(name)
    with pytest.raises(KeyError, match="did you mean"):
        FIGURES.stated(name)


@pytest.mark.parametrize(
    ("name", "highest"),
    [
        # the upper ends of the ranges: 90 and 112 days, 3 days
        ("glyphosate_gate_days", 90),
        ("glyphosate_gate_weeks", 90 / 7),
        ("weed_free_until_weeks", 16),
        ("preemergence_within_hours", 72),
        ("tank_l", 25),
    ],
)
def test_the_highest_a_figure_can_be_stated_as(name: str, highest: float) -> None:
    assert FIGURES.highest(name) == pytest.approx(highest)
    # whatever a district sets, it is not above it
    stem = name.replace("_weeks", "_days").replace("_hours", "_days")
    own = FIGURES.with_values({stem: FIGURES.row(stem).high})
    assert own.stated(name) == pytest.approx(highest)
    assert own.highest(name) == FIGURES.highest(name)


@given(st.integers(56, 90))
def test_weeks_stated_are_the_days_over_seven(days: int) -> None:
    figures = figures_of(glyphosate_gate_days=days)
    assert figures.stated("glyphosate_gate_weeks") * 7 == pytest.approx(days)
    assert figures.stated("glyphosate_gate_weeks") <= figures.highest("glyphosate_gate_weeks")


def test_a_name_of_its_own_is_stated_as_it_is() -> None:
    row: dict[str, Any] = {"range": [1, 99], "source": "common practice"}
    figures = read_figures(
        {
            "figures": {
                "wait_days": row | {"value": 14, "unit": "days"},
                "wait_weeks": row | {"value": 3, "unit": "days"},
            }
        }
    )
    assert figures.stated("wait_weeks") == 3
    assert figures.highest("wait_weeks") == 99


# Values set anew, and pairs that cross


def test_pairs_of_the_file_do_not_cross() -> None:
    assert FIGURES.crossed() == []
    pairs = [name for name in FIGURES if "_from_" in name]
    assert len(pairs) > 10


@pytest.mark.parametrize(
    ("values", "told"),
    [
        (
            {"weed_height_from_cm": 18, "weed_height_to_cm": 16},
            "weed_height_from_cm is 18, but weed_height_to_cm is 16; the first must not be larger",
        ),
        (
            # 35 days against the 28 that stand in the file
            {"weed_check_1_from_days": 35},
            "weed_check_1_from_days is 35, but weed_check_1_to_days is 28",
        ),
        ({"stake_age_to_months": 9, "stake_age_from_months": 10}, "stake_age_from_months is 10"),
    ],
)
def test_a_from_is_not_set_above_its_to(values: dict[str, float], told: str) -> None:
    assert told in refused({"figures": values})


def test_all_that_cross_are_named() -> None:
    fault = refused({"figures": {"weed_check_1_from_days": 35, "gap_fill_from_days": 21,
                                 "gap_fill_to_days": 20}})  # fmt: skip
    assert "weed_check_1_from_days is 35" in fault
    assert "gap_fill_from_days is 21, but gap_fill_to_days is 20" in fault


def test_a_from_may_equal_its_to_and_both_may_move_together() -> None:
    figures = figures_of(weed_check_1_from_days=28)
    assert figures.crossed() == []
    moved = figures_of(weed_check_1_from_days=35, weed_check_1_to_days=42)
    assert moved["weed_check_1_from_days"] == 35


@given(st.lists(st.sampled_from(list(FIGURES)), unique=True, max_size=8), st.data())
def test_what_is_set_within_its_range_is_what_stands(
    names: list[str], drawn: st.DataObject
) -> None:
    values = {
        name: drawn.draw(st.floats(FIGURES.row(name).low, FIGURES.row(name).high)) for name in names
    }
    try:
        figures = FIGURES.with_values(values)
    except ValueError as error:
        assert "the first must not be larger" in str(error)  # noqa: PT017
        return
    assert {name: figures[name] for name in figures} == dict(FIGURES) | values
    assert figures.crossed() == []
