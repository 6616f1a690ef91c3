"""A season of three growers of the Mirindi Growers' Union, lived through in a few seconds.

The Redis, the conversation, the due index and the sender are the real ones; only the clock
jumps from event to event, and the gateway ends at this screen. The growers below are made up,
and so is all they answer; what they are told comes from the engine.
"""

from __future__ import annotations

import heapq
import tempfile
from contextlib import nullcontext
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import redis

from bot.exchange import Exchange, dialogue_of
from bot.gateways.loopback import LoopbackGateway
from bot.reminders.schedule import next_due
from bot.reminders.sender import Sender
from bot.settings import Settings
from bot.store.growers import Store
from bot.store.server import EmbeddedRedis
from bot.wording.gsm import segments

if TYPE_CHECKING:
    from collections.abc import Callable

    from bot.dialogue.records import Channel, Grower, Session
    from bot.gateways.loopback import Delivered

SETTINGS = Settings(help_number="+255 000 000 100", poison_number="+255 000 000 112")
BEGIN = datetime(2026, 2, 23, 8, 0, tzinfo=ZoneInfo(SETTINGS.zone))

MOST_EVENTS = 2000
"""Far more than a season has; a grower going round in circles must not fill the screen."""

Answers = dict[str, str | list[str | None]]


@dataclass
class Persona:
    """A made-up grower: what they answer to each question, and how soon.

    Questions are named as in the flows ("clearing.cover"), reports by operation ("slash"). A
    list is answered one after the other, its last for good; None leaves a reminder unanswered.
    """

    name: str
    village: str
    number: str
    channel: Channel
    answers: Answers
    begins: timedelta
    replies_after: timedelta
    met: dict[str, int] = field(default_factory=dict)

    def says(self, session: Session) -> str | None:
        """What this grower answers to the question that stands."""
        question = f"{session.flow}.{session.state}"
        key = session.about if question == "report.report" else question
        answer = self.answers.get(key, self.answers.get(question, "help"))
        if isinstance(answer, str):
            return answer
        place = self.met.get(key, 0)
        self.met[key] = place + 1
        return answer[min(place, len(answer) - 1)]


COMMON: Answers = {
    "report.report": "1",
    "report.done_on": "yesterday",
    "rain.rained": "1",
    "gaps.gaps_in_100": "8",
    "planting.workers": "3",
    "weeding.weed_cover": "2",
    "weeding.weed_stage": "2",
    "weeding.weed_kind": "2",
    "weeding.product": "2",
}

ASHA = Persona(
    name="Asha",
    village="Kisanda",
    number="+255000000001",
    channel="sms",
    begins=timedelta(0),
    replies_after=timedelta(hours=9),
    answers=COMMON
    | {
        "welcome.language": "kiswahili",
        "field.area": "ekari moja na nusu",
        "field.fertile": "ndiyo",
        "field.faults": "hakuna",
        "clearing.cover": "nyasi",
        "clearing.height_cm": "40",
        "clearing.hard_weeds": "hapana",
        "clearing.green": "ndiyo",
        "clearing.herbicide_ok": "ndiyo",
        "tillage.price_per_tonne": "180000",
        "tillage.haulage_cost_per_tonne": "20000",
        "tillage.plough_cost_per_acre": "60000",
        "tillage.ridge_cost_per_acre": "50000",
        "tillage.dry_season_harvest": "ndiyo",
        "planting.low_sprouting": "hapana",
        "planting.fast_early_weeds": "ndiyo",
        "planting.preemergence": "2",
        "planting.tank_l": "16",
        "planting.date_kind": "1",
        "planting.start_date": "leo",
        "plant": ["tayari"],
        "rain.rained": ["2 kesho", "ndiyo"],
        "report.done_on": "jana",
        "report.promised_on": "kesho",
    },
)

