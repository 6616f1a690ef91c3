"""What an agent brings about: a flow begun, a report made for a grower, a call that was made."""

from __future__ import annotations

from datetime import date, timedelta
from typing import TYPE_CHECKING

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from bot import data
from bot.dialogue.acts import ASKED_FOR_HELP, UNANSWERED
from bot.dialogue.composing import PLAN_BUDGET
from bot.dialogue.planning import change
from bot.dialogue.records import Grower, enqueue
from bot.dialogue.showing import LONGEST_INVITER
from bot.dialogue.slips import SEASON
from bot.testing import Conversation
from bot.wording.gsm import allowed_segments, measure, segments

if TYPE_CHECKING:
    from pathlib import Path

    from bot.dialogue.records import Operation, Plan

MONDAY = date(2026, 3, 2)
DIALOGUE = data.dialogue(offered=("en", "sw", "fr", "ha"))
GROUP = "Mirindi North"

# Low green broad leaves on an acre: spray, wait, clear, plough, ridge, plant, pre-emergence spray.
ANSWERS = (
    *("1 acre", "yes", "none", "broad leaves", "40", "no", "yes", "yes"),
    *("10000", "0", "15000", "10000", "no", "no", "no", "no", "no", "yes", "1", "15", "2"),
    *("1", "today"),
)


def days(count: int) -> timedelta:
    return timedelta(days=count)


def planned(*answers: str) -> Conversation:
    """A grower with a plan that was made on Monday 2 March 2026."""
    phone = Conversation(MONDAY, "en", dialogue=DIALOGUE)
    phone.say_all(*(answers or ANSWERS))
    assert phone.question == ""
    return phone


def plan_of(phone: Conversation) -> Plan:
    assert phone.grower.plan is not None
    return phone.grower.plan


def operation(phone: Conversation, identity: str) -> Operation:
    found = plan_of(phone).find(identity)
    assert found is not None
    return found


def reported(*names: str) -> Conversation:
    """A grower for whom all work up to the last of these was reported on its due day."""
    phone = planned()
    for name in names:
        phone.today = max(phone.today, operation(phone, name).due)
        phone.report(name, done=phone.today)
    return phone


TO_PLANTING = ("spray_fallow", "clear", "plough", "ridge")


# A flow is begun


def test_the_flows_that_can_be_begun_and_no_other() -> None:
    assert DIALOGUE.beginnings == (SEASON, "sprayer", "stakes", "costs", "gaps", "rain")
    for flow in ("report", "weeding", "menu", "welcome", "clearing", "nonsense"):
        with pytest.raises(ValueError, match="field, sprayer, stakes"):
            DIALOGUE.begin(Grower(language="en"), flow, MONDAY)


@pytest.mark.parametrize(("code", "stop"), [("en", "STOP"), ("sw", "ACHA"), ("ha", "TSAYA")])
def test_who_never_heard_from_us_is_told_who_asks_and_how_to_end_it(code: str, stop: str) -> None:
    begun = DIALOGUE.begin(
        Grower(language=code), SEASON, MONDAY, inviter=GROUP, operation="round:1"
    )
    assert {(each.kind, each.operation, each.at) for each in begun.waiting} == {
        ("notice", "round:1", 0)
    }
    text = "\n".join(each.body for each in begun.waiting)
    assert text.startswith(DIALOGUE.voice(code).say("introduction_for", inviter=GROUP))
    assert stop in text
    assert text.endswith(DIALOGUE.open_question(begun))
    assert DIALOGUE.turn(begun, stop, MONDAY).grower.stopped
    answered = DIALOGUE.turn(begun, "1.5 acre", MONDAY).grower
    assert answered.session is not None
    assert (answered.session.state, answered.session.answers["area"]) == ("fertile", "1.5 acre")


def test_the_introduction_stands_in_one_text_with_the_question() -> None:
    """Two segments of 153 septets hold both (3GPP TS 23.038)."""
    (text,) = DIALOGUE.begin(Grower(language="en"), SEASON, MONDAY, inviter=GROUP).waiting
    assert segments(text.body) == 2
    alone = DIALOGUE.begin(Grower(language="en"), SEASON, MONDAY).waiting[0].body
    assert alone.startswith("This is Fieldbell: advice")


