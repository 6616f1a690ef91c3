"""A planting day that comes too soon: what holds it up, and remedies that are true when tried."""

from __future__ import annotations

import itertools
from datetime import date, timedelta
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bot import data
from bot.dialogue.advice import Advice, Window, advise
from bot.dialogue.planning import LaidOut, make
from bot.dialogue.sheet import read_sheet
from bot.dialogue.walk import Walk
from bot.testing import Conversation

MONDAY = date(2026, 3, 2)
DIALOGUE = data.dialogue()
FLOWS = data.flows()
VOICE = DIALOGUE.voice("en")

SHEET: dict[str, Any] = {
    "area": {"value": 1, "unit": "acre"},
    "soil": dict.fromkeys(("stony", "shallow", "waterlogged", "sloping"), False)
    | {"fertile": True},
    "cover": "broadleaf",
    "height_cm": 40,
    "green": True,
    "hard_weeds": False,
    "herbicide_ok": True,
    "plough_cost_per_acre": 15000,
    "ridge_cost_per_acre": 10000,
    "price_per_tonne": 10000,
    "dry_season_harvest": False,
    "clay_waterlogged": False,
    "weeds_hard_to_control": False,
    "light_well_drained": False,
    "low_sprouting": False,
    "fast_early_weeds": True,
    "preemergence": "isoxaflutole_aclonifen",
    "tank_l": 15,
    "workers": 2,
    "today": MONDAY,
}

# By hand, in days from today, with the waits of flows/figures.yaml: full kill 14, then clear;
# 1 to plough, 7 to ridge, 1 to plant.
AS_PLANNED = MONDAY + timedelta(14 + 1 + 7 + 1)


def days(count: int) -> timedelta:
    return timedelta(days=count)


def laid_out(**changes: object) -> LaidOut:
    raw = {key: value for key, value in (SHEET | changes).items() if value is not None}
    sheet = read_sheet(raw, FLOWS, data.languages(), MONDAY)
    assert sheet.faults == []
    return make(FLOWS, Walk.season(FLOWS, sheet.answers), sheet.today, sheet.done)


def advice(**changes: object) -> Advice:
    sheet = read_sheet(SHEET | changes, FLOWS, data.languages(), MONDAY)
    assert sheet.faults == []
    return advise(sheet, FLOWS, VOICE)


def text(**changes: object) -> str:
    return "\n".join(advice(**changes).texts)


def can_plant_from(**changes: object) -> date:
    """The first day on which such a field can be planted, asked without wanting any."""
    plant = laid_out(start_date=MONDAY, **changes).plan.find("plant")
    assert plant is not None
    return plant.earliest


def remedies(laid: LaidOut) -> dict[str, date]:
    return {each.kind: each.earliest for each in laid.remedies}


# What is said


def test_what_holds_it_up_and_what_to_do_by_hand() -> None:
    said = text(planting_date="2026-03-12")
    # 25 March against 12 March
    assert "You cannot plant on Thu 12 Mar: the work before it needs 13 more days." in said
    # waits of 14, 1, 7 and 1 days
    assert "The longest wait: 14 days from spray to clear." in said
    assert "As planned, you can plant from Wed 25 Mar." in said
    # without ploughing 14 + 1 + 1 days
    assert (
        "Leave out ploughing and make the ridges alone, and you can plant from Wed 18 Mar." in said
    )
    # by hand the growth must be cut first: 1 + 1 + 7 + 1 days
    assert "Leave out the spray and cut by hand, and you can plant from Thu 12 Mar." in said


def test_they_are_told_in_order_and_before_the_plan() -> None:
    said = text(planting_date="2026-03-12")
    places = [
        said.index(each)
        for each in (
            "You cannot plant on",
            "The longest wait",
            "Leave out the spray",
            "As planned",
            "Leave out ploughing",
            "Your plan for",
        )
    ]
    assert places == sorted(places)


def test_it_is_said_in_a_conversation_too() -> None:
    phone = Conversation(MONDAY, "en", dialogue=DIALOGUE)
    said = phone.say_all(
        *("1 acre", "yes", "none", "broad leaves", "40", "no", "yes", "yes", "10000", "0"),
        *("15000", "10000", "no", "no", "no", "no", "no", "yes", "1", "15", "2", "2", "12/3"),
    )
    assert said.startswith(
        "You cannot plant on Thu 12 Mar: the work before it needs 13 more days.\n"
        "The longest wait: 14 days from spray to clear."
    )
    assert "As planned, you can plant from Wed 25 Mar." in said


