"""Who writes more in a day than is answered: STOP and HELP work all the same, and nothing is lost."""

from __future__ import annotations

from datetime import date, timedelta

import pytest
from msgspec.structs import replace
from talks import ENGLISH

from bot import data
from bot.dialogue.acts import ASKED_FOR_HELP
from bot.dialogue.records import Grower
from bot.testing import Conversation
from bot.wording.gsm import segments

MONDAY = date(2026, 3, 2)
MOST = 5
LANGUAGES = ("en", "sw", "fr", "ha")
DIALOGUE = data.dialogue(offered=LANGUAGES, most_texts=MOST)
ENOUGH = "I answer again tomorrow"


def phone(texts: int, language: str = "en") -> Conversation:
    """A phone that has sent so many texts today, none of which answers a question."""
    made = Conversation(MONDAY, dialogue=DIALOGUE)
    made.grower = Grower(language=language)
    for _ in range(texts):
        made.say("hello")
    return made


def test_so_many_texts_are_answered_and_then_it_is_said_once_that_no_more_are() -> None:
    one = phone(MOST - 1)
    assert one.say("hello") not in {"", ENOUGH}
    assert ENOUGH in one.say("hello")
    assert [one.say("hello") for _ in range(50)] == [""] * 50


@pytest.mark.parametrize("language", LANGUAGES)
def test_that_no_more_are_answered_costs_one_segment_or_two_in_every_language(
    language: str,
) -> None:
    said = phone(MOST, language).say("hello")
    assert said
    assert segments(said) <= 2


def test_an_answer_that_is_not_answered_is_not_taken_either() -> None:
    one = phone(MOST)
    before = one.grower.session
    one.say_all("1.5 acre", "1.5 acre", "1.5 acre")
    assert one.grower.session == before
    one.today += timedelta(days=1)
    assert "Is the soil good" in one.say("1.5 acre")


def test_stop_is_obeyed_and_said_after_any_number_of_texts() -> None:
    one = phone(MOST + 30)
    assert "no more texts from Fieldbell" in one.say("STOP")
    assert one.grower.stopped


@pytest.mark.parametrize("word", ["HELP", "help", " Help. "])
def test_help_is_answered_after_any_number_of_texts(word: str) -> None:
    one = phone(MOST + 30)
    assert "BACK" in one.say(word)
    assert one.grower.trouble == ASKED_FOR_HELP


@pytest.mark.parametrize("before", [0, MOST - 1, MOST, MOST + 1, MOST + 30])
def test_help_cannot_be_made_to_cost_money(before: int) -> None:
    one = phone(before)
    said = [one.say("HELP") for _ in range(50)]
    within = max(0, MOST - before)
    assert [bool(each) for each in said] == [True] * (within + 1) + [False] * (49 - within)


def test_help_that_gets_no_reply_still_asks_for_a_call() -> None:
    one = phone(MOST)
    one.say("HELP")
    one.grower = replace(one.grower, trouble="")  # somebody has rung
    assert not one.say("HELP")
    assert one.grower.trouble == ASKED_FOR_HELP


def test_help_beyond_the_limit_leaves_the_question_open() -> None:
    one = phone(MOST)
    before = one.grower.session
    one.say_all("HELP", "HELP")
    assert one.grower.session == before


@pytest.mark.parametrize("helps", [1, 2, 3])
def test_that_no_more_are_answered_is_said_to_who_has_asked_for_help_too(helps: int) -> None:
    one = phone(MOST)
    one.say_all(*["HELP"] * helps)
    assert ENOUGH in one.say("hello")
    assert not one.say("hello")
    one.say("HELP")
    assert not one.say("hello")


def test_help_is_answered_again_the_next_day() -> None:
    one = phone(MOST)
    one.say_all("HELP", "HELP")
    one.today += timedelta(days=1)
    for _ in range(MOST):
        assert "BACK" in one.say("HELP")


# Who asks to stop is never held up by a limit: common practice of all who send texts.
@pytest.mark.parametrize("before", ["hello", "HELP"])
def test_stop_takes_effect_at_once_whatever_was_sent_before_and_again(before: str) -> None:
    one = phone(0)
    for _ in range(MOST * 4):
        one.say(before)
    assert one.say("STOP")
    for _ in range(20):
        assert not one.say("STOP")
        assert one.grower.stopped


def test_no_order_of_words_brings_more_replies_than_are_paid_for() -> None:
    one = phone(0)
    said = [one.say(word) for word in ["HELP", "STOP", "hello", "START", "HELP"] * 100]
    # Each text that counts, with what STOP says and what is said once to who has stopped; and
    # beyond the limit one more of each kind.
    assert sum(bool(each) for each in said) <= 3 * MOST + 4


def test_stop_and_start_by_turns_cannot_be_made_to_cost_money() -> None:
    one = phone(MOST + 1)
    said = [one.say(word) for word in ["STOP", "START"] * 20]
    assert len([each for each in said if each]) == 1


def test_ussd_is_never_withheld_and_does_not_count() -> None:
    one = phone(MOST + 5)
    one.channel = "ussd"
    assert all(one.say("") for _ in range(MOST * 2))
    assert one.grower.heard == MOST + 5


def test_the_next_day_everything_is_answered_again() -> None:
    one = phone(MOST + 20)
    one.today += timedelta(days=1)
    assert all(one.say("hello") and ENOUGH not in one.heard[-1] for _ in range(MOST))


def test_a_reminder_goes_out_whatever_was_written() -> None:
    one = Conversation(MONDAY, dialogue=DIALOGUE)
    for text in ENGLISH:
        one.grower = replace(one.grower, heard=0)
        one.say(text)
    for _ in range(MOST + 5):
        one.say("hello")
    plan = one.grower.plan
    assert plan is not None
    assert plan.next_reminder is not None
    assert one.wait_until(plan.next_reminder.day)


def test_without_a_limit_nothing_is_counted() -> None:
    one = Conversation(MONDAY, dialogue=data.dialogue())
    assert all(one.say("hello") for _ in range(300))
    assert (one.grower.heard, one.grower.heard_on) == (0, None)


def test_a_districts_own_questions_for_one_language_count_alike() -> None:
    flows = data.flows()
    own = DIALOGUE.__class__(flows, data.languages(), own={"en": flows}, most_texts=MOST)
    one = Conversation(MONDAY, dialogue=own)
    one.grower = Grower(language="en")
    assert sum(bool(one.say("hello")) for _ in range(MOST * 3)) == MOST + 1