@pytest.mark.parametrize("code", ["en", "sw", "fr", "ha"])
def test_the_longest_name_in_an_introduction_fits(code: str) -> None:
    begun = DIALOGUE.begin(Grower(language=code), SEASON, MONDAY, inviter="M" * LONGEST_INVITER)
    assert within_budget([each.body for each in begun.waiting])
    assert len(begun.waiting) <= 2


def within_budget(texts: list[str]) -> bool:
    return all(
        segments(each) <= allowed_segments(PLAN_BUDGET, measure(each).encoding) for each in texts
    )


def test_who_has_no_language_is_asked_for_it_and_led_on() -> None:
    phone = Conversation(MONDAY, dialogue=DIALOGUE)
    texts = phone.begin(SEASON, GROUP)
    said = "\n".join(texts)
    assert said.startswith(GROUP)
    assert all(word in said for word in ("STOP", "ACHA", "TSAYA", "Your language?", "2 Kiswahili"))
    assert within_budget(texts[:-1])  # the question itself holds four languages
    assert len(texts) <= 2
    assert "shamba lina ukubwa" in phone.say("2").lower()
    assert (phone.grower.language, phone.question) == ("sw", "field.area")
    assert phone.grower.session is not None
    assert phone.grower.session.aside is None


def test_back_does_not_lead_past_the_question_for_a_language() -> None:
    phone = Conversation(MONDAY, channel="ussd", dialogue=DIALOGUE)
    phone.begin(SEASON)
    phone.say("00")
    assert phone.question == "welcome.language"


def test_a_known_grower_is_asked_without_an_introduction() -> None:
    phone = planned()
    (text,) = phone.begin(SEASON, GROUP)
    assert text.startswith("Fieldbell, Mon 2 Mar.\nHow big")
    assert "Last time: 1 acre. Send SAME to keep it." in text
    assert GROUP not in text
    phone.say("same")
    assert phone.question == "field.fertile"


def test_a_season_that_is_open_goes_on_from_where_it_stands() -> None:
    phone = Conversation(MONDAY, "en", dialogue=DIALOGUE)
    phone.say_all("1 acre", "yes", "none")
    before = phone.grower.session
    (text,) = phone.begin(SEASON, GROUP)
    assert text.startswith("Fieldbell, Mon 2 Mar.\nWhat grows on the field now?")
    assert phone.grower.session == before
    phone.say("grass")
    assert phone.question == "clearing.height_cm"


def test_a_conversation_broken_into_goes_on_after() -> None:
    phone = planned()
    phone.say_all("new", "2 acres", "yes")
    phone.begin("stakes")
    assert phone.question == "stakes.sprouted_of_20"
    assert "sprout well" in phone.say("18")
    assert phone.question == "field.faults"
    assert phone.grower.session is not None
    assert phone.grower.session.answers["area"] == "2 acre"


def test_a_reminder_that_was_asked_is_asked_again_after() -> None:
    phone = planned()
    phone.wait_until(MONDAY + days(1))
    assert phone.question == "report.report"
    phone.begin("stakes")
    reply = phone.say("18")
    assert "Have you done it?" in reply
    assert phone.grower.session is not None
    assert (phone.question, phone.grower.session.about) == ("report.report", "spray_fallow")
    phone.say("done today")
    assert operation(phone, "spray_fallow").done == MONDAY + days(1)


@pytest.mark.parametrize("flow", ["stakes", SEASON])
def test_a_report_in_words_answers_the_reminder_although_something_else_was_asked_since(
    flow: str,
) -> None:
    phone = planned()
    phone.wait_until(MONDAY + days(1))
    (text,) = phone.begin(flow)
    reply = phone.say("done yesterday")
    assert operation(phone, "spray_fallow").done == MONDAY
    assert reply.endswith(text.partition("\n")[2])
    assert phone.grower.session is not None
    assert phone.grower.session.aside is None


