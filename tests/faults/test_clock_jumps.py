"""Clocks that are put forth or back, or differ: nothing is lost, and hardly anything said twice.

A drill puts the clocks of real processes forth and back too; here each jump comes at the worst
moment, with a text in the gateway's hands.
"""

from __future__ import annotations

from collections import Counter
from datetime import UTC, date, datetime
from typing import TYPE_CHECKING

import pytest
from drill.ledger import planned

from bot import data
from bot.dialogue.records import Grower, enqueue
from bot.gateways.base import Accepted, Outcome, Outgoing
from bot.reminders.schedule import next_due
from bot.reminders.sender import LEASE_S, Sender
from bot.settings import Settings
from bot.store.growers import NEW, Store

if TYPE_CHECKING:
    from collections.abc import Callable

SETTINGS = Settings()
PLANNED = date(2026, 3, 2)
DUE = date(2026, 3, 3)
NOON = datetime(2026, 3, 3, 9, 0, tzinfo=UTC).timestamp()  # 12:00 in Dar es Salaam
HOUR_S, DAY_S, YEARS_S = 3600.0, 86_400.0, 20 * 365 * 86_400.0
MANY = 12


class Killed(BaseException):
    """What no handler of errors may catch, as a killed process catches nothing."""


class Clock:
    def __init__(self, now: float = NOON) -> None:
        self.now = now

    def __call__(self) -> float:
        return self.now


class Gateway:
    """Writes down what it is handed. `holding` is called once, with the third text in hand."""

    def __init__(self) -> None:
        self.ids: list[str] = []
        self.holding: Callable[[], None] | None = None

    def send(self, text: Outgoing) -> Outcome:
        self.ids.append(text.id)
        if len(self.ids) == 3 and self.holding is not None:
            holding, self.holding = self.holding, None
            holding()
        return Accepted()

    def close(self) -> None:
        """Nothing to close."""


class Room:
    """Growers who are owed two texts each, and senders that share a gateway."""

    def __init__(self, store: Store) -> None:
        self.store = store
        self.gateway = Gateway()
        self.dialogue = data.dialogue()
        self.numbers = [f"+25565500{place:04d}" for place in range(MANY)]

    def owe_replies(self, now: float) -> set[str]:
        owed = enqueue(Grower(language="en"), ["one", "two"], "reply")
        for number in self.numbers:
            assert self.store.commit(number, NEW, owed, due=now)
        return {f"{number}:{serial}" for number in self.numbers for serial in (1, 2)}

    def owe_reminders(self) -> set[str]:
        grower = planned(self.dialogue, PLANNED)
        texts = self.dialogue.remind(grower, DUE).waiting
        for number in self.numbers:
            assert self.store.commit(number, NEW, grower, due=next_due(grower, SETTINGS))
        return {f"{number}:{text.serial}" for number in self.numbers for text in texts}

    def sender(self, clock: Clock, at_once: int = 1) -> Sender:
        remind = self.dialogue.remind
        return Sender(self.store, self.gateway, remind, SETTINGS, clock, at_once=at_once)

    def finish(self, clock: Clock) -> None:
        """What a sender does within two leases."""
        sender = self.sender(clock)
        for _ in range(5):
            while sender.tick():
                pass
            clock.now += LEASE_S / 2

    @property
    def repeated(self) -> int:
        return len(self.gateway.ids) - len(Counter(self.gateway.ids))

    def waiting(self) -> bool:
        return any(each.grower.waiting for each in self.store.load_many(self.numbers))


@pytest.fixture
def room(store: Store) -> Room:
    return Room(store)


@pytest.mark.parametrize("jump_s", [HOUR_S, DAY_S, YEARS_S])
def test_put_forth_only_the_text_on_its_way_comes_twice(room: Room, jump_s: float) -> None:
    clock = Clock()
    due = room.owe_replies(clock())
    first, second = room.sender(clock), room.sender(clock)

    def jump() -> None:
        clock.now += jump_s
        while second.tick():  # for it, the first one's leases have lapsed
            pass

    room.gateway.holding = jump
    first.tick()
    room.finish(clock)
    assert set(room.gateway.ids) == due
    assert room.repeated == 1
    assert not room.waiting()


