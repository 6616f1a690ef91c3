"""A grower's plan from an answer sheet, as if they had answered the questions themselves: pure."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from msgspec.structs import replace

from bot.dialogue import composing
from bot.dialogue.acts import Acts, Scene, without
from bot.dialogue.calculations import MEASURED
from bot.dialogue.planning import make
from bot.dialogue.sheet import read_sheet
from bot.dialogue.slips import OPENING
from bot.dialogue.walk import Walk
from bot.web.api.shapes import Fault

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import date

    from bot.dialogue.records import Grower, Session
    from bot.dialogue.sheet import Sheet
    from bot.dialogue.turn import Dialogue

PLAN = "plan"
"""What the texts of a plan made from a sheet are about."""


@dataclass(frozen=True, slots=True)
class Made:
    """A grower with the plan of a sheet, and the texts that would tell it, in `language`."""

    grower: Grower
    language: str
    texts: tuple[str, ...]


def planned(
    grower: Grower, raw: Mapping[str, object], dialogue: Dialogue, fallback: str, today: date
) -> Made | list[Fault]:
    """Make the plan of a sheet for a grower, or say all that is wrong with the sheet.

    The grower's own language stands; the sheet's is taken where it is not known, and else
    `fallback`. What the old plan still asked is asked no more, and a conversation about the
    season is over.
    """
    language = grower.language or raw.get("language") or fallback
    spoken = dialogue.own.get(str(language), dialogue)
    sheet = read_sheet({"language": language} | dict(raw), spoken.flows, spoken.languages, today)
    if faults := _faults(sheet, today):
        return faults
    language = grower.language or sheet.language
    voice = spoken.voice(language)
    known = {name: grower.answers[name] for name in MEASURED if name in grower.answers}
    # The sprayer stays the same on another field; stakes that were tested do not.
    kept = {name: value for name, value in known.items() if name == "spray_volume_l_per_ha"}
    walk = Walk.season(spoken.flows, kept | sheet.answers)
    if "rain_expected" in sheet.answers:
        walk.answers["rain_expected"] = sheet.answers["rain_expected"]
    laid = make(spoken.flows, walk, today, sheet.done)
    scene = Scene(_asked_no_more(grower, spoken), voice, today, "sms")
    scene.settle(laid)
    sprayed = [each for each in laid.plan.in_date_order() if each.done and each.group]
    plan = replace(laid.plan, last_group=sprayed[-1].group if sprayed else None)
    named = raw.get("language") is not None
    made = replace(
        scene.grower,
        plan=plan,
        answers=walk.kept(),
        language=grower.language or (sheet.language if named else ""),
    )
    return Made(made, language, composing.plan_texts(voice, walk, laid))


def _faults(sheet: Sheet, today: date) -> list[Fault]:
    """Say what is wrong with a sheet, each fault at its key."""
    faults = []
    for line in sheet.faults:
        key, _, reason = line.partition(": ")
        faults.append(Fault(f"sheet.{key}", reason))
    if sheet.today != today:
        reason = f"the plan is laid out as of today, {today}; leave it out"
        faults.append(Fault("sheet.today", reason))
    return faults


def _asked_no_more(grower: Grower, dialogue: Dialogue) -> Grower:
    """Close what was asked about the season or the plan before, with what waits to ask it."""
    season = {each.name for each in dialogue.flows.season()}

    def closed(each: Session) -> bool:
        return bool(each.about) or each.flow in {*season, OPENING, "menu"}

    standing, session = grower.session, without(grower.session, closed)
    if standing is None or not closed(standing):
        return grower if session == standing else replace(grower, session=session)
    question = dialogue.open_question(grower)
    waiting = tuple(
        each
        for each in grower.waiting
        if each.kind != "notice" or not question or not each.body.endswith(question)
    )
    if session is not None:
        # The last text on the phone asked about the season. Its "1" must not answer the question
        # that comes back: the menu stands before that, where it does no harm.
        session = Acts(dialogue.flows).start("menu", aside=session)
    return replace(grower, session=session, waiting=waiting)
