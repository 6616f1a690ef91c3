"""Every text of a language as a phone shows it, and what its translator should know of it.

The values in them are the worst a grower can meet: the largest field, the highest price, the
longest day of the language's calendar, the longest name.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from typing import TYPE_CHECKING

from bot.dialogue.calculations import PLACEHOLDERS
from bot.dialogue.composing import PLAN_BUDGET, reminder_texts
from bot.dialogue.messages import Message, label_context, messages, operation_context
from bot.dialogue.records import Operation
from bot.dialogue.slips import SEASON
from bot.dialogue.stating import amounts
from bot.dialogue.texts import names
from bot.dialogue.walk import Walk
from bot.wording.formats import fill, placeholders, short_date
from bot.wording.gsm import allowed_segments, measure, segments
from bot.wording.screens import UCS2_SCREEN_LIMIT, pages
from bot.wording.translating import in_words

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from bot.dialogue.loading import Flows, Step
    from bot.dialogue.records import Answers
    from bot.dialogue.voice import Voice

MOST_SCREENS = 3
"""USSD screens a question may take; a grower must page through all but the last."""

LONGEST_MORE = UCS2_SCREEN_LIMIT // 2 - 1
"""Characters of the line that ends a USSD screen: half of a screen, whatever its letters."""

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
    screens: int = 1
    """USSD screens that a question takes; other texts go out by SMS. 1 also where the line that
    ends a screen is too long for any."""

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
    more = voice.say("more")
    paged = more_fits(voice)
    for each in written(flows, voice):
        for text in each.texts:
            message = each.message
            screens = len(pages(text, more)) if each.asked and paged else 1
            yield Shown(message.context, text, each.budget, each.asked, message.safety, screens)


def more_fits(voice: Voice) -> bool:
    """Whether the line that ends a USSD screen leaves room above it."""
    return measure(voice.say("more")).units <= LONGEST_MORE


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
            questions = (
                voice.question(step, worst | values, kept)
                for _, values in _forms(message, worst, voice, flows)
            )
            made_of = _made_of(step)
            yield Written(message, tuple(questions), step.state.budget, made_of, asked=True)
        elif name not in labels:  # those stand under their questions
            texts = (
                fill(text, {each: voice.show(value) for each, value in values.items()})
                for text, values in _forms(message, worst, voice, flows)
            )
            yield Written(message, tuple(texts), PLAN_BUDGET, (name,))
    yield from _reminders(flows, voice)


def _forms(
    message: Message, worst: Mapping[str, object], voice: Voice, flows: Flows
) -> Iterator[tuple[str, dict[str, object]]]:
    """Give each form of a text with the longest values it can have.

    What it counts is the longest number that takes this form.
    """
    for text, counts in voice.forms(message.source, message.context).items():
        values = {each: longest_value(each, worst, flows) for each in names(message.source)}
        most = values.get(message.count)
        if (
            isinstance(most, int | float)
            and voice.text(message.source, message.context, most) != text
        ):
            values[message.count] = max(
                (each for each in counts if each <= most),
                key=lambda each: (len(voice.show(each)), each),
                default=counts[0],
            )
        yield text, values


def lost(message: Message, voice: Voice) -> dict[str, frozenset[str]]:
    """List the forms of a text that lack a value of it, and which.

    Only a form that is for a single number may leave out what it counts: "one day late".
    """
    found = {}
    for text, counts in voice.forms(message.source, message.context).items():
        spare = {message.count} if len(counts) == 1 else set()
        if missing := names(message.source) - placeholders(text) - spare:
            found[text] = missing
    return found


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


# The longest real values

_LONGEST_NUMBER = 200_000_000
_MOST_DAYS, _DAYS_OF_WINDOW = 8_888, 88
_MOST_TANKS, _MOST_ML = 8_888, 8_888
_MOST_BOTTLES = ((888, 5), (4, 1), (1, 0.5))
_WORKS = ("slash", "spray_fallow", "clear", "ridge", "plant", "gap_fill", "weed_by_hand")
"""The most operations done by hand that one plan has."""
LONGEST_INVITER = 40
"""Characters of the name in which a grower is invited."""
_PHONE = "+000000000000000"
"""As long as a number can be: 15 digits (ITU-T E.164, from memory)."""


def longest_value(name: str, worst: Mapping[str, object], flows: Flows) -> object:
    """The longest value of one placeholder, a figure's included. Raises LookupError."""
    if name in worst:
        return worst[name]
    if not flows.figures.states(name):
        raise LookupError(f"no worst value for {{{name}}}; give one in worst_values")
    return flows.figures.highest(name)