@pytest.mark.parametrize(("jump_s", "repeated"), [(60.0, 0), (HOUR_S, 1), (DAY_S, 1)])
def test_put_back_only_the_text_on_its_way_comes_twice(
    room: Room, jump_s: float, repeated: int
) -> None:
    """By less than a lease, not even that: the first one's leases still hold."""
    clock = Clock()
    due = room.owe_replies(clock() - 2 * DAY_S)
    first, second = room.sender(clock), room.sender(clock)

    def jump() -> None:
        clock.now -= jump_s
        while second.tick():
            pass

    room.gateway.holding = jump
    first.tick()
    room.finish(clock)
    assert set(room.gateway.ids) == due
    assert room.repeated == repeated
    assert not room.waiting()


@pytest.mark.parametrize("jump_s", [60.0, HOUR_S, DAY_S])
def test_put_back_a_sender_leaves_its_batch_to_whoever_claims_it(room: Room, jump_s: float) -> None:
    """Others may take its leases for lapsed now, and would go through the same growers beside it."""
    clock = Clock()
    due = room.owe_replies(clock() - 2 * DAY_S)

    def jump() -> None:
        clock.now -= jump_s

    room.gateway.holding = jump
    room.sender(clock).tick()
    assert len(room.gateway.ids) == 3
    room.finish(clock)
    assert set(room.gateway.ids) == due
    assert room.repeated == 0


@pytest.mark.parametrize("at_once", [1, 4])
@pytest.mark.parametrize("jump_s", [2.0, 60.0, HOUR_S, -0.8 * LEASE_S])
def test_who_was_in_hand_when_a_batch_was_left_does_not_wait_for_the_lease(
    room: Room, jump_s: float, at_once: int
) -> None:
    """Their second text is owed now; a step of seconds must not put it off by minutes."""
    clock = Clock()
    due = room.owe_replies(clock() - 2 * DAY_S)

    def jump() -> None:
        clock.now -= jump_s

    room.gateway.holding = jump
    sender = room.sender(clock, at_once)
    while sender.tick():
        pass
    sender.close()
    assert set(room.gateway.ids) == due
    assert room.repeated == 0


@pytest.mark.parametrize("ahead_s", [HOUR_S, DAY_S, YEARS_S])
def test_leases_of_a_clock_that_ran_ahead_are_not_waited_for(room: Room, ahead_s: float) -> None:
    """Killed with a batch in hand; then the clock is put right. Nobody waits until that year."""
    clock = Clock(NOON + ahead_s)
    due = room.owe_replies(NOON)

    def kill() -> None:
        raise Killed

    room.gateway.holding = kill
    with pytest.raises(Killed):
        room.sender(clock).tick()
    clock.now = NOON
    room.finish(clock)
    assert set(room.gateway.ids) == due
    assert room.repeated == 1  # the one that was in hand
    assert not room.waiting()


@pytest.mark.parametrize("apart_s", [-200.0, -5.0, 5.0, 200.0])
def test_senders_whose_clocks_differ_by_less_than_a_lease_keep_apart(
    room: Room, apart_s: float
) -> None:
    clock, other = Clock(), Clock(NOON + apart_s)
    due = room.owe_replies(NOON - HOUR_S)
    second = room.sender(other)

    def meddle() -> None:
        while second.tick():
            pass

    room.gateway.holding = meddle
    room.sender(clock).tick()
    room.finish(clock)
    assert set(room.gateway.ids) == due
    assert room.repeated == 0


def test_a_reminder_said_is_not_said_again_when_its_day_comes_twice(room: Room) -> None:
    clock = Clock()
    due = room.owe_reminders()
    room.finish(clock)
    assert set(room.gateway.ids) == due
    for jump_s in (-DAY_S, HOUR_S, DAY_S - HOUR_S, -HOUR_S, HOUR_S):
        clock.now += jump_s
        sender = room.sender(clock)
        for _ in range(3):
            assert sender.tick() == 0
    assert room.repeated == 0


def test_what_was_due_on_a_day_that_came_too_early_is_said_once(room: Room) -> None:
    """The clock is a day ahead for a while, put right, and then that day comes."""
    clock = Clock(NOON - DAY_S)
    due = room.owe_reminders()
    assert room.sender(clock).tick() == 0
    clock.now = NOON
    room.finish(clock)
    assert set(room.gateway.ids) == due
    for now in (NOON - DAY_S + 60, NOON + 60):
        clock.now = now
        room.finish(clock)
    assert set(room.gateway.ids) == due
    assert room.repeated == 0
