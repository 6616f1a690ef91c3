"""The checker and its own ledger: what every text must be answered with, and what has become of it.

The ledger owes nothing to the store. What each grower must be told, and what must be kept of each,
is worked out here by the dialogue alone, which is pure: the same texts in the same order, on the
same day, with no process to be killed.
"""

from __future__ import annotations

import random
import threading
import time
from collections import Counter, defaultdict
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from msgspec.structs import replace

from bot.dialogue.records import Grower, enqueue
from bot.testing import Conversation

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping
    from datetime import date

    from bot.dialogue.records import Channel, Turn
    from bot.dialogue.turn import Dialogue

    from .gateway import Answer, Handed
    from .services import Service

GROUP = "Mirindi North"

# Low green grass and a sprayer: the plan begins with a spray, whose reminder is several texts.
ANSWERS = (
    "hello", "1", "1.5 ac", "yes", "none", "grass", "40", "no", "yes", "yes", "180000", "0",
    "60000", "50000", "yes", "no", "yes", "2", "16", "3", "1", "today",
)  # fmt: skip
ASIDES = ("plan", "back", "help", "new", "same", "???", "1", "2", "3", "yes", "no", "stop", "start")
"""What growers write besides: commands, nonsense, an answer to another question."""

ASIDE_SHARE = 0.15

HARMLESS = "help"
"""Moves no plan, whatever was asked."""


@dataclass
class Text:
    """One text that a grower has written, the answer it must get, and what became of it."""

    number: str
    id: str
    path: str
    fields: Mapping[str, str]
    expected: dict[str, Any] | None
    """The body of the answer, where the reply is in it; None where a 2xx is all."""
    replies: tuple[str, ...] = ()
    """Ids of the texts that must come to the gateway, where the sender brings the reply."""
    stops: bool = False
    """Whether it is a STOP; what was still to come by then is not sent."""
    deliveries: int = 0
    answered: int = 0


class Caller:
    """A grower with a phone, who answers most questions and now and then writes something else."""

    def __init__(self, number: str, channel: str, seed: int, dialogue: Dialogue) -> None:
        self.number = number
        self.grower = Grower(language="en", group=GROUP)
        """What must be kept of the grower, but for texts still waiting to go out."""
        self._ussd = channel == "ussd"
        self._dialogue = dialogue
        self._choices = random.Random(f"{seed} {number}")  # noqa: S311 - no secret
        self._place = 0
        self._texts = 0
        self._session = 0
        self._open = False

    def write(self, today: date) -> tuple[Text, dict[str, str]]:
        """Write the next text; with it, the bodies by id that must come to the gateway."""
        self._texts += 1
        before = self.grower
        text = self._step(today) if self._ussd else self._sms(today)
        # By USSD too: what is too long for a screen, such as a plan, comes by SMS.
        queued = {
            f"{self.number}:{each.serial}": each.body
            for each in self.grower.waiting
            if each.serial > before.serial
        }
        text.replies = tuple(queued)
        text.stops = self.grower.stopped and not before.stopped
        self.grower = replace(self.grower, waiting=())
        return text, queued

    def _sms(self, today: date) -> Text:
        text_id = f"m-{self._texts}"
        text, turn = self._turn(self._next(), today, "sms")
        self.grower = enqueue(turn.grower, turn.replies, "reply")
        fields = {"from": self.number, "text": text, "id": text_id}
        return Text(self.number, text_id, "/hooks/sms", fields, None)

    def _step(self, today: date) -> Text:
        text = self._next() if self._open else ""
        if not self._open:
            self._session += 1
        session, step = f"s-{self._session}", str(self._texts)
        text, turn = self._turn(text, today, "ussd")
        self.grower, self._open = turn.grower, turn.more
        fields = {"session": session, "from": self.number, "text": text, "id": step}
        expected = {"text": turn.replies[0], "more": turn.more}
        return Text(self.number, f"{session}/{step}", "/hooks/ussd", fields, expected)

    def _turn(self, text: str, today: date, channel: Channel) -> tuple[str, Turn]:
        """Take a turn; with another text where this one would bring a reminder on this very day.

        Whether that came before or after the next text would be up to the sender.
        """
        turn = self._dialogue.turn(self.grower, text, today, channel)
        plan = turn.grower.plan
        if plan is None or plan.next_reminder is None or plan.next_reminder.day > today:
            return text, turn
        return HARMLESS, self._dialogue.turn(self.grower, HARMLESS, today, channel)

    def _next(self) -> str:
        if self._choices.random() < ASIDE_SHARE:
            return self._choices.choice(ASIDES)
        self._place += 1
        return ANSWERS[(self._place - 1) % len(ANSWERS)]