@pytest.mark.parametrize(
    ("changes", "wait"),
    [
        # no spray: cut, clear 1 day on, plough 1, ridge 7, plant 1
        ({"herbicide_ok": False}, "7 days from plough to make ridges"),
        # without ploughing as well, all waits are of a day; the last named
        ({"herbicide_ok": False, "plough_cost_per_acre": 90000}, "1 day from"),
        # the spray is done: 14 days are still to wait
        ({"done": {"spray_fallow": "2026-03-01"}}, "14 days from spray to clear"),
        # long ago: it holds nothing up any more
        ({"done": {"spray_fallow": "2026-02-10"}}, "7 days from plough to make ridges"),
        ({"done": {"spray_fallow": "2026-02-10", "clear": "2026-02-25", "plough": "2026-03-02"}},
         "7 days from plough to make ridges"),
    ],
)  # fmt: skip
def test_the_longest_wait_is_named(changes: dict[str, Any], wait: str) -> None:
    said = text(planting_date="2026-03-03", **changes)
    assert f"The longest wait: {wait}" in said


def test_where_nothing_is_left_to_wait_for_no_wait_is_named() -> None:
    done = {"spray_fallow": "2026-01-20", "clear": "2026-02-10", "plough": "2026-02-11"}
    laid = laid_out(planting_date="2026-03-10", done=done | {"ridge": "2026-02-25"})
    assert laid.broken == ()
    assert laid.longest is None
    assert laid.remedies == ()


def test_a_day_that_can_be_met_needs_no_remedy() -> None:
    met = laid_out(planting_date=AS_PLANNED.isoformat())
    assert (met.broken, met.longest, met.remedies) == ((), None, ())
    missed = laid_out(planting_date=(AS_PLANNED - days(1)).isoformat())
    assert [(each.operation, each.after, each.days) for each in missed.broken] == [
        ("plant", None, 1)
    ]
    assert remedies(missed)["later"] == AS_PLANNED


@pytest.mark.parametrize("key", ["planting_date", "rain_expected"])
def test_expected_rains_that_come_too_soon_have_the_same_remedies(key: str) -> None:
    laid = laid_out(**{key: "2026-03-09"})
    assert laid.broken[0].days == 16  # 25 against 9 March
    assert laid.longest is not None
    assert (laid.longest.after, laid.longest.operation) == ("spray_fallow", "clear")
    assert remedies(laid)["later"] == AS_PLANNED


# Tried out

FIELDS = [
    {"cover": cover, "height_cm": height, "hard_weeds": hard, "green": green}
    for cover, height, hard, green in itertools.product(
        ("woody", "broadleaf", "grass", "sparse"), (20, 45, 120), (False, True), (False, True)
    )
]
TILLAGE = {
    "both": {},
    "plough": {"ridge_cost_per_acre": 90000},
    "ridge": {"plough_cost_per_acre": 90000},
    "none": {
        "plough_cost_per_acre": 90000,
        "ridge_cost_per_acre": 90000,
        "light_well_drained": True,
    },
}


@pytest.mark.parametrize("tillage", TILLAGE)
@pytest.mark.parametrize("field", FIELDS, ids=lambda each: "-".join(map(str, each.values())))
def test_the_plan_as_it_is_and_ridges_alone_are_true_when_they_are_tried(
    field: dict[str, Any], tillage: str
) -> None:
    changes = SHEET | field | TILLAGE[tillage]
    changes.pop("today")
    laid = laid_out(planting_date=MONDAY, **changes)
    planned = can_plant_from(**changes)
    if planned == MONDAY:
        assert laid.broken == ()
        return
    assert laid.broken[0].days == (planned - MONDAY).days
    found = remedies(laid)
    kinds = ["by_hand", "later", "shorter"]
    assert [each.kind for each in laid.remedies] == [each for each in kinds if each in found]
    names = {each.name for each in laid.plan.operations}
    # As planned: that day can be met, and the one before it cannot.
    assert found["later"] == planned
    assert laid_out(planting_date=planned, **changes).broken == ()
    assert laid_out(planting_date=planned - days(1), **changes).broken
    # Leave out ploughing and make the ridges alone: as where ploughing is too dear.
    assert ("shorter" in found) == ({"plough", "ridge"} <= names)
    if "shorter" in found:
        assert found["shorter"] < planned
        dear = changes | {"plough_cost_per_acre": 99_000_000}
        assert found["shorter"] == can_plant_from(**dear)