def longest_answer(step: Step, voice: Voice) -> str:
    """The longest earlier answer that can be offered back with a question."""
    state = step.state
    if state.choose_any:
        return ", ".join(list(voice.options(step).values())[:-1])
    if state.choose or state.yes_no:
        return max(voice.options(step).values(), key=len)
    if state.area:
        return voice.area("1011714.12 m2")
    return "" if state.day else voice.show(int(step.high))


def worst_values(flows: Flows, voice: Voice) -> dict[str, object]:
    """The longest real value of every placeholder: a number, or a text in the language."""
    figures = flows.figures
    largest: Answers = {
        "area": f"{figures.row('area_acres').high} acre",
        "low_sprouting": True,
        "hard_weeds": True,
        "fallow_spray": True,
        "preemergence": "smetolachlor_atrazine",
        "tank_l": figures.row("tank_l").low,
        "spray_volume_l_per_ha": figures.row("default_spray_volume_l_per_ha").high,
        "sprouted_of_20": 1,
        "gaps_in_100": 100,
        "wage_per_day": _LONGEST_NUMBER,
        "herbicide_cost_per_acre": _LONGEST_NUMBER,
    }
    values = amounts(voice, largest, figures)
    values |= {name: figures.row(name).high for name in figures}
    values |= {"tank": figures.row("tank_l").high}
    tanks = voice.say("tanks_and_last", full=_MOST_TANKS, last_l=24.9, last_ml=_MOST_ML)
    bottles = ", ".join(
        voice.say("bottles", count=count, size=size) for count, size in _MOST_BOTTLES
    )
    for spray in ("glyphosate", "preemergence"):
        values |= {f"{spray}_tanks": tanks, f"{spray}_bottles": bottles}
        values |= {f"{spray}_left_l": 0.49}
    day = max((short_date(each, voice.locale) for each in _DAYS), key=len)
    parts = {
        part: max((voice.operation(each, part) for each in flows.operations), key=len)
        for part in ("name", "act")
    }
    values |= dict.fromkeys(("day", "wanted", "earliest"), day)
    values |= dict.fromkeys(
        ("gain", "cost", "net", "price", "break_even_cost", "break_even_price"), _LONGEST_NUMBER
    )
    values |= {
        **parts,
        "low": day,
        "high": day,
        "days": _DAYS[-1].timetuple().tm_yday,
        "number": _PHONE,
        "inviter": "M" * LONGEST_INVITER,
        "count": _MOST_BOTTLES[0][0],
        "size": 0.25,
        "full": _MOST_TANKS,
        "last_l": 24.9,
        "last_ml": _MOST_ML,
        "least": _MOST_DAYS,
        "most": _MOST_DAYS,
        "work": _MOST_DAYS,
        "window": _DAYS_OF_WINDOW,
        "hire": _MOST_DAYS,
        "volume": figures.row("default_spray_volume_l_per_ha").high,
        "before": parts["name"],
        "works": ", ".join(
            voice.say("labour_of", name=voice.operation(each, "name"), least=8_888, most=8_888)
            for each in _WORKS
        ),
        "cover": max(voice.options(flows.step("weeding", "weed_cover")).values(), key=len),
        "action": max(
            (voice.say(f"weeded_{each}") for each in ("wait", "by_hand", "spray")), key=len
        ),
        "area": voice.area("1011714.12 m2"),
        "value": voice.area("1011714.12 m2"),
        "poison_help": voice.say("poison_help", number=_PHONE),
    }
    if missing := PLACEHOLDERS.keys() - values.keys():
        raise LookupError(f"no worst value for {sorted(missing)}; give one here")
    return values


# For the translator's file


def examples(flows: Flows, voice: Voice) -> dict[str, str]:
    """Give an example of every value a text asks for: a figure's own, or the longest there is."""
    worst = worst_values(flows, voice)
    used = {name for message in messages(flows) for name in names(message.source)}
    return {
        name: voice.show(
            flows.figures.stated(name)
            if name not in worst and flows.figures.states(name)
            else longest_value(name, worst, flows)
        )
        for name in used
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
