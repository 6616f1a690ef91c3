"""The sender as a process of its own, whose clock begins where it is told.

    python sending.py REDIS_URL PROFILE NOW

A lease lasts minutes; with a clock of its own the next sender need not wait for it.
"""

from __future__ import annotations

import sys
import threading
import time

import requests

from bot import data
from bot.exchange import Exchange
from bot.gateways.http import HttpGateway
from bot.gateways.profiles import read_profile
from bot.reminders.sender import Sender
from bot.settings import Settings
from bot.store.connecting import connect
from bot.store.growers import Store


def main(url: str, profile: str, now: float) -> None:
    began = time.monotonic()

    def clock() -> float:
        return now + time.monotonic() - began

    exchange = Exchange(Store(connect(url), clock), data.dialogue(), Settings(), clock)
    gateway = HttpGateway(read_profile(profile), requests.Session())
    Sender(exchange.store, gateway, exchange.compose, Settings(), clock).run(threading.Event())


if __name__ == "__main__":
    main(sys.argv[1], sys.argv[2], float(sys.argv[3]))
