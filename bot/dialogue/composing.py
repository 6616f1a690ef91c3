"""The texts of a plan, a reminder and a report, in the order a grower reads them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from bot.dialogue.planning import wanted_day
from bot.dialogue.reckoning import area_answer
from bot.dialogue.slips import OPENING
from bot.dialogue.stating import amounts, labour_lines, money_lines, volume_line
from bot.dialogue.voice import Voice, pack
from bot.dialogue.walk import Walk
from bot.wording.folding import fold

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import date

    from bot.dialogue.loading import Flows, Saying
    from bot.dialogue.planning import LaidOut
    from bot.dialogue.records import Answer, Answers, Finding, Operation, Plan, Session

PLAN_BUDGET = 2
"""Segments a text of the plan may take. Longer plans are more texts, not longer ones."""

SPRAYS = frozenset({"spray_fallow", "spray_preemergence"})
"""Sprays whose tanks a plan counts."""

DATES_ON_A_SCREEN = 4
"""Next dates shown at once on USSD, where the whole plan would be too many screens."""


def plan_texts(voice: Voice, walk: Walk, laid: LaidOut) -> tuple[str, ...]:
    """Write the whole plan.

    First what cannot be met and what was taken for granted, then the days, the advice, the
    money, the work, and last the cautions.
    """
    flows, answers, plan = walk.flows, walk.answers, laid.plan
    figures = flows.figures
    values = amounts(voice, answers, figures)
    advice = [voice.tell(each, values) for each in walk.said if _still_holds(each, plan)]
    before = _ahead("plant", plan)
    sprays = any(each.name in SPRAYS and not each.done for each in plan.operations)
    return pack(
        [
            *broken_lines(voice, laid, answers),
            *assumed_lines(voice, walk),
            title(voice, answers),
            *dates(voice, plan),
            *start_by(voice, plan, answers),
            *advice,
            *(volume_line(voice, figures, answers) if sprays else []),
            *(money_lines(voice, figures, answers, plan) if before else []),
            *labour_lines(voice, flows, plan, answers),
            *voice.cautions(caution_names(voice, plan.operations)),
        ],
        PLAN_BUDGET,
    )


def assumed_lines(voice: Voice, walk: Walk) -> list[str]:
    """List what was taken for granted where the grower did not know."""
    taken = [voice.assumed(each) for each in walk.assumed if each.state.assume]
    return [voice.say("assumed"), *(f"- {each}" for each in taken)] if taken else []


def start_by(voice: Voice, plan: Plan, answers: Mapping[str, Answer]) -> list[str]:
    """Say that the days before a wanted planting day are the last ones to begin on."""
    first = next((each for each in plan.in_date_order() if not each.done), None)
    if wanted_day(answers) is None or first is None or first.id == "plant":
        return []
    return [voice.say("start_by")] if _ahead("plant", plan) else []


def _ahead(operation: str, plan: Plan) -> bool:
    """Whether an operation of the plan is still to come."""
    found = plan.find(operation)
    return found is not None and found.done is None


def _still_holds(saying: Saying, plan: Plan) -> bool:
    return not saying.at_once and all(
        _ahead(each, plan) for each in (saying.about, saying.until) if each
    )


def dates(voice: Voice, plan: Plan, most: int | None = None) -> list[str]:
    """List the operations not yet done, a line each."""
    waiting = [each for each in plan.in_date_order() if not each.done]
    return [
        voice.say("plan_line", day=each.due, name=voice.operation(each.id, "name"))
        for each in waiting[:most]
    ]


def title(voice: Voice, answers: Mapping[str, Answer]) -> str:
    """Head a plan with the field it is for."""
    return voice.say("plan_title", area=voice.area(area_answer(answers)))


def broken_lines(voice: Voice, laid: LaidOut, answers: Mapping[str, Answer]) -> list[str]:
    """Say which links of the plan the facts have broken, and what to do."""
    lines = []
    for each in laid.broken:
        operation = laid.plan.find(each.operation)
        if each.after is not None:
            name = voice.operation(each.operation, "name")
            sentence = "left_out" if operation is None else "broken_link"
            lines.append(voice.say(sentence, name=name, days=each.days))
        elif (wanted := wanted_day(answers)) is not None:
            lines.append(voice.say("broken_wanted", wanted=wanted, days=each.days))
            if laid.longest is not None:
                lines.append(
                    voice.say(
                        "broken_by",
                        name=voice.operation(laid.longest.operation, "name"),
                        before=voice.operation(laid.longest.after, "name"),
                        least=laid.longest.least,
                    )
                )
            lines += [voice.say(f"remedy_{it.kind}", day=it.earliest) for it in laid.remedies]
    return lines


def missed_lines(voice: Voice, before: Plan, laid: LaidOut) -> list[str]:
    """Say what has come too late to work before anyone was reminded of it."""
    late = {each.operation: each.days for each in laid.broken}
    return [
        voice.say("left_out", name=voice.operation(each.id, "name"), days=late[each.id])
        for each in before.operations
        if each.id in late and laid.plan.find(each.id) is None and not each.reminded
    ]


def spray_lines(voice: Voice, flows: Flows, plan: Plan, answers: Mapping[str, Answer]) -> list[str]:
    """Say what goes in a tank, for each spray of the plan still to be done."""
    walk = Walk.season(flows, answers)
    values = amounts(voice, walk.answers, flows.figures)
    return [
        voice.tell(each, values) for each in walk.said if each.about and _ahead(each.about, plan)
    ]


def diary_lines(voice: Voice, flows: Flows, diary: Sequence[Finding]) -> list[str]:
    """List what the weed checks of a plan found and ordered, a line each."""
    covers = voice.options(flows.step("weeding", "weed_cover"))
    if not diary:
        return [voice.say("diary_empty")]
    return [
        voice.say(
            "diary_line",
            day=each.day,
            cover=covers.get(each.cover, ""),
            action=voice.say(f"weeded_{each.action}"),
        )
        for each in diary
    ]


def caution_names(voice: Voice, operations: Sequence[Operation]) -> list[str]:
    """Names of the cautions that these operations carry, each once, sprays first."""
    names = dict.fromkeys(
        name for each in operations if not each.done for name in voice.caution_names(each.id)
    )
    return sorted(names, key=lambda name: name != "spraying")


def reminder_texts(
    voice: Voice, walk: Walk, operation: Operation, today: date, first: str = ""
) -> tuple[str, ...]:
    """Write a reminder; the cautions first, so that what is asked stands last on the phone.

    `walk` is the season's, for the sentences that belong to the operation: what goes in a tank.
    `first` is the flow that asks what the operation waits for, if it waits for anything.
    """
    flows = walk.flows
    values = amounts(voice, walk.answers, flows.figures)
    details = [voice.tell(each, values) for each in walk.said if each.about == operation.id]
    cautions = voice.cautions(voice.caution_names(operation.id))
    if first:
        step = flows.step(first, flows.flows[first].start)
        question = f"{voice.say('reminder_first', day=today)} {voice.question(step, {})}"
    else:
        question = _asked(voice, operation, today)
    return pack([*cautions, *details, question], PLAN_BUDGET)


def question(
    flows: Flows, voices: Mapping[str, Voice], voice: Voice, session: Session, answers: Answers
) -> str:
    """Put the question at which a conversation stands, an earlier answer offered back.

    The first one is put in every language on offer, those of `voices`.
    """
    step = flows.step(session.flow, session.state)
    if session.flow == OPENING:
        parts = [each.question(step, {}).partition("\n") for each in voices.values()]
        return "\n".join([*dict.fromkeys(head for head, _, _ in parts), parts[0][2]])
    kept = voice.answer(step, answers) if session.flow != "menu" else ""
    about = voice.operation(session.about, "act") if session.about else ""
    return voice.question(step, {"act": about}, kept)


def begun_texts(voice: Voice, asked: str, today: date) -> tuple[str, ...]:
    """Write a question put unasked to a grower who knows us: who asks, where that fits, and it."""
    texts = pack([voice.say("reminder_first", day=today), asked], PLAN_BUDGET)
    return texts if len(texts) == 1 else (asked,)


def introduced_texts(voice: Voice, inviter: str, asked: str) -> tuple[str, ...]:
    """Write a question to who never heard from us: who asks, for whom, how to end it, and it."""
    name = voice.say("introduction_for", inviter=inviter) if inviter else voice.say("introduction")
    return pack([f"{name} {voice.say('to_end')}", asked], PLAN_BUDGET)


def introduced_in_all(voices: Sequence[Voice], inviter: str, asked: str) -> tuple[str, ...]:
    """Write the question for a language, which says who asks, with for whom and how to end it.

    One foreign letter would make all languages cost twice as much, so there is none.
    """
    ending = dict.fromkeys(fold(each.say("to_end")) for each in voices)
    return pack([fold(inviter), " ".join(ending), asked], PLAN_BUDGET)


def _asked(voice: Voice, operation: Operation, today: date) -> str:
    """Ask whether the work is done."""
    late = operation.reminded > 0
    opening = voice.say(
        "reminder_late" if late else "reminder",
        day=operation.due if late else today,
        act=voice.operation(operation.id, "act"),
    )
    remind = voice.operation(operation.id, "remind")
    return "\n".join(filter(None, [opening, remind, voice.report_options()]))