def test_what_was_begun_goes_on_after_a_season_and_old_reports_do_not() -> None:
    phone = planned()
    phone.wait_until(MONDAY + days(1))
    phone.begin("stakes")
    phone.begin(SEASON)
    phone.say_all(*ANSWERS)
    assert phone.question == "stakes.sprouted_of_20"
    phone.say("18")
    assert phone.question == ""


def test_a_measurement_needs_a_plan() -> None:
    new = Grower(language="en")
    for flow in ("sprayer", "stakes", "costs", "gaps", "rain"):
        assert DIALOGUE.begin(new, flow, MONDAY) is new


def test_what_work_waits_for_is_asked_when_that_work_comes_next() -> None:
    phone = planned()
    assert phone.begin("rain") == []
    phone = reported(*TO_PLANTING)
    assert phone.begin("rain") == []  # the ridges have a day to settle first
    phone.today = operation(phone, "plant").earliest
    assert phone.begin("gaps") == []
    (text,) = phone.begin("rain")
    assert "Have one or two good rains fallen" in text
    phone.say_all("yes", "done today")
    assert operation(phone, "plant").done == phone.today


@pytest.mark.parametrize(
    "silent", [{"stopped": True}, {"consent": False}, {"unreachable": "no such number"}]
)
def test_who_gets_direct_replies_only_is_neither_invited_nor_reminded(
    silent: dict[str, object],
) -> None:
    grower = replace(planned().grower, **silent)
    new = Grower(language="en", **silent)  # type: ignore[arg-type]
    assert DIALOGUE.begin(grower, "stakes", MONDAY) is grower
    assert DIALOGUE.begin(new, SEASON, MONDAY) is new
    assert DIALOGUE.remind(grower, MONDAY + days(3)) is grower


@pytest.mark.parametrize("channel", ["sms", "ussd"])
def test_a_text_shows_that_a_grower_is_there_and_agrees(channel: str) -> None:
    planned_ = replace(planned().grower, trouble="no such number")
    silent = replace(planned_, consent=False, unreachable="no such number")
    silent = enqueue(silent, ["A meeting tomorrow."], "notice")
    assert DIALOGUE.turn(silent, "stop", MONDAY, channel).grower.consent is False  # type: ignore[arg-type]
    heard = DIALOGUE.turn(silent, "hello", MONDAY, channel).grower  # type: ignore[arg-type]
    assert (heard.consent, heard.unreachable, heard.trouble) == (True, "", "")
    assert heard.waiting == ()  # it has been waiting for who knows how long
    assert DIALOGUE.remind(heard, MONDAY + days(1)).waiting
    stopped = replace(silent, stopped=True)
    still = DIALOGUE.turn(stopped, "hello", MONDAY, channel).grower  # type: ignore[arg-type]
    assert not still.consent
    assert still.unreachable
    started = DIALOGUE.turn(stopped, "start", MONDAY, channel).grower  # type: ignore[arg-type]
    assert started.receives


def test_another_trouble_stays_when_a_grower_is_reached_again() -> None:
    silent = replace(planned().grower, trouble=ASKED_FOR_HELP, unreachable="no such number")
    assert DIALOGUE.turn(silent, "hello", MONDAY).grower.trouble == ASKED_FOR_HELP


def test_a_question_answered_before_it_went_out_is_not_asked_any_more() -> None:
    begun = DIALOGUE.begin(Grower(language="en"), SEASON, MONDAY, inviter=GROUP)
    begun = enqueue(begun, ["A meeting tomorrow."], "notice")
    answered = DIALOGUE.turn(begun, "1 acre", MONDAY).grower
    assert [each.body for each in answered.waiting] == ["A meeting tomorrow."]


# A report is made for a grower


def replied(phone: Conversation, day: date) -> Plan:
    """The plan as the grower's own reply leaves it."""
    own = Conversation(phone.today, dialogue=phone.dialogue)
    own.grower = phone.grower
    own.say(f"done {day.day}/{day.month}")
    return plan_of(own)


