"""One turn: a text comes in, a reply and the grower as it then is come out.

This is the whole conversation, and it is pure: no clock, no Redis, no HTTP. The store makes a
turn true in one write. Commands (stop, help, back ...) work in any state; otherwise the text
answers the open question, the walk goes on to the next one, and acts end a flow.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from msgspec.structs import replace

from bot.dialogue import composing
from bot.dialogue.acts import ASKED_FOR_HELP, UNREACHABLE, UNREAD, Acts, Scene
from bot.dialogue.inviting import Inviting
from bot.dialogue.loading import Flows, Step, is_given
from bot.dialogue.planning import next_open
from bot.dialogue.quantities import Sizes
from bot.dialogue.readers import Asked, Reading, read
from bot.dialogue.reckoning import pace_of
from bot.dialogue.records import Answers, Channel, Grower, Session, Turn, enqueue, unsure
from bot.dialogue.slips import OPENING, SEASON
from bot.dialogue.unread import Unread
from bot.dialogue.voice import Contacts, Voice, pack
from bot.dialogue.walk import Walk
from bot.wording.folding import fold
from bot.wording.screens import pages
from bot.wording.words import normal

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import date

    from bot.wording.languages import Language

TRIES_BEFORE_A_PERSON = 3

REFUSED = "paraquat"
"""The herbicide the bot advises on in no state and no words."""

REFUSED_AT = "product"
"""The state where it can be chosen, so that it is refused as an answer."""

_PAGE = "\f"
"""Stands between the screens of a USSD text that are still to be shown."""

# On a keypad; 0 goes on only where a text goes on, elsewhere it is a number like another.
_MORE_KEY = "0"
_BACK_KEY = "00"


class Dialogue(Inviting):
    """The conversation, made once from flows and languages and shared by all growers."""

    own: Mapping[str, Dialogue]

    def __init__(  # noqa: PLR0913, PLR0917 - what an operator may set
        self,
        flows: Flows,
        languages: Mapping[str, Language],
        contacts: Contacts | None = None,
        own: Mapping[str, Flows] | None = None,
        folded: frozenset[str] = frozenset(),
        most_texts: int = 0,
    ) -> None:
        """`own` are the flows of languages that have some of their own (in a district).

        The texts of `folded` languages go out in GSM 7-bit letters. Of one grower so many SMS a
        day are answered (`most_texts`; 0: every one).
        """
        self.flows = flows
        self._most_texts = most_texts
        self.own = {
            code: Dialogue(theirs, languages, contacts, folded=folded, most_texts=most_texts)
            for code, theirs in (own or {}).items()
        }
        self._acts = Acts(flows)
        self.languages = languages
        # They stand in one text, which one foreign letter would make cost twice as much.
        offered = {code: fold(language.words.language) for code, language in languages.items()}
        self.voices = {
            code: Voice(language, flows, contacts or Contacts(), offered, folded=code in folded)
            for code, language in languages.items()
        }
        self._stops = frozenset(
            word for language in languages.values() for word in language.words.stops()
        )
        self._sizes = Sizes(
            *flows.figures.row("area_acres").range,
            units={name: unit.m2 for name, unit in flows.district.units.items()},
        )

    # One turn

    def turn(self, grower: Grower, text: str, today: date, channel: Channel = "sms") -> Turn:
        """Answer one text. Any text, from any state, gets a reply within the channel's limits.

        `today` is the grower's local date. On USSD an empty text is a session being opened. Only
        who has stopped, or has written more in a day than is answered, may get none by SMS: a
        phone that answers texts by itself would go on for ever, and every reply costs money.
        """
        if grower.language in self.own:
            return self.own[grower.language].turn(grower, text, today, channel)
        scene = Scene(grower, self.voice(grower.language), today, channel)
        text = text.replace("\x00", " ").strip()
        command = self._command(scene, text)
        if command == "stop":
            return self._stop(scene)
        if grower.stopped and command != "start":
            return self._still_stopped(scene)
        if self._most_texts and channel == "sms":
            scene.grower = _counted(grower, today)
            if scene.grower.heard > self._most_texts and (turn := self._enough(scene, command)):
                return turn
        if grower.stopped:
            scene.say("started")
        grower = scene.grower = _in_touch(scene.grower)
        if grower.session and grower.session.rest:
            if command == "more" or text == _MORE_KEY:
                return self._next_screen(scene, grower.session)
            scene.grower = replace(grower, session=replace(grower.session, rest=""))
        session = self._session(scene)
        if command is not None:
            return self._obey(scene, session, command)
        return self._hear(scene, session, text)

    def _hear(self, scene: Scene, session: Session, text: str) -> Turn:
        """Take a text that is no command as an answer, if it answers the question that stands."""
        asked = scene.grower.session
        standing = asked is not None and (asked.flow, asked.state) == (session.flow, session.state)
        if REFUSED in normal(text):
            if standing and session.state == REFUSED_AT:
                return self._answer(scene, session, REFUSED)
            scene.say("paraquat")
            return self._ask(scene, session)
        if asked is None and scene.grower.plan is not None:
            session = self._unprompted(scene, session, text)
            standing = session.flow == "report" or self._picks(scene, session, text)
        if text and standing:
            return self._answer(scene, session, text)
        if scene.channel == "ussd" and session.trail:
            scene.say("welcome_back")
        return self._ask(scene, session)

    def _command(self, scene: Scene, text: str) -> str | None:
        """The command a text gives. STOP is known in every language's words.

        So is START to who has stopped, and HELP to who has not chosen a language yet.
        """
        grower = scene.grower
        if scene.channel == "ussd" and text == _BACK_KEY:
            return "back"
        anywhere = {voice.words.command(text) for voice in self.voices.values()}
        if "stop" in anywhere:
            return "stop"
        if grower.stopped:
            return "start" if "start" in anywhere else None
        if not grower.language:
            return "help" if "help" in anywhere else None
        command = scene.voice.words.command(text)
        if command == "start" and grower.session is not None:
            return None  # only who has stopped can start; here it may be an answer
        if command == "more" and not (grower.session and grower.session.rest):
            return None  # likewise, where nothing is left to show
        return command

    def _session(self, scene: Scene) -> Session:
        """Where the grower stands: the open question, or the first one, or the menu.

        Flow files that have changed under the session are no error: the grower is carried on
        from the nearest question that is still open, or told and taken to the menu.
        """
        session = scene.grower.session
        if session is None:
            return self._fresh(scene)
        flow = self.flows.flows.get(session.flow)
        if flow is not None and session.version == flow.version:
            return session
        if any(each.name == session.flow for each in self.flows.season()):
            walk = Walk.season(self.flows, self._valid(session.answers, scene.voice))
            if walk.step is not None and walk.step.kind == "ask":
                carried = self._at(
                    walk, replace(session, trail=tuple(each.context for each in walk.asked))
                )
                # What was answered further on is kept for when the way leads there again.
                return replace(carried, answers={**walk.given, **walk.answers})
        elif flow and session.state in flow.steps and flow.steps[session.state].kind == "ask":
            return replace(session, version=flow.version)
        scene.say("restarted")
        return self._fresh(scene)

    def _unprompted(self, scene: Scene, session: Session, text: str) -> Session:
        """Take "done yesterday", sent without being asked, as a report on the open operation."""
        operation = next_open(scene.grower.plan) if scene.grower.plan else None
        if operation is None or not scene.voice.is_report(text):
            return session
        return self._acts.report_on(operation, scene.today)

    def _picks(self, scene: Scene, session: Session, text: str) -> bool:
        """Whether a text that nothing asked for names one of the menu's choices in words."""
        if session.flow != "menu" or not text or text.isdigit():
            return False
        reading, _ = self._read(scene, session, text)
        return not isinstance(reading, Unread) and unsure("choice") not in reading

    def _valid(self, answers: Answers, voice: Voice) -> Answers:
        """The answers that the flows, as they are now, could have asked for."""
        valid: Answers = {}
        for step in self.flows.steps():
            if step.kind == "ask" and is_given(answers, step) and self._fits(step, answers, voice):
                names = (*step.answers, unsure(step.answer))
                valid |= {name: answers[name] for name in names if name in answers}
        return valid

    def _fits(self, step: Step, answers: Answers, voice: Voice) -> bool:
        value = answers[step.answers[0]]
        if step.state.choose:
            return value in voice.options(step)
        if step.state.number:
            return isinstance(value, int | float) and step.low <= value <= step.high
        return True

    def _fresh(self, scene: Scene) -> Session:
        if scene.grower.language not in self.voices:
            return self._acts.start(OPENING)
        return self._acts.start("menu" if scene.grower.plan else SEASON)

    def _at(self, walk: Walk, session: Session) -> Session:
        return replace(
            session,
            flow=walk.flow,
            state=walk.state,
            version=self.flows.flows[walk.flow].version,
            answers=walk.answers,
            tries=0,
        )

    # Commands

    def _obey(self, scene: Scene, session: Session, command: str) -> Turn:
        match command:
            case "help":
                scene.say("help_text")
                scene.needs_call(ASKED_FOR_HELP)
                return self._ask(scene, session)
            case "back":
                return self._back(scene, session)
            case "plan":
                self._acts.show_plan(scene)
                if scene.grower.session is None or session.flow == "menu":
                    return self._follow(scene, session.aside)
                return self._ask(scene, session)
            case "new":
                return self._ask(scene, self._acts.start(SEASON))
            case "language":
                return self._ask(scene, self._acts.start(OPENING, aside=session))
            case "same":
                return self._same(scene, session)
            case _:  # start
                return self._ask(scene, session)

    def _stop(self, scene: Scene) -> Turn:
        """Send no more texts. That is confirmed once; a screen of USSD cannot stay empty."""
        if scene.grower.stopped and scene.channel == "sms":
            return Turn((), scene.grower)
        # The open question stays, so that nothing is lost should the grower send START.
        session = scene.grower.session and replace(scene.grower.session, rest="")
        scene.grower = replace(scene.grower, stopped=True, waiting=(), session=session)
        return self._reply(scene, [scene.voice.say("stopped")], more=False)

    def _still_stopped(self, scene: Scene) -> Turn:
        """Say how to get texts again: by SMS once a day, however often the grower writes."""
        if scene.channel == "sms":
            if scene.grower.told_stopped == scene.today:
                return Turn((), scene.grower)
            scene.grower = replace(scene.grower, told_stopped=scene.today)
        return self._reply(scene, [scene.voice.say("still_stopped")], more=False)

    def _enough(self, scene: Scene, command: str | None) -> Turn | None:
        """Answer no more today, which is said once. The question stays open, and nothing is taken.

        STOP never comes here. HELP is answered once more, for which None is returned; after that
        it asks for a call in silence.
        """
        if command == "help":
            # It does not count here, so that the next text is still told that it is enough.
            scene.grower = replace(scene.grower, heard=scene.grower.heard - 1)
            if scene.grower.told_help == scene.today:
                return Turn((), replace(scene.grower, trouble=ASKED_FOR_HELP))
            scene.grower = replace(scene.grower, told_help=scene.today)
            return None
        if scene.grower.heard > self._most_texts + 1:
            return Turn((), scene.grower)
        return self._reply(scene, [scene.voice.say("enough_today")], more=False)

    def _back(self, scene: Scene, session: Session) -> Turn:
        if session.flow == OPENING and session.aside is not None and scene.grower.language:
            return self._follow(scene, session.aside)
        if not session.trail:
            scene.say("first_question")
            return self._ask(scene, session)
        *trail, last = session.trail
        flow, _, state = last.partition(".")
        step = self.flows.step(flow, state)
        answers = {k: v for k, v in session.answers.items() if k not in step.answers}
        return self._ask(
            scene,
            replace(
                session,
                flow=flow,
                state=state,
                version=self.flows.flows[flow].version,
                answers=answers,
                trail=tuple(trail),
                tries=0,
            ),
        )

    def _same(self, scene: Scene, session: Session) -> Turn:
        step = self.flows.step(session.flow, session.state)
        if not scene.voice.answer(step, scene.grower.answers):
            scene.say("no_keep")
            return self._ask(scene, session)
        names = (*step.answers, unsure(step.answer))
        answers = scene.grower.answers
        kept = {name: answers[name] for name in names if name in answers}
        return self._go_on(scene, session, step, kept)

    # Answers

    def _answer(self, scene: Scene, session: Session, text: str) -> Turn:
        step = self.flows.step(session.flow, session.state)
        reading, asked = self._read(scene, session, text)
        if isinstance(reading, Unread) and (report := self._reported(scene, session, text)):
            # What the work waits for was asked, and the report on the work itself came.
            told, _ = self._read(scene, report, text)
            if not isinstance(told, Unread):
                return self._go_on(scene, report, self.flows.step("report", "report"), told)
        if isinstance(reading, Unread):
            tries = session.tries + 1
            scene.lines.append(scene.voice.unread(asked, reading))
            if tries >= TRIES_BEFORE_A_PERSON:
                scene.needs_call(UNREAD)
            return self._ask(scene, replace(session, tries=tries))
        return self._go_on(scene, session, step, reading)

    def _read(self, scene: Scene, session: Session, text: str) -> tuple[Reading | Unread, Asked]:
        step = self.flows.step(session.flow, session.state)
        asked = Asked(
            step,
            scene.voice.options(step),
            scene.voice.words,
            scene.today,
            self._sizes,
            pace_of(session.answers, self.flows.figures),
            self._stops,
        )
        return read(text, asked), asked

    def _reported(self, scene: Scene, session: Session, text: str) -> Session | None:
        """Begin the report on the work, where its reminder asked for something first.

        Or where we asked something else after the reminder, and the answer is to that.
        """
        plan, aside = scene.grower.plan, session.aside
        if aside is not None and aside.flow in self._reporting and scene.voice.is_report(text):
            operation = plan.find(aside.about) if plan else None
            back = replace(session, aside=aside.aside)
            return self._acts.report_on(operation, scene.today, back) if operation else None
        operation = plan.find(session.about) if plan else None
        if operation is None or session.flow not in self.flows.firsts:
            return None
        # Where a number was asked for, "12.5" is a slip and no day in May.
        number = self.flows.step(session.flow, session.state).state.number
        if number and not scene.voice.reports(text):
            return None
        return self._acts.report_on(operation, scene.today, session.aside)

    def _go_on(self, scene: Scene, session: Session, step: Step, reading: Answers) -> Turn:
        scene.grower = self._asked_no_more(scene.grower, scene.voice, session)
        if session.flow == OPENING:
            return self._speak(scene, session, str(reading["language"]))
        known = {k: v for k, v in session.answers.items() if k != unsure(step.answer)}
        session = replace(
            session,
            answers=known | reading,
            trail=(*session.trail, step.context),
            tries=0,
        )
        walk = Walk(self.flows, session.flow, session.state, session.answers)
        reached = walk.on()
        self._acts.say_at_once(scene, walk)
        session = self._at(walk, session)
        if reached is not None and reached.kind == "ask":
            return self._ask(scene, session)
        return self._follow(scene, self._acts.perform(scene, session, walk))

    def _speak(self, scene: Scene, session: Session, code: str) -> Turn:
        """Change to the language chosen, and go on where the grower stood."""
        scene.voice = self.voice(code)
        scene.grower = replace(scene.grower, language=code, session=session.aside)
        return self._ask(scene, self._session(scene))

    def _follow(self, scene: Scene, session: Session | None) -> Turn:
        """Go on with the session that follows an act; None ends the conversation."""
        if session is None:
            return self._end(scene)
        scene.grower = replace(scene.grower, session=session)
        return self._ask(scene, self._session(scene))

    # Replies

    def _ask(self, scene: Scene, session: Session) -> Turn:
        question = self._question(scene.voice, session, scene.grower.answers)
        scene.grower = replace(scene.grower, session=session)
        return self._reply(scene, [*scene.lines, question], more=True)

    def _end(self, scene: Scene) -> Turn:
        scene.grower = replace(scene.grower, session=None)
        return self._reply(scene, scene.lines, more=False)

    def _reply(self, scene: Scene, lines: Sequence[str], *, more: bool) -> Turn:
        grower = scene.grower
        if scene.later:
            grower = enqueue(grower, scene.later, "reply")
        if scene.channel == "sms":
            replies = (*scene.texts, *pack(lines, composing.PLAN_BUDGET))
            return Turn(replies, grower, more)
        screens = pages("\n".join(filter(None, lines)), scene.voice.say("more"))
        return self._screen(grower, screens, more=more)

    def _next_screen(self, scene: Scene, session: Session) -> Turn:
        shown = replace(scene.grower, session=replace(session, rest=""))
        open_question = session.flow != "menu"
        return self._screen(shown, session.rest.split(_PAGE), more=open_question)

    def _screen(self, grower: Grower, screens: Sequence[str], *, more: bool) -> Turn:
        """Show one screen and keep the others; they need a session, if only an idle one."""
        first, *others = screens
        if not others:
            return Turn((first,), grower, more)
        session = grower.session or self._acts.start("menu")
        return Turn(
            (first,), replace(grower, session=replace(session, rest=_PAGE.join(others))), True
        )


def _counted(grower: Grower, today: date) -> Grower:
    """Count an SMS of today's."""
    heard = grower.heard if grower.heard_on == today else 0
    return replace(grower, heard_on=today, heard=heard + 1)


def _in_touch(grower: Grower) -> Grower:
    """Take a text as a sign that the grower is there and wants texts, for who got none.

    What had been waiting to go out until then is stale.
    """
    if grower.receives:
        return grower
    return replace(
        grower,
        stopped=False,
        consent=True,
        unreachable="",
        told_stopped=None,
        trouble="" if grower.trouble in {grower.unreachable, UNREACHABLE} else grower.trouble,
        waiting=tuple(each for each in grower.waiting if each.kind == "reply"),
    )
