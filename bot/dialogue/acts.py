"""What happens where a flow acts: a plan is made, a report moves it, a weed check adds to it.

An act changes the grower, adds what is to be said, and returns the session that follows: a new
question, the conversation a reminder broke into, or None when nothing is left to ask.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import TYPE_CHECKING

from msgspec.structs import replace

from bot.agronomy.calendar import PLANT
from bot.agronomy.weeding import GRAMINICIDE, HRAC_GROUPS
from bot.dialogue import composing, stating
from bot.dialogue.calculations import MEASURED
from bot.dialogue.planning import (
    change,
    closes,
    done_later,
    done_on,
    first_asked,
    fresh_id,
    lay_anew,
    make,
    next_open,
    put_off,
)
from bot.dialogue.reckoning import millilitres_of
from bot.dialogue.records import (
    Answers,
    Channel,
    Finding,
    Grower,
    Operation,
    Plan,
    Session,
    unsure,
)
from bot.dialogue.slips import SEASON
from bot.dialogue.walk import Walk

if TYPE_CHECKING:
    from collections.abc import Callable

    from bot.dialogue.loading import Flows
    from bot.dialogue.planning import LaidOut
    from bot.dialogue.voice import Voice

# Why a person should ring a grower.
ASKED_FOR_HELP = "asked for help"
UNREAD = "could not answer a question"
UNANSWERED = "no answer to the reminders"
UNREACHABLE = "texts cannot reach this number"
NOT_ARRIVING = "the last texts did not arrive"

LOOK_AGAIN_DAYS = 7
"""Days until a weed check that came too early is made again."""


@dataclass(slots=True)
class Scene:
    """One turn while it is being worked out.

    `lines` are said before any question; `texts` are whole texts that go before all else (a
    plan), `later` whole texts that go by SMS although the conversation is on USSD.
    """

    grower: Grower
    voice: Voice
    today: date
    channel: Channel
    lines: list[str] = field(default_factory=list)
    texts: list[str] = field(default_factory=list)
    later: list[str] = field(default_factory=list)

    def say(self, name: str, /, **values: object) -> None:
        """Add one of the engine's sentences to what is said."""
        self.lines.append(self.voice.say(name, **values))

    def needs_call(self, reason: str) -> None:
        """Put the grower among those a person should ring, and say how to reach one."""
        self.lines.append(self.voice.person())
        self.grower = replace(self.grower, trouble=reason)

    def settle(self, laid: LaidOut) -> None:
        """Take a plan as laid out; reminders of the old one that wait to go out are stale.

        Who was silent has been heard; who asked for help still waits for a call.
        """
        kept = tuple(each for each in self.grower.waiting if each.kind != "reminder")
        trouble = "" if self.grower.trouble in {UNANSWERED, UNREAD} else self.grower.trouble
        self.grower = replace(self.grower, plan=laid.plan, trouble=trouble, waiting=kept)


