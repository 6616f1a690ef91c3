"""From every question, any text at all gets a short reply and loses no answer.

And whatever is answered, a season's questions end in a plan, and nothing done ever moves.
"""

from __future__ import annotations

from datetime import date, timedelta
from functools import lru_cache
from itertools import cycle, islice, product
from typing import TYPE_CHECKING

import msgspec
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from msgspec.structs import replace
from talks import ENGLISH

from bot import data
from bot.dialogue.composing import PLAN_BUDGET
from bot.dialogue.planning import change, lay_anew
from bot.dialogue.records import Grower, Session, unsure
from bot.dialogue.walk import Walk
from bot.wording.gsm import segments
from bot.wording.screens import fits_screen

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator

    from bot.dialogue.loading import Flows, Step
    from bot.dialogue.records import Answers, Channel
    from bot.wording.languages import Language

TODAY = date(2026, 3, 4)
MOST_QUESTIONS = 40
"""More than any way through a season asks."""
SEASON = ("field", "clearing", "tillage", "planting")
FORGETTING = {"back", "new", "stop"}

# What the engine knows at the start of a flow that a reminder begins, and of what it speaks.
GIVEN: dict[str, Answers] = {
    "weeding": {"gate_open": True, "last_group": None, "herbicide_ok": True},
    "report": {"operation": "clear", "asked_today": False},
    "rain": {},
    "gaps": {},
}
ABOUT = {"weeding": "weed_check_1", "report": "clear", "rain": "plant", "gaps": "gap_fill"}
STARTS = ("welcome", "field", "menu", *GIVEN, "sprayer", "stakes", "costs")


# An answer to each kind of question, the ones that lead to most questions first.
def answers_to(step: Step) -> Iterator[Answers]:
    """Some answers to a question, enough to reach all that can follow."""
    state = step.state
    if state.choose_any:
        yield {name: name in ("stony", "sloping") for name in step.answers}
        yield dict.fromkeys(step.answers, False)
    elif state.yes_no:
        yield {step.answer: True}
        yield {step.answer: False}
    elif state.number:
        yield {step.answer: int(step.low) + 1}
    elif state.area:
        yield {step.answer: "1.5 acre"}
        yield {step.answer: None, unsure(step.answer): True}  # then it is paced
    elif state.paces:
        yield {step.answer: "1.5 acre"}
    elif state.day:
        yield {step.answer: TODAY.isoformat()}
    elif state.report:
        yield {step.answer: "done", "reported_on": None}
        yield {step.answer: "not_yet", "reported_on": None}
    else:
        yield from ({step.answer: choice} for choice in reversed(list(state.choose)))


def sessions() -> dict[str, Session]:
    """A session at every question of every flow, reached by answering."""
    flows = data.flows()
    found: dict[str, Session] = {}
    ahead = [Walk(flows, name, flows.flows[name].start, GIVEN.get(name, {})) for name in STARTS]
    trails: dict[int, tuple[str, ...]] = {id(walk): () for walk in ahead}
    while ahead:
        walk = ahead.pop(0)
        step = walk.on()
        if step is None or step.kind != "ask" or step.context in found:
            continue
        found[step.context] = Session(
            walk.flow,
            walk.state,
            flows.flows[walk.flow].version,
            answers=dict(walk.answers),
            trail=trails[id(walk)],
            about=ABOUT.get(walk.flow, ""),
        )
        for given_answer in answers_to(step):
            onward = Walk(flows, walk.flow, walk.state, walk.answers | given_answer)
            trails[id(onward)] = (*trails[id(walk)], step.context)
            ahead.append(onward)
    return found


def unsure_sessions() -> list[Session]:
    """The sessions of a grower who answers "?" to every question of a season."""
    dialogue, grower = data.dialogue(), Grower(language="en")
    found = []
    for _ in range(MOST_QUESTIONS):
        grower = dialogue.turn(grower, "?", TODAY).grower
        if grower.session is None:
            return found
        found.append(grower.session)
    raise AssertionError(f"no plan after {MOST_QUESTIONS} answers")


def planted_by(grower: Grower, day: date) -> Grower:
    """The grower after planting on a day, with all before it done."""
    plan = grower.plan
    assert plan is not None
    for each in plan.operations:
        plan = change(plan, replace(each, done=day))
        if each.id == "plant":
            break
    laid = lay_anew(data.flows(), plan, grower.answers, day)
    return replace(grower, plan=laid.plan)


