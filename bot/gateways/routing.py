"""Several gateways at once: which of them takes a text, and what happens while one is down.

A number's gateways are those with a prefix that it begins with, the longest such prefix first, and
last those without prefixes, which take all numbers. Where that leaves a choice, the order in which
the operator named them decides.

A text goes to the first of them. To the next it goes only when it is certain that the one before
did not take it. Where it may have, the text is that gateway's until it answers, however long it is
down: else it might arrive twice. `Outgoing.gateway` says so, and the sender keeps that in the
grower's record, where it outlives this process and is known to all others.

A gateway that shows enough signs of trouble is set aside, and texts go to the next one without
asking it, for `FIRST_REST_S`, doubled each time up to `LONGEST_REST_S`, or as long as it asks
itself. Then one text tries it; when it takes that one it is in use again. A gateway that does not
answer keeps each text that tries it; so when that has gone on for long, trying is left to the texts
that it has already.

A gateway's rate and its number of texts at once are limits, not troubles: a text waits for its
turn rather than go to the next, which may be dearer; where the turn is too far off it is put off.
Whoever waits here keeps a sender from texts for other gateways. So where there are several, few
wait for a slow one: of the others each is told when to come again, one after the other.

The sender hands over a grower's texts one after the other. Over two gateways a later one could
still overtake an earlier, so a grower stays for `STAY_S` with the gateway that took the last text,
as long as it is up. Who stays where is known to one process only.
"""

from __future__ import annotations

import logging
import threading
import time
from collections import OrderedDict
from concurrent.futures import Future
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from bot.gateways.base import CLOSED_FIRST, Accepted, Begins, Deferred, Outcome, Outgoing, Refused
from bot.gateways.pace import Pace

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from bot.gateways.base import Gateway, Why

log = logging.getLogger(__name__)

FIRST_REST_S, LONGEST_REST_S = 5.0, 300.0
LONGEST_WISH_S = 24 * 3600.0
"""The longest that a gateway's own word (Retry-After) sets it aside."""

ENOUGH = 5
SIGNS: dict[Why, int] = {"down": ENOUGH, "unknown": 3, "later": 1, "busy": 0}
"""How much each outcome is a sign of trouble; `ENOUGH`, with nothing taken in between, set a
gateway aside. "Later" may be about the one text, so it takes several. Asking for a wait is enough."""

OWN_FIRST_S = 900.0
"""Seconds after an attempt of unknown outcome in which only the texts it has try a gateway, once
the rests are at their longest."""

PATIENCE_S = 15.0
"""Seconds a text may wait for its turn, and within which a further gateway is tried. With one
gateway's own timeout behind it, this must fit into what a sender's lease has left."""

QUEUE_S = 2.0
"""Seconds of work for a gateway that may wait here, where there are several."""

FIRST_GUESS_S = 0.5
"""How long a gateway is taken to be busy with a text before one has shown it."""

LONGEST_TURN_S = 60.0
"""The longest that a text is put off because others are before it."""

WAITING = 16
"""Texts for which a sender should have room besides those that the gateways take at once."""

STAY_S = 600.0
MOST_STAYING = 50_000
"""Growers of whom it is remembered which gateway took their last text."""


@dataclass(frozen=True, slots=True)
class Route:
    """A gateway by the name of its profile, the numbers it takes and how fast it takes texts.

    `prefixes` are beginnings of E.164 numbers, none for all numbers. `rate` is in texts a second,
    0 for no limit; `at_once` is how many may be under way together.
    """

    name: str
    gateway: Gateway
    prefixes: tuple[str, ...] = ()
    rate: float = 0.0
    at_once: int = 1

    def fit(self, number: str) -> int | None:
        """Return the length of the longest prefix of a number, 0 for any; None if it is no match."""
        if not self.prefixes:
            return 0
        return max((len(each) for each in self.prefixes if number.startswith(each)), default=None)


