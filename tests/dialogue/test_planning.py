from __future__ import annotations

from datetime import date, timedelta
from typing import TYPE_CHECKING

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from bot import data
from bot.dialogue.advice import advise
from bot.dialogue.planning import (
    change,
    fresh_id,
    lay_anew,
    make,
    next_open,
)
from bot.dialogue.records import Operation, Plan
from bot.dialogue.sheet import read_sheet
from bot.dialogue.standing import NUDGE_AFTER_DAYS
from bot.dialogue.walk import Walk

if TYPE_CHECKING:
    from bot.dialogue.loading import Flows
    from bot.dialogue.planning import LaidOut
    from bot.dialogue.records import Answers, Grower
    from tests.dialogue.conftest import Phone

MONDAY = date(2026, 3, 2)
EIGHT_WEEKS = 56


def days(count: int) -> timedelta:
    return timedelta(days=count)


def plan_of(grower: Grower) -> Plan:
    assert grower.plan is not None
    return grower.plan


def operation(grower: Grower, identity: str) -> Operation:
    found = plan_of(grower).find(identity)
    assert found is not None, identity
    return found


def report(phone: Phone, identity: str, day: date) -> str:
    """Let the reminder of an operation come on a day, and answer that it was done then."""
    sent = phone.remind(day)
    assert sent, f"no reminder of {identity} on {day}"
    assert phone.grower.session is not None
    assert phone.grower.session.about == identity
    return phone.send("1 today")


def until_planted(phone: Phone) -> date:
    """Report everything up to planting on the day it is due; the day of planting."""
    for _ in range(12):
        reminder = plan_of(phone.grower).next_reminder
        assert reminder is not None
        report(phone, reminder.operation, reminder.day)
        if reminder.operation == "plant":
            return reminder.day
    raise AssertionError("never planted")


# What moves, and what does not


def test_the_windows_follow_the_published_waits(planned: Phone) -> None:
    due = {each.id: each.due for each in plan_of(planned.grower).operations}
    assert due["spray_fallow"] == MONDAY
    assert due["clear"] - due["spray_fallow"] == days(14)  # common practice: a full kill
    assert due["spray_preemergence"] - due["plant"] <= days(1)  # within 24 hours
    assert days(14) <= due["gap_fill"] - due["plant"] <= days(21)  # extension guides
    assert due["weed_check_3"] - due["plant"] == days(EIGHT_WEEKS)  # common practice


def test_a_late_report_moves_what_follows_by_as_much_and_nothing_done(planned: Phone) -> None:
    before = {each.id: each.due for each in plan_of(planned.grower).operations}
    report(planned, "spray_fallow", MONDAY + days(5))
    after = {each.id: each.due for each in plan_of(planned.grower).operations}
    assert after.pop("spray_fallow") == MONDAY + days(5)
    assert {name: day - before[name] for name, day in after.items()} == dict.fromkeys(
        after, days(5)
    )
    report(planned, "clear", after["clear"] + days(3))
    assert operation(planned.grower, "spray_fallow").done == MONDAY + days(5)
    assert operation(planned.grower, "spray_fallow").due == MONDAY + days(5)
    assert operation(planned.grower, "plough").due == after["plough"] + days(3)


def test_not_yet_moves_the_operation_to_the_promised_day_and_all_behind_it(
    planned: Phone,
) -> None:
    before = {each.id: each.due for each in plan_of(planned.grower).operations}
    planned.remind(MONDAY + days(1))
    planned.send("2 Friday")
    after = {each.id: each.due for each in plan_of(planned.grower).operations}
    friday = MONDAY + days(4)
    assert after["spray_fallow"] == friday
    assert {after[name] - before[name] for name in after} == {days(4)}
    reminder = plan_of(planned.grower).next_reminder
    assert reminder is not None
    assert (reminder.operation, reminder.day) == ("spray_fallow", friday)


def test_a_promise_does_not_move_what_is_done(planned: Phone) -> None:
    report(planned, "spray_fallow", MONDAY + days(1))
    planned.remind(operation(planned.grower, "clear").due)
    planned.send("2 tomorrow")
    assert operation(planned.grower, "spray_fallow").due == MONDAY + days(1)


# Reminders


