"""A sender's sign of life, and its count of what the gateway says, for `bot.store.beats`."""

from __future__ import annotations

import logging
import os
import socket
import threading
from collections import Counter
from contextlib import contextmanager, suppress
from typing import TYPE_CHECKING

from bot.gateways.base import Begins
from bot.store.beats import BEAT_S
from bot.store.errors import StoreUnavailable

if TYPE_CHECKING:
    from collections.abc import Iterator
    from concurrent.futures import Future

    from bot.gateways.base import Gateway, Outcome, Outgoing
    from bot.store.beats import Beats

log = logging.getLogger(__name__)


class Counted:
    """A gateway whose outcomes are counted."""

    def __init__(self, gateway: Gateway) -> None:
        self._gateway = gateway
        self._lock = threading.Lock()
        self._outcomes: Counter[str] = Counter()

    def send(self, text: Outgoing) -> Outcome:
        """Hand over one text."""
        outcome = self._gateway.send(text)
        self._count(outcome)
        return outcome

    def _count(self, outcome: Outcome) -> None:
        self.add({type(outcome).__name__.lower(): 1})

    def add(self, outcomes: dict[str, int]) -> None:
        """Count outcomes, by name."""
        with self._lock:
            self._outcomes.update(outcomes)

    def taken(self) -> dict[str, int]:
        """Return what has been counted, and begin anew."""
        with self._lock:
            outcomes, self._outcomes = dict(self._outcomes), Counter()
        return outcomes


class CountedAtOnce(Counted):
    """The same for a gateway that need not be waited for."""

    def __init__(self, gateway: Begins) -> None:
        super().__init__(gateway)
        self._begins = gateway

    def begin(self, text: Outgoing) -> Future[Outcome]:
        """Hand over one text without waiting."""
        handed = self._begins.begin(text)
        handed.add_done_callback(self._count_done)
        return handed

    def _count_done(self, handed: Future[Outcome]) -> None:
        if not handed.cancelled() and handed.exception() is None:
            self._count(handed.result())


def counted(gateway: Gateway) -> Counted:
    """Return a gateway that does the same and is counted."""
    return CountedAtOnce(gateway) if isinstance(gateway, Begins) else Counted(gateway)


@contextmanager
def beating(beats: Beats, gateway: Counted) -> Iterator[None]:
    """Say that this process sends for as long as the `with` lasts, and at its end that it ended.

    A thread of its own does so: a sender that waits for a slow gateway is alive all the same.
    """
    name = f"{socket.gethostname()}:{os.getpid()}"
    ended = threading.Event()

    def beat() -> None:
        outcomes = gateway.taken()
        try:
            beats.beat(name, outcomes)
        except StoreUnavailable as error:
            gateway.add(outcomes)
            log.debug("no sign of life could be given: %s", error)

    def run() -> None:
        beat()
        while not ended.wait(BEAT_S):
            beat()

    thread = threading.Thread(target=run, name="beating", daemon=True)
    thread.start()
    try:
        yield
    finally:
        ended.set()
        thread.join()
        beat()
        with suppress(StoreUnavailable):
            beats.end(name)
