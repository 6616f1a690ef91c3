"""How a field is cleared: every case in one table to read, and each rule of the trade alone.

The table is decisions.golden.txt. After a change that is meant, write it anew with
`UPDATE_GOLDEN=1 python -m pytest tests/dialogue/test_decisions.py`, and read what changed.
The rules asserted below are common practice in the trade.
"""

from __future__ import annotations

import os
from itertools import product
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from bot import data
from bot.dialogue.walk import Walk

if TYPE_CHECKING:
    from bot.dialogue.records import Answer

GOLDEN = Path(__file__).with_name("decisions.golden.txt")

COVERS = ("woody", "broadleaf", "grass", "sparse")
LOW, TALL = 40, 60
"""Heights in cm under and over the knee, which is at 50."""


def walk(**given: Answer) -> Walk:
    """Walk the clearing flow with these answers, up to the first question of the next flow."""
    flows = data.flows()
    found = Walk(flows, "clearing", flows.flows["clearing"].start, {}, given)
    found.on()
    assert found.flow == "tillage", f"a question is left open: {found.state}"
    return found


def clearing(
    cover: str, height_cm: float, *, green: bool = True, hard_weeds: bool = False, herbicide_ok: bool = True
) -> list[str]:  # fmt: skip
    """The operations before tilling."""
    return walk(
        cover=cover,
        height_cm=height_cm,
        green=green,
        hard_weeds=hard_weeds,
        herbicide_ok=herbicide_ok,
    ).operations


def table() -> str:
    """Every case, a line each."""
    form = "{:<10} {:<6} {:<6} {:<11} {:<13} {:<20} {}"
    lines = [
        form.format("cover", "height", "green", "hard weeds", "herbicide ok", "route", "operations")
    ]
    cases = product(COVERS, (LOW, TALL), *[(True, False)] * 3)
    for cover, height, green, hard, willing in cases:
        found = walk(
            cover=cover, height_cm=height, green=green, hard_weeds=hard, herbicide_ok=willing
        )
        route = found.said[0].context.split(".")[1]
        band = "<= 50" if height == LOW else "> 50"
        yes = [("yes" if answer else "no") for answer in (green, hard, willing)]
        lines.append(form.format(cover, band, *yes, route, ", ".join(found.operations) or "-"))
    return "\n".join(lines) + "\n"


def test_every_case_is_decided_as_in_the_table() -> None:
    if os.environ.get("UPDATE_GOLDEN"):
        GOLDEN.write_text(table(), encoding="utf-8")
    assert table() == GOLDEN.read_text(encoding="utf-8")


# Woody bush


@pytest.mark.parametrize("green", [True, False])
def test_tall_bush_is_cut_and_cleared_without_a_spray(green: bool) -> None:  # noqa: FBT001 - a column of the table
    assert clearing("woody", TALL, green=green) == ["slash", "clear"]


@pytest.mark.parametrize("hard_weeds", [True, False])
def test_low_green_bush_is_not_cut_but_sprayed_and_then_cleared(hard_weeds: bool) -> None:  # noqa: FBT001 - a column of the table
    assert clearing("woody", LOW, hard_weeds=hard_weeds) == ["spray_fallow", "clear"]


# Broad leaves


@pytest.mark.parametrize("height", [LOW, TALL])
def test_withered_broad_leaves_are_cut_and_cleared(height: int) -> None:
    assert clearing("broadleaf", height, green=False) == ["slash", "clear"]


def test_tall_green_broad_leaves_are_cut_and_cleared_without_a_spray() -> None:
    assert clearing("broadleaf", TALL) == ["slash", "clear"]


def test_low_green_broad_leaves_are_sprayed_and_then_cleared() -> None:
    assert clearing("broadleaf", LOW) == ["spray_fallow", "clear"]


# Grass


@pytest.mark.parametrize("green", [True, False])
@pytest.mark.parametrize("hard_weeds", [True, False])
def test_tall_grass_is_cut_regrows_and_is_sprayed(green: bool, hard_weeds: bool) -> None:  # noqa: FBT001 - columns of the table
    assert clearing("grass", TALL, green=green, hard_weeds=hard_weeds) == ["slash", "spray_fallow"]


def test_low_green_grass_is_sprayed() -> None:
    assert clearing("grass", LOW) == ["spray_fallow"]


def test_low_dry_grass_is_cut_and_regrows_before_it_is_sprayed() -> None:
    assert clearing("grass", LOW, green=False) == ["slash", "spray_fallow"]


# Almost bare


def test_a_bare_field_is_tilled_directly() -> None:
    assert walk(cover="sparse", hard_weeds=False, herbicide_ok=True).operations == []
    assert walk(cover="sparse", hard_weeds=False, herbicide_ok=False).operations == []


def test_hard_weeds_on_a_bare_field_are_sprayed() -> None:
    assert clearing("sparse", LOW, hard_weeds=True) == ["spray_fallow"]


# What holds for all


@pytest.mark.parametrize("cover", COVERS)
@pytest.mark.parametrize("height", [LOW, TALL])
@pytest.mark.parametrize("green", [True, False])
def test_hard_weeds_are_sprayed_before_planting_in_any_case(
    cover: str, height: int, green: bool  # noqa: FBT001 - a column of the table
) -> None:  # fmt: skip
    assert "spray_fallow" in clearing(cover, height, green=green, hard_weeds=True)


@pytest.mark.parametrize("cover", ["woody", "broadleaf"])
def test_hard_weeds_that_come_back_after_clearing_are_sprayed_after_it(cover: str) -> None:
    assert clearing(cover, TALL, hard_weeds=True) == ["slash", "clear", "spray_fallow"]


@pytest.mark.parametrize("cover", COVERS)
@pytest.mark.parametrize("height", [LOW, TALL])
@pytest.mark.parametrize("hard_weeds", [True, False])
def test_a_dry_field_is_never_sprayed_before_it_has_regrown(
    cover: str, height: int, hard_weeds: bool  # noqa: FBT001 - a column of the table
) -> None:  # fmt: skip
    operations = clearing(cover, height, green=False, hard_weeds=hard_weeds)
    if "spray_fallow" in operations:
        assert "slash" in operations[: operations.index("spray_fallow")]


@pytest.mark.parametrize("cover", COVERS)
@pytest.mark.parametrize("height", [LOW, TALL])
@pytest.mark.parametrize("hard_weeds", [True, False])
def test_who_will_not_spray_gets_an_honest_way_by_hand(
    cover: str, height: int, hard_weeds: bool  # noqa: FBT001 - a column of the table
) -> None:  # fmt: skip
    found = walk(
        cover=cover, height_cm=height, green=True, hard_weeds=hard_weeds, herbicide_ok=False
    )
    assert "spray_fallow" not in found.operations
    assert found.answers["fallow_spray"] is False
    if cover != "sparse" or hard_weeds:
        assert found.operations == ["slash", "clear"]
        said = " ".join(each.say for each in found.said)
        assert "Without herbicide" in said
        assert "weed" in said


@pytest.mark.parametrize("cover", ["woody", "broadleaf"])
def test_fifty_centimetres_are_still_low(cover: str) -> None:
    assert clearing(cover, 50) == ["spray_fallow", "clear"]
    assert clearing(cover, 50.5) == ["slash", "clear"]


def test_a_case_the_trade_leaves_open_says_how_it_was_judged() -> None:
    route = data.flows().step("clearing", "route")
    judged = {row.then for row in route.rows if row.judgement}
    assert judged >= {
        "cut_and_clear",
        "cut_clear_then_spray",
        "cut_regrow_spray",
        "dig_out_by_hand",
    }
