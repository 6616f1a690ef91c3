"""The sender with several gateways: what it waits for, what it counts, and what it remembers."""

from __future__ import annotations

import threading
import time
from datetime import UTC, datetime
from typing import TYPE_CHECKING

import pytest

from bot.dialogue.records import Grower, enqueue
from bot.gateways.base import Deferred, Outcome, Outgoing, Refused
from bot.gateways.loopback import LoopbackGateway
from bot.gateways.routing import LONGEST_REST_S, WAITING, Route, Router
from bot.reminders.schedule import FIRST_RETRY_S, MOST_ATTEMPTS, next_due
from bot.reminders.sender import Sender
from bot.settings import Settings

if TYPE_CHECKING:
    from bot.store.growers import Store

A = "+255712345678"
SETTINGS = Settings()
NOON = datetime(2026, 3, 2, 9, 0, tzinfo=UTC).timestamp()
DAY_S = 24 * 3600.0
DOWN = Deferred("cannot be reached", why="down")
UNKNOWN = Deferred("no answer", why="unknown")


class Town:
    """A sender with the gateways "a" and "b", which may be down, and one clock for all."""

    def __init__(self, store: Store) -> None:
        self.store = store
        self.now = NOON
        self.a, self.b = LoopbackGateway(self.clock), LoopbackGateway(self.clock)
        self.down: set[str] = set()
        self.restart()

    def restart(self) -> None:
        """A new process, which remembers nothing."""
        gateways = {"a": self.a, "b": self.b}
        routes = [Route(name, _Reached(self, name, each)) for name, each in gateways.items()]
        router = Router(routes, self.clock, self.sleep)
        self.sender = Sender(self.store, router, lambda grower, _: grower, SETTINGS, self.clock)

    def clock(self) -> float:
        return self.now

    def sleep(self, seconds: float) -> None:
        self.now += seconds

    def owe(self, *bodies: str, number: str = A) -> None:
        loaded = self.store.load(number)
        grower = enqueue(loaded.grower or Grower(), bodies, "reply")
        assert self.store.commit(number, loaded, grower, due=next_due(grower, SETTINGS))

    def grower(self, number: str = A) -> Grower:
        return self.store.load(number).grower

    def work(self, seconds: float, step: float = FIRST_RETRY_S) -> None:
        until = self.now + seconds
        while self.now < until:
            self.sender.tick()
            self.now += step

    def sent(self) -> list[tuple[str, str, str]]:
        lines = self.store.lines(A)
        return [(each.what, each.body, each.gateway) for each in lines]


class _Reached:
    def __init__(self, town: Town, name: str, gateway: LoopbackGateway) -> None:
        self.town, self.name, self.gateway = town, name, gateway

    def send(self, text: Outgoing) -> Outcome:
        return DOWN if self.name in self.town.down else self.gateway.send(text)


@pytest.fixture
def town(store: Store) -> Town:
    return Town(store)


def test_which_gateway_took_a_text_is_kept(town: Town) -> None:
    town.owe("one")
    town.sender.tick()
    town.down.add("a")
    town.owe("two")
    town.sender.tick()
    assert town.sent() == [("sent", "one", "a"), ("sent", "two", "b")]


def test_texts_outlast_gateways_that_are_down_for_days_and_go_in_order(town: Town) -> None:
    town.down.update("ab")
    town.owe("one", "two")
    town.work(2 * DAY_S, 600.0)
    grower = town.grower()
    assert [(each.body, each.attempts) for each in grower.waiting] == [("one", 0), ("two", 0)]
    assert grower.trouble == ""
    town.down.remove("b")
    town.work(2 * LONGEST_REST_S, 10.0)
    assert town.sent() == [("sent", "one", "b"), ("sent", "two", "b")]


def test_a_gateway_that_takes_no_more_now_is_no_attempt(town: Town) -> None:
    busy = Deferred("its window is full", 15.0, "busy")
    town.a.failures.extend([busy] * (2 * MOST_ATTEMPTS))
    town.owe("one")
    town.work(2 * MOST_ATTEMPTS * 20.0, 20.0)
    town.work(60.0)
    assert town.sent() == [("sent", "one", "a")]


def test_a_text_that_may_have_arrived_keeps_its_gateway_over_a_restart(town: Town) -> None:
    town.a.failures.append(UNKNOWN)
    town.owe("one")
    town.sender.tick()
    (waiting,) = town.grower().waiting
    assert (waiting.gateway, waiting.attempts) == ("a", 1)
    town.down.add("a")
    town.restart()
    town.work(3600.0)
    assert town.b.ledger == []
    town.down.clear()
    town.work(DAY_S / 4)
    assert town.sent() == [("sent", "one", "a")]


def test_a_text_that_may_have_arrived_does_not_hold_others_up_for_ever(town: Town) -> None:
    town.a.failures.append(UNKNOWN)
    town.owe("one", "two")
    town.sender.tick()
    town.down.add("a")
    town.work(2 * DAY_S, 300.0)
    reason = f"given up after {MOST_ATTEMPTS} attempts: cannot be reached"
    assert town.sent() == [("refused", "one", ""), ("sent", "two", "b")]
    assert town.grower().trouble == reason  # so a person sees it


def test_what_a_gateway_puts_off_again_and_again_is_given_up(town: Town) -> None:
    for gateway in (town.a, town.b):
        gateway.failures.extend([Deferred("503")] * MOST_ATTEMPTS)
    town.owe("one")
    town.work(2 * DAY_S, 300.0)
    assert town.sent() == [("refused", "one", "")]
    assert "given up" in town.grower().trouble


def test_a_refusal_is_of_no_other_gateways_business(town: Town) -> None:
    town.a.failures.append(Refused("no such number", unreachable=True))
    town.owe("one")
    town.sender.tick()
    assert town.sent() == [("refused", "one", "")]
    assert town.b.ledger == []


def test_a_gateway_that_is_slow_keeps_no_text_from_the_others(store: Store) -> None:
    gate, ticking = threading.Event(), threading.Event()
    quick = LoopbackGateway(time.time, lambda _: len(quick.ledger) < 5 or ticking.set())

    class Slow(LoopbackGateway):
        def send(self, text: Outgoing) -> Outcome:
            assert gate.wait(60.0)
            return super().send(text)

    slow = Slow(time.time)
    routes = [Route("a", slow, ("+25570",)), Route("b", quick, ("+25571",))]
    sender = Sender(
        store, Router(routes), lambda grower, _: grower, SETTINGS, time.time, at_once=2 + WAITING
    )
    numbers = [f"+255700{each:06d}" for each in range(40)] + [f"+255710{n:06d}" for n in range(5)]
    for due, number in enumerate(numbers):
        owed = enqueue(Grower(), ["one"], "reply")
        assert store.commit(number, store.load(number), owed, due=float(due))
    thread = threading.Thread(target=sender.tick)
    thread.start()
    try:
        assert ticking.wait(30.0)
        assert slow.ledger == []
    finally:
        gate.set()
        thread.join()
        sender.close()
