"""The rain gate: planting is not asked about before rain is, and the plan waits with the grower."""

from __future__ import annotations

from datetime import date, timedelta
from typing import TYPE_CHECKING

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bot import data
from bot.dialogue.acts import UNANSWERED, UNREAD
from bot.testing import Conversation

if TYPE_CHECKING:
    from bot.dialogue.records import Operation, Plan

MONDAY = date(2026, 3, 2)
DIALOGUE = data.dialogue()

# Low green broad leaves on an acre: spray, wait, clear, plough, ridge, plant, pre-emergence spray.
SEASON = (
    *("1 acre", "yes", "none", "broad leaves", "40", "no", "yes", "yes"),
    *("10000", "0", "15000", "10000", "no", "no", "no", "no", "no", "yes", "1", "15", "2"),
)

# By hand, with the waits of flows/figures.yaml (14, 1, 7 and 1 days) and each report on the day:
SPRAYED, CLEARED = date(2026, 3, 3), date(2026, 3, 17)
PLOUGHED, RIDGED = date(2026, 3, 18), date(2026, 3, 25)
GATE = date(2026, 3, 26)
CLOSES = date(2026, 4, 15)
"""Ridges stay fit for planting 21 days."""

ASKED = "Have one or two good rains fallen, so that the soil is moist a hand deep?"


def days(count: int) -> timedelta:
    return timedelta(days=count)


def planned(*when: str) -> Conversation:
    phone = Conversation(MONDAY, "en", dialogue=DIALOGUE)
    phone.say_all(*SEASON, *when)
    assert phone.question == ""
    return phone


def at_the_gate(*when: str, by: date = GATE) -> Conversation:
    """A grower who reported all work on its day, and is asked about rain."""
    phone = planned(*(when or ("1", "today")))
    while phone.today < by:
        sent = phone.wait_until(phone.today + days(1))
        if phone.question == "rain.rained":
            assert any(ASKED in text for text in sent)
            return phone
        if sent:
            phone.say("done today")
    raise AssertionError(f"nothing was asked about rain by {by}")


def plan_of(phone: Conversation) -> Plan:
    assert phone.grower.plan is not None
    return phone.grower.plan


def operation(phone: Conversation, identity: str) -> Operation:
    found = plan_of(phone).find(identity)
    assert found is not None, identity
    return found


def done(phone: Conversation) -> dict[str, tuple[date, date, date, date]]:
    """What is done: its day and its window."""
    return {
        each.id: (each.done, each.earliest, each.due, each.latest)
        for each in plan_of(phone).operations
        if each.done
    }


DONE = {
    "spray_fallow": (SPRAYED,) * 4,
    "clear": (CLEARED,) * 4,
    "plough": (PLOUGHED,) * 4,
    "ridge": (RIDGED,) * 4,
}


def arrivals(phone: Conversation, until: date) -> list[tuple[date, str]]:
    """What reminders bring, day by day, to a grower who says nothing."""
    found = []
    while phone.today < until:
        sent = phone.wait_until(phone.today + days(1))
        if sent:
            found.append((phone.today, "\n".join(sent)))
    return found


# Asked, and asked again


def test_rain_is_asked_about_before_planting_is() -> None:
    phone = at_the_gate()
    assert phone.today == GATE
    assert done(phone) == DONE
    assert phone.last.startswith("Fieldbell, Thu 26 Mar. Planting can begin.")
    assert "1 Yes  2 No" in phone.last
    assert "1 Done" not in phone.last


@pytest.mark.parametrize("answer", ["no", "2", "n", "nope", "?", "not sure"])
def test_without_rain_it_is_asked_again_in_three_days(answer: str) -> None:
    phone = at_the_gate()
    assert phone.say(answer).startswith("Then wait. I ask again on Sun 29 Mar.")
    assert phone.question == ""
    assert arrivals(phone, GATE + days(2)) == []
    ((day, text),) = arrivals(phone, GATE + days(3))
    assert day == date(2026, 3, 29)
    assert ASKED in text
    assert phone.question == "rain.rained"


def test_it_is_asked_every_three_days_and_warned_of_when_the_ridges_will_not_wait() -> None:
    phone = at_the_gate()
    asked, warned, late = [], [], []
    for _ in range(9):
        asked.append(phone.today)
        reply = phone.say("no")
        assert f"I ask again on {phone.today + days(3):%a} {(phone.today + days(3)).day}" in reply
        if "stays fit for planting" in reply:
            assert "stays fit for planting until Wed 15 Apr." in reply
            warned.append(phone.today)
        if " late. Look first" in reply:
            late.append(phone.today)
        phone.wait_until(phone.today + days(1))
        phone.wait_until(phone.today + days(1))
        assert phone.question == ""
        phone.wait_until(phone.today + days(1))
        assert phone.question == "rain.rained"
    assert asked == [GATE + days(3 * place) for place in range(9)]
    # on 10 April two more askings, 13 and 16 April, see the window close on the 15th
    assert warned == [date(2026, 4, 10), date(2026, 4, 13)]
    # from 13 April on the next day to ask, 16 April, lies past it
    assert late == [each for each in asked if each + days(3) > CLOSES]
    assert late[0] == date(2026, 4, 13)
    assert done(phone) == DONE