@given(wait=st.integers(1, 30), ago=st.integers(0, 5), reminded=st.booleans())
@settings(max_examples=40, deadline=None)
def test_a_report_moves_the_plan_as_the_growers_own_reply_does(
    wait: int, ago: int, *, reminded: bool
) -> None:
    phone = planned()
    phone.today = MONDAY + days(wait)
    if reminded:
        phone.wait_until(phone.today)
    day = max(MONDAY, phone.today - days(ago))
    theirs = replied(phone, day)
    before = phone.grower
    phone.report("spray_fallow", done=day)
    assert plan_of(phone) == theirs
    assert phone.grower.waiting == before.waiting
    assert phone.question == ""


def test_work_put_off_by_an_agent_moves_what_follows_and_its_reminder() -> None:
    phone = planned()
    until = MONDAY + days(10)
    before = plan_of(phone)
    phone.report("spray_fallow", not_before=until)
    assert operation(phone, "spray_fallow").due == until
    reminder = plan_of(phone).next_reminder
    assert reminder is not None
    assert (reminder.operation, reminder.day) == ("spray_fallow", until)
    was = before.find("clear")
    assert was is not None
    assert operation(phone, "clear").due == was.due + days(10)


def test_a_report_takes_back_the_reminder_that_waits_and_closes_its_question() -> None:
    phone = planned()
    phone.grower = DIALOGUE.remind(phone.grower, MONDAY + days(1))
    phone.today = MONDAY + days(1)
    assert phone.grower.waiting
    phone.report("spray_fallow", done=MONDAY)
    assert phone.grower.waiting == ()
    assert DIALOGUE.open_question(phone.grower) == ""


def test_the_answer_to_an_old_reminder_answers_no_other_question() -> None:
    phone = planned()
    phone.say_all("new", "2 acres")
    phone.wait_until(MONDAY + days(1))
    phone.report("spray_fallow", done=phone.today)
    reply = phone.say("1")
    assert phone.question == "field.fertile"
    assert phone.grower.session is not None
    assert "fertile" not in phone.grower.session.answers
    assert "Your plan for" in reply
    phone.say("yes")
    assert phone.question == "field.faults"


@pytest.mark.parametrize(
    ("texts", "question"),
    [
        (("plan",), "field.fertile"),
        (("stakes", "18"), "field.fertile"),
        (("2", "3"), "field.fertile"),
    ],
)
def test_whatever_is_chosen_before_it_the_conversation_aside_goes_on(
    texts: tuple[str, ...], question: str
) -> None:
    phone = planned()
    phone.say_all("new", "2 acres")
    phone.wait_until(MONDAY + days(1))
    phone.report("spray_fallow", done=phone.today)
    phone.say_all(*texts)
    assert phone.question == question


def test_a_reminder_replaces_the_one_before_it_however_deep_that_stands() -> None:
    phone = planned()
    phone.wait_until(MONDAY + days(1))
    phone.begin("stakes")
    phone.wait_until(MONDAY + days(4))
    phone.say("done today")
    assert phone.question == "stakes.sprouted_of_20"
    phone.say("18")
    assert phone.question == ""


def test_a_question_about_reported_work_that_waits_to_go_out_is_taken_back() -> None:
    phone = reported(*TO_PLANTING)
    phone.today = operation(phone, "plant").earliest
    asked = DIALOGUE.begin(phone.grower, "rain", phone.today)
    assert asked.waiting
    told = DIALOGUE.report(asked, "plant", phone.today, done=phone.today)
    assert told.waiting == ()
    assert told.session is None


def test_a_question_about_other_work_stands() -> None:
    phone = planned()
    phone.wait_until(MONDAY + days(1))
    phone.report("harvest_check", not_before=MONDAY + days(300))
    assert phone.question == "report.report"


def test_a_question_about_work_that_was_passed_over_is_closed() -> None:
    phone = planned()
    phone.wait_until(MONDAY + days(1))
    phone.report("plant", done=phone.today)
    assert plan_of(phone).find("spray_fallow") is None
    assert phone.question == ""


