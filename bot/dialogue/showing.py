"""Every text of a language as a phone shows it, and what its translator should know of it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from typing import TYPE_CHECKING

from bot.dialogue.composing import PLAN_BUDGET, reminder_texts
from bot.dialogue.fitting import longest_answer, longest_value, worst_values
from bot.dialogue.messages import Message, label_context, messages, operation_context
from bot.dialogue.records import Operation
from bot.dialogue.slips import SEASON
from bot.dialogue.walk import Walk
from bot.wording.formats import fill, placeholders, short_date
from bot.wording.gsm import allowed_segments, measure, segments
from bot.wording.translating import in_words

if TYPE_CHECKING:
    from collections.abc import Iterator

    from bot.dialogue.loading import Flows, Step
    from bot.dialogue.voice import Voice

FIRST_DAY = date(2026, 3, 2)
"""A day for texts that state one and would do so with any."""

_DAYS = [date(2026, 1, 1) + timedelta(days=offset) for offset in range(365)]


@dataclass(frozen=True, slots=True)
class Written:
    """The texts of one place, in one language, and the names of all they are made of."""

    message: Message
    texts: tuple[str, ...]
    budget: int
    made_of: tuple[str, ...]
    asked: bool = False


@dataclass(frozen=True, slots=True)
class Shown:
    """A text as a phone shows it, with the longest real values in it. `budget` is in segments."""

    context: str
    text: str
    budget: int
    question: bool = False
    safety: bool = False

    @property
    def allowed(self) -> int:
        """Segments it may take in its own alphabet."""
        return allowed_segments(self.budget, measure(self.text).encoding)

    @property
    def over(self) -> bool:
        """Whether it takes more."""
        return segments(self.text) > self.allowed


def shown(flows: Flows, voice: Voice) -> Iterator[Shown]:
    """List every text of a language as `fieldbell check` measures it, reminders whole."""
    for each in written(flows, voice):
        for text in each.texts:
            message = each.message
            yield Shown(message.context, text, each.budget, each.asked, message.safety)


def written(flows: Flows, voice: Voice) -> Iterator[Written]:
    """Write every text with the longest real values in it, a question with its answers."""
    worst = worst_values(flows, voice)
    season = {flow.name for flow in flows.season()}
    steps = {step.context: step for step in flows.steps() if step.kind == "ask"}
    labels = {name for step in steps.values() for name in _labels(step)}
    for message in messages(flows):
        name = message.context
        if step := steps.get(name):
            kept = longest_answer(step, voice) if step.flow in season else ""
            question = voice.question(step, worst, kept)
            yield Written(message, (question,), step.state.budget, _made_of(step), asked=True)
        elif name not in labels:  # those stand under their questions
            text = voice.text(message.text, name)
            values = {each: longest_value(each, worst, voice, flows) for each in placeholders(text)}
            yield Written(message, (fill(text, values),), PLAN_BUDGET, (name,))
    yield from _reminders(flows, voice)


def _labels(step: Step) -> list[str]:
    """Name the labels that are a question's own."""
    state = step.state
    values = [*state.choose, *state.choose_any, *(["none"] if state.none_of_these else [])]
    return [label_context(step, value) for value in values]


def _made_of(step: Step) -> tuple[str, ...]:
    """Name the texts that a question is put together from."""
    state = step.state
    shared = ("yes", "no") if state.yes_no else ("done", "not_yet", "help") if state.report else ()
    return (step.context, *_labels(step), *(f"sentences.{name}" for name in shared))


def _reminders(flows: Flows, voice: Voice) -> Iterator[Written]:
    """Write the reminder of every operation, as it comes on the longest day of the year."""
    walk = Walk(flows, SEASON, flows.flows[SEASON].start, {})
    day = max(_DAYS, key=lambda each: len(short_date(each, voice.locale)))
    for identity, row in flows.operations.items():
        operation = Operation(identity, day, day, day)
        texts = reminder_texts(voice, walk, operation, day, row.first)
        made_of = tuple(
            operation_context(identity, part) for part in ("act", "remind") if getattr(row, part)
        )
        message = Message(f"operations.{identity}", "", "the reminder, as it arrives")
        yield Written(message, texts, PLAN_BUDGET, made_of)


# For the translator's file


def examples(flows: Flows, voice: Voice) -> dict[str, str]:
    """Give an example of every value a text asks for: a figure's own, or the longest there is."""
    worst = worst_values(flows, voice)
    names = {name for message in messages(flows) for name in placeholders(message.text)}
    return {
        name: voice.show(flows.figures.stated(name))
        if name not in worst and flows.figures.states(name)
        else longest_value(name, worst, voice, flows)
        for name in names
    }


def remarks(flows: Flows) -> dict[str, str]:
    """Say of every text how much room it has, and whether it guards life and limb."""
    asked = {step.context: step for step in flows.steps() if step.kind == "ask"}
    said = {}
    for message in messages(flows):
        step = asked.get(message.context)
        if step is not None:
            remark = f"{in_words(step.state.budget)}; its answers stand below it and count too"
        elif "=" in message.context:
            remark = "counts in the room of its question"
        else:
            remark = in_words(PLAN_BUDGET)
        safety = "a safety text: without it the language is not offered to growers; "
        said[message.context] = safety + remark if message.safety else remark
    return said