def test_the_plan_and_its_first_reminder_do_not_come_on_the_same_day(planned: Phone) -> None:
    assert operation(planned.grower, "spray_fallow").due == MONDAY
    assert planned.remind(MONDAY) == ""
    assert "Spray the green leaves" in planned.remind(MONDAY + days(1))


def test_nothing_is_reminded_of_before_what_it_follows_is_reported(planned: Phone) -> None:
    for later in range(1, 200):
        planned.remind(MONDAY + days(later))
    asked = {each.id for each in plan_of(planned.grower).operations if each.reminded}
    assert asked == {"spray_fallow"}


def test_nudges_after_three_and_seven_days_then_a_person(planned: Phone) -> None:
    sent = []
    for later in range(60):
        if planned.remind(MONDAY + days(later)):
            sent.append(later)
            trouble = planned.grower.trouble
            assert bool(trouble) == (len(sent) == 3)
    first, second, third = sent
    assert (first, second - first, third - second) == (1, 3, 7)
    assert (second - first, third - second) == NUDGE_AFTER_DAYS


def test_a_nudge_says_that_it_is_late(planned: Phone) -> None:
    assert "this was due" not in planned.remind(MONDAY + days(1))
    assert "this was due" in planned.remind(MONDAY + days(4))


def test_a_reminder_of_a_spray_carries_the_protection_and_the_mix(planned: Phone) -> None:
    text = planned.remind(MONDAY + days(1))
    assert "goggles" in text
    assert "Poisoned?" in text
    assert "300 ml in each 15 L tank" in text
    assert text.index("goggles") < text.index("1 Done")


def test_only_one_operation_is_asked_about_on_a_day(planned: Phone) -> None:
    until_planted(planned)
    today = planned.today
    sent = 0
    for _ in range(5):
        if planned.remind(today):
            sent += 1
    assert sent <= 1


def test_a_season_reported_faithfully_ends_with_the_harvest_check(planned: Phone) -> None:
    asked = []
    for _ in range(40):
        reminder = plan_of(planned.grower).next_reminder
        if reminder is None:
            break
        asked.append(reminder.operation)
        reply = report(planned, reminder.operation, reminder.day)
        for _ in range(6):
            if not planned.state:
                break
            reply = planned.send("none" if planned.state == "weeding.product" else "2")
        assert planned.state == ""
    assert asked[-1] == "harvest_check"
    assert "last work" in reply
    assert all(each.done for each in plan_of(planned.grower).operations)


# Weed checks


def at_weed_check(phone: Phone, identity: str, *, planted: date) -> None:
    """Bring a phone to the question of a weed check, all before it reported."""
    grower = phone.grower
    plan = plan_of(grower)
    for each in plan.operations:
        if each.id in ("spray_fallow", "clear", "plough", "ridge"):
            plan = change(plan, replace(each, done=each.due))
        elif each.id == "plant":
            plan = change(plan, replace(each, done=planted))
        elif each.id in ("spray_preemergence", "gap_fill"):
            plan = change(plan, replace(each, done=planted + days(14)))
    laid = lay_anew(phone.dialogue.flows, plan, grower.answers, planted + days(14))
    phone.grower = replace(grower, plan=laid.plan)
    for number in (1, 2, 3, 4):
        due = operation(phone.grower, f"weed_check_{number}")
        if due.id == identity:
            phone.remind(due.due)
            return
        phone.grower = replace(
            phone.grower,
            plan=lay_anew(
                phone.dialogue.flows,
                change(plan_of(phone.grower), replace(due, done=due.due)),
                grower.answers,
                due.due,
            ).plan,
        )


PLANTED = date(2026, 3, 25)


@pytest.mark.parametrize("identity", ["weed_check_1", "weed_check_2"])
@pytest.mark.parametrize("stage", ["2", "3"])
def test_before_eight_weeks_a_check_never_offers_a_spray(
    planned: Phone, identity: str, stage: str
) -> None:
    at_weed_check(planned, identity, planted=PLANTED)
    assert planned.send("1 today").endswith("2 A third or more")
    reply = planned.send("2", stage)
    assert "by hand or machine only" in reply
    assert "No glyphosate and no glufosinate" in reply
    assert operation(planned.grower, "weed_by_hand_5").due == planned.today


