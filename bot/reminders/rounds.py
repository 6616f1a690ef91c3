"""Whom a round is for, and what each is sent: pure, with the local day as an argument."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from msgspec.structs import replace

from bot.dialogue.records import Grower, Waiting, enqueue
from bot.dialogue.slips import FlowError, known
from bot.dialogue.standing import FINISHED, days_behind, next_open, planted, stage, why_silent
from bot.store.texts import ROUND
from bot.wording.formats import fill, placeholders
from bot.wording.gsm import segments

if TYPE_CHECKING:
    from collections.abc import Collection
    from datetime import date

    from bot.dialogue.turn import Dialogue
    from bot.dialogue.voice import Voice
    from bot.store.groups import Group
    from bot.store.rounds import Conditions, Round

PLACEHOLDERS = {
    "name": "the grower's name",
    "village": "the grower's village",
    "group": "the group's name",
    "operation": "the work that comes next in the grower's plan",
    "due": "the day that work is due",
}
"""What a round's text may ask for. A grower for whom it is not known is left out."""

MOST_SEGMENTS = 4
"""Segments of a round's text, as written: a longer one is not read, and costs everyone."""

FASTEST = 600_000
"""Texts a minute; more than any gateway takes."""

LONGEST_DAYS = 365


@dataclass(frozen=True, slots=True)
class Chosen:
    """A grower the round is for, with its texts among those waiting to go out.

    `language` is the one the texts are in.
    """

    grower: Grower
    language: str
    texts: tuple[Waiting, ...]

    @property
    def segments(self) -> int:
        """What the texts cost."""
        return sum(segments(text.body) for text in self.texts)


@dataclass(frozen=True, slots=True)
class LeftOut:
    """A grower who gets no text, and why.

    `stopped`, `no_consent`, `unreachable`; `not_meant` where the conditions are not met;
    `no_text` where there is none in their language; `no_value` where the text asks for what is
    not known of them; `gone` when they have left the group, `told` when they were told in another
    group of the round; `damaged` when their record cannot be read.
    """

    reason: str


Verdict = Chosen | LeftOut

REASONS = {
    "stopped": "have sent STOP",
    "no_consent": "have not agreed to be texted",
    "unreachable": "have a number that texts do not reach",
    "not_meant": "do not meet the conditions",
    "no_text": "speak a language the round has no text in, or none that is known",
    "no_value": "lack a value the text asks for",
    "gone": "have left the group since",
    "told": "were told in another group of the round",
    "damaged": "have a record that cannot be read",
}


def judge(one: Round, group: Group, grower: Grower, today: date, dialogue: Dialogue) -> Verdict:
    """Decide whether a round is for a grower of a group, as seen on their local day."""
    if grower.group != group.name:
        return LeftOut("gone")
    if silent := why_silent(grower):
        return LeftOut(silent)
    language = grower.language or group.language
    if not meets(one.conditions, grower, language, today):
        return LeftOut("not_meant")
    about = f"{ROUND}{one.id}"
    voice = dialogue.voice(language)
    if one.flow:
        told = dialogue.begin(grower, one.flow, today, inviter=group.name, operation=about)
    else:
        if language not in one.texts:
            return LeftOut("no_text")
        body = _written(one.texts[language], grower, group, voice)
        if body is None:
            return LeftOut("no_value")
        told = enqueue(grower, [body], "notice", about)
    # Names come from outside the language, and cost as much as its own letters.
    waiting = tuple(
        replace(text, body=voice.spelt(text.body)) if text.serial > grower.serial else text
        for text in told.waiting
    )
    new = tuple(text for text in waiting if text.serial > grower.serial)
    told = replace(told, waiting=waiting)
    return Chosen(told, language, new) if new else LeftOut("not_meant")


