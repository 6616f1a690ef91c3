"""Saying things in one language: sentences, questions and figures as a grower reads them."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING

from bot.dialogue.messages import (
    assume_context,
    caution_context,
    hint_context,
    label_context,
    operation_context,
    sentence_context,
)
from bot.dialogue.slips import FlowError
from bot.wording.folding import fold
from bot.wording.formats import fill, number, placeholders, short_date
from bot.wording.gsm import allowed_segments, measure, segments
from bot.wording.languages import SOURCE

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from bot.agronomy.district import LocalUnit
    from bot.dialogue.loading import Flows, Saying, Step
    from bot.dialogue.readers import Asked
    from bot.dialogue.records import Answer
    from bot.dialogue.unread import Unread
    from bot.wording.languages import Language


_NUMBER_AND_DAY = re.compile(r"[12]\s+[^\W\d]")


@dataclass(frozen=True, slots=True)
class Contacts:
    """Numbers the operator sets: a person to talk to, and help on poisoning. May be empty."""

    person: str = ""
    poison: str = ""


class Voice:
    """One language's way of saying what the flows say. `offered` are all languages on offer.

    With `folded`, letters outside GSM 7-bit give way to the nearest in it.
    """

    def __init__(
        self,
        language: Language,
        flows: Flows,
        contacts: Contacts,
        offered: Mapping[str, str],
        *,
        folded: bool = False,
    ) -> None:
        local = {
            name: _local_words(unit, language.code) for name, unit in flows.district.units.items()
        }
        try:
            self.words = language.words.with_units(local)
        except ValueError as error:
            raise FlowError(f"the district's file, units in {language.code}: {error}") from error
        self.locale = language.words.locale
        self.offered = offered
        self._code = language.code
        self._catalogue = language.catalogue
        self._folded = folded
        self._own = flows.district.texts.get(language.code, {})
        self._flows = flows
        self._contacts = contacts
        self._sentences = {
            name: self.text(text, sentence_context(name)) for name, text in flows.sentences.items()
        }
        self._options = {
            step.context: self._labels(step) for step in flows.steps() if step.kind == "ask"
        }
        self._questions = {
            step.context: self._worded(step) for step in flows.steps() if step.kind == "ask"
        }

    # Sentences

    def text(self, text: str, context: str) -> str:
        """Give a text in the language, or in the district's own wording; placeholders stand."""
        said = self._own.get(context) or self._catalogue.text(text, context)
        return fold(said) if self._folded else said

    def worded(self, text: str, context: str) -> bool:
        """Whether a text is translated, or worded by the district."""
        return context in self._own or self._catalogue.has(text, context)

    def say(self, name: str, /, **values: object) -> str:
        """Say one of the engine's sentences, its values shown as the language writes them."""
        shown = {key: self.show(value) for key, value in values.items()}
        return fill(self._sentences[name], shown) if shown else self._sentences[name]

    def show(self, value: object) -> str:
        """Write a day, a number or a text as the language does."""
        if isinstance(value, date):
            day = short_date(value, self.locale)
            return fold(day) if self._folded else day
        if isinstance(value, int | float):
            return number(value, self.locale, 0 if abs(value) >= 100 else 2)  # noqa: PLR2004 - cents of a field matter, cents of a price do not
        return str(value)

    def tell(self, saying: Saying, values: Mapping[str, object]) -> str:
        """Say one sentence of advice; `values` are amounts, figures are known by name."""
        return self._filled(self.text(saying.say, saying.context), values)

    def operation(self, identity: str, part: str) -> str:
        """Say an operation's `name`, `act`, `why` or `remind` (which may be empty)."""
        key = self._flows.row_name(identity)
        text = str(getattr(self._flows.operations[key], part))
        if not text:
            return ""
        return self._filled(self.text(text, operation_context(key, part)), {})

    def assumed(self, step: Step) -> str:
        """Say what was taken for granted where a grower did not know the answer."""
        return self._filled(self.text(step.state.assume, assume_context(step)), {})

    def cautions(self, names: Sequence[str]) -> list[str]:
        """Say the cautions of these names, each sentence once."""
        return [
            self._filled(
                self.text(text, caution_context(name, place)),
                {"poison_help": self.poison_help()},
            )
            for name in dict.fromkeys(names)
            for place, text in enumerate(self._flows.cautions[name], start=1)
        ]

    def poison_help(self) -> str:
        """Say whom to call on poisoning."""
        if self._contacts.poison:
            return self.say("poison_help", number=self._contacts.poison)
        return self.say("nearest_clinic")

    def person(self) -> str:
        """Say how to reach a person."""
        if self._contacts.person:
            return self.say("call_person", number=self._contacts.person)
        return self.say("person_will_call")

    def _filled(self, text: str, values: Mapping[str, object]) -> str:
        names = placeholders(text)
        if not names:
            return text
        return fill(
            text,
            {
                name: self.show(
                    values[name] if name in values else self._flows.figures.stated(name)
                )
                for name in names
            },
        )

    def caution_names(self, identity: str) -> list[str]:
        """Names of the cautions an operation carries."""
        return self._flows.operation(identity).cautions

    def is_report(self, text: str) -> bool:
        """Whether a text that nothing asked for begins with "done" or "not yet"."""
        tokens = text.split()
        return any(
            self.words.answer(" ".join(tokens[:length])) in ("done", "not_yet")
            for length in range(1, min(len(tokens), 4) + 1)
        )

    def reports(self, text: str) -> bool:
        """Whether a text is a report in words, or its number with a day: "2 Friday"."""
        return self.is_report(text) or _NUMBER_AND_DAY.match(text) is not None

    def report_options(self) -> str:
        """List the answers to a reminder, numbered."""
        return self._questions["report.report"].rpartition("\n")[2]

    # Questions

    def options(self, step: Step) -> Mapping[str, str]:
        """List the values and labels of a question in the order numbered."""
        return self._options[step.context]

    def question(self, step: Step, values: Mapping[str, object], kept: str = "") -> str:
        """Put a question with its numbered answers; `kept` is an earlier answer to offer back."""
        text = self._questions[step.context]
        if "{" in text:
            text = self._filled(text, values)
        return f"{text}\n{self.say('keep', value=kept)}" if kept else text

    def unread(self, asked: Asked, unread: Unread) -> str:
        """Say what is expected instead of an answer that could not be read."""
        said = self.say(unread.reason, **unread.values)
        hint = asked.step.state.hint
        if not hint:
            return said
        return f"{said} {self._filled(self.text(hint, hint_context(asked.step)), {})}"

    def answer(self, step: Step, answers: Mapping[str, Answer]) -> str:
        """Write an earlier answer so that it can be offered back; empty when there is none."""
        if any(name not in answers or answers[name] is None for name in step.answers):
            return ""
        state, labels = step.state, self._options[step.context]
        if state.choose_any:
            named = [labels[name] for name in step.answers if answers[name] is True]
            return ", ".join(named) if named else labels["none"]
        value = answers[step.answer]
        if state.yes_no:
            return labels["yes" if value else "no"]
        if state.choose:
            return labels.get(str(value), "")
        if state.area:
            return self.area(str(value))
        return "" if state.day or state.report or state.paces else self.show(value)

    def area(self, answer: str) -> str:
        """Write a field's size as its answer gave it: "1.5 acre", "40x60 m"."""
        size, _, rest = answer.partition(" ")
        unit, _, local_m2 = rest.partition(" ")
        if "x" in size:
            return answer
        local = self._flows.district.units.get(unit) if local_m2 else None
        name = _local_words(local, self._code)[0] if local else unit
        return f"{self.show(float(size))} {name if local_m2 else self.say(f'unit_{unit}')}"

    def _labels(self, step: Step) -> dict[str, str]:
        state = step.state
        if step.context == "welcome.language":
            return dict(self.offered)
        if state.yes_no:
            return {"yes": self._sentences["yes"], "no": self._sentences["no"]}
        if state.report:
            return {name: self._sentences[name] for name in ("done", "not_yet", "help")}
        labels = {
            value: self._filled(self.text(label, label_context(step, value)), {})
            for value, label in (*state.choose.items(), *state.choose_any.items())
        }
        if state.none_of_these:
            labels["none"] = self.text(state.none_of_these, label_context(step, "none"))
        return labels

    def _worded(self, step: Step) -> str:
        asked = self.text(step.state.ask, step.context)
        labels = self._options[step.context].values()
        numbered = [f"{place} {label}" for place, label in enumerate(labels, start=1)]
        if step.state.yes_no or step.state.report:
            return "\n".join([asked, "  ".join(numbered)])
        return "\n".join([asked, *numbered])


def _local_words(unit: LocalUnit, code: str) -> tuple[str, ...]:
    """Give a local unit's words in a language; English ones, or any, where it has none."""
    return unit.words.get(code) or unit.words.get(SOURCE) or next(iter(unit.words.values()))


def pack(paragraphs: Sequence[str], budget: int) -> tuple[str, ...]:
    """Put paragraphs into as few texts as keep within `budget` segments each, in order.

    Texts with letters outside GSM 7-bit may hold as many characters, but a paragraph that would
    bring such letters to a plain text, and so make it cost more, begins a text of its own.

    A paragraph that alone exceeds the budget stands in a text of its own; `fieldbell check`
    refuses such a paragraph.
    """
    texts: list[str] = []
    for paragraph in filter(None, paragraphs):
        joined = f"{texts[-1]}\n{paragraph}" if texts else paragraph
        size = measure(joined)
        apart = segments(texts[-1]) + segments(paragraph) if texts else 0
        if size.segments <= min(apart, allowed_segments(budget, size.encoding)):
            texts[-1] = joined
        else:
            texts.append(paragraph)
    return tuple(texts)