def test_of_a_weed_check_an_agent_reports_the_day_alone() -> None:
    phone = reported(*TO_PLANTING, "plant")
    names = {each.id for each in plan_of(phone).operations}
    check = operation(phone, "weed_check_1")
    phone.today = check.due
    phone.report("weed_check_1", done=check.due)
    assert plan_of(phone).diary == ()
    assert {each.id for each in plan_of(phone).operations} <= names
    assert phone.question == ""


@pytest.mark.parametrize(
    ("identity", "dates", "why"),
    [
        ("harrow", {"done": MONDAY}, "no operation 'harrow'"),
        ("spray_fallow", {}, "either"),
        ("spray_fallow", {"done": MONDAY, "not_before": MONDAY}, "either"),
        ("spray_fallow", {"done": MONDAY + days(1)}, "still to come"),
        ("spray_fallow", {"not_before": MONDAY - days(1)}, "must be from"),
        ("spray_fallow", {"not_before": MONDAY + days(366)}, "must be from"),
    ],
)
def test_what_cannot_be_is_not_reported(identity: str, dates: dict[str, date], why: str) -> None:
    with pytest.raises(ValueError, match=why):
        planned().report(identity, **dates)


def test_nothing_is_reported_twice_or_before_what_it_follows_or_without_a_plan() -> None:
    phone = planned()
    phone.today = MONDAY + days(20)
    phone.report("spray_fallow", done=MONDAY + days(2))
    with pytest.raises(ValueError, match="already"):
        phone.report("spray_fallow", done=MONDAY)
    with pytest.raises(ValueError, match="2026-03-04, when spray_fallow was done"):
        phone.report("clear", done=MONDAY + days(1))
    with pytest.raises(ValueError, match="no operation"):
        DIALOGUE.report(Grower(), "plant", MONDAY, done=MONDAY)


def test_a_report_is_taken_for_who_gets_no_texts() -> None:
    phone = planned()
    phone.grower = replace(phone.grower, stopped=True)
    phone.report("spray_fallow", done=MONDAY)
    assert operation(phone, "spray_fallow").done == MONDAY
    assert phone.grower.stopped


# How late work was, and how much herbicide was advised


def test_late_are_the_days_past_the_due_day() -> None:
    phone = planned()
    assert operation(phone, "spray_fallow").due == MONDAY
    phone.today = MONDAY + days(6)
    phone.report("spray_fallow", done=MONDAY + days(4))
    assert operation(phone, "spray_fallow").late == 4
    due = operation(phone, "clear").due
    phone.today = due
    phone.report("clear", done=due)
    assert operation(phone, "clear").late == 0


def test_reminders_do_not_make_work_any_less_late() -> None:
    phone = planned()
    first = None
    for day in range(1, 15):
        if phone.wait_until(MONDAY + days(day)) and first is None:
            first = phone.today
    assert first == MONDAY + days(1)
    assert operation(phone, "spray_fallow").reminded == 3
    phone.say(f"done {phone.today.day}/{phone.today.month}")
    # From the first reminder on 3 March to 16 March.
    assert operation(phone, "spray_fallow").late == 13


def test_work_put_off_is_late_from_the_day_it_was_put_off_to() -> None:
    phone = planned()
    phone.report("spray_fallow", not_before=MONDAY + days(5))
    phone.today = MONDAY + days(8)
    phone.report("spray_fallow", done=phone.today)
    assert operation(phone, "spray_fallow").late == 3


def test_the_millilitres_advised_are_the_area_times_the_rate() -> None:
    """An acre is 0.40468564224 ha (international acre, NIST SP 811, appendix B)."""
    phone = planned()
    figures = DIALOGUE.flows.figures
    glyphosate = round(figures["glyphosate_360_l_per_ha"] * 404.68564224)
    assert glyphosate == 1619  # 4 L/ha
    preemergence = round(figures["isoxaflutole_aclonifen_l_per_acre"] * 1000)
    assert {each.id: each.ml for each in plan_of(phone).operations if each.ml} == {
        "spray_fallow": glyphosate,
        "spray_preemergence": preemergence,
    }
    said = " ".join(phone.heard)
    assert f"Buy {glyphosate / 1000:.2f} L" in said
    assert f"Buy {preemergence / 1000:g} L" in said
    phone.report("spray_fallow", done=MONDAY)
    assert operation(phone, "spray_fallow").ml == glyphosate


