"""What begins with us: a reminder that is due, a flow begun for a grower, an agent's report.

Each takes a grower and gives the grower as they then are, with the texts that go out among those
waiting. Whoever gets direct replies only (`Grower.receives`) comes back unchanged from the first
two. Only one question stands at a time, the one asked last; a conversation it breaks into is kept
aside, and goes on when it is answered.
"""

from __future__ import annotations

from datetime import timedelta
from functools import cached_property
from typing import TYPE_CHECKING

from msgspec.structs import replace

from bot.dialogue import composing
from bot.dialogue.acts import UNANSWERED, Scene, without
from bot.dialogue.planning import (
    change,
    done_later,
    first_asked,
    lay_anew,
    next_open,
)
from bot.dialogue.records import enqueue
from bot.dialogue.slips import OPENING, SEASON
from bot.dialogue.standing import NUDGE_AFTER_DAYS
from bot.dialogue.walk import Walk
from bot.wording.languages import SOURCE

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import date

    from bot.dialogue.acts import Acts
    from bot.dialogue.loading import Flows
    from bot.dialogue.records import Answers, Grower, Operation, Plan, Session
    from bot.dialogue.voice import Voice

MOST_DAYS_AHEAD = 365
"""As far ahead as work may be put off; a later day is a slip."""