def test_after_eight_weeks_a_shielded_spray_is_offered_with_the_protection(
    planned: Phone,
) -> None:
    at_weed_check(planned, "weed_check_3", planted=PLANTED)
    assert planned.today == PLANTED + days(EIGHT_WEEKS)
    reply = planned.send("1 today", "2", "2", "2", "glufosinate")
    assert "HRAC group 10" in reply
    assert "shield" in reply
    assert "never on green cassava" in reply
    assert "goggles" in reply
    spray = operation(planned.grower, "spray_shielded_5")
    assert (spray.due, spray.group) == (planned.today, 10)


def test_the_gate_counts_from_the_real_day_of_planting(planned: Phone) -> None:
    # Planted two weeks late but reported so: on the day that was 8 weeks by the first plan
    # the cassava is six weeks old.
    at_weed_check(planned, "weed_check_1", planted=PLANTED + days(14))
    planned.today = PLANTED + days(EIGHT_WEEKS)
    reply = planned.send("1 today", "2", "2")
    assert "younger than 8 weeks" in reply
    assert operation(planned.grower, "weed_check_3").due == PLANTED + days(14 + EIGHT_WEEKS)


def test_one_day_before_eight_weeks_is_before(planned: Phone) -> None:
    at_weed_check(planned, "weed_check_3", planted=PLANTED)
    planned.today = PLANTED + days(EIGHT_WEEKS - 1)
    assert "younger than 8 weeks" in planned.send("1 today", "2", "2")


@pytest.mark.parametrize(
    ("answers", "group"),
    [(("2", "glyphosate"), 9), (("2", "glufosinate"), 10), (("1", "grass herbicide"), 1)],
)
def test_the_same_group_is_refused_twice_running(
    planned: Phone, answers: tuple[str, str], group: int
) -> None:
    # HRAC groups: glyphosate 9, glufosinate 10, grass herbicides 1 (from memory: HRAC 2020).
    at_weed_check(planned, "weed_check_3", planted=PLANTED)
    planned.grower = replace(planned.grower, plan=replace(plan_of(planned.grower), last_group=None))
    planned.send("1 today", "2", "2", *answers)
    assert planned.send("done today").startswith("Noted")
    assert plan_of(planned.grower).last_group == group
    planned.remind(operation(planned.grower, "weed_check_4").due)
    reply = planned.send("1 today", "2", "2", *answers)
    assert "same kind of herbicide last time" in reply
    assert plan_of(planned.grower).find("spray_shielded_6") is None


def test_glyphosate_before_planting_counts_when_no_other_spray_came_between(
    planned: Phone,
) -> None:
    report(planned, "spray_fallow", MONDAY + days(1))
    assert plan_of(planned.grower).last_group == 9


def test_a_pre_emergence_spray_comes_between(planned: Phone) -> None:
    planted = until_planted(planned)
    report(planned, "spray_preemergence", planted)
    assert plan_of(planned.grower).last_group == 27  # isoxaflutole (from memory: HRAC 2020)


def test_a_grass_herbicide_is_not_advised_against_other_weeds(planned: Phone) -> None:
    at_weed_check(planned, "weed_check_3", planted=PLANTED)
    assert "kills only grasses" in planned.send("1 today", "2", "2", "2", "1")
    assert plan_of(planned.grower).find("spray_shielded_5") is None


@pytest.mark.parametrize("kind", ["1", "2"])
def test_paraquat_is_refused_and_leaves_the_hoe(planned: Phone, kind: str) -> None:
    at_weed_check(planned, "weed_check_3", planted=PLANTED)
    assert "We do not advise paraquat" in planned.send("1 today", "2", "2", kind, "paraquat")
    assert operation(planned.grower, "weed_by_hand_5").due == planned.today


def test_weeds_too_small_are_looked_at_again_in_a_week(planned: Phone) -> None:
    at_weed_check(planned, "weed_check_1", planted=PLANTED)
    planned.send("1 today", "1")
    assert operation(planned.grower, "weed_check_5").due == planned.today + days(7)


# Planning backward


def backward(flows: Flows, wanted: date, today: date = MONDAY) -> Plan:
    sheet = read_sheet(sheet_for(wanted), flows, data.languages(), today)
    assert sheet.faults == []
    return make(flows, Walk.season(flows, sheet.answers), today).plan


