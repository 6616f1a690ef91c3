"""The file of figures: complete, sourced, within range, and at the values of the trade."""

from __future__ import annotations

import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest
import yaml

from bot.agronomy.figures import UNITS, Figure, Figures, read_figures

FILE = Path(__file__).parents[2] / "flows" / "figures.yaml"
RAW = yaml.safe_load(FILE.read_text(encoding="utf-8"))
FIGURES = read_figures(RAW)

GOOD: dict[str, Any] = {
    "value": 14,
    "unit": "days",
    "range": [10, 28],
    "source": "common practice",
}


def file_of(**changes: object) -> dict[str, object]:
    """A file of one figure, `wait_days`, that differs from a good one in these fields."""
    row = {key: value for key, value in (GOOD | changes).items() if value is not None}
    return {"figures": {"wait_days": row}}


@pytest.mark.parametrize("name", RAW["figures"])
def test_every_figure_has_a_unit_a_range_and_a_source(name: str) -> None:
    row = FIGURES.row(name)
    assert row.low <= FIGURES[name] <= row.high
    assert row.low < row.high
    assert row.unit in UNITS
    # a citation, or what it is instead of one
    assert len(row.source.split()) >= 2


@pytest.mark.parametrize("name", RAW["figures"])
def test_a_name_ends_in_its_unit(name: str) -> None:
    unit = FIGURES.row(name).unit
    ending = {
        "cm": "_cm",
        "m": "_m",
        "days": "_days",
        "months": "_months",
        "t/acre": "_t_per_acre",
        "acre": "_acres",
        "percent": "_percent",
        "L": "_l",
        "L/ha": "_l_per_ha",
        "L/acre": "_l_per_acre",
    }
    assert name.endswith(ending.get(unit, ""))


@pytest.mark.parametrize(
    ("name", "value"),
    [
        # common practice of the trade, unless another source stands beside it
        ("knee_height_cm", 50),
        ("regrowth_wait_days", 14),
        ("full_kill_wait_days", 14),
        ("ploughing_gain_t_per_acre", 2.0),
        ("ridging_gain_t_per_acre", 1.5),
        # Howeler 2007, as cited in a cassava agronomy review: 100 cm between rows is usual
        ("row_spacing_m", 1.0),
        ("in_row_spacing_m", 0.8),
        ("in_row_spacing_low_sprouting_m", 0.7),
        # "Step 5 of 6: calibrating your knapsack sprayer", pesticidewise.com: 200 L/ha
        ("default_spray_volume_l_per_ha", 200),
        # extension guides: stakes of 20 to 25 cm with five or more nodes, stored 3 to 5 days
        ("stake_length_from_cm", 20),
        ("stake_length_to_cm", 25),
        ("stake_nodes", 5),
        ("stake_storage_days", 5),
        # the review that cites Howeler 2007: from plants 9 to 12 months old
        ("stake_age_from_months", 9),
        ("stake_age_to_months", 12),
        ("isoxaflutole_aclonifen_l_per_acre", 0.5),
        ("smetolachlor_atrazine_l_per_acre", 1.6),
        ("preemergence_within_days", 1),
        # extension guides: two to three weeks after planting
        ("gap_fill_from_days", 2 * 7),
        ("gap_fill_to_days", 3 * 7),
        # eight weeks after planting
        ("glyphosate_gate_days", 8 * 7),
        # BBCH monograph (from memory): stage 14 is four true leaves, 16 is six
        ("weed_leaves_from", 14 - 10),
        ("weed_leaves_to", 16 - 10),
        ("weed_height_from_cm", 15),
        ("weed_height_to_cm", 20),
    ],
)
def test_check_values_of_the_trade(name: str, value: float) -> None:
    assert FIGURES[name] == value


def test_no_operator_may_open_the_gate_before_eight_weeks() -> None:
    # common practice: green stems take glyphosate and glufosinate up until then
    assert FIGURES.row("glyphosate_gate_days").low == 8 * 7


@pytest.mark.parametrize(
    ("first", "last"),
    [
        (first, last)
        for first in FIGURES
        for last in (first.replace("_from", "_to"), first.replace("_days", "_most_days"))
        if last in FIGURES and last != first
    ]
    + [
        # whose names don't pair
        ("full_kill_wait_days", "full_kill_most_days"),
        ("preemergence_from_days", "preemergence_within_days"),
        ("glyphosate_gate_days", "weed_check_3_to_days"),
    ],
)
def test_the_first_day_comes_before_the_last(first: str, last: str) -> None:
    assert FIGURES[first] < FIGURES[last]


def test_figures_are_a_mapping_in_the_order_of_the_file() -> None:
    assert isinstance(FIGURES, Mapping)
    assert list(FIGURES) == list(RAW["figures"])
    assert len(FIGURES) == len(RAW["figures"])
    assert "gap_fill_from_days" in FIGURES
    assert "gap_fill_form_days" not in FIGURES
    assert FIGURES.get("gap_fill_form_days") is None


def test_an_unknown_figure_names_the_nearest() -> None:
    for look_up in (FIGURES.__getitem__, FIGURES.row):
        with pytest.raises(KeyError, match="'gap_fill_form_days'; did you mean gap_fill_from_days"):
            look_up("gap_fill_form_days")


def test_no_figures_at_all() -> None:
    empty = read_figures({"figures": {}})
    assert len(empty) == 0
    with pytest.raises(KeyError, match="did you mean another file"):
        empty["gap_fill_from_days"]


def test_a_good_row_is_read_as_written() -> None:
    figures = read_figures(file_of(note="For grass."))
    assert isinstance(figures, Figures)
    assert figures["wait_days"] == 14
    assert figures.row("wait_days") == Figure(
        14, "days", (10, 28), "common practice", note="For grass."
    )


@pytest.mark.parametrize("value", [10, 28])
def test_both_ends_of_a_range_are_inside(value: float) -> None:
    assert read_figures(file_of(value=value))["wait_days"] == value


@pytest.mark.parametrize(
    ("changes", "remedy"),
    [
        ({"value": 9}, "9 is outside its range 10 to 28; correct the one that is wrong"),
        ({"value": 29}, "29 is outside its range 10 to 28"),
        ({"value": math.nan}, "outside its range"),
        ({"range": [28, 10]}, "outside its range 28 to 10"),
        ({"unit": "weeks"}, "unit 'weeks' is not one of .*'days'"),
        ({"value": "fourteen"}, "got `str`.*a figure reads"),
        ({"value": None}, "missing required field `value`.*a figure reads"),
        ({"range": None}, "missing required field `range`.*a figure reads"),
        ({"source": None}, "missing required field `source`.*a figure reads"),
        ({"source": ""}, "length >= 4.*a figure reads"),
        ({"source": "    "}, "give a source"),
        ({"range": [10, math.inf]}, "a range with two ends"),
        ({"range": [10]}, "length 2.*a figure reads"),
        ({"sauce": "memory"}, "unknown field `sauce`.*a figure reads"),
    ],
)
def test_an_error_names_the_figure_and_the_remedy(changes: dict[str, object], remedy: str) -> None:
    with pytest.raises(ValueError, match=f"wait_days: .*{remedy}"):
        read_figures(file_of(**changes))


@pytest.mark.parametrize("raw", [None, [], "figures", {}, {"figures": []}, {"figure": {}}])
def test_a_file_of_another_shape(raw: object) -> None:
    with pytest.raises(ValueError, match=r"figures\.yaml: .*it reads `figures:`"):
        read_figures(raw)