@pytest.mark.parametrize("tillage", TILLAGE)
def test_cutting_by_hand_is_true_when_it_is_tried(tillage: str) -> None:
    """The day it allows is one on which who will not spray can plant, cutting and clearing."""
    too_early = {}
    offered = 0
    for field in FIELDS:
        changes = {key: value for key, value in (SHEET | field).items() if key != "today"}
        changes |= TILLAGE[tillage]
        laid = laid_out(planting_date=MONDAY, **changes)
        by_hand = remedies(laid).get("by_hand")
        if by_hand is None:
            continue
        offered += 1
        assert laid.plan.find("spray_fallow") is not None
        assert by_hand < remedies(laid)["later"]
        without_spray = can_plant_from(**changes | {"herbicide_ok": False})
        if by_hand < without_spray:
            too_early["-".join(map(str, field.values()))] = (without_spray - by_hand).days
    assert offered
    assert too_early == {}


@pytest.mark.parametrize("field", FIELDS, ids=lambda each: "-".join(map(str, each.values())))
def test_the_longest_wait_is_the_longest_on_the_way_to_planting(field: dict[str, Any]) -> None:
    changes = {key: value for key, value in (SHEET | field).items() if key != "today"}
    laid = laid_out(planting_date=MONDAY, **changes)
    if not laid.broken:
        return
    names = [each.id for each in laid.plan.operations]
    way = laid.plan.operations[: names.index("plant") + 1]
    waits = {
        (first.id, second.id): (second.earliest - first.earliest).days
        for first, second in itertools.pairwise(way)
    }
    assert laid.longest is not None
    assert waits[laid.longest.after, laid.longest.operation] == max(waits.values())
    assert laid.longest.least == max(waits.values())


# Start by


def before_planting(found: Advice) -> list[Window]:
    return list(itertools.takewhile(lambda each: each.name != "plant", found.operations))


def test_the_days_to_start_by_count_back_from_planting_by_hand() -> None:
    found = advice(planting_date="2026-05-01")
    # less 1, 7, 1 and 14 days
    assert {each.name: each.start_by for each in before_planting(found)} == {
        "spray_fallow": date(2026, 4, 8),
        "clear": date(2026, 4, 22),
        "plough": date(2026, 4, 23),
        "ridge": date(2026, 4, 30),
    }
    after = found.operations[found.operations.index(before_planting(found)[-1]) + 2 :]
    assert all(each.start_by is None for each in after)
    assert "Begin the work before planting on these days or sooner" in "\n".join(found.texts)


def test_without_a_wanted_day_nothing_has_to_start_by_one() -> None:
    found = advice(start_date="2026-03-02")
    assert all(each.start_by is None for each in found.operations)
    assert "Begin the work before planting" not in "\n".join(found.texts)


def test_what_is_done_has_no_day_to_start_by() -> None:
    found = advice(planting_date="2026-03-27", done={"spray_fallow": "2026-03-01"})
    starts = {each.name: each.start_by for each in found.operations}
    assert starts["spray_fallow"] is None
    assert starts["clear"] == date(2026, 3, 18)


@settings(max_examples=40)
@given(
    st.sampled_from(FIELDS),
    st.sampled_from(list(TILLAGE)),
    st.sampled_from(["planting_date", "rain_expected"]),
    st.integers(0, 45),
)
def test_who_starts_by_then_can_plant_on_the_day_and_who_starts_later_cannot(
    field: dict[str, Any], tillage: str, key: str, later: int
) -> None:
    changes = SHEET | field | TILLAGE[tillage]
    wanted = can_plant_from(**changes) + days(later)
    changes |= {key: wanted}
    starts = {each.id: each.start_by for each in before_planting(advice(**changes))}
    done: dict[str, date] = {}
    for operation, by in starts.items():
        assert by is not None
        for today, met in ((by, True), (by + days(1), False)):
            said = text(**changes | {"today": today, "done": dict(done)})
            assert (f"You cannot plant on {wanted:%a}" not in said) == met
            if not met:
                assert "needs 1 more day." in said
        done[operation] = by