def sheet_for(wanted: date) -> dict[object, object]:
    soil = dict.fromkeys(("stony", "shallow", "waterlogged", "sloping"), False)
    return {
        "area": {"value": 1, "unit": "acre"},
        "soil": {**soil, "fertile": True},
        "cover": "grass",
        "height_cm": 80,
        "green": True,
        "hard_weeds": False,
        "herbicide_ok": True,
        "price_per_tonne": 10000,
        "plough_cost_per_acre": 15000,
        "ridge_cost_per_acre": 10000,
        "dry_season_harvest": True,
        "low_sprouting": False,
        "fast_early_weeds": False,
        "tank_l": 15,
        "planting_date": wanted.isoformat(),
    }


def test_a_wanted_planting_day_gives_the_days_to_start_by(flows: Flows) -> None:
    wanted = date(2026, 6, 1)
    due = {each.id: each.due for each in backward(flows, wanted).operations}
    assert due["plant"] == wanted
    assert due["ridge"] == wanted - days(1)
    assert due["plough"] == wanted - days(1 + 7)
    assert due["spray_fallow"] == wanted - days(1 + 7 + 14)
    assert due["slash"] == wanted - days(1 + 7 + 14 + 14)
    assert due["gap_fill"] == wanted + days(14)


def test_a_day_too_near_says_so_with_the_first_day_that_can_be(flows: Flows) -> None:
    wanted = MONDAY + days(10)
    sheet = read_sheet(sheet_for(wanted), flows, data.languages(), MONDAY)
    for code, words in (("en", "You cannot plant on Thu 12 Mar"), ("sw", "12 Mac")):
        advice = advise(sheet, flows, data.dialogue().voice(code))
        assert words in advice.texts[0]
        # Cut today, 14 days, spray, 14 days, plough, 7 days, ridge, 1 day: plant after 36.
        assert next(
            each for each in advice.operations if each.name == "plant"
        ).due == MONDAY + days(36)
    assert "26 more days" in advise(sheet, flows, data.dialogue().voice("en")).texts[0]


def test_a_link_broken_by_lateness_is_said_with_what_to_do(planned: Phone) -> None:
    # Cleared 100 days after the spray; at most 42 are good (common practice).
    report(planned, "spray_fallow", MONDAY + days(1))
    planned.today = MONDAY + days(100)
    reply = planned.send("not yet tomorrow")
    assert "days late" in reply
    assert "spray again" in reply


# Small parts


def test_ids_added_by_weed_checks_do_not_meet_those_of_the_plan(planned: Phone) -> None:
    plan = plan_of(planned.grower)
    assert fresh_id(plan, "weed_check") == "weed_check_5"
    more = change(plan, Operation("weed_check_5", MONDAY, MONDAY, MONDAY))
    assert fresh_id(more, "weed_check") == "weed_check_6"


def test_done_means_the_last_one_asked_about_else_the_first_open() -> None:
    first = Operation("slash", MONDAY, MONDAY, MONDAY)
    second = Operation("clear", MONDAY + days(1), MONDAY + days(1), MONDAY + days(1))
    assert next_open(Plan((first, second))) == first
    asked = replace(second, reminded=1, reminded_on=MONDAY)
    assert next_open(Plan((first, asked))) == asked
    assert next_open(Plan((replace(first, done=MONDAY),))) is None


# Who asked for help, and checks that come too early


def test_a_report_does_not_take_back_a_call_for_help(planned: Phone) -> None:
    planned.remind(MONDAY + days(1))
    planned.send("3")
    planned.send("done today")
    assert planned.grower.trouble == "asked for help"


def test_a_report_ends_the_trouble_of_silence(planned: Phone) -> None:
    for wait in (1, *NUDGE_AFTER_DAYS):
        assert planned.remind(planned.today + days(wait))
    assert planned.grower.trouble == "no answer to the reminders"
    planned.send("1 yesterday")
    assert planned.grower.trouble == ""


def test_too_early_is_looked_at_again_in_a_week_unless_a_check_comes_soon(planned: Phone) -> None:
    planted = until_planted(planned)
    report(planned, "spray_preemergence", planted)
    report(planned, "gap_fill", planted + days(14))
    report(planned, "weed_check_1", planted + days(21))
    reply = planned.send("1")
    again = operation(planned.grower, "weed_check_5")
    assert again.due == planted + days(28)
    assert "Next, " in reply
    report(planned, "weed_check_5", again.due)
    planned.send("1")  # the second planned check is two weeks off
    assert plan_of(planned.grower).find("weed_check_6") is None


