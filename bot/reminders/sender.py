"""The sender: a process that sends what growers are owed, as many of it as one likes.

It claims growers whose time has come under a lease, so that each is worked on by one sender.
For each it loads the record, writes the reminder that is due into it (the same commit that
makes the plan wait for the answer), and then sends the waiting texts one by one, each marked
in a commit of its own.

Killed at any point it loses nothing: what was not marked is sent again when the lease has
lapsed, under the same id. So a text reaches the gateway at most once more than it should for
each crash, and only a text that was being sent: one, or with many at once as many. Where only
the store goes away, what became of those texts is kept, and marked when the store is back, should
that be soon.

Asked to stop, it finishes the texts under way and gives back the growers it has not come to, whom
another sender may then take at once. It gives them back, too, when a batch takes too long, and
after an outage.

A grower who texts STOP while a reminder is being worked on: every text but a direct reply is
sent right after a load or a commit that saw the record without the STOP. What remains is a STOP
that arrives during the one call that hands the text to the gateway.
"""

from __future__ import annotations

import logging
import math
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import partial
from itertools import zip_longest
from threading import Event
from typing import TYPE_CHECKING, Any, Literal, TypeVar

from msgspec.structs import replace

from bot.gateways.base import Accepted, Begins, Deferred, Outcome, Outgoing, Refused
from bot.gateways.numbers import masked
from bot.reminders.schedule import (
    FIRST_RETRY_S,
    MOST_ATTEMPTS,
    next_due,
    reminder_moment,
    retry_delay,
    text_due,
    within_waking,
    zone_of,
)
from bot.reminders.together import Patience, Together
from bot.store.errors import StoreUnavailable
from bot.store.growers import Commit, Loaded
from bot.store.texts import Line, with_early_reports
from bot.wording.gsm import segments

if TYPE_CHECKING:
    from collections.abc import Callable, Generator, Iterator, Sequence
    from concurrent.futures import Future
    from datetime import date

    from bot.dialogue.records import Grower, Waiting
    from bot.gateways.base import Gateway
    from bot.reminders.together import Step, Steps
    from bot.settings import Settings
    from bot.store.growers import Store

    Begin = Callable[[Outgoing], Future[Outcome]]
    Compose = Callable[[Grower, date], Grower]
    Permit = Callable[[Waiting], Literal["send", "hold", "drop"]]
    Change = Callable[[Grower], Grower]

log = logging.getLogger(__name__)

Answer = TypeVar("Answer")

LEASE_S = 300.0
"""Seconds a claim lasts. A batch is left in time for its last text to time out within it."""

STEP_S = 1.0
"""Seconds that a clock may be put back without a batch being left, as no lease hangs on them."""

BATCH = 128
"""Growers claimed at once."""

HOLD_S = 30.0
"""Seconds until a held text is looked at again."""

GROWERS_A_THREAD = 8
"""Growers claimed for each thread, so that few wait for the slowest."""

POLL_S = 1.0
OUTAGE_S = 5.0
LONGEST_WISH_S = 24 * 3600
"""The longest wait a gateway may ask for; a text about today's work is no use next week."""


@dataclass(slots=True)
class _Claim:
    """A grower claimed until `lease`.

    `following` is the one claimed next, and `ahead` its record, read after the last thing that was
    done for this one: as fresh as if it were read when its turn comes. `shared` says that a text in
    hand had been marked already: by another sender that has claimed the grower too, or by our own
    commit, had only its answer been lost.
    """

    number: str
    lease: float
    following: str = ""
    ahead: Loaded | None = None
    shared: bool = False


