"""Many growers served at once by one thread: their texts under way together, their commits too.

What is done for a grower is a generator (`Steps`): it yields what it wants of the gateway or of
the store, and is resumed with what came of it. Whatever many of them want of the store at a moment
goes there in one trip. Threads that each waited for the gateway and for Redis did the same, and
spent more time handing over the interpreter to one another than on texts.

A store that goes away takes nothing with it that has happened: what became of the texts handed
over is kept, and written down when it is back.
"""

from __future__ import annotations

import logging
import time
from concurrent.futures import CancelledError, Future, wait
from itertools import islice
from queue import Empty, SimpleQueue
from typing import TYPE_CHECKING, Any

from bot.gateways.base import CLOSED_FIRST, Outgoing
from bot.gateways.numbers import masked
from bot.store.errors import StoreUnavailable
from bot.store.growers import Commit

if TYPE_CHECKING:
    from collections.abc import Callable, Generator, Iterator
    from threading import Event

    from bot.gateways.base import Outcome
    from bot.store.growers import Store

    Step = Outgoing | Commit | str
    Steps = Generator[Step, Any, int]
    """Yields a text to hand over, and gets its `Outcome`; a commit, and gets whether it became
    true; or a number, and gets its record (`Loaded`). Returns how many texts were accepted."""

log = logging.getLogger(__name__)

AGAIN_S = 1.0
"""Seconds between tries at a store that is out of reach while something must be written down."""

OUTLAST_S, STOPPING_S = 60.0, 20.0
"""How long it is tried, and how long by who has been asked to stop."""


class Patience:
    """How long a store out of reach is tried again, to write down what became of texts.

    That ends in `seconds` from now at the latest, when their growers may be another sender's.
    """

    def __init__(self, seconds: float, stopping: Event) -> None:
        self._until = time.monotonic() + seconds
        self._stopping = stopping
        self._trying = False

    def wait(self, error: StoreUnavailable) -> bool:
        """Wait until the next try; False where there shall be none."""
        now = time.monotonic()
        if not self._trying:
            self._until = min(self._until, now + OUTLAST_S)
        if self._stopping.is_set():
            self._until = min(self._until, now + STOPPING_S)
        if now >= self._until:
            return False
        if not self._trying:
            log.warning("what became of texts is kept until the store can be reached: %s", error)
            self._trying = True
        time.sleep(AGAIN_S)
        return True


class Together:
    """Takes many growers through their steps. `begin` hands a text over and does not wait.

    At most `at_once` growers are at work, so that a crash repeats at most as many texts.
    """

    def __init__(
        self,
        store: Store,
        begin: Callable[[Outgoing], Future[Outcome]],
        at_once: int,
        patience: Patience,
    ) -> None:
        self._store = store
        self._begin = begin
        self._at_once = at_once
        self._patience = patience
        self._accepted = 0
        self._under_way: dict[Future[Outcome], tuple[str, Steps]] = {}
        self._handed: SimpleQueue[Future[Outcome]] = SimpleQueue()
        self._asked: list[tuple[str, Steps, Commit | str]] = []
        self._unmarked: set[str] = set()
        """Growers of whom a text was handed over, and what became of it is not written down yet."""
        self._away = False
        """Whether the last trip to the store failed in part: then no text more is handed over."""
        self._outage: StoreUnavailable | None = None

    def serve(self, growers: Iterator[tuple[str, Steps]]) -> int:
        """Serve growers to the end; return how many texts were accepted.

        A grower for whom a step fails is logged and left; the others are served. Raises
        `StoreUnavailable` when no text is under way any more, and what became of those that were
        is written down, or `patience` is at its end.
        """
        try:
            while True:
                room = self._at_once - len(self._under_way) - len(self._asked)
                if self._away or self._outage:
                    room = 0
                for number, steps in islice(growers, max(room, 0)):
                    self._go_on(number, steps, None)
                if self._asked:
                    self._ask_store()
                elif not self._under_way:
                    break
                self._take_outcomes(block=not self._asked and bool(self._under_way))
        finally:
            wait(self._under_way)
        if self._outage:
            raise self._outage
        return self._accepted

    def _go_on(self, number: str, steps: Steps, came: object) -> None:
        """Take a grower to the next thing that has to be waited for."""
        if came is True:  # committed
            self._unmarked.discard(number)
        try:
            step = steps.throw(came) if isinstance(came, Exception) else steps.send(came)
            if isinstance(step, Outgoing):
                future = self._begin(step)
                self._unmarked.add(number)
                self._under_way[future] = number, steps
                future.add_done_callback(self._handed.put)
            else:
                self._asked.append((number, steps, step))
        except StopIteration as end:
            self._accepted += end.value
            self._unmarked.discard(number)
        except StoreUnavailable as error:
            self._outage = error
            self._unmarked.discard(number)
        except Exception:
            log.exception("serving %s failed; trying again later", masked(number))
            self._unmarked.discard(number)

    def _take_outcomes(self, *, block: bool) -> None:
        """Go on with all whose text has been handed over; with `block`, once there is one."""
        while True:
            try:
                future = self._handed.get(block=block)
            except Empty:
                return
            number, steps = self._under_way.pop(future)
            came: object
            try:
                came = future.result()
            except CancelledError:
                came = CLOSED_FIRST
            except Exception as error:  # noqa: BLE001 - the steps see to it, or it is logged
                came = error
            self._go_on(number, steps, came)
            block = False

    def _ask_store(self) -> None:
        asked, self._asked = self._asked, []
        commits = [step for _, _, step in asked if isinstance(step, Commit)]
        numbers = [step for _, _, step in asked if isinstance(step, str)]
        try:
            answers = self._store.commit_and_load_many(commits, numbers)
        except StoreUnavailable as error:
            self._ask_again(asked, error)
            return
        outages = [each for part in answers for each in part if isinstance(each, StoreUnavailable)]
        self._away = bool(outages)
        done, loaded = (iter(each) for each in answers)
        unreached = []
        for number, steps, step in asked:
            came = next(done if isinstance(step, Commit) else loaded)
            # A store that is full can still be read, but what is sent then could not be marked.
            waits = self._away and isinstance(step, str) and number not in self._unmarked
            if waits or isinstance(came, StoreUnavailable):
                unreached.append((number, steps, step))
            else:
                self._go_on(number, steps, came)
        if outages:
            self._ask_again(unreached, outages[0])

    def _ask_again(
        self, unreached: list[tuple[str, Steps, Commit | str]], error: StoreUnavailable
    ) -> None:
        """Keep what could not be asked, for as long as a text's outcome has to be written down.

        A commit that got through although its answer was lost is found done, and not done twice.
        """
        self._away = True
        if self._unmarked and self._patience.wait(error):
            self._asked += unreached
        else:
            self._outage = error
            self._unmarked -= {number for number, _, _ in unreached}