def test_how_late_planting_is_counts_from_the_closing_of_the_window() -> None:
    phone = at_the_gate()
    while phone.today < date(2026, 4, 16):
        reply = phone.say("no")
        phone.wait_until(phone.today + days(3))
    assert "plant after rain comes 1 day late." in reply  # 16 against 15 April
    assert "comes 4 days late." in phone.say("no")  # 19 against 15 April


def test_the_plan_moves_with_it_and_nothing_done_moves() -> None:
    phone = at_the_gate()
    before = {each.id: each.due for each in plan_of(phone).operations if not each.done}
    assert len(before) == 8
    phone.say("no")
    after = {each.id: each.due for each in plan_of(phone).operations if not each.done}
    assert after == {identity: day + days(3) for identity, day in before.items()}
    assert done(phone) == DONE
    shown = phone.say("plan")
    assert "Sun 29 Mar: plant after rain" in shown
    assert "Mon 16 Mar" not in shown


def test_a_wanted_planting_day_moves_with_the_rain() -> None:
    phone = at_the_gate("2", "20/4", by=date(2026, 4, 20))
    assert phone.today == date(2026, 4, 20)
    before = done(phone)
    reply = phone.say("no")
    assert reply.startswith("Then wait. I ask again on Thu 23 Apr.")
    assert "cannot plant" not in reply
    assert operation(phone, "plant").due == date(2026, 4, 23)
    assert done(phone) == before


def test_rains_that_are_expected_are_asked_about_on_that_day() -> None:
    phone = at_the_gate("3", "20/4", by=date(2026, 4, 20))
    assert phone.today == date(2026, 4, 20)
    # by hand: planting day less 1, 7, 1 and 14 days
    assert operation(phone, "ridge").done == date(2026, 4, 19)
    assert operation(phone, "plough").done == date(2026, 4, 12)
    assert operation(phone, "clear").done == date(2026, 4, 11)
    assert operation(phone, "spray_fallow").done == date(2026, 3, 28)


# Rain, and then planting


@pytest.mark.parametrize("answer", ["yes", "1", "y", "ok"])
def test_rain_begins_the_report_on_planting(answer: str) -> None:
    phone = at_the_gate()
    reply = phone.say(answer)
    assert reply.startswith("Good: plant now, while the soil is moist.")
    assert "Have you done it?" in reply
    assert phone.question == "report.report"
    assert plan_of(phone).ready == ("plant",)
    assert "Noted: done on Thu 26 Mar." in phone.say("done today")
    assert operation(phone, "plant").done == GATE


def test_planted_alone_is_asked_for_its_day_after_rain() -> None:
    phone = at_the_gate()
    phone.say_all("yes", "done")
    assert phone.question == "report.done_on"
    phone.say("yesterday")
    assert operation(phone, "plant").done == date(2026, 3, 25)


@pytest.mark.parametrize("answer", ["done", "done.", "already", "finished"])
def test_planted_alone_is_asked_for_its_day_at_the_gate(answer: str) -> None:
    # The spray within a day and the 8 weeks count from it; the question itself invites DONE
    # of whoever has planted before, so it must not be taken as today.
    phone = at_the_gate()
    reply = phone.say(answer)
    assert "Noted: done on" not in reply
    assert phone.question == "report.done_on"
    phone.say("yesterday")
    assert operation(phone, "plant").done == date(2026, 3, 25)


@pytest.mark.parametrize(
    ("answer", "day"),
    [
        ("done today", GATE),
        ("done yesterday", date(2026, 3, 25)),
        ("1 yesterday", date(2026, 3, 25)),
        ("1 today", GATE),
        ("yes, yesterday", date(2026, 3, 25)),
        ("25/3", date(2026, 3, 25)),
        ("yesterday", date(2026, 3, 25)),
    ],
)
def test_planting_is_reported_at_the_gate(answer: str, day: date) -> None:
    phone = at_the_gate()
    assert "Noted: done on" in phone.say(answer)
    assert operation(phone, "plant").done == day
    assert phone.question == ""