TOBIAS = Persona(
    name="Tobias",
    village="Lubanga Hill",
    number="+255000000002",
    channel="ussd",
    begins=timedelta(hours=1),
    replies_after=timedelta(hours=11),
    answers=COMMON
    | {
        "welcome.language": "1",
        "field.area": "60x80",
        "field.fertile": "1",
        "field.faults": "4",
        "clearing.cover": "1",
        "clearing.height_cm": "1.5 m",
        "clearing.hard_weeds": "2",
        "clearing.green": "1",
        "clearing.herbicide_ok": "2",
        "tillage.price_per_tonne": "150000",
        "tillage.haulage_cost_per_tonne": "0",
        "tillage.plough_cost_per_acre": "?",
        "tillage.ridge_cost_per_acre": "300000",
        "tillage.dry_season_harvest": "2",
        "tillage.clay_waterlogged": "2",
        "tillage.weeds_hard_to_control": "2",
        "tillage.light_well_drained": "1",
        "planting.low_sprouting": "1",
        "planting.fast_early_weeds": "2",
        "planting.date_kind": "2",
        "planting.planting_date": "20/3",
        "rain.rained": ["2", "2", "1"],  # asked for once to dial, and once on the line
    },
)

REHEMA = Persona(
    name="Rehema",
    village="Mto wa Chini",
    number="+255000000003",
    channel="sms",
    begins=timedelta(days=2, hours=3),
    replies_after=timedelta(hours=14),
    answers=COMMON
    | {
        "welcome.language": ["hello?", "1"],
        "field.area": ["big", "2", "?"],
        "field.steps_counted": "26 steps",
        "field.shape": "four sides",
        "field.paces_of_four_sides": ["120 90 125", "120 90 125 85 150"],
        "field.fertile": ["perhaps so", "no"],
        "field.faults": ["3 9", "3"],
        "clearing.cover": "broad",
        "clearing.height_cm": ["knee", "50"],
        "clearing.hard_weeds": "yes",
        "clearing.green": "yes",
        "clearing.herbicide_ok": "yes",
        "tillage.price_per_tonne": ["15.0000", "150,000"],
        "tillage.haulage_cost_per_tonne": "0",
        "tillage.plough_cost_per_acre": "80k",
        "tillage.ridge_cost_per_acre": "60000",
        "tillage.dry_season_harvest": "no",
        "tillage.clay_waterlogged": "yes",
        "planting.low_sprouting": "no",
        "planting.fast_early_weeds": "no",
        "planting.tank_l": ["300", "15"],
        "planting.date_kind": "start",
        "planting.start_date": ["31 February", "27/2"],
        "spray_fallow": [None, "not yet", "1 yesterday"],
        "report.promised_on": ["in a while", "7/3"],
        "clear": [None, "yesterday"],
        "weeding.product": ["4", "3"],
    },
)


def run(show: Callable[[str], None], keep: Path | None = None) -> None:
    """Live through the season, showing each text as it would arrive."""
    place = nullcontext(str(keep)) if keep else tempfile.TemporaryDirectory(prefix="fieldbell-")
    with place as folder, EmbeddedRedis(Path(folder)) as server:
        client = redis.Redis.from_url(server.url)
        _Season(client, show).live()
        client.close()