@lru_cache(maxsize=1)
def growers() -> tuple[Grower, ...]:
    """Growers at every question, in each language, new and with a plan of an earlier season."""
    dialogue = data.dialogue()
    planned = Grower()
    for text in ENGLISH:
        planned = dialogue.turn(planned, text, TODAY - timedelta(days=1)).grower
    planned = replace(planned, session=None)
    planted = planted_by(planned, TODAY)
    everywhere = sessions()
    aside = everywhere["clearing.green"]
    standing = []
    for code, session in product(offered(), [*everywhere.values(), *unsure_sessions()]):
        language = "" if session.flow == "welcome" else code
        if session.flow in (*SEASON, "welcome"):
            standing.append(Grower(language=language, session=session))
        if session.flow in GIVEN:
            standing.append(replace(planned, language=code, session=replace(session, aside=aside)))
            standing.append(replace(planted, language=code, session=session))
            gone = replace(session, about="spray_shielded_9")  # which the plan has no more
            standing.append(replace(planted, language=code, session=gone))
        standing.append(replace(planned, language=language, session=session))
    for code in offered():
        standing.append(replace(planned, language=code))
        standing.append(replace(planned, language=code, stopped=True))
    return tuple(standing)


def test_every_question_of_every_flow_is_among_those_tried() -> None:
    questions = {step.context for step in data.flows().steps() if step.kind == "ask"}
    assert sessions().keys() == questions


def command(text: str, language: str) -> str | None:
    words = {code: each.words for code, each in offered().items()}
    if any(each.command(text.replace("\x00", " ")) == "stop" for each in words.values()):
        return "stop"
    return words[language or "en"].command(text.replace("\x00", " "))


@lru_cache(maxsize=1)
def asked_of_a_season() -> frozenset[str]:
    """The names under which a season's answers are kept, and that one was not known."""
    steps = [step for step in data.flows().steps() if step.flow in SEASON]
    return frozenset(name for step in steps for name in (*step.answers, unsure(step.answer)))


def season_answers(session: Session | None) -> Answers:
    """What a grower has told of the field so far, in the conversation or the one aside."""
    while session is not None and session.flow not in SEASON:
        session = session.aside
    if session is None:
        return {}
    asked = asked_of_a_season()
    told = {name: value for name, value in session.answers.items() if name in asked}
    if told.get("area") is None:
        told.pop("area", None)  # not told yet: the pacing that follows finds it
    return told


SAMPLES = [
    *(
        "1",
        "2",
        "3",
        "4",
        "5",
        "0",
        "00",
        "14",
        "1 yesterday",
        "2 Friday",
        "done",
        "bado",
        "tayari",
    ),
    *(
        "yes",
        "no",
        "ndiyo",
        "hapana",
        "?",
        "sijui",
        "1.5 acre",
        "40x60",
        "0x0",
        "ekari moja na nusu",
    ),
    *(
        "60",
        "1.2 m",
        "15,000",
        "15k",
        "today",
        "kesho",
        "12/3",
        "31/2",
        "29/2",
        "paraquat",
        "grass",
    ),
    *("80 55", "80 60 75 55 100", "60 80 90", "1 1 99", "0 0", "27 steps", "500 ml", "75 cm"),
    *("sprayer", "stakes", "costs", "weeding", "1 today", "2 2/4", "none", "100", "20", "rains"),
    *(
        "help",
        "back",
        "plan",
        "new",
        "same",
        "more",
        "stop",
        "start",
        "language",
        "lugha",
        "mpango",
    ),
    *(
        "9" * 16,
        "9" * 400,
        "1/0",
        "-1",
        "1e308",
        "\u0661\u0662",
        "\u00bd acre",
        "\x00",
        "\f",
        "{area}",
    ),
    *(
        "\U0001f44d",
        "\U0001f33f" * 100,
        "x" * 10_000,
        "1" * 10_000,
        "\ud7ff",
        "\u202e1",
        "shamba \u0644\u0627",
    ),
]
TEXTS = st.one_of(
    st.text(max_size=60),
    st.sampled_from(SAMPLES),
    st.text(alphabet="0123456789.,/-x \u00bd", max_size=30),
    st.builds(" ".join, st.lists(st.sampled_from(SAMPLES), min_size=1, max_size=4)),
    st.text(min_size=1, max_size=12).map(lambda piece: (piece * 10_000)[:10_000]),
)


CHANNELS: tuple[Channel, ...] = ("sms", "ussd")


def on_both() -> Iterable[tuple[Grower, Channel]]:
    """Every grower on both channels."""
    return product(growers(), CHANNELS)


def on_one(place: int) -> Iterable[tuple[Grower, Channel]]:
    """Every grower on one channel, in turn; with the next place, on the other."""
    return zip(growers(), islice(cycle(CHANNELS), place % len(CHANNELS), None), strict=False)