def at(chosen: Chosen, moment: int) -> Grower:
    """Return the chosen grower, the round's texts to go out no earlier than a moment."""
    mine = {text.serial for text in chosen.texts}
    waiting = tuple(
        replace(text, at=moment) if text.serial in mine else text for text in chosen.grower.waiting
    )
    return replace(chosen.grower, waiting=waiting)


def meets(conditions: Conditions, grower: Grower, language: str, today: date) -> bool:
    """Tell whether a grower meets a round's conditions on a day."""
    if conditions.languages and language not in conditions.languages:
        return False
    if conditions.not_planted and planted(grower):
        return False
    if conditions.no_plan and grower.plan is not None and stage(grower) != FINISHED:
        return False
    coming = next_open(grower)
    if conditions.operation and (coming is None or coming.name != conditions.operation):
        return False
    if conditions.within is not None and (
        coming is None or (coming.due - today).days > conditions.within
    ):
        return False
    return conditions.behind is None or days_behind(grower, today) >= max(conditions.behind, 1)


def faults(one: Round, dialogue: Dialogue, groups: Collection[str]) -> list[str]:
    """Say what must be mended before a round may start; empty if nothing must."""
    found = []
    if not one.name:
        found.append("give the round a name")
    if not one.groups:
        found.append("choose at least one group")
    found += [f"there is no group {name!r}" for name in one.groups if name not in groups]
    if one.flow:
        # Growers of a language may have a menu of their own, which begins fewer.
        own = [each.beginnings for each in dialogue.own.values()]
        begun = [flow for flow in dialogue.beginnings if all(flow in each for each in own)]
        if one.flow not in begun:
            found.append(f"{one.flow!r} cannot be begun; choose {', '.join(begun)}")
    elif not one.texts:
        found.append("write a text in at least one language")
    for language, text in one.texts.items():
        spelt = dialogue.voice(language).spelt(text)
        found += [f"the text in {language}: {fault}" for fault in _text_faults(spelt)]
        if language not in dialogue.languages:
            found.append(f"{language!r} is no language on offer: {', '.join(dialogue.languages)}")
    wanted = one.conditions
    if wanted.operation and wanted.operation not in dialogue.flows.operations:
        found.append(_unknown("operation", wanted.operation, dialogue.flows.operations))
    found += [
        f"{language!r} is no language on offer: {', '.join(dialogue.languages)}"
        for language in wanted.languages
        if language not in dialogue.languages
    ]
    found += [
        f"{name} is a number of days from 0 to {LONGEST_DAYS}"
        for name, days in (("due within", wanted.within), ("behind by", wanted.behind))
        if days is not None and not 0 <= days <= LONGEST_DAYS
    ]
    if not 1 <= one.rate <= FASTEST:
        found.append(f"the rate is from 1 to {FASTEST} texts a minute")
    return found


def _text_faults(text: str) -> list[str]:
    if not text.strip():
        return ["it is empty"]
    try:
        names = placeholders(text)
    except ValueError as error:
        return [f"{error}; write {{{{ for a brace that is meant"]
    found = [
        _unknown("placeholder", name, PLACEHOLDERS) for name in sorted(names - {*PLACEHOLDERS})
    ]
    if (count := segments(text)) > MOST_SEGMENTS:
        found.append(f"it takes {count} segments, and {MOST_SEGMENTS} at most are sent")
    return found


def _unknown(what: str, name: str, every: Collection[str]) -> str:
    try:
        known(f"the {what}", name, dict.fromkeys(every))
    except FlowError as error:
        return str(error)
    return f"there is no {what} {name!r}"


def _written(text: str, grower: Grower, group: Group, voice: Voice) -> str | None:
    """Fill a text for a grower; None where it asks for what is not known."""
    coming = next_open(grower)
    values = {
        "name": grower.name,
        "village": grower.village,
        "group": group.name,
        "operation": voice.operation(coming.id, "act") if coming else "",
        "due": voice.show(coming.due) if coming else "",
    }
    if not all(values[name] for name in placeholders(text)):
        return None
    return fill(text, values)
