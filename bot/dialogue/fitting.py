"""Whether every text fits the phone, in every language, with the longest real values in it.

A question must fit its own budget of SMS segments and few USSD screens; any other sentence
must fit one text of the plan. The values are the worst a grower can meet: the largest field,
the highest price, the longest day of the language's calendar, the longest name.
"""

from __future__ import annotations

from datetime import date, timedelta
from typing import TYPE_CHECKING

from bot.dialogue.calculations import PLACEHOLDERS
from bot.dialogue.composing import PLAN_BUDGET, reminder_texts
from bot.dialogue.messages import Message, messages
from bot.dialogue.proof import Fault
from bot.dialogue.records import Operation
from bot.dialogue.slips import SEASON
from bot.dialogue.stating import amounts
from bot.dialogue.walk import Walk
from bot.wording.formats import fill, placeholders, short_date
from bot.wording.gsm import allowed_segments, measure
from bot.wording.languages import SOURCE
from bot.wording.screens import pages

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from bot.dialogue.loading import Flows, Step
    from bot.dialogue.records import Answers
    from bot.dialogue.voice import Voice
    from bot.wording.languages import Language

MOST_SCREENS = 3
"""USSD screens a question may take; a grower must page through all but the last."""

_DAYS = [date(2026, 1, 1) + timedelta(days=offset) for offset in range(365)]
_LONGEST_NUMBER = 200_000_000
_MOST_DAYS, _DAYS_OF_WINDOW = 8_888, 88
_MOST_TANKS, _MOST_ML = 8_888, 8_888
_MOST_BOTTLES = ((888, 5), (4, 1), (1, 0.5))
_WORKS = ("slash", "spray_fallow", "clear", "ridge", "plant", "gap_fill", "weed_by_hand")
"""The most operations done by hand that one plan has."""
_PHONE = "+000000000000000"
"""As long as a number can be: 15 digits (ITU-T E.164, from memory)."""


def fit(flows: Flows, language: Language, voice: Voice) -> list[Fault]:
    """Check every text of one language; an empty list means that all fit."""
    worst = worst_values(flows, voice)
    faults = [
        *_translated(flows, language, voice),
        *_questions_fit(flows, voice, worst, language.code),
    ]
    for message in messages(flows):
        if not _is_question(flows, message):
            text = voice.text(message.text, message.context)
            shown = fill(
                text,
                {name: longest_value(name, worst, voice, flows) for name in placeholders(text)},
            )
            faults += _too_long(language.code, message.context, shown, PLAN_BUDGET)
    walk = Walk(flows, SEASON, flows.flows[SEASON].start, {})
    for identity in flows.operations:
        operation = Operation(identity, _DAYS[0], _DAYS[0], _DAYS[0])
        first = flows.operation(identity).first
        for text in reminder_texts(voice, walk, operation, _DAYS[0], first):
            faults += _too_long(language.code, f"operations.{identity}", text, PLAN_BUDGET)
    return faults


def longest_value(name: str, worst: Mapping[str, str], voice: Voice, flows: Flows) -> str:
    """The longest value of one placeholder, a figure's included. Raises LookupError."""
    if name in worst:
        return worst[name]
    if not flows.figures.states(name):
        raise LookupError(f"no worst value for {{{name}}}; give one in worst_values")
    return voice.show(flows.figures.highest(name))


def _too_long(code: str, context: str, shown: str, budget: int) -> Iterator[Fault]:
    size = measure(shown)
    allowed = allowed_segments(budget, size.encoding)
    if size.segments > allowed:
        yield Fault(
            f"{code}, {context}",
            f"{size.segments} segments ({size.encoding.name}, {len(shown)} characters), "
            f"but its budget is {allowed}: {shown!r}",
        )


def _translated(flows: Flows, language: Language, voice: Voice) -> Iterator[Fault]:
    if language.code == SOURCE:
        return
    for message in messages(flows):
        where = f"{language.code}, {message.context}"
        if not voice.worded(message.text, message.context):
            kind = "safety text" if message.safety else "text"
            yield Fault(where, f"this {kind} is not translated: {message.text!r}")
            continue
        translated = voice.text(message.text, message.context)
        lost = placeholders(message.text) - placeholders(translated)
        if lost:
            yield Fault(where, f"the translation lacks {{{', '.join(sorted(lost))}}}")


def _is_question(flows: Flows, message: Message) -> bool:
    flow, _, state = message.context.partition(".")
    return flow in flows.flows and state in flows.flows[flow].steps


def _questions_fit(
    flows: Flows, voice: Voice, worst: Mapping[str, str], code: str
) -> Iterator[Fault]:
    season = {flow.name for flow in flows.season()}
    for step in flows.steps():
        if step.kind != "ask":
            continue
        kept = longest_answer(step, voice) if step.flow in season else ""
        shown = voice.question(step, worst, kept)
        yield from _too_long(code, step.context, shown, step.state.budget)
        screens = len(pages(shown, voice.say("more")))
        if screens > MOST_SCREENS:
            yield Fault(
                f"{code}, {step.context}",
                f"{screens} USSD screens, at most {MOST_SCREENS}: {shown!r}",
            )


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


def worst_values(flows: Flows, voice: Voice) -> dict[str, str]:
    """The longest real value of every placeholder, written in the language."""
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
    values = {name: voice.show(value) for name, value in amounts(voice, largest, figures).items()}
    values |= {name: voice.show(figures.row(name).high) for name in figures}
    values |= {"tank": voice.show(figures.row("tank_l").high)}
    tanks = voice.say("tanks_and_last", full=_MOST_TANKS, last_l=24.9, last_ml=_MOST_ML)
    bottles = ", ".join(
        voice.say("bottles", count=count, size=size) for count, size in _MOST_BOTTLES
    )
    for spray in ("glyphosate", "preemergence"):
        values |= {f"{spray}_tanks": tanks, f"{spray}_bottles": bottles}
        values |= {f"{spray}_left_l": voice.show(0.49)}
    day = max((short_date(each, voice.locale) for each in _DAYS), key=len)
    parts = {
        part: max((voice.operation(each, part) for each in flows.operations), key=len)
        for part in ("name", "act")
    }
    number = voice.show(_LONGEST_NUMBER)
    values |= dict.fromkeys(("day", "wanted", "earliest"), day)
    values |= dict.fromkeys(("gain", "cost", "net", "break_even_cost", "break_even_price"), number)
    values |= {
        **parts,
        "low": day,
        "high": day,
        "days": voice.show(_DAYS[-1].timetuple().tm_yday),
        "number": _PHONE,
        "count": voice.show(_MOST_BOTTLES[0][0]),
        "size": voice.show(0.25),
        "full": voice.show(_MOST_TANKS),
        "last_l": voice.show(24.9),
        "last_ml": voice.show(_MOST_ML),
        "price": number,
        "least": voice.show(_MOST_DAYS),
        "most": voice.show(_MOST_DAYS),
        "work": voice.show(_MOST_DAYS),
        "window": voice.show(_DAYS_OF_WINDOW),
        "hire": voice.show(_MOST_DAYS),
        "volume": voice.show(figures.row("default_spray_volume_l_per_ha").high),
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