class _Season:
    """The clock, the growers and what each is about to do."""

    def __init__(self, client: redis.Redis, show: Callable[[str], None]) -> None:
        self.now = BEGIN.timestamp()
        self.show = show
        self.store = Store(client, self._clock)
        self.exchange = Exchange(self.store, dialogue_of(SETTINGS), SETTINGS, self._clock)
        gateway = LoopbackGateway(self._clock, self._arrives)
        self.sender = Sender(self.store, gateway, self.exchange.compose, SETTINGS, self._clock)
        self.people = {each.number: each for each in (ASHA, TOBIAS, REHEMA)}
        for each in self.people.values():
            each.met.clear()
            self.store.forget(each.number)  # of an earlier run in a folder that was kept
        self.acts: list[tuple[float, str, str | None]] = []
        self.messages = 0
        self.texts = 0
        self.segments = 0

    def _clock(self) -> float:
        return self.now

    def live(self) -> None:
        """Go from event to event until nothing is owed to anyone."""
        self.show("One season of the Mirindi Growers' Union (made up), every text as it arrives.")
        for each in self.people.values():
            heapq.heappush(
                self.acts, (self.now + each.begins.total_seconds(), each.number, "hello")
            )
        for _ in range(MOST_EVENTS):
            if (at := self._next_event()) is None:
                break
            self.now = max(self.now, at)
            while self.acts and self.acts[0][0] <= self.now:
                _, number, text = heapq.heappop(self.acts)
                self._acts(self.people[number], text)
            while self.sender.tick():
                pass
        days = (datetime.fromtimestamp(self.now, UTC) - BEGIN).days
        self.show(
            f"\n{days} days, {len(self.people)} growers: {self.texts} texts to phones, "
            f"{self.segments} segments. Every reply came from the engine."
        )
        for number, _ in self.store.calls():
            person = self.people[number]
            why = self.store.load(number).grower.trouble
            self.show(f"To be rung by the agent: {person.name} in {person.village} ({why}).")

    def _next_event(self) -> float | None:
        owed = [next_due(self._grower(number), SETTINGS, self.now) for number in self.people]
        times = [at for at in owed if at is not None]
        if self.acts:
            times.append(self.acts[0][0])
        return min(times, default=None)

    def _grower(self, number: str) -> Grower:
        return self.store.load(number).grower

    def _acts(self, person: Persona, text: str | None) -> None:
        """A grower picks up the phone: to write a text, or to go through a USSD session."""
        if text is None:
            session = self._grower(person.number).session
            text = person.says(session) if session else None
        if text is None:
            return
        if person.channel == "ussd":
            self._dial(person)
            return
        self._writes(person, text)
        said = self.exchange.answer(person.number, text, message_id=self._message_id())
        for reply in said.replies:
            self._shows(person, "SMS", reply)
        if said.more:
            heapq.heappush(self.acts, (self.now + 60, person.number, None))

    def _dial(self, person: Persona) -> None:
        """Open a USSD session and answer until it ends or the grower has no answer."""
        said = self.exchange.answer(person.number, "", channel="ussd")
        self._shows(person, "USSD", said.replies[0])
        while said.more:
            session = self._grower(person.number).session
            text = "0" if session and session.rest else person.says(session) if session else None
            if text is None:
                return
            self.now += 10
            self._writes(person, text)
            said = self.exchange.answer(person.number, text, channel="ussd")
            self._shows(person, "USSD", said.replies[0])

    def _arrives(self, delivered: Delivered) -> None:
        """The gateway delivers a text; a reminder is answered some hours later."""
        text = delivered.text
        person = self.people[text.to]
        self._shows(person, "SMS", text.body)
        waiting = self._grower(text.to).waiting
        if waiting and waiting[-1].kind == "reminder" and waiting[-1].body == text.body:
            answered = self.now + person.replies_after.total_seconds()
            heapq.heappush(self.acts, (answered, text.to, None))

    def _message_id(self) -> str:
        self.messages += 1
        return f"demo-{self.messages}"

    def _writes(self, person: Persona, text: str) -> None:
        self.show(f"\n{self._when()}  {person.name} writes: {text}")

    def _shows(self, person: Persona, channel: str, text: str) -> None:
        if channel == "SMS":
            self.texts += 1
            self.segments += segments(text)
            size = f"SMS, {segments(text)} segment{'s' if segments(text) > 1 else ''}"
        else:
            size = f"USSD, {len(text)} characters"
        self.show(f"{self._when()}  to {person.name} ({size})")
        for line in text.splitlines():
            self.show(f"    | {line}")

    def _when(self) -> str:
        return datetime.fromtimestamp(self.now, BEGIN.tzinfo).strftime("%a %d %b %Y %H:%M")
