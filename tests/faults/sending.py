"""The sender and the spreader as a process of their own, whose clock begins where it is told.

    python sending.py REDIS_URL PROFILE NOW

A lease lasts minutes; with a clock of its own the next sender need not wait for it. All else is
set in the environment. SIGTERM ends it when the text at hand is done with.
"""

from __future__ import annotations

import os
import signal
import sys
import threading
import time

from bot import data
from bot.exchange import Exchange
from bot.gateways.http import HttpGateway
from bot.gateways.profiles import read_profile
from bot.reminders.sender import Sender
from bot.reminders.spreading import Permission, Spreader
from bot.settings import Settings
from bot.store.connecting import connect
from bot.store.groups import Groups
from bot.store.growers import Store
from bot.store.rounds import Rounds


def workers(url: str, profile: str, now: float) -> tuple[Spreader, Sender]:
    """A spreader and a sender for whom it is `now`, and time goes on."""
    began = time.monotonic()

    def clock() -> float:
        return now + time.monotonic() - began

    settings = Settings.read(os.environ)
    store = Store(connect(url), clock, copies=settings.replicas)
    exchange = Exchange(store, data.dialogue(), settings, clock)
    groups, rounds = Groups(store.redis), Rounds(store.redis)
    spreader = Spreader(store, groups, rounds, exchange.dialogue, settings, clock)
    gateway = HttpGateway(read_profile(profile))
    permit = Permission(rounds, clock)
    return spreader, Sender(store, gateway, exchange.compose, settings, clock, permit)


def main(url: str, profile: str, now: float) -> None:
    stop = threading.Event()
    signal.signal(signal.SIGTERM, lambda *_: stop.set())
    spreader, sender = workers(url, profile, now)
    threading.Thread(target=spreader.run, args=(stop,), daemon=True).start()
    sender.run(stop)


if __name__ == "__main__":
    main(sys.argv[1], sys.argv[2], float(sys.argv[3]))
