"""A sender process as `fieldbell send` runs it, with a gateway that takes every text at once.

    python -m tests.benchmarks.sending URL TEXTS

It spreads and sends what is due in the Redis of this URL until so many texts have gone, and
prints how many a second, and the megabytes it held after the first quarter of them and at the end.
Its clock runs so fast that a round's own rate does not hold it back.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path
from threading import Event, Thread
from time import perf_counter
from typing import TYPE_CHECKING

from bot import data
from bot.demo import BEGIN
from bot.gateways.base import Accepted
from bot.reminders.sender import Sender
from bot.reminders.spreading import Permission, Spreader
from bot.settings import Settings
from bot.store.connecting import connect
from bot.store.groups import Groups
from bot.store.growers import Store
from bot.store.rounds import Rounds

if TYPE_CHECKING:
    from bot.gateways.base import Outgoing

HASTE = 20
"""Seconds of the clock in each second: 60,000 texts a minute, the most a round may, are 20,000
a second then."""

LONGEST_S = 120.0


class Null:
    """A gateway that takes every text, and notes when; it says when so many have come."""

    def __init__(self, texts: int) -> None:
        self.texts = texts
        self.taken = 0
        self.done = Event()
        self.began = 0.0
        self.quarter_mb = 0.0

    def send(self, text: Outgoing) -> Accepted:
        """Take a text."""
        if not self.taken:
            self.began = perf_counter()
        self.taken += 1
        if self.taken == self.texts // 4:
            self.quarter_mb = resident_mb()
        if self.taken == self.texts:
            self.done.set()
        return Accepted(text.id)


def resident_mb() -> float:
    """Megabytes of memory that this process holds."""
    pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 1e6


def main() -> None:
    """Send so many texts and print the rate and the memory."""
    url, texts = sys.argv[1], int(sys.argv[2])
    begin, started = BEGIN.timestamp(), perf_counter()

    def clock() -> float:
        return begin + HASTE * (perf_counter() - started)

    gateway = Null(texts)
    dialogue, settings = data.dialogue(), Settings()
    with connect(url) as client:
        store, rounds = Store(client, clock), Rounds(client)
        permit = Permission(rounds, clock)
        sender = Sender(store, gateway, lambda grower, _: grower, settings, clock, permit)
        spreader = Spreader(store, Groups(client), rounds, dialogue, settings, clock)
        threads = [Thread(target=each.run, args=(gateway.done,)) for each in (spreader, sender)]
        for thread in threads:
            thread.start()
        gone = gateway.done.wait(LONGEST_S)
        seconds = perf_counter() - gateway.began
        gateway.done.set()
        for thread in threads:
            thread.join()
    if not gone:
        raise SystemExit(f"only {gateway.taken} of {texts} texts went in {LONGEST_S:.0f} s")
    sys.stdout.write(f"{texts / seconds} {gateway.quarter_mb} {resident_mb()}\n")


if __name__ == "__main__":
    main()