class Sender:
    """Sends reminders and waiting texts through a gateway. `clock` gives UTC epoch seconds.

    `compose` is the dialogue's: given a grower and its local day, it returns the grower with
    the due reminder's texts among the waiting ones, the session awaiting the answer and the
    plan's next reminder moved on; or the grower unchanged when no reminder is due. `permit` says
    whether a text may go out now; it is asked right before, and its answer is obeyed. `at_once`
    is how many growers are served at a time, for a gateway that is slow to answer but takes many
    texts together: by its `begin` if it has one, else by as many threads.
    """

    def __init__(  # noqa: PLR0913, PLR0917 - what it works with
        self,
        store: Store,
        gateway: Gateway,
        compose: Compose,
        settings: Settings,
        clock: Callable[[], float],
        permit: Permit = lambda _: "send",
        at_once: int = 1,
    ) -> None:
        self._store = store
        self._gateway = gateway
        self._compose = compose
        self._settings = settings
        self._clock = clock
        self._permit = permit
        self._at_once = at_once
        self._begin: Begin | None = gateway.begin if isinstance(gateway, Begins) else None
        self._pool: ThreadPoolExecutor | None = None
        if self._begin is None and at_once > 1:
            self._pool = pool = ThreadPoolExecutor(at_once, "sender")
            self._begin = lambda text: pool.submit(gateway.send, text)
        self._stopping = Event()  # never set where nobody gives another
        self._patience = Patience(0, self._stopping)
        self._held: tuple[Sequence[str], float] = (), 0.0
        """Growers claimed and perhaps not served, and the end of their lease."""
        self._left: list[str] = []
        """Those of a batch that were not come to, or not seen through, when it was left."""

    def run(self, stop: Event) -> None:
        """Work until `stop` is set; wait a little when there is nothing to do or no Redis."""
        log.info("sender started")
        while not stop.is_set():
            try:
                if self.tick(stop) == 0:
                    stop.wait(POLL_S)
            except StoreUnavailable as error:
                log.warning("the store cannot be reached, trying again: %s", error)
                stop.wait(OUTAGE_S)
        with suppress(StoreUnavailable):
            self._give_back()
        self.close()
        log.info("sender stopped")

    def close(self) -> None:
        """End the threads, once each has finished its text."""
        if self._pool is not None:
            self._pool.shutdown()

    def tick(self, stop: Event | None = None) -> int:
        """Claim one batch and send what it is owed now; return how many texts were accepted.

        Once `stop` is set no further text is begun. A grower whose record or reminder fails is
        logged and tried again when its lease has lapsed; the others are served. Raises
        `StoreUnavailable`, after trying again for as long as a text that was handed over is not
        marked; the growers are given back by the next call.
        """
        self._stopping = stop or self._stopping
        self._give_back()
        now = self._clock()
        claimed = self._store.claim(now, LEASE_S, max(BATCH, GROWERS_A_THREAD * self._at_once))
        self._held = claimed, now + LEASE_S
        self._store.confirm(*claimed)
        self._left = []
        begun = self._begun(claimed, now)
        self._patience = Patience(LEASE_S, self._stopping)
        if self._begin is None or self._at_once == 1:
            sent = self._serve_all(begun, now)
        else:
            growers = ((number, self._served(_Claim(number, now + LEASE_S))) for number, _ in begun)
            together = Together(self._store, self._begin, self._at_once, self._patience)
            sent = together.serve(growers)
        if not self._stopping.is_set():
            self._held = self._left, now + LEASE_S
        self._give_back()
        return sent

    def _begun(self, claimed: Sequence[str], now: float) -> Iterator[tuple[str, str]]:
        """Go through the growers claimed at `now`, each with the one that follows.

        No more are begun with in the second half of the lease, nor once the clock has been put back,
        as others may then take the lease for lapsed: they are left.
        """
        for place, pair in enumerate(zip_longest(claimed, claimed[1:], fillvalue="")):
            if self._stopping.is_set():
                return
            if not now - STEP_S < self._clock() <= now + LEASE_S / 2:
                log.warning(
                    "the gateway is slow or the clock was put; the rest of this batch is given back"
                )
                self._left += claimed[place:]
                return
            yield pair

    def _give_back(self) -> None:
        """Let any sender claim those who are held. Raises `StoreUnavailable`."""
        numbers, lease = self._held
        if numbers:
            self._store.release(numbers, lease, self._clock())
        self._held = (), lease

    def _served(self, claim: _Claim) -> Steps:
        """The steps of one grower among others, beginning with its record."""
        return (yield from self._serve(claim, (yield claim.number)))

    def _serve_all(self, growers: Iterator[tuple[str, str]], now: float) -> int:
        """Serve growers one after the other, the lease of each having begun at `now`."""
        sent = 0
        loaded: Loaded | None = None
        for number, following in growers:
            claim = _Claim(number, now + LEASE_S, following)
            try:
                sent += self._alone(claim, loaded or self._store.load(number))
            except StoreUnavailable:
                raise
            except Exception:
                log.exception("serving %s failed; trying again later", masked(number))
            loaded = claim.ahead
        return sent

    def deliver(self, number: str) -> int:
        """Send what one grower is owed now, without a claim; for a phone in the terminal."""
        return self._alone(_Claim(number, self._clock() + LEASE_S), self._store.load(number))

    def _alone(self, claim: _Claim, loaded: Loaded) -> int:
        """Take one grower through its steps, waiting at each."""
        steps = self._serve(claim, loaded)
        came: Outcome | Loaded | bool | None = None
        unmarked = False
        while True:
            try:
                step = steps.send(came)
            except StopIteration as end:
                return int(end.value)
            if isinstance(step, Outgoing):
                came = self._gateway.send(step)
                unmarked = True
                continue
            ask = partial(self._asked, claim, step)
            came = self._patiently(ask) if unmarked else ask()
            unmarked = unmarked and came is not True

    def _patiently(self, ask: Callable[[], Answer]) -> Answer:
        """Ask the store for the sake of a text that is not marked yet."""
        while True:
            try:
                return ask()
            except StoreUnavailable as error:
                if not self._patience.wait(error):
                    raise

    def _asked(self, claim: _Claim, step: Commit | str) -> Loaded | bool:
        """Do what a step wants of the store."""
        return self._store.load(step) if isinstance(step, str) else self._committed(claim, step)

    def _committed(self, claim: _Claim, commit: Commit) -> bool:
        """Commit; the last of a grower comes back with the record of the one claimed next."""
        if commit.lease is None or not claim.following:
            return self._store.commit(
                commit.number,
                commit.loaded,
                commit.outcome,
                due=commit.due,
                lease=commit.lease,
                lines=commit.lines,
            )
        done, ahead = self._store.commit_and_load(commit, claim.following)
        claim.ahead = ahead if done else None
        return done

    def _serve(self, claim: _Claim, loaded: Loaded) -> Steps:
        sent, number = 0, claim.number
        loaded = yield from self._settle(claim, loaded, self._written)
        while text := text_due(loaded.grower, self._clock(), self._settings):
            claim.ahead = None  # what was read before this text goes out is stale after it
            if self._stopping.is_set():
                break
            if not claim.lease - LEASE_S - STEP_S < self._clock() <= claim.lease - LEASE_S / 4:
                self._left.append(number)  # another sender may soon take over
                break
            if (permission := self._permit(text)) != "send":
                loaded = yield from self._settle(claim, loaded, self._withheld(text, permission))
                continue
            outgoing = Outgoing(f"{number}:{text.serial}", number, text.body, text.gateway)
            outcome = _given_up(text, (yield outgoing))
            sent += isinstance(outcome, Accepted)
            change = self._after(number, text, outcome)
            lines = self._lines(text, outcome)
            loaded = yield from self._settle(claim, loaded, change, lines, text)
            if claim.shared:
                # Two that go on side by side would say every further text twice.
                self._left.append(number)
                break
        return sent

    def _settle(
        self,
        claim: _Claim,
        loaded: Loaded,
        change: Change,
        lines: Sequence[Line] = (),
        text: Waiting | None = None,
    ) -> Generator[Step, Any, Loaded]:
        """Commit a change, on a fresh record where the grower texted meanwhile.

        When nothing more is to be sent now, the same commit gives up the lease, and the trip that
        brings it to Redis comes back with the next grower's record. A report that overtook the
        text's own line changed the record too, so here is the time to look for it.
        """
        number = claim.number
        sent = lines
        while loaded.version:  # else the number has been forgotten, and so has all it was owed
            now = self._clock()
            grower = change(loaded.grower)
            more = text_due(grower, now, self._settings) is not None
            if more and grower is loaded.grower and not lines:
                return loaded
            due = next_due(grower, self._settings, now)
            if due is not None and due <= now and not more:
                # A reminder that could not be written after all: look again, but not at once.
                due = now + LEASE_S
            lease = None if more else claim.lease
            if (yield Commit(number, loaded, grower, due, lease=lease, lines=lines)):
                return Loaded(loaded.version + 1, grower)
            loaded = yield number
            claim.shared = text is not None and not _waits(loaded.grower, text)
            if sent:
                kept = self._patiently(partial(self._store.lines, number))
                lines = with_early_reports(
                    [each for each in sent if not _is_among(each, kept)], kept
                )
        return loaded

    def _written(self, grower: Grower) -> Grower:
        """Return the grower with its reminder written, if the day and hour have come."""
        now = datetime.fromtimestamp(self._clock(), UTC)
        moment = reminder_moment(grower, self._settings)
        zone = zone_of(grower, self._settings)
        if (
            moment is None
            or moment > now.timestamp()
            or not within_waking(now, zone, self._settings)
        ):
            return grower
        return self._compose(grower, now.astimezone(zone).date())

    def _withheld(self, text: Waiting, permission: Literal["hold", "drop"]) -> Change:
        """Return what becomes of a text that may not go out: its round waits, or it is not sent."""

        def change(grower: Grower) -> Grower:
            if permission == "drop":
                return _without(grower, text)
            later = math.ceil(self._clock() + HOLD_S)
            waiting = tuple(
                replace(each, at=max(each.at, later)) if each.operation == text.operation else each
                for each in grower.waiting
            )
            return replace(grower, waiting=waiting)

        return change

    def _lines(self, text: Waiting, outcome: Outcome) -> list[Line]:
        """What an outcome adds to the grower's texts; a deferred text is still to come."""
        line = Line(
            int(self._clock()),
            "sent",
            text.kind,
            text.body,
            serial=text.serial,
            about=text.operation,
        )
        match outcome:
            case Accepted(reference, gateway):
                taken = replace(line, reference=reference, gateway=gateway)
                return [replace(taken, segments=segments(text.body))]
            case Refused(reason):
                return [replace(line, what="refused", reason=reason)]
            case Deferred():
                return []

    def _after(self, number: str, text: Waiting, outcome: Outcome) -> Change:
        """Return what an outcome changes; nothing where the text has been cancelled meanwhile."""
        if isinstance(outcome, Deferred):
            log.info("text %s to %s deferred: %s", text.serial, masked(number), outcome.reason)
        if isinstance(outcome, Refused):
            log.warning("text %s to %s refused: %s", text.serial, masked(number), outcome.reason)

        def change(grower: Grower) -> Grower:
            if not _waits(grower, text):
                return grower
            match outcome:
                case Accepted():
                    return _without(grower, text)
                case Refused(reason, unreachable):
                    refused = replace(_without(grower, text), trouble=reason)
                    return replace(refused, unreachable=reason) if unreachable else refused
                case Deferred():
                    return _deferred(grower, text, self._clock(), outcome)

        return change