def planned(dialogue: Dialogue, day: date) -> Grower:
    """Return a grower who was told a plan on this day, and is owed a reminder the day after."""
    phone = Conversation(day, dialogue=dialogue)
    phone.say_all(*ANSWERS)
    assert phone.grower.plan is not None
    return replace(phone.grower, group=GROUP)


@dataclass(frozen=True)
class Fault:
    """What was done to the world, to whom, and from when until when (`time.monotonic`)."""

    kind: str
    target: str
    began: float
    ended: float


STORE_FAULTS = frozenset({
    "redis killed", "redis gone for long", "append-only file torn", "redis stopped", "out of memory",
    "read-only", "no replica", "disk full", "disk full, everysec", "connections cut",
    "primary killed", "replica killed", "primary stopped", "primary and replica killed",
    "failed over by hand", "primary out of memory", "sentinel killed",
})  # fmt: skip

FELT_S = 3.0
"""How long before and after a fault a text is handed over that it may strike: what a busy machine
takes from the gateway's answer to the commit, and what the client tries again."""


@dataclass
class Ledger:
    """All that was due, and all that came of it."""

    texts: list[Text] = field(default_factory=list)
    due: dict[str, str] = field(default_factory=dict)
    """Every text that must come to the gateway: its body by its id."""
    reminders: set[str] = field(default_factory=set)
    """Which of them are reminders."""
    notices: set[str] = field(default_factory=set)
    """Which of them are a round's."""
    cancelled: set[str] = field(default_factory=set)
    """Which of them need not come, because the grower has sent STOP since."""
    growers: dict[str, Grower] = field(default_factory=dict)
    """What must be kept of growers who only wait for their reminder."""
    faults: list[Fault] = field(default_factory=list)
    refused: Counter[int] = field(default_factory=Counter)
    """Deliveries by the status that was no 2xx; 0 where there was no answer."""
    redelivered: int = 0
    wrong: list[str] = field(default_factory=list)
    lost: list[str] = field(default_factory=list)
    _by_number: defaultdict[str, list[str]] = field(default_factory=lambda: defaultdict(list))
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def wrote(self, text: Text, queued: Mapping[str, str]) -> None:
        with self._lock:
            self.texts.append(text)
            if text.stops:
                earlier = (each for each in self._by_number[text.number] if each not in queued)
                self.cancelled.update(earlier)
            self._by_number[text.number] += queued
            self.due |= queued

    def owes(self, number: str, kept: Grower, reminder: Mapping[str, str]) -> None:
        """A grower has been put into the store who is owed a reminder now."""
        with self._lock:
            self.growers[number] = kept
            self.due |= reminder
            self.reminders |= reminder.keys()

    def calls(self, notices: Mapping[str, str]) -> None:
        """A round has been begun, with these texts by their ids."""
        with self._lock:
            self.due |= notices
            self.notices |= notices.keys()

    def heard(self, text: Text, answer: Answer) -> bool:
        """Take the web's answer to a delivery; True if the gateway need not bring it again."""
        with self._lock:
            text.deliveries += 1
            self.redelivered += text.deliveries > 1
            if not 200 <= answer.status <= 299:
                self.refused[answer.status] += 1
                if answer.status not in {0, 503}:
                    self.wrong.append(
                        f"{text.number} {text.id}: status {answer.status} {answer.said!r}"
                    )
                return False
            text.answered += 1
            if text.expected is not None and answer.body != text.expected:
                self.wrong.append(
                    f"{text.number} {text.id} {text.fields['text']!r}: "
                    f"{answer.body!r} instead of {text.expected!r}"
                )
            return True

    def did(self, kind: str, target: str, began: float) -> None:
        with self._lock:
            self.faults.append(Fault(kind, target, began, time.monotonic()))

    # When all is over

    def compare(self, number: str, found: Grower, expected: Grower) -> None:
        """Hold what is kept of a grower against what must be."""
        for name in Grower.__struct_fields__:
            kept, due = getattr(found, name), getattr(expected, name)
            if kept != due:
                self.wrong.append(f"{number}: {name} is {kept!r} instead of {due!r}")

    def close(self, by_id: Mapping[str, list[Handed]]) -> None:
        """Find what is lost and what is wrong among the texts that the gateway was handed."""
        for text in self.texts:
            if not text.answered:
                self.lost.append(f"{text.number} {text.id}: never answered")
        for text_id, body in self.due.items():
            taken = any(each.taken for each in by_id.get(text_id, ()))
            if not taken and text_id not in self.cancelled:
                self.lost.append(f"{text_id}: never sent: {body[:40]!r}")
        for text_id, handings in by_id.items():
            for each in handings:
                if text_id not in self.due:
                    self.wrong.append(f"{text_id}: sent but never due: {each.text[:40]!r}")
                elif each.text != self.due[text_id] or text_id != f"{each.to}:{_serial(text_id)}":
                    self.wrong.append(f"{text_id}: {each.text!r} to {each.to}")