class Acts:
    """The acts a flow file may name, over the flows they belong to."""

    def __init__(self, flows: Flows) -> None:
        self.flows = flows

    def start(self, name: str, about: str = "", aside: Session | None = None) -> Session:
        """Begin a flow; `aside` is what goes on when it has ended."""
        flow = self.flows.flows[name]
        return Session(flow.name, flow.start, flow.version, about=about, aside=aside)

    def perform(self, scene: Scene, session: Session, walk: Walk) -> Session | None:
        """Perform the act a walk has come to, and return the session that follows."""
        match walk.step.state.do if walk.step else "close":
            case "pick_operation":
                return self._pick_operation(scene, session)
            case "new_field":
                return self.start(SEASON)
            case "begin":
                return self.start(walk.step.state.flow if walk.step else "", aside=session.aside)
            case "report_done":
                return self._report_done(scene, session)
            case "go_ahead":
                return self._go_ahead(scene, session)
            case "make_plan":
                self._make_plan(scene, session)
                # What was asked about an operation of the plan before is asked no more.
                return without(session.aside, lambda each: bool(each.about))
            case act:
                self._settle(act, scene, session, walk)
                return session.aside

    def _settle(self, act: str, scene: Scene, session: Session, walk: Walk) -> None:
        """Perform an act after which nothing is left to ask."""
        match act:
            case "show_plan":
                self.show_plan(scene)
            case "show_diary":
                self._show_diary(scene)
            case "ask_help":
                scene.needs_call(ASKED_FOR_HELP)
            case "report_promised":
                self._report_promised(scene, session)
            case "look_again":
                self._wait_for_rain(scene, session)
            case "weed":
                self._weed(scene, session, walk)
            case "take_measure":
                self._take_measure(scene, walk)
            case _:
                scene.lines += [scene.voice.tell(each, {}) for each in walk.said]

    # The plan

    def _make_plan(self, scene: Scene, session: Session) -> None:
        # The sprayer stays the same on another field; stakes that were tested do not.
        measured = {k: v for k, v in scene.grower.answers.items() if k == "spray_volume_l_per_ha"}
        walk = Walk.season(self.flows, measured | session.answers)
        laid = make(self.flows, walk, scene.today)
        scene.settle(laid)
        scene.grower = replace(scene.grower, answers=walk.kept())
        texts = composing.plan_texts(scene.voice, walk, laid)
        if scene.channel == "sms":
            scene.texts += texts
            return
        scene.later += texts
        scene.lines += composing.dates(scene.voice, laid.plan, composing.DATES_ON_A_SCREEN)
        scene.say("plan_by_sms")

    def show_plan(self, scene: Scene) -> None:
        """Show the days again. What goes in a tank comes with the reminder of its spray."""
        plan = scene.grower.plan
        if plan is None:
            scene.say("no_plan")
            return
        laid = lay_anew(self.flows, plan, scene.grower.answers, scene.today)
        scene.lines.append(composing.title(scene.voice, scene.grower.answers))
        scene.lines += composing.dates(scene.voice, laid.plan)

    def say_at_once(self, scene: Scene, walk: Walk) -> None:
        """Say what the conversation is told as soon as a walk meets it."""
        said = [each for each in walk.said if each.at_once]
        if said:
            values = self._amounts(scene, walk)
            scene.lines += [scene.voice.tell(each, values) for each in said]

    def _amounts(self, scene: Scene, walk: Walk) -> dict[str, object]:
        answers = scene.grower.answers | walk.answers
        return stating.amounts(scene.voice, answers, self.flows.figures)

    # What the grower measured

    def _take_measure(self, scene: Scene, walk: Walk) -> None:
        """Keep what was measured, and say the amounts of the plan that it changes."""
        kept = {
            name: walk.answers[name]
            for name in (*MEASURED, "low_sprouting")
            if walk.answers.get(name) is not None
        }
        known = {k: v for k, v in scene.grower.answers.items() if k not in map(unsure, kept)}
        scene.grower = replace(scene.grower, answers=known | kept)
        values = self._amounts(scene, walk)
        scene.lines += [scene.voice.tell(each, values) for each in walk.said]
        if "spray_volume_l_per_ha" in kept and scene.grower.plan is not None:
            scene.lines += composing.spray_lines(
                scene.voice, self.flows, scene.grower.plan, scene.grower.answers
            )

    def _show_diary(self, scene: Scene) -> None:
        diary = scene.grower.plan.diary if scene.grower.plan else ()
        scene.lines += composing.diary_lines(scene.voice, self.flows, diary)

    # Reports

    def ask_about(
        self, plan: Plan, operation: Operation, today: date, aside: Session | None = None
    ) -> Session:
        """Ask what an operation waits for, or, where that is there, whether it is done."""
        first = first_asked(self.flows, plan, operation)
        if first:
            return self.start(first, about=operation.id, aside=aside)
        return self.report_on(operation, today, aside)

    def report_on(self, operation: Operation, today: date, aside: Session | None = None) -> Session:
        """Begin the report on one operation."""
        given: Answers = {
            "operation": operation.name,
            # Everything counts from the day of planting: that one is always asked for.
            "asked_today": operation.name != PLANT
            and operation.reminded == 1
            and operation.reminded_on == today,
        }
        return replace(self.start("report", about=operation.id, aside=aside), answers=given)

    def _pick_operation(self, scene: Scene, session: Session) -> Session | None:
        plan = scene.grower.plan
        operation = next_open(plan) if plan else None
        if plan is None or operation is None:
            scene.say("nothing_open")
            return session.aside
        return self.ask_about(plan, operation, scene.today, session.aside)

    def _go_ahead(self, scene: Scene, session: Session) -> Session | None:
        """What the operation waits for is there: it can be done, and is asked about."""
        reported = _reported(scene, session)
        if reported is None:
            return session.aside
        plan, operation = reported
        asked = replace(operation, promised=None, reminded=1, reminded_on=scene.today)
        plan = replace(plan, ready=(*plan.ready, operation.id))
        self._move(scene, change(plan, asked))
        return self.report_on(asked, scene.today, session.aside)

    def _wait_for_rain(self, scene: Scene, session: Session) -> None:
        """Put planting off a few days, and warn when the soil made ready will not wait longer."""
        reported = _reported(scene, session)
        if reported is None:
            return
        plan, operation = reported
        again = scene.today + timedelta(days=int(self.flows.figures["rain_again_days"]))
        last = closes(self.flows, plan, operation)
        moved = replace(operation, promised=again, reminded=0, reminded_on=None)
        scene.say("rain_again", day=again)
        self._move(scene, change(plan, moved))
        if last is not None and scene.today <= last < again + (again - scene.today):
            scene.say("rain_closing", day=last)

    def _report_done(self, scene: Scene, session: Session) -> Session | None:
        reported = _reported(scene, session)
        if reported is None:
            return session.aside
        plan, operation = reported
        day = _day_named(session.answers) or scene.today
        before = done_later(self.flows, plan, operation, day)
        if before is not None:
            scene.say("too_early", day=before.done, name=scene.voice.operation(before.id, "name"))
            return self.report_on(replace(operation, reminded=0), scene.today, session.aside)
        laid = self.take_done(scene, plan, operation, day)
        if operation.name == "weed_check":
            return self._begin_weeding(scene, session, laid.plan)
        self._say_next(scene, laid.plan)
        return session.aside

    def _report_promised(self, scene: Scene, session: Session) -> None:
        reported = _reported(scene, session)
        if reported is None:
            return
        plan, operation = reported
        day = _day_named(session.answers) or scene.today
        laid = self.take_promised(scene, plan, operation, day)
        self._say_next(scene, laid.plan)

    def take_done(self, scene: Scene, plan: Plan, operation: Operation, day: date) -> LaidOut:
        """Take an operation of the plan as done on a day; what is not done yet moves."""
        scene.say("noted_done", day=day)
        return self._move(scene, done_on(plan, operation, day))

    def take_promised(self, scene: Scene, plan: Plan, operation: Operation, day: date) -> LaidOut:
        """Take it that an operation will not be done before a day; what follows moves."""
        scene.say("noted_promised", day=day)
        return self._move(scene, put_off(plan, operation, day))

    def _move(self, scene: Scene, plan: Plan) -> LaidOut:
        laid = lay_anew(self.flows, plan, scene.grower.answers, scene.today)
        scene.settle(laid)
        scene.lines += composing.broken_lines(scene.voice, laid, {})
        return laid

    def _say_next(self, scene: Scene, plan: Plan) -> None:
        """Say what comes next. What is due today has its own reminder, but that may be late."""
        following = next((each for each in plan.in_date_order() if not each.done), None)
        if following is None:
            scene.say("all_done")
        else:
            act = scene.voice.operation(following.id, "act")
            scene.say("next_is", day=following.due, act=act)

    # Weeding

    def _begin_weeding(self, scene: Scene, session: Session, plan: Plan) -> Session:
        """Ask what the check found. The 8 weeks count from the day really planted."""
        given: Answers = {
            "gate_open": _age(plan, scene.today) >= self.flows.figures["glyphosate_gate_days"],
            "last_group": plan.last_group if plan.last_group in _WEEDING_GROUPS else None,
            "herbicide_ok": scene.grower.answers.get("herbicide_ok") is True,
        }
        started = self.start("weeding", about=session.about, aside=session.aside)
        return replace(started, answers=given)

    def _weed(self, scene: Scene, session: Session, walk: Walk) -> None:
        plan = scene.grower.plan
        if plan is None:
            scene.say("nothing_open")
            return
        scene.lines += [scene.voice.tell(each, {}) for each in walk.said]
        today = scene.today
        plan = replace(plan, diary=(*plan.diary, _finding(session.answers, today)))
        match session.answers["weeding"]:
            case "wait":
                scene.grower = replace(scene.grower, plan=plan)
                self._look_again(scene, plan)
                return
            case "by_hand":
                added = _for_today(fresh_id(plan, "weed_by_hand"), today)
            case _:
                group = int(str(session.answers["spray_group"]))
                added = _for_today(fresh_id(plan, "spray_shielded"), today, group)
                ml = millilitres_of(added.name, group, scene.grower.answers, self.flows.figures)
                added = replace(added, ml=ml)
        self._move(scene, change(plan, added))
        scene.lines += scene.voice.cautions(scene.voice.caution_names(added.id))

    def _look_again(self, scene: Scene, plan: Plan) -> None:
        """Plan another check, unless one comes soon anyway or the leaves have closed."""
        again = scene.today + timedelta(days=LOOK_AGAIN_DAYS)
        soon = again + timedelta(days=LOOK_AGAIN_DAYS)
        checks = [each for each in plan.operations if each.name == "weed_check" and not each.done]
        growing = _age(plan, again) <= self.flows.figures["weed_checks_until_days"]
        if growing and not any(each.due <= soon for each in checks):
            identity = fresh_id(plan, "weed_check")
            added = Operation(identity, again, again, again, promised=again)
            plan = self._move(scene, change(plan, added)).plan
        self._say_next(scene, plan)