def _is_among(line: Line, kept: Sequence[Line]) -> bool:
    """Whether a line is kept already: its commit got through, though its answer was lost."""
    return any((each.serial, each.what) == (line.serial, line.what) for each in kept)


def _given_up(text: Waiting, outcome: Outcome) -> Outcome:
    """Take a text deferred once too often for refused."""
    if not isinstance(outcome, Deferred) or not _attempted(text, outcome):
        return outcome
    if text.attempts + 1 >= MOST_ATTEMPTS:
        return Refused(f"given up after {MOST_ATTEMPTS} attempts: {outcome.reason}")
    return outcome


def _attempted(text: Waiting, outcome: Deferred) -> bool:
    """Whether a text was put off for a reason that may be its own.

    No text is given up because no gateway could be asked, however long that lasts. But one that
    may have arrived waits for its one gateway, and keeps those behind it waiting: not for ever.
    """
    return outcome.why in {"later", "unknown"} or bool(text.gateway)


def _waits(grower: Grower, text: Waiting) -> bool:
    return any(each.serial == text.serial for each in grower.waiting)


def _without(grower: Grower, text: Waiting) -> Grower:
    kept = tuple(each for each in grower.waiting if each.serial != text.serial)
    return replace(grower, waiting=kept)


def _deferred(grower: Grower, text: Waiting, now: float, outcome: Deferred) -> Grower:
    """Return the grower with this text, and those due behind it, due after a wait.

    They move together so that texts keep their order. Direct replies stand before the rest.
    """
    wish = min(outcome.retry_after_s or 0, LONGEST_WISH_S)
    attempted = _attempted(text, outcome)
    wait = max(retry_delay(text.attempts + 1), wish) if attempted else wish or FIRST_RETRY_S
    later = math.ceil(now + wait)
    holder = outcome.gateway if outcome.why == "unknown" else text.gateway

    def moved(each: Waiting) -> Waiting:
        if each.serial == text.serial:
            return replace(each, at=later, attempts=each.attempts + attempted, gateway=holder)
        behind = each.at <= now and (each.kind == "reply") <= (text.kind == "reply")
        return replace(each, at=later) if behind else each

    return replace(grower, waiting=tuple(moved(each) for each in grower.waiting))