@pytest.mark.parametrize(
    ("answer", "day"),
    [
        ("2 friday", date(2026, 3, 27)),
        ("not yet friday", date(2026, 3, 27)),
        ("not yet, friday", date(2026, 3, 27)),
        ("no, monday", date(2026, 3, 30)),
        ("2 tomorrow", date(2026, 3, 27)),
        ("tomorrow", date(2026, 3, 27)),
        ("2 2/4", date(2026, 4, 2)),
    ],
)
def test_planting_is_put_off_to_a_day_on_which_rain_is_asked_about(answer: str, day: date) -> None:
    phone = at_the_gate()
    assert phone.say(answer).startswith("Noted: not before")
    assert operation(phone, "plant").due == day
    assert done(phone) == DONE
    ((arrived, text),) = arrivals(phone, day)
    assert arrived == day
    assert ASKED in text
    assert phone.question == "rain.rained"


def test_not_yet_alone_is_asked_for_its_day() -> None:
    phone = at_the_gate()
    phone.say("not yet")
    assert phone.question == "report.promised_on"
    assert "Noted: not before Fri 27 Mar." in phone.say("friday")


def test_who_puts_planting_off_after_rain_is_asked_about_rain_again() -> None:
    phone = at_the_gate()
    phone.say_all("yes", "2 monday")
    assert plan_of(phone).ready == ()
    phone.wait_until(date(2026, 3, 30))
    assert phone.question == "rain.rained"


@pytest.mark.parametrize("answer", ["done 24/3", "1 24/3", "24/3"])
def test_planting_before_the_ridges_is_asked_again(answer: str) -> None:
    phone = at_the_gate()
    reply = phone.say(answer)
    assert reply.startswith("That is before Wed 25 Mar, when the work before it was done")
    assert phone.question == "report.report"
    assert operation(phone, "plant").done is None


@pytest.mark.parametrize("answer", ["maybe rain", "12", "it is dry", "0"])
def test_what_is_no_answer_is_asked_again_and_in_the_end_a_person_rings(answer: str) -> None:
    phone = at_the_gate()
    for _ in range(3):
        reply = phone.say(answer)
        assert reply.startswith("Please answer 1 for yes or 2 for no. If you have planted")
        assert ASKED in reply
        assert phone.question == "rain.rained"
    assert phone.grower.trouble == UNREAD
    assert operation(phone, "plant").due == GATE


def test_commands_leave_the_question_about_rain_open() -> None:
    phone = at_the_gate()
    for command in ("plan", "help", "back"):
        assert ASKED in phone.say(command)
        assert phone.question == "rain.rained"
    assert phone.say("no").startswith("Then wait.")


def test_planting_is_reported_without_being_asked() -> None:
    phone = at_the_gate()
    phone.say("no")
    phone.today = GATE + days(1)
    assert "Noted: done on Thu 26 Mar." in phone.say("done yesterday")
    assert arrivals(phone, GATE + days(1)) == []


def test_the_talk_it_broke_into_goes_on_after_it() -> None:
    phone = at_the_gate()
    phone.say("no")
    phone.say("costs")
    assert phone.question == "costs.wage_per_day"
    phone.wait_until(GATE + days(3))
    assert phone.question == "rain.rained"
    reply = phone.say("no")
    assert reply.startswith("Then wait. I ask again on Wed 1 Apr.")
    assert "What does a helper get for a day" in reply
    assert phone.question == "costs.wage_per_day"


# What counts from planting


def test_everything_counts_from_the_day_reported() -> None:
    phone = at_the_gate()
    phone.say("no")
    phone.wait_until(GATE + days(3))
    phone.say("yes")
    phone.today = date(2026, 4, 1)
    phone.say("done 30/3")
    planted = date(2026, 3, 30)
    # days after planting in flows/figures.yaml
    assert {
        each.id: (each.due - planted).days for each in plan_of(phone).operations if not each.done
    } == {
        "gap_fill": 14,
        "weed_check_1": 21,
        "weed_check_2": 42,
        "weed_check_3": 56,
        "weed_check_4": 84,
        "harvest_check": 270,
    }
    assert done(phone) == DONE | {"plant": (planted,) * 4}


@pytest.mark.parametrize(("answer", "left"), [("done today", 1), ("done yesterday", 0)])
def test_the_pre_emergence_spray_is_within_a_day_of_the_reported_planting(
    answer: str, left: int
) -> None:
    phone = at_the_gate()
    reply = phone.say(answer)
    assert "leave it out" not in reply
    spray = operation(phone, "spray_preemergence")
    assert spray.due == GATE
    assert (spray.latest - GATE).days == left
    # its reminder comes on the very day
    (text,) = phone.wait_until(GATE)[-1:]
    assert "Fieldbell, Thu 26 Mar: Spray the bare soil" in text
    assert phone.question == "report.report"