def test_hard_weeds_take_more_and_who_uses_no_herbicide_none() -> None:
    hard = planned(*ANSWERS[:5], "yes", *ANSWERS[6:])
    assert operation(hard, "spray_fallow").ml == round(5 * 404.68564224)
    by_hand = Conversation(MONDAY, "en", dialogue=DIALOGUE)
    while by_hand.question:
        by_hand.say("no" if by_hand.question == "clearing.herbicide_ok" else "?")
    assert not any(each.ml for each in plan_of(by_hand).operations)


@pytest.mark.parametrize(("product", "ml"), [("glyphosate", 1619), ("glufosinate", 0)])
def test_a_shielded_spray_counts_where_a_rate_is_known(product: str, ml: int) -> None:
    phone = reported(*TO_PLANTING, "plant")
    plan = plan_of(phone)
    planted = operation(phone, "plant").done
    assert planted is not None
    for name in ("gap_fill", "weed_check_1", "weed_check_2"):
        plan = change(plan, replace(operation(phone, name), done=planted + days(30)))
    phone.grower = replace(phone.grower, plan=replace(plan, last_group=None))
    phone.today = planted + days(60)
    phone.wait_until(phone.today)
    phone.say_all("done today", "2", "2", "2", product)
    added = [each for each in plan_of(phone).operations if each.name == "spray_shielded"]
    assert [each.ml for each in added] == [ml]


# Help


def test_help_at_a_reminder_is_for_an_agent_and_keeps_the_plan() -> None:
    phone = planned()
    phone.wait_until(MONDAY + days(1))
    before = phone.grower.plan
    phone.say("3")
    assert phone.grower.trouble == ASKED_FOR_HELP
    assert phone.grower.plan == before
    settled = DIALOGUE.settled(phone.grower)
    assert settled == replace(phone.grower, trouble="")


def test_an_agents_report_says_that_the_silent_one_was_reached() -> None:
    phone = planned()
    phone.grower = replace(phone.grower, trouble=UNANSWERED)
    phone.report("spray_fallow", done=MONDAY)
    assert phone.grower.trouble == ""


def test_the_open_question_is_the_one_on_the_phone() -> None:
    phone = Conversation(MONDAY, dialogue=DIALOGUE)
    assert DIALOGUE.open_question(phone.grower) == ""
    for text in ("hi", "1", "1 acre", "yes", "none"):
        phone.say(text)
        asked = DIALOGUE.open_question(phone.grower)
        assert asked
        assert phone.last.endswith(asked)
    gone = replace(
        phone.grower, session=phone.grower.session and replace(phone.grower.session, flow="x")
    )
    assert DIALOGUE.open_question(gone) == ""


def test_who_has_questions_of_their_own_in_the_district_is_asked_those(tmp_path: Path) -> None:
    file = tmp_path / "district.yaml"
    file.write_text(
        "flows_for:\n  sw:\n    field:\n      area:\n        ask: How big is it here?\n"
        "        area: true\n        unsure_is_unknown: true\n        then: known_or_paced\n"
        "texts:\n  sw:\n    field.area: Hapa shamba ni kubwa kiasi gani?\n",
        encoding="utf-8",
    )
    dialogue = data.dialogue(district=file)
    assert "sw" in dialogue.own
    begun = dialogue.begin(Grower(language="sw"), SEASON, MONDAY)
    assert begun.waiting[-1].body.endswith("Hapa shamba ni kubwa kiasi gani?")
    assert dialogue.open_question(begun) == "Hapa shamba ni kubwa kiasi gani?"
    swahili = replace(planned().grower, language="sw")
    reported_ = dialogue.report(swahili, "spray_fallow", MONDAY, done=MONDAY).plan
    english = dialogue.report(planned().grower, "spray_fallow", MONDAY, done=MONDAY).plan
    assert reported_ == english
