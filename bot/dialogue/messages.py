"""Every text a grower can be sent, with the name translators find it under.

The English texts stand in the flow files; `Message.context` is their gettext context. This is
the only place where contexts are spelt: the catalogues are made from this list, the voice
looks texts up by the same names, and the proof measures each of them.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from bot.dialogue.texts import Forms, count_of, names, plain
from bot.wording.formats import placeholders
from bot.wording.plurals import COUNTS

if TYPE_CHECKING:
    from collections.abc import Iterator

    from bot.dialogue.loading import Flows, Step
    from bot.dialogue.texts import Text
    from bot.wording.catalogue import Catalogue


@dataclass(frozen=True, slots=True)
class Message:
    """A text to translate. `safety` marks a caution or a refusal of something dangerous."""

    context: str
    source: Text
    note: str
    safety: bool = False

    @property
    def text(self) -> str:
        """The English; of a text with two forms, the one for most counts."""
        return plain(self.source)

    @property
    def one(self) -> str:
        """The English for exactly one; empty for a text that has no such form."""
        return self.source.one if isinstance(self.source, Forms) else ""

    @property
    def count(self) -> str:
        """The value that decides between the forms; empty where there is one."""
        return count_of(self.source)

    @property
    def msgid(self) -> str:
        """The English by which a catalogue finds the text."""
        return self.one or self.text


def asks_too_much(message: Message, catalogue: Catalogue) -> frozenset[str]:
    """Name the values that a text's translation asks for, and that the text never gets.

    A `.po` is held to its own msgid and msgid_plural when it is read; here to the text itself,
    which may be without a plural where the file has one.
    """
    source, context = message.source, message.context
    if isinstance(source, Forms):
        said = {catalogue.plural(source.one, source.other, n, context) for n in COUNTS}
    else:
        said = {catalogue.text(source, context)}
    return frozenset[str]().union(*map(placeholders, said)) - names(source)


def label_context(step: Step, value: str) -> str:
    """Name the label of one answer to a question."""
    return f"{step.context}={value}"


def hint_context(step: Step) -> str:
    """Name the sentence that shows how a question is answered."""
    return f"{step.context}?"


def assume_context(step: Step) -> str:
    """Name what the plan says it took for granted where the answer was not known."""
    return f"{step.context}!"


def operation_context(identity: str, part: str) -> str:
    """Name a text of an operation: its `name`, `act`, `why` or `remind`."""
    return f"operations.{identity}.{part}"


def caution_context(caution: str, number: int) -> str:
    """Name one sentence of a caution, counted from 1."""
    return f"cautions.{caution}.{number}"


def sentence_context(name: str) -> str:
    """Name a sentence of the engine's own."""
    return f"sentences.{name}"


SAFETY_SENTENCES = frozenset({"paraquat", "poison_help", "nearest_clinic"})
SAFETY_STATES = frozenset(
    {
        "weeding.refuse_paraquat",
        "weeding.by_hand_before_gate",
        "weeding.spray_glyphosate",
        "weeding.spray_glufosinate",
        "weeding.spray_graminicide",
        "planting.mixes",
    }
)


def messages(flows: Flows) -> Iterator[Message]:
    """List every text, in the order of the flows."""
    for step in flows.steps():
        yield from _of_state(step)
    for identity, row in flows.operations.items():
        for part in ("name", "act", "why", "remind"):
            if text := getattr(row, part):
                yield Message(
                    operation_context(identity, part), text, f"operation {identity}, {part}"
                )
    for caution, sentences in flows.cautions.items():
        for number, text in enumerate(sentences, start=1):
            yield Message(
                caution_context(caution, number), text, f"caution: {caution}", safety=True
            )
    for name, text in flows.sentences.items():
        yield Message(sentence_context(name), text, "said by the engine", name in SAFETY_SENTENCES)


def _of_state(step: Step) -> Iterator[Message]:
    state = step.state
    if state.ask:
        yield Message(step.context, state.ask, "question")
    for value, label in (*state.choose.items(), *state.choose_any.items()):
        yield Message(label_context(step, value), label, "an answer to choose; keep it short")
    if state.none_of_these:
        yield Message(label_context(step, "none"), state.none_of_these, "an answer to choose")
    if state.hint:
        yield Message(hint_context(step), state.hint, "said after an answer we could not read")
    if state.assume:
        note = "said in the plan, in a list, when the grower did not know the answer"
        yield Message(assume_context(step), state.assume, note)
    for saying in step.sayings:
        yield Message(saying.context, saying.say, "advice", step.context in SAFETY_STATES)