class Inviting:
    """The half of a conversation that begins with us; `Dialogue` has it beside its own half.

    `voices` are those of the languages on offer, `own` the conversations of languages that have
    flows of their own.
    """

    flows: Flows
    voices: Mapping[str, Voice]
    own: Mapping[str, Inviting]
    _acts: Acts

    def voice(self, code: str) -> Voice:
        """The voice of a language; the source language's where it is not (any more) on offer."""
        if code in self.own:
            return self.own[code].voice(code)
        return self.voices.get(code) or self.voices[SOURCE]

    @cached_property
    def beginnings(self) -> tuple[str, ...]:
        """The flows that can be begun for a grower."""
        menu = [step.state.flow for step in self.flows.steps() if step.state.do == "begin"]
        return (SEASON, *menu, *sorted(self.flows.firsts))

    @cached_property
    def _reporting(self) -> frozenset[str]:
        return self.flows.firsts | {"report"}

    def open_question(self, grower: Grower) -> str:
        """Give the question at which a grower's conversation stands; empty when none does."""
        if grower.language in self.own:
            return self.own[grower.language].open_question(grower)
        session = grower.session
        flow = self.flows.flows.get(session.flow) if session else None
        step = flow.steps.get(session.state) if flow and session else None
        if session is None or step is None or step.kind != "ask":
            return ""
        return self._question(self.voice(grower.language), session, grower.answers)

    def _question(self, voice: Voice, session: Session, answers: Answers) -> str:
        return composing.question(self.flows, self.voices, voice, session, answers)

    def _asked_no_more(self, grower: Grower, voice: Voice, session: Session) -> Grower:
        """Take back a flow's question that still waits to go out: it is answered by now."""
        if not any(each.kind == "notice" for each in grower.waiting):
            return grower
        asked = self._question(voice, session, grower.answers)
        waiting = tuple(
            each
            for each in grower.waiting
            if each.kind != "notice" or not each.body.endswith(asked)
        )
        return replace(grower, waiting=waiting)

    @staticmethod
    def settled(grower: Grower) -> Grower:
        """Take a grower from those to ring, once somebody has; nothing else changes."""
        return replace(grower, trouble="")

    # A reminder

    def remind(self, grower: Grower, today: date) -> Grower:
        """Put the reminder that is due into the texts waiting to go out, and await its answer.

        The grower comes back unchanged when no reminder is due on this local day, or none may
        be sent.
        """
        if grower.language in self.own:
            return self.own[grower.language].remind(grower, today)
        plan = grower.plan
        if plan is None or plan.next_reminder is None or not grower.receives:
            return grower
        if plan.next_reminder.day > today:
            return grower
        voice = self.voice(grower.language)
        # Days may have passed since the plan was laid out: what came too late is left out now.
        laid = lay_anew(self.flows, plan, grower.answers, today)
        due = laid.plan.next_reminder
        operation = plan.find(due.operation) if due and due.day <= today else None
        if operation is None:
            missed = composing.missed_lines(voice, plan, laid)
            return enqueue(replace(grower, plan=laid.plan), missed, "notice")
        texts = composing.reminder_texts(
            voice,
            Walk.season(self.flows, grower.answers),
            operation,
            today,
            first_asked(self.flows, plan, operation),
        )
        asked = replace(operation, reminded=operation.reminded + 1, reminded_on=today)
        laid = lay_anew(self.flows, change(laid.plan, asked), grower.answers, today)
        aside = without(
            grower.session, lambda each: each.flow == "menu" or each.flow in self._reporting
        )
        grower = replace(
            grower,
            plan=laid.plan,
            session=self._acts.ask_about(laid.plan, asked, today, aside),
            trouble=grower.trouble
            or (UNANSWERED if asked.reminded > len(NUDGE_AFTER_DAYS) else ""),
        )
        return enqueue(grower, texts, "reminder", operation.id)

    # A flow

    def begin(
        self, grower: Grower, flow: str, today: date, *, inviter: str = "", operation: str = ""
    ) -> Grower:
        """Put a flow's first question among the texts waiting to go out, and await its answer.

        `inviter` is for whom we ask, such as a group's name: it is said to who never heard from
        us. The text is a notice, under the name `operation`. A conversation that is open goes on
        after the flow; one about the same goes on at once, from where it stands. Who has no
        language yet is asked for it first.

        The grower comes back unchanged where nothing may be sent, and where the flow makes no
        sense: a measurement without a plan, or a question about work that does not come next.
        Raises ValueError for a flow that is not among the `beginnings`.
        """
        if grower.language in self.own:
            return self.own[grower.language].begin(
                grower, flow, today, inviter=inviter, operation=operation
            )
        if flow not in self.beginnings:
            raise ValueError(
                f"{flow!r} cannot be begun for a grower; these can: {', '.join(self.beginnings)}"
            )
        if not grower.receives:
            return grower
        session = self._resumed(grower, flow) or self._first(grower, flow, today)
        if session is None:
            return grower
        new = not (grower.session or grower.plan or grower.answers)
        session = replace(session, aside=self._aside(grower, flow))
        speaks = grower.language in self.voices
        if not speaks:
            session = self._acts.start(OPENING, aside=session)
        voice = self.voice(grower.language)
        asked = self._question(voice, session, grower.answers)
        if not new:
            texts = composing.begun_texts(voice, asked, today) if speaks else (asked,)
        elif speaks:
            texts = composing.introduced_texts(voice, inviter, asked)
        else:
            texts = composing.introduced_in_all([*self.voices.values()], inviter, asked)
        return enqueue(replace(grower, session=session), texts, "notice", operation)

    def _topic(self, flow: str) -> set[str]:
        """The flows that are one conversation with a flow: a season's are."""
        return {each.name for each in self.flows.season()} if flow == SEASON else {flow}

    def _resumed(self, grower: Grower, flow: str) -> Session | None:
        """A conversation about the same that is open already: its question is put again."""
        session, topic = grower.session, self._topic(flow)
        while session is not None and session.flow not in topic:
            session = session.aside
        step = self.flows.flows[session.flow].steps.get(session.state) if session else None
        return replace(session, rest="") if session and step and step.kind == "ask" else None

    def _first(self, grower: Grower, flow: str, today: date) -> Session | None:
        """The flow at its first question; None where that would not make sense to ask."""
        if flow == SEASON:
            return self._acts.start(flow)
        plan = grower.plan
        if plan is None:
            return None  # what is measured is told in amounts of a plan
        if flow not in self.flows.firsts:
            return self._acts.start(flow)
        work = next_open(plan)
        if work is None or work.earliest > today or first_asked(self.flows, plan, work) != flow:
            return None
        return self._acts.start(flow, about=work.id)

    def _aside(self, grower: Grower, flow: str) -> Session | None:
        passing = {"menu", OPENING, *self._topic(flow)}
        return without(grower.session, lambda each: each.flow in passing)

    # A report

    def report(
        self,
        grower: Grower,
        operation_id: str,
        today: date,
        *,
        done: date | None = None,
        not_before: date | None = None,
    ) -> Grower:
        """Take an agent's report for a grower: work `done` on a day, or put off to one.

        The plan and its next reminder move as by the grower's own reply, and no text goes out. A
        question about that work is closed. Of a weed check only the day is kept: what it found
        is not asked, so nothing comes into the diary and no weeding into the plan; the checks
        that follow stay.

        Raises ValueError, saying why, unless just one of the two days is given and possible, and
        the operation is in the plan and not yet done.
        """
        if grower.language in self.own:
            own = self.own[grower.language]
            return own.report(grower, operation_id, today, done=done, not_before=not_before)
        scene = Scene(grower, self.voice(grower.language), today, "sms")
        plan = grower.plan
        operation = plan.find(operation_id) if plan else None
        if plan is None or operation is None:
            raise ValueError(f"the plan has no operation {operation_id!r}")
        if operation.done is not None:
            raise ValueError(f"{operation_id} was done on {operation.done} already")
        if done is not None and not_before is None:
            self._may_be_done(plan, operation, done, today)
            laid = self._acts.take_done(scene, plan, operation, done)
        elif not_before is not None and done is None:
            last = today + timedelta(days=MOST_DAYS_AHEAD)
            if not today <= not_before <= last:
                raise ValueError(f"{not_before} must be from {today} to {last}")
            laid = self._acts.take_promised(scene, plan, operation, not_before)
        else:
            raise ValueError("give either the day it was done or the day it will not be before")
        return self._told(scene, operation_id, laid.plan)

    def _may_be_done(self, plan: Plan, operation: Operation, day: date, today: date) -> None:
        if day > today:
            raise ValueError(f"{day} is still to come")
        before = done_later(self.flows, plan, operation, day)
        if before is not None:
            raise ValueError(f"{day} is before {before.done}, when {before.id} was done")

    def _told(self, scene: Scene, operation_id: str, plan: Plan) -> Grower:
        """Close the questions about what has been reported, and about what has left the plan."""

        def closed(each: Session) -> bool:
            about = plan.find(each.about)
            gone = about is None or about.done is not None or about.id == operation_id
            return each.flow in self._reporting and gone

        grower, standing = scene.grower, scene.grower.session
        session = without(standing, closed)
        if standing is not None and closed(standing):
            grower = self._asked_no_more(grower, scene.voice, standing)
            if session is not None:
                # The last text on the phone still asks about the work. Its "1" must not answer
                # the question that comes back: the menu stands before that, where it does no harm.
                session = self._acts.start("menu", aside=session)
        return replace(grower, session=session)
