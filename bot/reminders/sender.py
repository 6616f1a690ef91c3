"""The sender: a process that sends what growers are owed, as many of it as one likes.

It claims growers whose time has come under a lease, so that each is worked on by one sender.
For each it loads the record, writes the reminder that is due into it (the same commit that
makes the plan wait for the answer), and then sends the waiting texts one by one, each marked
in a commit of its own.

Killed at any point it loses nothing: what was not marked is sent again when the lease has
lapsed, under the same id. So a text reaches the gateway at most once more than it should for
each crash, and only the text that was being sent.

A grower who texts STOP while a reminder is being worked on: every text but a direct reply is
sent right after a load or a commit that saw the record without the STOP. What remains is a STOP
that arrives during the one call that hands the text to the gateway.
"""

from __future__ import annotations

import logging
import math
from concurrent.futures import ThreadPoolExecutor, wait
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import zip_longest
from typing import TYPE_CHECKING, Literal

from msgspec.structs import replace

from bot.gateways.base import Accepted, Deferred, Outcome, Outgoing, Refused
from bot.gateways.numbers import masked
from bot.reminders.schedule import (
    MOST_ATTEMPTS,
    next_due,
    reminder_moment,
    retry_delay,
    text_due,
    within_waking,
    zone_of,
)
from bot.store.errors import StoreUnavailable
from bot.store.growers import Commit, Loaded
from bot.store.texts import Line, with_early_reports
from bot.wording.gsm import segments

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from datetime import date
    from threading import Event

    from bot.dialogue.records import Grower, Waiting
    from bot.gateways.base import Gateway
    from bot.settings import Settings
    from bot.store.growers import Store

    Compose = Callable[[Grower, date], Grower]
    Permit = Callable[[Waiting], Literal["send", "hold", "drop"]]
    Change = Callable[[Grower], Grower]

log = logging.getLogger(__name__)

