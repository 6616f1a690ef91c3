"""The texts of a season, recorded so that each can be answered again as often as needed."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import takewhile
from typing import TYPE_CHECKING

from msgspec import structs

from bot.demo import ASHA, BEGIN, REHEMA, TOBIAS, Persona
from bot.dialogue.records import Grower

if TYPE_CHECKING:
    from datetime import date

    from bot.dialogue.records import Channel, Turn
    from bot.dialogue.turn import Dialogue

MOST_TEXTS = 500
"""More than a season has: a grower who goes round in circles is a fault in these files."""


@dataclass(frozen=True, slots=True)
class Heard:
    """One text, all that its turn depends on, and the turn."""

    grower: Grower
    text: str
    today: date
    channel: Channel
    turn: Turn


def season(dialogue: Dialogue, persona: Persona) -> list[Heard]:
    """Live through a season: the questions up to the plan, then each reminder as it falls due."""
    persona = replace(persona, met={})
    grower, today = Grower(), BEGIN.date()
    heard: list[Heard] = []
    text: str | None = ""
    while len(heard) < MOST_TEXTS:
        if text is not None:
            turn = dialogue.turn(grower, text, today, persona.channel)
            heard.append(Heard(grower, text, today, persona.channel, turn))
            grower = structs.replace(turn.grower, waiting=())
        elif grower.plan and grower.plan.next_reminder:
            today = max(today, grower.plan.next_reminder.day)
            grower = structs.replace(dialogue.remind(grower, today), waiting=())
        else:
            return heard
        text = _next_text(grower, persona)
    raise RuntimeError(f"the season of {persona.name} does not end; see what {heard[-1]} led to")


def seasons(dialogue: Dialogue) -> list[Heard]:
    """All three seasons of the demo: by SMS and USSD, with wrong answers, promises and delays."""
    return [heard for each in (ASHA, TOBIAS, REHEMA) for heard in season(dialogue, each)]


def first_talk(dialogue: Dialogue, channel: Channel) -> list[Heard]:
    """The questions up to the plan, all on one day whatever day that is."""
    lived = season(dialogue, replace(ASHA, channel=channel))
    return list(takewhile(lambda heard: heard.grower.plan is None, lived))


def _next_text(grower: Grower, persona: Persona) -> str | None:
    """What the grower sends next; None to wait for a reminder."""
    session = grower.session
    if session is None:
        return None
    if session.rest:
        return "0"
    return None if session.flow == "menu" else persona.says(session)