def _serial(text_id: str) -> str:
    return text_id.rpartition(":")[2]


# Why a text came twice

UNEXPLAINED = "for no reason known"
KILLED = "the sender was killed before it could write it down"
STOPPED = "the sender was stopped for longer than its lease"
AWAY = "the store was away when it was to be written down"
JUMPED = "a clock was put forward past its lease"
NOT_SAID = "the gateway took it and did not say so, or too late"


def repeats(
    handed: Iterable[Handed], services: Iterable[Service], faults: Iterable[Fault]
) -> list[tuple[str, str, Handed]]:
    """Return every text taken before, with why it came again and what that was laid to.

    A kill of a sender explains only the text that it was sending. A stop of one, an outage of the
    store and a jump of the clock explain one text of each life of a sender; where several faults
    came together, each text is laid to one of its own. What is left is `UNEXPLAINED`.
    """
    last_of: dict[str, Handed] = {}
    taken: dict[str, Handed] = {}
    again: list[tuple[Handed, Handed]] = []
    by_life: dict[str, list[Handed]] = {}
    for each in handed:
        last_of[each.by] = each
        by_life.setdefault(each.by, []).append(each)
        if each.taken:
            if each.id in taken:
                again.append((taken[each.id], each))
            taken[each.id] = each
    killed = {each.name for service in services for each in service.kills}
    stops = [stop for service in services for stop in service.stops]
    outages = [each for each in faults if each.kind in STORE_FAULTS]
    jumps = [each for each in faults if each.kind == "clock put"]
    found: list[tuple[str, str, Handed]] = []
    open_: list[tuple[Handed, Handed]] = []
    for first, second in again:
        if first.by in killed and last_of[first.by] is first:
            found.append((KILLED, first.by, second))
        elif not first.told:
            found.append((NOT_SAID, first.way, second))
        else:
            open_.append((first, second))
    could = [
        [(STOPPED, what) for what in _stops(first, second, by_life[first.by], stops)]
        + [(AWAY, what) for what in _felt(first, outages)]
        + [(JUMPED, what) for what in _felt(first, jumps)]
        for first, second in open_
    ]
    laid = _laid_to(could)
    for place, (first, second) in enumerate(open_):
        cause, what = laid.get(place, (UNEXPLAINED, first.id))
        found.append((cause, what, second))
    return found


def _laid_to(could: list[list[tuple[str, str]]]) -> dict[int, tuple[str, str]]:
    """Lay as many texts as can be to a fault of their own (a matching, by augmenting paths)."""
    owners: dict[tuple[str, str], int] = {}

    def lay(place: int, tried: set[tuple[str, str]]) -> bool:
        for fault in could[place]:
            if fault not in tried:
                tried.add(fault)
                if fault not in owners or lay(owners[fault], tried):
                    owners[fault] = place
                    return True
        return False

    for place in range(len(could)):
        lay(place, set())
    return {place: fault for fault, place in owners.items()}


def _stops(
    first: Handed,
    second: Handed,
    theirs: list[Handed],
    stops: Iterable[tuple[str, float, float]],
) -> list[str]:
    """The stops of a sender between this text and its next one, or from which it has just woken."""
    following = next((each.at for each in theirs if each.at > first.at), float("inf"))
    return [
        f"{life} at {began:.3f}"
        for life, began, ended in stops
        if (life == first.by and first.at <= ended and began <= following)
        or (life == second.by and ended <= second.at <= ended + FELT_S)
    ]


def _felt(first: Handed, faults: Iterable[Fault]) -> list[str]:
    """The faults under way when a text just handed over was to be written down."""
    return [
        f"{each.kind} at {each.began:.3f}, {first.by}"
        for each in faults
        if each.began - FELT_S <= first.at <= each.ended + FELT_S
    ]