LEASE_S = 300.0
"""Seconds a claim lasts. A batch is left in time for its last text to time out within it."""

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
    done for this one: as fresh as if it were read when its turn comes.
    """

    number: str
    lease: float
    following: str = ""
    ahead: Loaded | None = None


class Sender:
    """Sends reminders and waiting texts through a gateway. `clock` gives UTC epoch seconds.

    `compose` is the dialogue's: given a grower and its local day, it returns the grower with
    the due reminder's texts among the waiting ones, the session awaiting the answer and the
    plan's next reminder moved on; or the grower unchanged when no reminder is due. `permit` says
    whether a text may go out now; it is asked right before, and its answer is obeyed. `at_once`
    is how many growers are served at a time, each by one thread, for a gateway that is slow to
    answer but takes many texts together.
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
        self._pool = ThreadPoolExecutor(at_once, "sender") if at_once > 1 else None

    def run(self, stop: Event) -> None:
        """Work until `stop` is set; wait a little when there is nothing to do or no Redis."""
        log.info("sender started")
        while not stop.is_set():
            try:
                if self.tick() == 0:
                    stop.wait(POLL_S)
            except StoreUnavailable as error:
                log.warning("the store cannot be reached, trying again: %s", error)
                stop.wait(OUTAGE_S)
        self.close()
        log.info("sender stopped")

    def close(self) -> None:
        """End the threads, once each has finished its text."""
        if self._pool is not None:
            self._pool.shutdown()

    def tick(self) -> int:
        """Claim one batch and send what it is owed now; return how many texts were accepted.

        A grower whose record or reminder fails is logged and tried again when its lease has
        lapsed; the others are served. Raises `StoreUnavailable`.
        """
        now = self._clock()
        claimed = self._store.claim(now, LEASE_S, max(BATCH, GROWERS_A_THREAD * self._at_once))
        if self._pool is None:
            return self._serve_all(claimed, now)
        shares = [claimed[each :: self._at_once] for each in range(self._at_once)]
        served = [self._pool.submit(self._serve_all, share, now) for share in shares if share]
        # All are waited for before one's failure is told: none may be at work when it is.
        wait(served)
        return sum(each.result() for each in served)

    def _serve_all(self, claimed: Sequence[str], now: float) -> int:
        """Serve growers one after the other, the lease of each having begun at `now`."""
        sent = 0
        loaded: Loaded | None = None
        for number, following in zip_longest(claimed, claimed[1:], fillvalue=""):
            if self._clock() > now + LEASE_S / 2:
                log.warning("the gateway is slow; the rest of this batch waits for its lease")
                break
            claim = _Claim(number, now + LEASE_S, following)
            try:
                sent += self._serve(claim, loaded or self._store.load(number))
            except StoreUnavailable:
                raise
            except Exception:
                log.exception("serving %s failed; trying again later", masked(number))
            loaded = claim.ahead
        return sent

    def deliver(self, number: str) -> int:
        """Send what one grower is owed now, without a claim; for a phone in the terminal."""
        return self._serve(_Claim(number, self._clock() + LEASE_S), self._store.load(number))

    def _serve(self, claim: _Claim, loaded: Loaded) -> int:
        sent, number = 0, claim.number
        loaded = self._settle(claim, loaded, self._written)
        while text := text_due(loaded.grower, self._clock(), self._settings):
            claim.ahead = None  # what was read before this text goes out is stale after it
            if self._clock() > claim.lease - LEASE_S / 4:
                break  # another sender may soon take over
            if (permission := self._permit(text)) != "send":
                loaded = self._settle(claim, loaded, self._withheld(text, permission))
                continue
            outcome = _given_up(
                text, self._gateway.send(Outgoing(f"{number}:{text.serial}", number, text.body))
            )
            sent += isinstance(outcome, Accepted)
            change = self._after(number, text, outcome)
            loaded = self._settle(claim, loaded, change, self._lines(text, outcome))
        return sent

    def _settle(
        self,
        claim: _Claim,
        loaded: Loaded,
        change: Change,
        lines: Sequence[Line] = (),
    ) -> Loaded:
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
            if more or not claim.following:
                done = self._store.commit(number, loaded, grower, due=due, lease=lease, lines=lines)
            else:
                commit = Commit(number, loaded, grower, due, lease=lease, lines=lines)
                done, ahead = self._store.commit_and_load(commit, claim.following)
                claim.ahead = ahead if done else None
            if done:
                return Loaded(loaded.version + 1, grower)
            loaded = self._store.load(number)
            if sent:
                lines = with_early_reports(sent, self._store.lines(number))
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
            case Accepted(reference):
                return [replace(line, reference=reference, segments=segments(text.body))]
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
            if all(each.serial != text.serial for each in grower.waiting):
                return grower
            match outcome:
                case Accepted():
                    return _without(grower, text)
                case Refused(reason, unreachable):
                    refused = replace(_without(grower, text), trouble=reason)
                    return replace(refused, unreachable=reason) if unreachable else refused
                case Deferred(_, wish):
                    wait = max(retry_delay(text.attempts + 1), min(wish or 0, LONGEST_WISH_S))
                    return _deferred(grower, text, self._clock(), wait)

        return change


def _given_up(text: Waiting, outcome: Outcome) -> Outcome:
    """Take a text deferred once too often for refused."""
    if isinstance(outcome, Deferred) and text.attempts + 1 >= MOST_ATTEMPTS:
        return Refused(f"given up after {MOST_ATTEMPTS} attempts: {outcome.reason}")
    return outcome


def _without(grower: Grower, text: Waiting) -> Grower:
    kept = tuple(each for each in grower.waiting if each.serial != text.serial)
    return replace(grower, waiting=kept)


def _deferred(grower: Grower, text: Waiting, now: float, wait: float) -> Grower:
    """Return the grower with this text, and those due behind it, due after the wait.

    They move together so that texts keep their order. Direct replies stand before the rest.
    """
    later = math.ceil(now + wait)

    def moved(each: Waiting) -> Waiting:
        if each.serial == text.serial:
            return replace(each, at=later, attempts=each.attempts + 1)
        behind = each.at <= now and (each.kind == "reply") <= (text.kind == "reply")
        return replace(each, at=later) if behind else each

    return replace(grower, waiting=tuple(moved(each) for each in grower.waiting))
