"""STOP and START: in any state, in every language, at once; and nothing scheduled gets past them."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from itertools import product
from typing import TYPE_CHECKING

import pytest
import yaml
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule
from msgspec.structs import replace
from talks import ENGLISH

from bot import data
from bot.dialogue.records import Grower, Session, Waiting, enqueue
from bot.reminders.schedule import next_due, reminder_moment, text_due
from bot.settings import Settings

if TYPE_CHECKING:
    from bot.dialogue.records import Channel

MONDAY = date(2026, 3, 2)
SETTINGS = Settings(zone="UTC")
LANGUAGES = ("en", "sw", "fr", "ha")
DIALOGUE = data.dialogue(offered=LANGUAGES)
CHANNELS: tuple[Channel, Channel] = ("sms", "ussd")


def words(command: str) -> list[str]:
    """All the words for a command in any language, as the words files have them."""
    found: list[str] = []
    for code in LANGUAGES:
        file = data.folder("locales") / code / "words.yaml"
        raw = yaml.load(file.read_text(encoding="utf-8"), Loader=yaml.BaseLoader)  # noqa: S506 - builds no objects
        found += raw["commands"][command]
    return list(dict.fromkeys(found))


STOPS, STARTS = words("stop"), words("start")


def planned(language: str = "en") -> Grower:
    grower = Grower()
    for text in ENGLISH:
        grower = DIALOGUE.turn(grower, text, MONDAY).grower
    assert grower.plan is not None
    return replace(grower, language=language)


PLANNED = planned()


def noon(day: date) -> float:
    return datetime(day.year, day.month, day.day, 12, tzinfo=UTC).timestamp()


def everywhere() -> list[Grower]:
    """Growers at every question, with a conversation aside and texts waiting, and at none."""
    standing = [Grower(), Grower(language="sw"), PLANNED]
    for step in DIALOGUE.flows.steps():
        if step.kind == "ask":
            version = DIALOGUE.flows.flows[step.flow].version
            aside = Session("clearing", "cover", version)
            session = Session(step.flow, step.name, version, about="plant", aside=aside, rest="x")
            standing.append(enqueue(replace(PLANNED, session=session), ["Come."], "notice"))
    return standing


def sayings(name: str) -> set[str]:
    return {voice.say(name) for voice in DIALOGUE.voices.values()}


@pytest.mark.parametrize("channel", CHANNELS)
def test_stop_and_start_work_at_every_question_in_the_words_of_every_language(
    channel: Channel,
) -> None:
    for grower, word in product(everywhere(), STOPS):
        turn = DIALOGUE.turn(grower, f" {word.upper()} ", MONDAY, channel)
        where = (grower.session, word)
        assert set(turn.replies) <= sayings("stopped"), where
        assert len(turn.replies) == 1, where
        assert not turn.more, where
        assert turn.grower.stopped, where
        assert turn.grower.waiting == (), where
        assert next_due(turn.grower, SETTINGS) is None, where
        kept = grower.session and replace(grower.session, rest="")
        assert turn.grower.session == kept, where
    for word in STARTS:
        stopped = DIALOGUE.turn(PLANNED, "stop", MONDAY, channel).grower
        turn = DIALOGUE.turn(stopped, word, MONDAY, channel)
        assert not turn.grower.stopped, word
        assert next_due(turn.grower, SETTINGS) == next_due(PLANNED, SETTINGS), word


def test_stop_is_confirmed_once_by_sms_and_a_phone_that_talks_is_not_answered_for_ever() -> None:
    turn = DIALOGUE.turn(PLANNED, "stop", MONDAY)
    assert len(turn.replies) == 1
    assert DIALOGUE.turn(turn.grower, "acha", MONDAY).replies == ()
    said = []
    grower = turn.grower
    for _ in range(48):
        turn = DIALOGUE.turn(grower, "I am driving.", MONDAY)
        grower = turn.grower
        said += turn.replies
    assert said == [DIALOGUE.voice("en").say("still_stopped")]
    turn = DIALOGUE.turn(grower, "1", MONDAY + timedelta(days=1))
    assert turn.replies == (DIALOGUE.voice("en").say("still_stopped"),)
    assert turn.grower.stopped


def test_a_second_stop_leaves_the_confirmation_that_waits_to_go_out() -> None:
    turn = DIALOGUE.turn(PLANNED, "stop", MONDAY)
    waiting = enqueue(turn.grower, turn.replies, "reply")
    again = DIALOGUE.turn(waiting, "stop", MONDAY).grower
    assert again.waiting == waiting.waiting
    assert text_due(again, noon(MONDAY), SETTINGS) == waiting.waiting[0]


def test_on_ussd_each_screen_says_something() -> None:
    grower = DIALOGUE.turn(PLANNED, "stop", MONDAY, "ussd").grower
    for text in ("stop", "", "1", "1"):
        turn = DIALOGUE.turn(grower, text, MONDAY, "ussd")
        assert len(turn.replies) == 1
        assert not turn.more
        grower = turn.grower
    assert grower.stopped


def test_what_waited_while_a_grower_was_stopped_does_not_go_out_after_start() -> None:
    stopped = DIALOGUE.turn(PLANNED, "stop", MONDAY).grower
    late = enqueue(stopped, ["A meeting tomorrow."], "notice")
    assert next_due(late, SETTINGS) is None
    assert DIALOGUE.turn(late, "start", MONDAY).grower.waiting == ()


TEXTS = [
    *("1", "2", "3", "0", "00", "yes", "no", "?", "done", "done today", "not yet", "2 tomorrow"),
    *("hello", "plan", "help", "new", "back", "same", "language", "1 acre", "", "paraquat", "12"),
]


class OptingOut(RuleBasedStateMachine):
    """A grower, an agent, a round and a sender, all at once; `stopped` is what must be so."""

    def __init__(self) -> None:
        super().__init__()
        self.grower = Grower()
        self.today = MONDAY
        self.stopped = False
        self.told: list[date] = []

    @initialize(language=st.sampled_from(["", *LANGUAGES]), with_plan=st.booleans())
    def meet(self, language: str, *, with_plan: bool) -> None:
        self.grower = replace(PLANNED if with_plan else Grower(), language=language)

    @rule(
        text=st.sampled_from([*TEXTS, *TEXTS, *STOPS, *STARTS]), channel=st.sampled_from(CHANNELS)
    )
    def text(self, text: str, channel: Channel) -> None:
        was = self.stopped
        turn = DIALOGUE.turn(self.grower, text, self.today, channel)
        self.grower = turn.grower
        if text in STOPS:
            self.stopped = True
            if not was:
                assert set(turn.replies) <= sayings("stopped")
                assert self.grower.waiting == ()
        elif was and text in STARTS:
            self.stopped = False
            self.told = []
        assert self.grower.stopped == self.stopped
        if was and self.stopped and channel == "sms":
            assert set(turn.replies) <= sayings("still_stopped")
            self.told += [self.today] * len(turn.replies)
        elif text not in STOPS or not was:
            assert turn.replies

    @rule(days=st.integers(0, 20))
    def a_day_comes(self, days: int) -> None:
        self.today += timedelta(days=days)
        before = self.grower
        self.grower = DIALOGUE.remind(before, self.today)
        assert not self.stopped or self.grower is before

    @rule(flow=st.sampled_from(DIALOGUE.beginnings))
    def a_round_begins_a_flow(self, flow: str) -> None:
        before = self.grower
        self.grower = DIALOGUE.begin(before, flow, self.today, inviter="Mirindi", operation="round")
        assert not self.stopped or self.grower is before

    @rule()
    def a_round_puts_a_text_that_lost_its_race(self) -> None:
        self.grower = enqueue(self.grower, ["A meeting tomorrow."], "notice", "round")

    @rule(place=st.integers(0, 11), done=st.booleans())
    def an_agent_reports(self, place: int, *, done: bool) -> None:
        plan = self.grower.plan
        open_ = [each for each in plan.operations if not each.done] if plan else []
        if not open_:
            return
        operation = open_[place % len(open_)]
        before = self.grower.waiting
        try:
            self.grower = DIALOGUE.report(
                self.grower,
                operation.id,
                self.today,
                done=self.today if done else None,
                not_before=None if done else self.today + timedelta(days=3),
            )
        except ValueError as error:
            assert "is before" in str(error)  # noqa: PT017 - an earlier one was done later
        assert {each.serial for each in self.grower.waiting} <= {each.serial for each in before}

    @rule()
    def the_sender_sends(self) -> None:
        while text := text_due(self.grower, noon(self.today), SETTINGS):
            assert not self.stopped or text.kind == "reply"
            waiting = tuple(each for each in self.grower.waiting if each is not text)
            self.grower = replace(self.grower, waiting=waiting)

    @invariant()
    def nothing_is_due_until_start(self) -> None:
        assert self.grower.stopped == self.stopped
        assert len(self.told) == len(set(self.told))  # once a day at most
        due = next_due(self.grower, SETTINGS, noon(self.today))
        replies = [each for each in self.grower.waiting if each.kind == "reply"]
        if self.stopped:
            assert (due is None) == (not replies)
            found: Waiting | None = text_due(self.grower, 2.0**32, SETTINGS)
            assert found is None or found.kind == "reply"
        elif self.grower.plan is not None and self.grower.plan.next_reminder is not None:
            waits = any(each.kind == "reminder" for each in self.grower.waiting)
            assert (reminder_moment(self.grower, SETTINGS) is None) == waits
            assert due is not None


OptingOut.TestCase.settings = settings(max_examples=60, stateful_step_count=40, deadline=None)
TestOptingOut = OptingOut.TestCase