def test_checks_end_when_the_leaves_have_closed(planned: Phone) -> None:
    planted = until_planted(planned)
    planned.today = planted + days(119)
    for number in (1, 2, 3):
        done = replace(operation(planned.grower, f"weed_check_{number}"), done=planted + days(84))
        planned.grower = replace(planned.grower, plan=change(plan_of(planned.grower), done))
    last = replace(operation(planned.grower, "weed_check_4"), reminded=1, reminded_on=planned.today)
    planned.grower = replace(planned.grower, plan=change(plan_of(planned.grower), last))
    planned.send("done today", "1")
    assert plan_of(planned.grower).find("weed_check_5") is None


# What was passed over, and what comes too late


def test_nobody_is_told_to_spray_or_till_a_field_that_is_planted(flows: Flows) -> None:
    walk = Walk.season(flows, _answers())
    laid = make(flows, walk, MONDAY, {"plant": MONDAY - days(1)})
    names = [each.name for each in laid.plan.operations]
    assert names[0] == "plant"
    assert "spray_fallow" not in names
    assert "plough" not in names


def test_a_pre_emergence_spray_missed_by_days_is_left_out(planned: Phone) -> None:
    planted = until_planted(planned)
    planned.today = planted + days(9)
    assert "pre-emergence" not in planned.send("plan")
    # Nobody had been reminded of it, so it is said.
    left_out = "pre-emergence spray comes 8 days too late to work: leave it out."
    assert planned.remind(planned.today) == left_out
    report(planned, "gap_fill", planted + days(14))
    assert plan_of(planned.grower).find("spray_preemergence") is None


def test_planting_reported_too_late_for_the_spray_says_so(planned: Phone) -> None:
    planted = until_planted(planned)
    planned.today = planted + days(9)
    late = replace(operation(planned.grower, "plant"), done=None)
    planned.grower = replace(planned.grower, plan=change(plan_of(planned.grower), late))
    reply = planned.send(f"done {planted:%d/%m}")
    assert "too late to work: leave it out" in reply


def _answers() -> dict[str, str | bool | int | float | None]:
    answers: dict[str, str | bool | int | float | None] = dict.fromkeys(
        ("stony", "shallow", "waterlogged", "sloping", "hard_weeds", "low_sprouting"), False
    )
    return answers | {
        "area": "1 acre",
        "fertile": True,
        "cover": "grass",
        "height_cm": 30,
        "green": True,
        "herbicide_ok": True,
        "price_per_tonne": 10000,
        "haulage_cost_per_tonne": 0,
        "plough_cost_per_acre": 15000,
        "ridge_cost_per_acre": 10000,
        "dry_season_harvest": True,
        "fast_early_weeds": False,
        "tank_l": 15,
        "date_kind": "start",
        "start_date": MONDAY.isoformat(),
    }


# Laying a plan anew: twice is as good as once, and nothing done moves

ROUTES: list[Answers] = [
    {},  # low green grass: sprayed
    {"height_cm": 120, "hard_weeds": True},  # cut, sprayed when it is green again
    {"cover": "woody", "height_cm": 200, "hard_weeds": True},  # cut, cleared, sprayed
    {"cover": "woody", "height_cm": 40},  # sprayed, then cleared
    {"herbicide_ok": False},
    {"fast_early_weeds": True, "preemergence": "isoxaflutole_aclonifen"},
]
COUNTED_FROM = ["start", "planting", "rains"]


def counted(answers: Answers, kind: str, day: date) -> Answers:
    """The answers of a season with the day it is counted from."""
    key = {"start": "start_date", "planting": "planting_date", "rains": "rain_expected"}[kind]
    rest = {name: value for name, value in answers.items() if name != "start_date"}
    return rest | {"workers": 2, "date_kind": kind, key: day.isoformat()}


def laid_the_same(flows: Flows, laid: LaidOut, answers: Answers, today: date) -> None:
    """Lay a plan out again on the same day: nothing may change, and no remedy either."""
    again = lay_anew(flows, laid.plan, answers, today)
    assert again.plan == laid.plan
    assert (again.longest, again.remedies) == (laid.longest, laid.remedies)
    # What came too late to work was left out, and is not told of twice.
    still = tuple(each for each in laid.broken if laid.plan.find(each.operation))
    assert again.broken == still


