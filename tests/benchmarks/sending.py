"""A sender process as `fieldbell send` runs it.

    python -m tests.benchmarks.sending URL TEXTS PORT

It spreads and sends what is due in the Redis of this URL until so many texts have gone, and
prints how many a second, and the megabytes it held after the first quarter of them and at the end.
With 0 for PORT texts go to a gateway that takes every one at once; else over SMPP to the peer that
listens there, until every text's receipt is in the store as well.
Its clock runs so fast that a round's own rate does not hold it back.
"""

from __future__ import annotations

import os
import sys
from contextlib import contextmanager
from pathlib import Path
from threading import Event, Lock, Thread
from time import perf_counter
from typing import TYPE_CHECKING, Any

from bot import data
from bot.demo import BEGIN
from bot.exchange import Exchange
from bot.gateways.base import Accepted
from bot.gateways.opening import opened
from bot.gateways.profiles import Profile
from bot.receiving import Receiver
from bot.reminders.sender import Sender
from bot.reminders.spreading import Permission, Spreader
from bot.settings import Settings
from bot.store.connecting import connect
from bot.store.groups import Groups
from bot.store.growers import Store
from bot.store.rounds import Rounds

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from bot.gateways.base import Gateway, Outcome, Outgoing
    from bot.gateways.reading import Report

HASTE = 20
"""Seconds of the clock in each second: 60,000 texts a minute, the most a round may, are 20,000
a second then."""

LONGEST_S = 120.0

AT_ONCE = 50
"""Texts under way together over SMPP, as many as the window of the link."""

PASSWORD = "PASSWORD"  # noqa: S105 - the variable's name


class Count:
    """Counts texts up to all of them: when the first went, what memory a quarter took."""

    def __init__(self, texts: int) -> None:
        self.texts = texts
        self.began = 0.0
        self.gone = 0
        self.done = Event()
        self.quarter_mb = 0.0
        self._lock = Lock()

    def begin(self) -> None:
        """Note the first text's moment."""
        self.began = self.began or perf_counter()

    def one(self) -> None:
        """Count a text of which there is nothing more to come."""
        with self._lock:
            self.gone += 1
            if self.gone == self.texts // 4:
                self.quarter_mb = resident_mb()
            if self.gone == self.texts:
                self.done.set()


class Null:
    """A gateway that takes every text."""

    def __init__(self, count: Count) -> None:
        self._count = count

    def send(self, text: Outgoing) -> Outcome:
        """Take a text."""
        self._count.begin()
        self._count.one()
        return Accepted(text.id)


class Begun:
    """A gateway whose first text is noted."""

    def __init__(self, gateway: Gateway, count: Count) -> None:
        self._gateway = gateway
        self._count = count

    def send(self, text: Outgoing) -> Outcome:
        """Hand a text on."""
        self._count.begin()
        return self._gateway.send(text)


class Counting(Receiver):
    """Counts the reports it has taken."""

    def __init__(self, exchange: Exchange, count: Count) -> None:
        super().__init__(exchange)
        self._count = count

    def reports(self, told: Sequence[Report]) -> None:
        """Take reports."""
        super().reports(told)
        for _ in told:
            self._count.one()


def resident_mb() -> float:
    """Megabytes of memory that this process holds."""
    pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 1e6


@contextmanager
def _gateway(port: int, exchange: Exchange, count: Count) -> Iterator[Gateway]:
    if not port:
        yield Null(count)
        return
    os.environ[PASSWORD] = "secret08"
    link: dict[str, Any] = {
        "host": "127.0.0.1",
        "port": port,
        "system_id": "fieldbell",
        "password": PASSWORD,
        "source": "12345",
        "window": AT_ONCE,
    }
    profile = Profile(smpp=link, at_once=AT_ONCE)
    with opened(profile, Counting(exchange, count), exchange.settings.country) as gateway:
        if not gateway.wait_until_bound(LONGEST_S):  # type: ignore[attr-defined]
            raise SystemExit("the peer does not bind")
        yield Begun(gateway, count)


def main() -> None:
    """Send so many texts and print the rate and the memory."""
    url, texts, port = sys.argv[1], int(sys.argv[2]), int(sys.argv[3])
    begin, started = BEGIN.timestamp(), perf_counter()

    def clock() -> float:
        return begin + HASTE * (perf_counter() - started)

    count = Count(texts)
    dialogue, settings = data.dialogue(), Settings()
    with connect(url) as client:
        store, rounds = Store(client, clock), Rounds(client)
        exchange = Exchange(store, dialogue, settings, clock)
        permit, at_once = Permission(rounds, clock), AT_ONCE if port else 1
        spreader = Spreader(store, Groups(client), rounds, dialogue, settings, clock)
        with _gateway(port, exchange, count) as gateway:
            sender = Sender(store, gateway, exchange.compose, settings, clock, permit, at_once)
            threads = [Thread(target=each.run, args=(count.done,)) for each in (spreader, sender)]
            for thread in threads:
                thread.start()
            gone = count.done.wait(LONGEST_S)
            seconds = perf_counter() - count.began
            count.done.set()
            for thread in threads:
                thread.join()
    if not gone:
        raise SystemExit(f"only {count.gone} of {texts} texts went in {LONGEST_S:.0f} s")
    sys.stdout.write(f"{texts / seconds} {count.quarter_mb} {resident_mb()}\n")


if __name__ == "__main__":
    main()