class Router:
    """Sends each text by one of several gateways, the preferred ones first.

    `send` may be called by many threads. What is `Accepted` names its gateway, and so does what is
    put off by one alone. `clock` only goes forward; it and `sleep` are in seconds.
    """

    def __init__(
        self,
        routes: Sequence[Route],
        clock: Callable[[], float] = time.monotonic,
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        several = len(routes) > 1
        self._ways = {each.name: _Way(each, several=several) for each in routes}
        self._clock = clock
        self._sleep = sleep
        self._lock = threading.Lock()
        self._staying: OrderedDict[str, tuple[_Way, float]] = OrderedDict()

    def send(self, text: Outgoing) -> Outcome:
        """Hand over one text and say what came of it."""
        began = self._clock()
        # A gateway that is no longer named will never answer: then the others may have the text.
        if holder := self._ways.get(text.gateway):
            return self._offer(holder, text, began, trial=False)
        ways = self._ways_for(text.to)
        if not ways:
            return Deferred("no gateway takes this number; no profile has a prefix that fits it")
        refusals: list[Deferred] = []
        for way in ways:
            with self._lock:
                trial = way.admit(self._clock())
            if trial is None:
                continue
            outcome = self._offer(way, text, began, trial=trial)
            if not isinstance(outcome, Deferred) or outcome.why in {"unknown", "busy"}:
                return outcome
            refusals.append(outcome)
            if self._clock() - began > PATIENCE_S:
                break
        return self._put_off(ways, refusals)

    def _ways_for(self, number: str) -> list[_Way]:
        """The gateways for a number: the one it stays with, then by prefix and preference."""
        fits = [(way.route.fit(number), way) for way in self._ways.values()]
        fitting = [(fit, way) for fit, way in fits if fit is not None]
        ways = [way for _, way in sorted(fitting, key=lambda each: -each[0])]
        with self._lock:
            kept, until = self._staying.get(number, (None, 0.0))
        if kept in ways and self._clock() < until:
            ways.sort(key=lambda way: way is not kept)
        return ways

    def _offer(self, way: _Way, text: Outgoing, began: float, *, trial: bool) -> Outcome:
        """Hand a text to one gateway in its turn, and note how that went.

        `trial` says that this text is to show whether a gateway set aside is back.
        """
        rests = way.rests
        outcome: Outcome | None = None
        try:
            outcome = self._in_turn(way, text, began)
        finally:
            with self._lock:
                counts = trial or not (rests or way.rests)
                way.note(outcome, text, self._clock(), counts=counts)
                if trial:
                    way.trial_over()
        if isinstance(outcome, Refused):
            return outcome
        if isinstance(outcome, Accepted):
            self._stay(text.to, way)
        return replace(outcome, gateway=way.route.name)

    def _in_turn(self, way: _Way, text: Outgoing, began: float) -> Outcome:
        with self._lock:
            again = way.join_queue(self._clock())
        if again is not None:
            return Deferred("others wait for their turn before it", again, "busy")
        try:
            return self._at_its_place(way, text, began)
        finally:
            with self._lock:
                way.leave_queue()

    def _at_its_place(self, way: _Way, text: Outgoing, began: float) -> Outcome:
        if not way.places.acquire(timeout=self._left(began)):
            return Deferred(f"{way.route.at_once} texts are under way already", PATIENCE_S, "busy")
        try:
            with self._lock:
                wait = way.pace.wait(self._clock(), self._left(began))
            if wait is None:
                return Deferred("the gateway's rate leaves no room now", PATIENCE_S, "busy")
            if wait:
                self._sleep(wait)
            handed = self._clock()
            try:
                return way.route.gateway.send(text)
            finally:
                with self._lock:
                    way.took(self._clock() - handed)
        finally:
            way.places.release()

    def _left(self, began: float) -> float:
        return max(0.0, PATIENCE_S - (self._clock() - began))

    def _stay(self, number: str, way: _Way) -> None:
        if len(self._ways) == 1:
            return
        with self._lock:
            self._staying[number] = way, self._clock() + STAY_S
            self._staying.move_to_end(number)
            if len(self._staying) > MOST_STAYING:
                self._staying.popitem(last=False)

    def _put_off(self, ways: Sequence[_Way], refusals: Sequence[Deferred]) -> Deferred:
        """Say that nobody took a text, and when it is worth another try."""
        with self._lock:
            now = self._clock()
            rests = [way.look_again(now) for way in ways]
        if not refusals:
            names = ", ".join(way.route.name for way in ways)
            return Deferred(f"set aside for now: {names}", max(FIRST_REST_S, min(rests)), "down")
        reason = refusals[0].reason
        if len(refusals) > 1:
            reason = "; ".join(f"{each.gateway}: {each.reason}" for each in refusals)
        asked = any(each.why == "later" for each in refusals)
        # Where one may be tried at once, the sender knows best how long to leave the text alone.
        soonest = min(rests)
        return Deferred(reason, soonest if soonest > 0 else None, "later" if asked else "down")


class _Way:
    """A route and how it fares. All but `places` is used under the router's lock."""

    def __init__(self, route: Route, *, several: bool) -> None:
        self.route = route
        self._several = several
        self.places = threading.BoundedSemaphore(route.at_once)
        self.pace = Pace(route.rate)
        self.rests = 0
        """How often in a row it has been set aside; 0 while it is in use."""
        self.until = 0.0
        self._signs = 0
        self._tried = False
        self._own_until = 0.0
        self._queued = 0
        self._took_s = FIRST_GUESS_S
        self._promised = 0.0

    def join_queue(self, now: float) -> float | None:
        """Join those that are with the gateway or wait; or say in how many seconds to come again.

        Those sent away are told different times, as far apart as the gateway takes for a text.
        Where there is no other gateway nobody is sent away.
        """
        apart = self._took_s / self.route.at_once
        if self.route.rate:
            apart = max(apart, 1 / self.route.rate)
        wait = (self._queued + 1 - self.route.at_once) * apart
        if not self._several or self._queued < self.route.at_once or wait <= QUEUE_S:
            self._queued += 1
            return None
        self._promised = max(self._promised, now + wait) + apart
        return min(self._promised - now, LONGEST_TURN_S)

    def leave_queue(self) -> None:
        """Leave it, with the text handed over or not."""
        self._queued -= 1

    def took(self, seconds: float) -> None:
        """Note how long the gateway was busy with a text."""
        self._took_s += (seconds - self._took_s) / 4

    def admit(self, now: float) -> bool | None:
        """Say whether a text to hand over is a trial, or None where none may be handed over."""
        if not self.rests:
            return False
        if self.rest_left(now) > 0 or self._tried:
            return None
        self._tried = True
        return True

    def rest_left(self, now: float) -> float:
        """Return the seconds until a text may try it; 0 or less for now."""
        return max(self.until, self._own_until) - now if self.rests else 0.0

    def look_again(self, now: float) -> float:
        """Return the same, as far as others should count on it: its own texts may bring it back."""
        return min(self.rest_left(now), max(self.until - now, LONGEST_REST_S))

    def trial_over(self) -> None:
        """Let another text be the trial, should there still be need of one."""
        self._tried = False

    def note(self, outcome: Outcome | None, text: Outgoing, now: float, *, counts: bool) -> None:
        """Draw the lesson from a text that was handed over; None where the gateway raised.

        `counts` is false for trouble that is no news: of a text handed over before the gateway was
        set aside, or one that is its own and cannot wait for a trial.
        """
        if isinstance(outcome, Deferred):
            own = outcome.why == "unknown" and self._backoff() == LONGEST_REST_S
            self._own_until = now + OWN_FIRST_S if own else 0.0
        match outcome:
            case Accepted():
                self._back()
            case Refused() if not text.gateway:  # else it may be refused for want of an answer
                self._back()
            case Deferred(reason, wish, why) if counts and why != "busy":
                self._signs += ENOUGH if wish else SIGNS[why]
                if self.rests or self._signs >= ENOUGH:
                    self._set_aside(now, wish or 0.0, reason)

    def _set_aside(self, now: float, wish: float, reason: str) -> None:
        rest = max(self._backoff(), min(wish, LONGEST_WISH_S))
        self.until = now + rest
        self.rests += 1
        self._signs = 0
        log.warning("gateway %s is set aside for %.0f s: %s", self.route.name, rest, reason)

    def _backoff(self) -> float:
        return min(FIRST_REST_S * 2.0 ** min(self.rests, 16), LONGEST_REST_S)

    def _back(self) -> None:
        if self.rests:
            log.info("gateway %s is back in use", self.route.name)
        self.rests, self.until, self._signs = 0, 0.0, 0


# One alone


def sole(routes: Sequence[Route]) -> Alone | None:
    """Return the only gateway as it is, where it needs no router; else None.

    That is one that hands over many texts without a thread for each, by its own `begin`. It keeps
    its own pace and sees to its own link, so there is nothing left to choose.
    """
    if len(routes) > 1 or routes[0].rate or routes[0].prefixes:
        return None
    (route,) = routes
    return Alone(route.name, route.gateway) if isinstance(route.gateway, Begins) else None


class Alone:
    """A gateway that is named in what it took, as by a `Router`."""

    def __init__(self, name: str, gateway: Begins) -> None:
        self._name = name
        self._gateway = gateway

    def send(self, text: Outgoing) -> Outcome:
        """Hand over one text and say what came of it."""
        return self._named(self._gateway.send(text))

    def begin(self, text: Outgoing) -> Future[Outcome]:
        """Hand over one text without waiting; one cut off by the closing may have arrived here."""
        named: Future[Outcome] = Future()

        def pass_on(handed: Future[Outcome]) -> None:
            if handed.cancelled():
                named.set_result(self._named(CLOSED_FIRST))
            elif error := handed.exception():
                named.set_exception(error)
            else:
                named.set_result(self._named(handed.result()))

        self._gateway.begin(text).add_done_callback(pass_on)
        return named

    def _named(self, outcome: Outcome) -> Outcome:
        return outcome if isinstance(outcome, Refused) else replace(outcome, gateway=self._name)
