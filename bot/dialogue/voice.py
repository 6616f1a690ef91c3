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
from bot.dialogue.texts import Forms
from bot.wording.folding import fold
from bot.wording.formats import fill, number, placeholders, rounded, short_date
from bot.wording.gsm import allowed_segments, measure, segments
from bot.wording.languages import SOURCE
from bot.wording.plurals import COUNTS, category, whole

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from bot.agronomy.district import LocalUnit
    from bot.dialogue.loading import Flows, Saying, Step
    from bot.dialogue.readers import Asked
    from bot.dialogue.records import Answer
    from bot.dialogue.texts import Text
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
            name: self.text(text, sentence_context(name))
            for name, text in flows.sentences.items()
            if not isinstance(text, Forms)
        }
        self._options = {
            step.context: self._labels(step) for step in flows.steps() if step.kind == "ask"
        }
        self._questions = {
            step.context: self._worded(step, self.text(step.state.ask, step.context))
            for step in flows.steps()
            if step.kind == "ask" and not isinstance(step.state.ask, Forms)
        }

    # Sentences

    def text(self, text: Text, context: str, count: object = 0) -> str:
        """Give a text in the language, or in the district's own wording; placeholders stand.

        Of a text with forms it is the one for `count` things.
        """
        said = self._own.get(context, "")
        if isinstance(text, Forms):
            things = self._whole(count)
            if isinstance(said, dict):
                said = said.get(category(things, self.locale), "")
            said = said or self._catalogue.plural(text.one, text.other, things, context)
        elif isinstance(said, dict) or not said:
            said = self._catalogue.text(text, context)
        return fold(said) if self._folded else said

    def spelt(self, text: str) -> str:
        """Give a text written by others, or a name, as it goes out in the language."""
        return fold(text) if self._folded else text

    def forms(self, text: Text, context: str) -> dict[str, list[int]]:
        """Give every form of a text, with the counts that take it; one for all without forms."""
        if not isinstance(text, Forms):
            return {self.text(text, context): list(COUNTS)}
        found: dict[str, list[int]] = {}
        for count in COUNTS:
            found.setdefault(self.text(text, context, count), []).append(count)
        return found

    def worded(self, text: Text, context: str) -> bool:
        """Whether a text is translated in all its forms, or worded by the district."""
        msgid = text.one if isinstance(text, Forms) else text
        return context in self._own or self._catalogue.has(msgid, context)

    def say(self, name: str, /, **values: object) -> str:
        """Say one of the engine's sentences, its values shown as the language writes them."""
        said = self._sentences.get(name)
        if said is None:
            said = self._form(self._flows.sentences[name], sentence_context(name), values)
        shown = {key: self.show(value) for key, value in values.items()}
        return fill(said, shown) if shown else said

    def show(self, value: object) -> str:
        """Write a day, a number or a text as the language does."""
        if isinstance(value, date):
            day = short_date(value, self.locale)
            return fold(day) if self._folded else day
        if isinstance(value, int | float):
            return number(value, self.locale, _decimals(value))
        return str(value)

    def tell(self, saying: Saying, values: Mapping[str, object]) -> str:
        """Say one sentence of advice; `values` are amounts, figures are known by name."""
        return self._said(saying.say, saying.context, values)

    def operation(self, identity: str, part: str) -> str:
        """Say an operation's `name`, `act`, `why` or `remind` (which may be empty)."""
        key = self._flows.row_name(identity)
        text = getattr(self._flows.operations[key], part)
        return self._said(text, operation_context(key, part), {}) if text else ""

    def assumed(self, step: Step) -> str:
        """Say what was taken for granted where a grower did not know the answer."""
        return self._said(step.state.assume, assume_context(step), {})

    def cautions(self, names: Sequence[str]) -> list[str]:
        """Say the cautions of these names, each sentence once."""
        return [
            self._said(text, caution_context(name, place), {"poison_help": self.poison_help()})
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

    def _said(self, text: Text, context: str, values: Mapping[str, object]) -> str:
        return self._filled(self._form(text, context, values), values)

    def _form(self, text: Text, context: str, values: Mapping[str, object]) -> str:
        """Give a text in the form that its count takes."""
        count = self._value(text.count, values) if isinstance(text, Forms) else 0
        return self.text(text, context, count)

    def _filled(self, text: str, values: Mapping[str, object]) -> str:
        names = placeholders(text)
        if not names:
            return text
        return fill(text, {name: self.show(self._value(name, values)) for name in names})

    def _value(self, name: str, values: Mapping[str, object]) -> object:
        """Give what a placeholder stands for: an amount given with the text, or a figure."""
        return values[name] if name in values else self._flows.figures.stated(name)

    def _whole(self, count: object) -> int:
        """Give the whole number whose form a count takes, as rounded as it is shown."""
        if not isinstance(count, int | float):
            raise TypeError(f"{count!r} is no number, so no noun goes with it; name another count")
        return whole(rounded(count, _decimals(count)), self.locale)

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
        text = self._questions.get(step.context)
        if text is None:
            text = self._worded(step, self._form(step.state.ask, step.context, values))
        if "{" in text:
            text = self._filled(text, values)
        return f"{text}\n{self.say('keep', value=kept)}" if kept else text

    def unread(self, asked: Asked, unread: Unread) -> str:
        """Say what is expected instead of an answer that could not be read."""
        hint = asked.step.state.hint
        if not hint:
            return self.say(unread.reason, **unread.values)
        # The hint of a list says which numbers to send, so the reason shall not say it as well.
        picking = unread.reason in ("pick_one", "pick_any")
        said = self.say("not_understood" if picking else unread.reason, **unread.values)
        return f"{said} {self._said(hint, hint_context(asked.step), {})}"

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
            value: self._said(label, label_context(step, value), {})
            for value, label in (*state.choose.items(), *state.choose_any.items())
        }
        if state.none_of_these:
            labels["none"] = self.text(state.none_of_these, label_context(step, "none"))
        return labels

    def _worded(self, step: Step, asked: str) -> str:
        labels = self._options[step.context].values()
        numbered = [f"{place} {label}" for place, label in enumerate(labels, start=1)]
        if step.state.yes_no or step.state.report:
            return "\n".join([asked, "  ".join(numbered)])
        return "\n".join([asked, *numbered])


def _decimals(value: float) -> int:
    """Cents of a field matter, cents of a price do not."""
    return 0 if abs(value) >= 100 else 2  # noqa: PLR2004


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
    last = 0
    for paragraph in filter(None, paragraphs):
        alone = segments(paragraph)
        joined = f"{texts[-1]}\n{paragraph}" if texts else ""
        size = measure(joined)
        if texts and size.segments <= min(last + alone, allowed_segments(budget, size.encoding)):
            texts[-1], last = joined, size.segments
        else:
            texts.append(paragraph)
            last = alone
    return tuple(texts)