@pytest.mark.parametrize(
    ("answer", "late"),
    [("done 27/3", "1 day"), ("done 26/3", "2 days"), ("done 25/3", "3 days")],  # asked on 29 March
)
def test_it_is_left_out_when_planting_was_longer_ago(answer: str, late: str) -> None:
    phone = at_the_gate()
    phone.say("no")
    phone.wait_until(GATE + days(3))
    reply = phone.say(answer)
    assert f"pre-emergence spray comes {late} too late to work: leave it out." in reply
    assert plan_of(phone).find("spray_preemergence") is None
    assert "Spray the bare soil" not in "".join(
        text for _, text in arrivals(phone, GATE + days(30))
    )


def test_it_is_left_out_when_its_reminder_is_not_answered_in_time() -> None:
    phone = at_the_gate()
    phone.say("done today")
    assert phone.wait_until(GATE)
    later = arrivals(phone, GATE + days(12))
    assert all("Spray the bare soil" not in text for _, text in later)
    assert plan_of(phone).find("spray_preemergence") is None


# Silence and STOP


def test_silence_brings_two_more_askings_and_then_a_person() -> None:
    phone = at_the_gate()
    assert phone.grower.trouble == ""
    found = arrivals(phone, GATE + days(60))
    # 3 days on, and 7 more
    assert [day for day, _ in found] == [date(2026, 3, 29), date(2026, 4, 5)]
    assert all(ASKED in text for _, text in found)
    assert phone.grower.trouble == UNANSWERED
    assert phone.question == "rain.rained"
    # who answers at last is heard
    assert phone.say("no").startswith("Then wait. I ask again on Thu 28 May.")
    assert phone.grower.trouble == ""
    assert done(phone) == DONE


def test_silence_after_rain_brings_the_work_itself_twice_more() -> None:
    phone = at_the_gate()
    phone.say("yes")
    found = arrivals(phone, GATE + days(60))
    assert [day for day, _ in found] == [date(2026, 3, 29), date(2026, 4, 5)]
    for _, text in found:
        assert "Plant on the moist soil" in text
        assert "1 Done  2 Not yet  3 Help" in text
        assert ASKED not in text
    assert phone.grower.trouble == UNANSWERED


@pytest.mark.parametrize("before", [(), ("yes",)])
def test_stop_in_the_middle_stops_all_and_start_goes_on(before: tuple[str, ...]) -> None:
    phone = at_the_gate()
    for text in before:
        phone.say(text)
    question = phone.question
    assert "You will get no more texts" in phone.say("STOP")
    assert arrivals(phone, GATE + days(30)) == []
    assert "You asked for no more texts." in phone.say("no")
    assert operation(phone, "plant").promised is None
    assert "Welcome back" in phone.say("START")
    assert phone.question == question
    phone.say("done yesterday")
    assert operation(phone, "plant").done == GATE + days(29)
    assert done(phone).items() >= DONE.items()


@settings(max_examples=60)
@given(
    st.lists(
        st.tuples(
            st.sampled_from(["no", "2", "?", "yes", "2 tomorrow", "not yet", "rain?", "stop", ""]),
            st.integers(0, 9),
        ),
        max_size=12,
    )
)
def test_whatever_is_answered_nothing_done_moves_and_the_rest_hangs_together(
    said: list[tuple[str, int]],
) -> None:
    phone = Conversation(MONDAY, dialogue=DIALOGUE)
    phone.grower, phone.today = AT_GATE, GATE
    for text, wait in said:
        if text:
            phone.say(text)
        phone.wait_until(phone.today + days(wait))
        assert done(phone).items() >= DONE.items()
        plant = operation(phone, "plant")
        if plant.done:
            return  # "yes" to rain, and "yes" again to planting
        assert plant.earliest >= GATE
        if plant.promised:
            assert plant.due >= plant.promised
        assert operation(phone, "spray_preemergence").due == plant.due
        assert operation(phone, "gap_fill").due == plant.due + days(14)
        assert operation(phone, "weed_check_3").due == plant.due + days(56)
        reminder = plan_of(phone).next_reminder
        assert reminder is None or reminder.operation == "plant"


AT_GATE = at_the_gate().grower


def test_a_spray_due_today_is_named_with_the_report_of_the_planting() -> None:
    # Its own reminder may come too late: nobody is texted at night.
    phone = at_the_gate()
    said = phone.say("done yesterday")
    assert "Next, Thu 26 Mar: Spray the bare soil with your pre-emergence product." in said


def test_a_spray_that_came_too_late_unreminded_is_said_to_be_left_out() -> None:
    phone = at_the_gate()
    phone.say("done today")
    texts = phone.wait_until(GATE + days(2))
    assert texts == ["pre-emergence spray comes 1 day too late to work: leave it out."]
    assert phone.wait_until(GATE + days(3)) == []