def without(session: Session | None, unwanted: Callable[[Session], bool]) -> Session | None:
    """Take those conversations out of one, and of those aside from it, that nothing hangs on."""
    if session is None:
        return None
    aside = without(session.aside, unwanted)
    return aside if unwanted(session) else replace(session, rest="", aside=aside)


_WEEDING_GROUPS = frozenset({GRAMINICIDE, HRAC_GROUPS["glyphosate"], HRAC_GROUPS["glufosinate"]})
"""HRAC groups of the herbicides that may be sprayed among growing cassava."""


def _finding(answers: Answers, today: date) -> Finding:
    """Write a weed check into the diary."""
    cover, stage, kind = (
        str(answers.get(name) or "") for name in ("weed_cover", "weed_stage", "weed_kind")
    )
    action = str(answers["weeding"])
    group = answers.get("spray_group") if action == "spray" else None
    return Finding(today, cover, stage, kind, action, group if isinstance(group, int) else None)


def _for_today(identity: str, today: date, group: int | None = None) -> Operation:
    """Plan work for today. Its reminder would only repeat the reply, so it counts as sent."""
    return Operation(identity, today, today, today, reminded=1, reminded_on=today, group=group)


def _age(plan: Plan, day: date) -> int:
    """Days since the cassava was really planted; 0 while nobody has said that it was."""
    planted = plan.find("plant")
    return (day - planted.done).days if planted and planted.done else 0


def _reported(scene: Scene, session: Session) -> tuple[Plan, Operation] | None:
    """The plan and the operation a report speaks of; says so where the plan has it no more."""
    plan = scene.grower.plan
    operation = plan.find(session.about) if plan else None
    if plan is None or operation is None:
        scene.say("nothing_open")
        return None
    return plan, operation


def _day_named(answers: Answers) -> date | None:
    """The day a report names, in its own text or when asked for."""
    day = answers.get("reported_on") or answers.get("day_named")
    return date.fromisoformat(str(day)) if day else None
