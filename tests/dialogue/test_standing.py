from __future__ import annotations

from datetime import date, timedelta

import pytest
from msgspec.structs import replace

from bot.dialogue.records import Grower, Operation, Plan, Session
from bot.dialogue.standing import (
    NO_DAY,
    Adoption,
    adoption,
    changed,
    days_behind,
    due_ordinal,
    facts,
    monday,
    next_open,
    planted,
    stage,
    why_silent,
)

MONDAY = date(2026, 3, 2)


def operation(name: str, day: int, **changes: object) -> Operation:
    due = MONDAY + timedelta(days=day)
    return replace(Operation(name, due, due, due), **changes)


def grower(*operations: Operation) -> Grower:
    return Grower(language="sw", plan=Plan(operations))


def test_the_stage_is_the_work_that_comes_next() -> None:
    assert stage(Grower()) == "not_begun"
    assert stage(Grower(session=Session("field", "area", "v"))) == "answering"
    assert stage(grower(operation("plough", 7), operation("slash", 0))) == "slash"
    done = operation("slash", 0, done=MONDAY)
    assert stage(grower(operation("weed_check_2", 7), done)) == "weed_check"
    assert stage(grower(done)) == "finished"


def test_work_reminded_of_counts_from_the_day_it_was_first_due() -> None:
    # Due on Monday and reminded then and three days later: laid out anew, it is due "today".
    thursday = MONDAY + timedelta(days=3)
    late = operation("plough", 3, reminded=2, reminded_on=thursday)
    assert days_behind(grower(late), thursday) == 3
    assert due_ordinal(grower(late)) == MONDAY.toordinal()
    # Put off by the grower's own word it is not late.
    friday = MONDAY + timedelta(days=4)
    assert days_behind(grower(operation("plough", 4, promised=friday)), thursday) == 0


def test_who_has_nothing_due_is_not_behind() -> None:
    for one in (Grower(), grower(operation("plant", 0, done=MONDAY))):
        assert (days_behind(one, MONDAY), due_ordinal(one), next_open(one)) == (0, NO_DAY, None)
    assert planted(grower(operation("plant", 0, done=MONDAY))) == MONDAY
    assert planted(grower(operation("plant", 0))) is None


@pytest.mark.parametrize(
    ("changes", "reason"),
    [
        ({}, ""),
        ({"stopped": True, "consent": False}, "stopped"),
        ({"consent": False, "unreachable": "gone"}, "no_consent"),
        ({"unreachable": "gone"}, "unreachable"),
    ],
)
def test_why_a_grower_gets_no_texts(changes: dict[str, object], reason: str) -> None:
    one = replace(Grower(), **changes)
    assert why_silent(one) == reason
    assert one.receives is not bool(reason)


def test_facts_are_counted_by_week() -> None:
    one = grower(
        operation("plough", 1, done=MONDAY + timedelta(days=9), late=8),
        operation("spray_preemergence", 16, ml=2430),
        operation("weed_check_1", 40),
        operation("weed_check_2", 43),
    )
    assert facts(one) == {
        "stage:spray_preemergence": 1,
        "language:sw": 1,
        "done:plough:2026-03-09": 1,
        "late:plough": 1,
        "late_days:plough": 8,
        "open:spray_preemergence:2026-03-16": 1,
        "ml:spray_preemergence": 2430,
        # Saturday 11 and Tuesday 14 April: two weeks.
        "open:weed_check:2026-04-06": 1,
        "open:weed_check:2026-04-13": 1,
    }
    assert monday(date(2026, 4, 12)) == date(2026, 4, 6)


def test_a_change_is_what_two_counts_differ_by() -> None:
    before = grower(operation("plough", 1))
    after = replace(before, stopped=True)
    assert changed(before, after) == {"silent:stopped": 1}
    assert changed(before, before) == {}
    assert changed(None, before) == dict(facts(before))
    assert changed(before, None) == {name: -count for name, count in facts(before).items()}


def test_adoption_adds_up_weeks_and_keeps_the_order_of_a_season() -> None:
    sums = {
        "open:plant:2026-03-02": 3,
        "done:plant:2026-02-02": 4,
        "done:plant:2026-02-09": 2,
        "late:plant": 4,
        "late_days:plant": 10,
        "open:spray_fallow:2026-03-02": 1,
        "ml:spray_fallow": 1260,
        "stage:plant": 9,
        "language:sw": 9,
        "late:slash": 0,
    }
    # 6 of 9 planted are two thirds; 10 days over 4 growers are 2.5 each.
    found = adoption(sums, ("slash", "spray_fallow", "plant"))
    assert found == [
        Adoption("spray_fallow", 1, 0, 0, 0, 1260, {MONDAY: {"open": 1}}),
        Adoption(
            "plant",
            9,
            6,
            4,
            10,
            0,
            {
                date(2026, 2, 2): {"done": 4},
                date(2026, 2, 9): {"done": 2},
                MONDAY: {"open": 3},
            },
        ),
    ]
    assert [(each.percent, each.mean_late, each.litres) for each in found] == [
        (0, 0.0, 1.3),
        (67, 2.5, 0.0),
    ]