def check(text: str, tried: Iterable[tuple[Grower, Channel]]) -> None:
    """Send a text from every question, and look at all that must hold."""
    dialogue = data.dialogue()
    for grower, channel in tried:
        turn = dialogue.turn(grower, text, TODAY, channel)
        where = (grower.session, grower.language, channel, turn.replies)
        # Who has stopped is not answered by SMS each time; that may be a phone talking.
        assert turn.replies or (grower.stopped and channel == "sms"), where
        assert all(reply.strip() for reply in turn.replies), where
        if channel == "sms":
            assert all(segments(reply) <= PLAN_BUDGET for reply in turn.replies), where
        else:
            assert len(turn.replies) == 1, where
            assert fits_screen(turn.replies[0]), where
        after = turn.grower
        packed = msgspec.msgpack.encode(after)
        assert msgspec.msgpack.decode(packed, type=Grower) == after, where
        said = (
            "back" if channel == "ussd" and text.strip() == "00" else command(text, grower.language)
        )
        gave_up = grower.session is not None and grower.session.state == "go_on"
        if said in FORGETTING or (gave_up and after.session is None) or grower.stopped:
            continue
        kept = after.answers | season_answers(after.session)
        assert season_answers(grower.session).items() <= kept.items(), where
        assert after.language or not grower.language, where


@settings(max_examples=20, deadline=None)
@given(text=TEXTS)
@example(text="")
def test_any_text_from_every_question_gets_a_reply_within_limits_and_loses_nothing(
    text: str,
) -> None:
    check(text, on_both())


@pytest.mark.slow
@settings(max_examples=500, deadline=None)
@given(text=TEXTS)
def test_so_do_many_more_texts(text: str) -> None:
    check(text, on_both())


@pytest.mark.parametrize(
    "each", ["channel in turn", pytest.param("on both", marks=pytest.mark.slow)]
)
def test_so_does_each_of_the_real_looking_answers(each: str) -> None:
    failed = {}
    for place, text in enumerate(SAMPLES):
        try:
            check(text, on_both() if each == "on both" else on_one(place))
        except Exception as error:  # noqa: BLE001 - the list of all that fail says more than the first
            failed[text[:20]] = f"{type(error).__name__}: {str(error)[:300]}"
    assert failed == {}


@settings(max_examples=40, deadline=None)
@given(texts=st.lists(st.one_of(st.sampled_from(SAMPLES[:78]), st.text(max_size=8)), max_size=40))
def test_any_run_of_texts_from_a_new_number_is_answered(texts: list[str]) -> None:
    dialogue, grower, today = data.dialogue(), Grower(), TODAY
    for place, text in enumerate(texts):
        turn = dialogue.turn(grower, text, today, "ussd" if place % 3 == 2 else "sms")
        assert turn.replies or grower.stopped
        grower = turn.grower
        if place % 4 == 3:
            today += timedelta(days=5)
            grower = dialogue.remind(grower, today)
            assert grower.waiting == () or not grower.stopped


# A season's questions end in a plan, whatever is not known


def typed(step: Step) -> list[str]:
    """Some answers that a grower may type to a question of the season."""
    state = step.state
    if state.choose_any:
        return ["none", "1", "3", "1 4", "1234"]
    if state.yes_no:
        return ["yes", "no"]
    if state.number:
        return [f"{number:g}" for number in (step.low, step.low + 1, min(step.high, 9000))]
    if state.area:
        return ["0.02 acre", "1.5 acre", "40x60", "2 ha", "250 acres"]
    if state.paces:
        return [{"rectangle": "80 55", "round": "250"}.get(state.paces, "60 80 90")]
    if state.day:
        return ["today", "tomorrow", "1/12", "20/4"]
    return [str(place) for place in range(1, len(state.choose) + 1)]


def talk(code: str, channel: Channel, answer: Callable[[Step], str]) -> tuple[Grower, list[Step]]:
    """Go through a season's questions to its end, and list those answered with "?"."""
    dialogue = data.dialogue()
    turn = dialogue.turn(Grower(language=code), "", TODAY, channel)
    not_known: list[Step] = []
    for _ in range(MOST_QUESTIONS):
        session = turn.grower.session
        if session is None:
            said = [*turn.replies, *(each.body for each in turn.grower.waiting)]
            assert all(segments(each) <= PLAN_BUDGET for each in said)
            if turn.grower.plan is not None:
                assumed = [dialogue.voice(code).assumed(each) for each in not_known]
                told = [line for text in said for line in text.split("\n") if line[:2] == "- "]
                wanted = [f"- {each}" for each in assumed if each]
                assert told == wanted
            return turn.grower, not_known
        step = dialogue.flows.step(session.flow, session.state)
        text = answer(step)
        if text == "?":
            not_known.append(step)
        turn = dialogue.turn(turn.grower, text, TODAY, channel)
        assert turn.replies
        if channel == "ussd":
            assert fits_screen(turn.replies[0])
            for _ in range(9):
                if turn.grower.session is None or not turn.grower.session.rest:
                    break
                turn = dialogue.turn(turn.grower, "0", TODAY, channel)
    raise AssertionError(f"no end after {MOST_QUESTIONS} answers")


