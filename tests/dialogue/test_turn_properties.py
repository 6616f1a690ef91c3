"""From every question, any text at all gets a short reply and loses no answer."""

from __future__ import annotations

from datetime import date, timedelta
from functools import lru_cache
from itertools import product
from typing import TYPE_CHECKING

import msgspec
from hypothesis import example, given, settings
from hypothesis import strategies as st
from msgspec.structs import replace
from talks import ENGLISH

from bot import data
from bot.dialogue.composing import PLAN_BUDGET
from bot.dialogue.records import Grower, Session
from bot.dialogue.walk import Walk
from bot.wording.gsm import segments
from bot.wording.screens import fits_screen

if TYPE_CHECKING:
    from collections.abc import Iterator

    from bot.dialogue.loading import Step
    from bot.dialogue.records import Answers

TODAY = date(2026, 3, 4)
SEASON = ("field", "clearing", "tillage", "planting")
FORGETTING = {"back", "new", "stop"}

# An answer to each kind of question, the ones that lead to most questions first.
GIVEN: dict[str, Answers] = {
    "weeding": {"gate_open": True, "last_group": None, "herbicide_ok": True},
    "report": {"operation": "clear", "asked_today": False},
}


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
    ahead = [
        Walk(flows, name, flows.flows[name].start, GIVEN.get(name, {}))
        for name in ("welcome", "field", "menu", "report", "weeding")
    ]
    trails: dict[int, tuple[str, ...]] = {id(walk): () for walk in ahead}
    while ahead:
        walk = ahead.pop(0)
        step = walk.on()
        if step is None or step.kind != "ask" or step.context in found:
            continue
        about = "clear" if walk.flow == "report" else "weed_check_1"
        found[step.context] = Session(
            walk.flow,
            walk.state,
            flows.flows[walk.flow].version,
            answers=dict(walk.answers),
            trail=trails[id(walk)],
            about=about if walk.flow in GIVEN else "",
        )
        for given_answer in answers_to(step):
            onward = Walk(flows, walk.flow, walk.state, walk.answers | given_answer)
            trails[id(onward)] = (*trails[id(walk)], step.context)
            ahead.append(onward)
    return found


@lru_cache(maxsize=1)
def growers() -> tuple[Grower, ...]:
    """Growers at every question, in each language, new and with a plan of an earlier season."""
    dialogue = data.dialogue()
    planned = Grower()
    for text in ENGLISH:
        planned = dialogue.turn(planned, text, TODAY - timedelta(days=1)).grower
    planned = replace(planned, session=None)
    everywhere = sessions()
    aside = everywhere["clearing.green"]
    standing = []
    for code, session in product(data.languages(), everywhere.values()):
        language = "" if session.flow == "welcome" else code
        if session.flow in (*SEASON, "welcome"):
            standing.append(Grower(language=language, session=session))
        if session.flow in GIVEN:
            standing.append(replace(planned, language=code, session=replace(session, aside=aside)))
        standing.append(replace(planned, language=language, session=session))
    for code in data.languages():
        standing.append(replace(planned, language=code))
        standing.append(replace(planned, language=code, stopped=True))
    return tuple(standing)


def test_every_question_of_every_flow_is_among_those_tried() -> None:
    questions = {step.context for step in data.flows().steps() if step.kind == "ask"}
    assert sessions().keys() == questions


def command(text: str, language: str) -> str | None:
    words = {code: each.words for code, each in data.languages().items()}
    if any(each.command(text.replace("\x00", " ")) == "stop" for each in words.values()):
        return "stop"
    return words[language or "en"].command(text.replace("\x00", " "))


def season_answers(session: Session | None) -> Answers:
    """What a grower has told of the field so far, in the conversation or the one aside."""
    while session is not None and session.flow not in SEASON:
        session = session.aside
    if session is None:
        return {}
    asked = {name for step in data.flows().steps() if step.flow in SEASON for name in step.answers}
    return {name: value for name, value in session.answers.items() if name in asked}


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


def check(text: str) -> None:
    """Send a text from every question, on both channels, and look at all that must hold."""
    dialogue = data.dialogue()
    for grower, channel in product(growers(), ("sms", "ussd")):
        turn = dialogue.turn(grower, text, TODAY, channel)
        where = (grower.session, grower.language, channel, turn.replies)
        assert turn.replies, where
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


@settings(max_examples=50, deadline=None)
@given(text=TEXTS)
@example(text="")
def test_any_text_from_every_question_gets_a_reply_within_limits_and_loses_nothing(
    text: str,
) -> None:
    check(text)


def test_so_does_each_of_the_real_looking_answers() -> None:
    failed = {}
    for text in SAMPLES:
        try:
            check(text)
        except Exception as error:  # noqa: BLE001 - the list of all that fail says more than the first
            failed[text[:20]] = f"{type(error).__name__}: {str(error)[:300]}"
    assert failed == {}


@settings(max_examples=40, deadline=None)
@given(texts=st.lists(st.one_of(st.sampled_from(SAMPLES[:60]), st.text(max_size=8)), max_size=40))
def test_any_run_of_texts_from_a_new_number_is_answered(texts: list[str]) -> None:
    dialogue, grower, today = data.dialogue(), Grower(), TODAY
    for place, text in enumerate(texts):
        turn = dialogue.turn(grower, text, today, "ussd" if place % 3 == 2 else "sms")
        assert turn.replies
        grower = turn.grower
        if place % 4 == 3:
            today += timedelta(days=5)
            grower = dialogue.remind(grower, today)
            assert grower.waiting == () or not grower.stopped