FACTS = st.lists(
    st.tuples(
        st.sampled_from(["done", "promised", "ready", "reminded", "nothing"]),
        st.integers(0, 13),  # which of the operations, as they stand in the plan
        st.integers(-3, 40),  # days from that day
        st.integers(0, 30),  # days until the next fact
    ),
    max_size=12,
)


ANY_SEASON = given(
    route=st.sampled_from(ROUTES),
    kind=st.sampled_from(COUNTED_FROM),
    ahead=st.integers(0, 120),
    facts=FACTS,
)


@settings(max_examples=150, deadline=None)
@ANY_SEASON
def test_laying_out_twice_changes_nothing_and_nothing_done_moves(
    route: Answers, kind: str, ahead: int, facts: list[tuple[str, int, int, int]]
) -> None:
    live_through(route, kind, ahead, facts)


@pytest.mark.slow
@settings(max_examples=2000, deadline=None)
@ANY_SEASON
def test_nor_does_it_in_many_more_seasons(
    route: Answers, kind: str, ahead: int, facts: list[tuple[str, int, int, int]]
) -> None:
    live_through(route, kind, ahead, facts)


def live_through(
    route: Answers, kind: str, ahead: int, facts: list[tuple[str, int, int, int]]
) -> None:
    """Lay a season out twice after each fact, and see that nothing moves that must not."""
    flows, today = data.flows(), MONDAY
    answers = counted(_answers() | route, kind, MONDAY + days(ahead))
    walk = Walk.season(flows, answers)
    assert walk.step is not None
    assert walk.step.state.do == "make_plan"
    plan = make(flows, walk, today).plan
    laid_the_same(flows, lay_anew(flows, plan, answers, today), answers, today)
    done: dict[str, date] = {}
    for fact, place, away, wait in facts:
        waiting = [each for each in plan.operations if each.done is None]
        if not waiting:
            break
        each = waiting[place % len(waiting)]
        if fact == "done":
            done[each.id] = today + min(days(away), days(0))
            plan = change(plan, replace(each, done=done[each.id], promised=None))
        elif fact == "promised":
            plan = change(plan, replace(each, promised=today + days(away)))
        elif fact == "ready":
            plan = replace(change(plan, replace(each, promised=None)), ready=(*plan.ready, each.id))
        elif fact == "reminded":
            plan = change(plan, replace(each, reminded=each.reminded + 1, reminded_on=today))
        for day in (today, today + days(wait)):
            before = plan
            laid = lay_anew(flows, plan, answers, day)
            laid_the_same(flows, laid, answers, day)
            plan = laid.plan
            found = {it.id: it for it in plan.operations}
            assert replace(plan, operations=(), next_reminder=None) == replace(
                before, operations=(), next_reminder=None
            )
            # What is done stays, on its day; what is known of the rest is not lost.
            for name, was in done.items():
                assert found[name].done == was
                assert (found[name].earliest, found[name].due, found[name].latest) == (was,) * 3
            for it in plan.operations:
                was_before = before.find(it.id)
                assert was_before is not None
                assert replace(it, earliest=day, due=day, latest=day) == replace(
                    was_before, earliest=day, due=day, latest=day
                )
                assert it.earliest <= it.due <= it.latest
                if it.done is None:
                    assert it.earliest >= day
        today += days(wait)


@pytest.mark.parametrize("kind", ["planting", "rains"])
@pytest.mark.parametrize("route", ROUTES)
def test_a_day_too_near_has_the_same_remedies_however_often_it_is_laid_out(
    flows: Flows, kind: str, route: Answers
) -> None:
    answers = counted(_answers() | route, kind, MONDAY + days(2))
    laid = lay_anew(flows, make(flows, Walk.season(flows, answers), MONDAY).plan, answers, MONDAY)
    assert laid.longest is not None
    assert "later" in {each.kind for each in laid.remedies}
    laid_the_same(flows, laid, answers, MONDAY)
    planted = laid.plan.find("plant")
    assert planted is not None
    later = next(each for each in laid.remedies if each.kind == "later")
    assert later.earliest == planted.earliest
    assert all(each.earliest <= later.earliest for each in laid.remedies)