@pytest.mark.parametrize("channel", ["sms", "ussd"])
@pytest.mark.parametrize("code", ["en", "sw"])
def test_who_knows_nothing_gets_a_plan_that_says_what_it_took(code: str, channel: Channel) -> None:
    grower, not_known = talk(code, channel, lambda _: "?")
    assert grower.plan is not None
    names = {each.name for each in grower.plan.operations}
    assert {"plant", "gap_fill", "harvest_check"} <= names
    # Who is not known to use herbicide is told of no spray.
    assert not [name for name in names if "spray" in name]
    assert grower.trouble == ""
    assert all(grower.answers[unsure(step.answer)] is True for step in not_known)


@settings(max_examples=150, deadline=None)
@given(data=st.data())
def test_any_answers_known_or_not_end_in_a_plan_or_in_another_plot(data: st.DataObject) -> None:
    code = data.draw(st.sampled_from(["en", "sw"]))
    channel = data.draw(st.sampled_from(["sms", "ussd"]))
    grower, _ = talk(code, channel, lambda step: data.draw(st.sampled_from(["?", *typed(step)])))
    if grower.plan is None:
        # Two or more faults, and the grower would not, or did not know whether to, go on.
        assert grower.session is None
        return
    assert grower.plan.find("plant") is not None
    marks = {name for name in grower.answers if name.endswith("?")}
    flows = shipped()
    asked = Walk.season(flows, grower.answers)
    assert marks == {unsure(step.answer) for step in asked.assumed}
    assert asked.step is not None
    assert asked.step.state.do == "make_plan"
    # The same answers make the same plan again.
    assert [each.id for each in grower.plan.operations] == [
        each.id for each in lay_anew(flows, grower.plan, grower.answers, TODAY).plan.operations
    ]


def offered() -> dict[str, Language]:
    """The languages that growers are offered."""
    return {code: data.languages()[code] for code in data.OFFERED}


def shipped() -> Flows:
    """The flows as shipped, for where `data` is what hypothesis draws."""
    return data.flows()


# Nothing done ever moves

WHATEVER = [
    *("1", "2", "3", "yes", "no", "?", "done", "done today", "done yesterday", "not yet"),
    *("2 tomorrow", "1 yesterday", "yesterday", "tomorrow", "plan", "back", "same", "help", "stop"),
    *("start", "sprayer", "stakes", "costs", "0", "12", "glyphosate", "strip", "nonsense", ""),
]


@settings(max_examples=150, deadline=None)
@given(
    steps=st.lists(st.tuples(st.sampled_from(WHATEVER), st.integers(0, 20)), max_size=40),
    kind=st.sampled_from([("1", "today"), ("2", "20/4"), ("2", "today"), ("3", "20/4")]),
)
def test_nothing_done_ever_moves(steps: list[tuple[str, int]], kind: tuple[str, str]) -> None:
    dialogue, today = data.dialogue(), TODAY
    grower = Grower()
    for text in (*ENGLISH[:-2], *kind):
        grower = dialogue.turn(grower, text, today).grower
    assert grower.plan is not None
    done: dict[str, date] = {}
    for text, wait in steps:
        turn = dialogue.turn(grower, text, today)
        assert turn.replies or grower.stopped
        assert all(segments(reply) <= PLAN_BUDGET for reply in turn.replies)
        grower = dialogue.remind(turn.grower, today + timedelta(days=wait))
        today += timedelta(days=wait)
        plan = grower.plan
        assert plan is not None
        found = {each.id: each.done for each in plan.operations if each.done}
        assert done.items() <= found.items(), (text, today)
        done = found
        for each in plan.operations:
            if each.done:
                assert each.done <= today
                assert (each.earliest, each.due, each.latest) == (each.done,) * 3
            else:
                assert each.earliest <= each.due <= each.latest, each
        # A grower who says nothing more is asked about something still to be done, or nothing.
        if plan.next_reminder is not None:
            owed = plan.find(plan.next_reminder.operation)
            assert owed is not None
            assert owed.done is None
