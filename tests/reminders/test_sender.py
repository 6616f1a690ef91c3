from __future__ import annotations

import logging
import threading
from collections import Counter
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from itertools import count
from typing import TYPE_CHECKING, Any, Literal

import pytest
from msgspec.structs import replace

from bot.dialogue.records import Grower, Plan, Reminder, enqueue
from bot.gateways.base import Accepted, Deferred, Outcome, Outgoing, Refused
from bot.gateways.loopback import LoopbackGateway
from bot.reminders import sender as sender_module
from bot.reminders import together as together_module
from bot.reminders.schedule import MOST_ATTEMPTS, next_due, retry_delay
from bot.reminders.sender import LEASE_S, Sender
from bot.settings import Settings
from bot.store import keys
from bot.store.errors import StoreUnavailable
from bot.store.growers import NEW, Store

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    import redis

    from bot.dialogue.records import Waiting
    from bot.store.growers import Commit, Loaded

A = "+255712345678"
B = "+255712345679"
SETTINGS = Settings()
DAY = date(2026, 3, 2)
MORNING = datetime(2026, 3, 2, 4, 0, tzinfo=UTC).timestamp()  # 07:00 in Dar es Salaam
NIGHT = datetime(2026, 3, 1, 20, 0, tzinfo=UTC).timestamp()  # 23:00 the evening before


class Clock:
    def __init__(self, now: float) -> None:
        self.now = now

    def __call__(self) -> float:
        return self.now


class Killed(BaseException):
    """What no handler of errors may catch, as a killed process catches nothing."""


def compose(grower: Grower, today: date) -> Grower:
    """Write a reminder of two texts, and put the next one off by a week."""
    plan = grower.plan
    if plan is None or plan.next_reminder is None or plan.next_reminder.day > today:
        return grower
    following = Reminder("weed_check", plan.next_reminder.day + timedelta(days=7))
    grower = replace(grower, plan=replace(plan, next_reminder=following))
    return enqueue(grower, ["Plant today.", "Done? 1 yes 2 not yet 3 help"], "reminder", "plant")


def due_of(client: redis.Redis, number: str) -> float | None:
    return client.zscore(keys.due_key(keys.shard_of(number)), number)


@dataclass
class Room:
    """A sender with all it needs, and the growers it serves."""

    store: Store
    clock: Clock
    gateway: LoopbackGateway
    sender: Sender

    def put(self, number: str, grower: Grower) -> None:
        loaded = self.store.load(number)
        assert self.store.commit(number, loaded, grower, due=next_due(grower, SETTINGS))

    def grower(self, number: str) -> Grower:
        return self.store.load(number).grower

    def bodies(self) -> list[str]:
        return [each.text.body for each in self.gateway.ledger]

    def drain(self) -> None:
        """Let time pass as new senders would see it, well past any lease."""
        for _ in range(6):
            Sender(self.store, self.gateway, compose, SETTINGS, self.clock).tick()
            self.clock.now += LEASE_S


OWED = Grower(language="en", plan=Plan((), Reminder("plant", DAY)))


@pytest.fixture
def room(store: Store) -> Room:
    clock = Clock(MORNING)
    gateway = LoopbackGateway(clock)
    return Room(store, clock, gateway, Sender(store, gateway, compose, SETTINGS, clock))


def test_a_reminder_goes_out_on_its_day_and_the_next_is_scheduled(
    room: Room, redis_client: redis.Redis
) -> None:
    room.put(A, OWED)
    room.clock.now = MORNING - 1
    assert room.sender.tick() == 0
    room.clock.now = MORNING
    assert room.sender.tick() == 2
    assert [each.text for each in room.gateway.ledger] == [
        Outgoing(f"{A}:1", A, "Plant today."),
        Outgoing(f"{A}:2", A, "Done? 1 yes 2 not yet 3 help"),
    ]
    assert room.grower(A).waiting == ()
    assert due_of(redis_client, A) == MORNING + 7 * 24 * 3600
    assert redis_client.zcard(keys.lease_key(keys.shard_of(A))) == 0
    room.clock.now += 7 * 24 * 3600 - 1
    assert room.sender.tick() == 0
    room.clock.now += 1
    assert room.sender.tick() == 2


def test_replies_go_at_night_and_reminders_wait_for_the_morning(
    room: Room, redis_client: redis.Redis
) -> None:
    room.clock.now = NIGHT
    room.put(A, enqueue(enqueue(OWED, ["Weed soon."], "notice"), ["Thank you."], "reply"))
    assert room.sender.tick() == 1
    assert room.bodies() == ["Thank you."]
    assert due_of(redis_client, A) == MORNING
    # A plan's reminder whose day is long past waits for the morning as well.
    room.put(B, replace(OWED, plan=Plan((), Reminder("plant", DAY - timedelta(days=9)))))
    assert room.sender.tick() == 0
    assert due_of(redis_client, B) == MORNING
    room.clock.now = MORNING
    assert room.sender.tick() == 5
    assert sorted(room.bodies()[1:]) == sorted(
        ["Weed soon."] + 2 * ["Plant today.", "Done? 1 yes 2 not yet 3 help"]
    )


def test_one_who_opted_out_gets_the_reply_and_nothing_else(
    room: Room, redis_client: redis.Redis
) -> None:
    stopped = enqueue(replace(OWED, stopped=True), ["Weed soon."], "notice")
    room.put(A, enqueue(stopped, ["You will get no more texts."], "reply"))
    room.drain()
    assert room.bodies() == ["You will get no more texts."]
    assert due_of(redis_client, A) is None


def test_a_passing_failure_is_tried_again_later_and_in_order(
    room: Room, redis_client: redis.Redis
) -> None:
    room.put(A, OWED)
    room.gateway.failures += [Deferred("busy")] * 4
    waits = []
    while room.sender.tick() == 0:
        due = due_of(redis_client, A)
        assert due is not None
        waits.append(due - room.clock.now)
        assert room.sender.tick() == 0  # not before its time
        assert {each.at for each in room.grower(A).waiting} == {due}
        assert [each.attempts for each in room.grower(A).waiting] == [len(waits), 0]
        room.clock.now = due
    assert waits == [60, 120, 240, 480]
    assert room.bodies() == ["Plant today.", "Done? 1 yes 2 not yet 3 help"]


@pytest.mark.parametrize(("wish", "wait"), [(None, 60), (5, 60), (3600, 3600), (1e9, 24 * 3600)])
def test_the_gateways_wish_is_heard_within_reason(
    room: Room, redis_client: redis.Redis, wish: float | None, wait: float
) -> None:
    room.put(A, enqueue(Grower(), ["Habari"], "reply"))
    room.gateway.failures.append(Deferred("busy", wish))
    room.sender.tick()
    assert due_of(redis_client, A) == MORNING + wait


def test_a_new_reply_does_not_wait_behind_a_deferred_reminder(room: Room) -> None:
    room.put(A, OWED)
    room.gateway.failures.append(Deferred("busy", 3600))
    room.sender.tick()
    room.put(A, enqueue(room.grower(A), ["Thank you."], "reply"))
    assert room.sender.tick() == 1
    assert room.bodies() == ["Thank you."]


def test_a_deferred_reply_holds_back_what_comes_behind_it(room: Room) -> None:
    room.put(A, enqueue(enqueue(Grower(), ["notice"], "notice"), ["one", "two"], "reply"))
    room.gateway.failures.append(Deferred("busy"))
    assert room.sender.tick() == 0
    room.clock.now += retry_delay(1)
    assert room.sender.tick() == 3
    assert room.bodies() == ["one", "two", "notice"]


def test_a_refused_text_is_dropped_with_its_reason_and_the_rest_goes_on(room: Room) -> None:
    room.put(A, OWED)
    room.gateway.failures.append(Refused("no such number"))
    assert room.sender.tick() == 1
    assert room.bodies() == ["Done? 1 yes 2 not yet 3 help"]
    assert room.grower(A).trouble == "no such number"
    assert [number for number, _ in room.store.calls()] == [A]


def test_a_text_that_never_goes_is_given_up_with_its_reason(
    room: Room, redis_client: redis.Redis
) -> None:
    room.put(A, enqueue(Grower(), ["Habari"], "reply"))
    room.gateway.failures += [Deferred("busy")] * MOST_ATTEMPTS
    for _ in range(MOST_ATTEMPTS):
        room.sender.tick()
        room.clock.now = due_of(redis_client, A) or room.clock.now
    assert room.grower(A).waiting == ()
    assert room.grower(A).trouble == f"given up after {MOST_ATTEMPTS} attempts: busy"
    assert not room.gateway.failures
    assert room.bodies() == []


class Meddling:
    """A store or a gateway with something happening around each call, counted over all."""

    def __init__(self, inner: Any, around: Callable[[str], None]) -> None:  # noqa: ANN401
        self._inner = inner
        self._around = around

    def __getattr__(self, name: str) -> Any:  # noqa: ANN401
        inner = getattr(self._inner, name)

        def call(*args: Any, **kwargs: Any) -> Any:  # noqa: ANN401
            self._around(f"before {name}")
            result = inner(*args, **kwargs)
            self._around(f"after {name}")
            return result

        return call


def meddled(room: Room, around: Callable[[str], None]) -> Sender:
    return Sender(
        Meddling(room.store, around),
        Meddling(room.gateway, around),
        compose,
        SETTINGS,
        room.clock,
    )


def killed_at(step: int, error: type[BaseException]) -> Callable[[str], None]:
    steps = count()

    def around(_: str) -> None:
        if next(steps) == step:
            raise error

    return around


# claim and confirm; load, commit, then send and commit for each of three texts; each with a before
# and an after. One step more shows that nothing comes behind them.
CLAIMED = 2 * 2
STEPS = CLAIMED + 2 * (2 + 2 * 3) + 1


@pytest.mark.parametrize("step", range(STEPS))
def test_killed_at_any_point_everything_arrives_once(room: Room, step: int) -> None:
    room.put(A, enqueue(OWED, ["Welcome."], "reply"))
    if step < STEPS - 1:
        with pytest.raises(Killed):
            meddled(room, killed_at(step, Killed)).tick()
    else:
        meddled(room, killed_at(step, Killed)).tick()
    room.drain()
    assert room.bodies() == ["Welcome.", "Plant today.", "Done? 1 yes 2 not yet 3 help"]
    assert [each.text.id for each in room.gateway.ledger] == [f"{A}:{n}" for n in (1, 2, 3)]
    assert room.gateway.repeats <= 1
    assert room.grower(A).waiting == ()
    assert room.grower(A).plan == Plan((), Reminder("weed_check", DAY + timedelta(days=7)))


def test_the_killed_senders_grower_is_left_alone_until_the_lease_lapses(room: Room) -> None:
    room.put(A, OWED)
    with pytest.raises(Killed):
        meddled(room, killed_at(2, Killed)).tick()
    room.clock.now += LEASE_S - 1
    assert room.sender.tick() == 0
    room.clock.now += 1
    assert room.sender.tick() == 2


@pytest.mark.parametrize("step", range(CLAIMED, STEPS - 1))
def test_a_failure_with_one_grower_does_not_stop_the_others(
    room: Room, step: int, caplog: pytest.LogCaptureFixture
) -> None:
    for number in (A, B):
        room.put(number, enqueue(OWED, ["Welcome."], "reply"))
    meddled(room, killed_at(step, ZeroDivisionError)).tick()
    unharmed = Counter(each.text.to for each in room.gateway.ledger).most_common(1)
    assert unharmed[0][1] == 3
    assert "serving +255*******7" in caplog.text
    room.drain()
    assert sorted(room.bodies()) == sorted(
        2 * ["Welcome.", "Plant today.", "Done? 1 yes 2 not yet 3 help"]
    )


def test_an_outage_of_the_store_stops_the_pass(room: Room) -> None:
    room.put(A, OWED)
    with pytest.raises(StoreUnavailable):
        meddled(room, killed_at(5, StoreUnavailable)).tick()
    room.drain()
    assert room.bodies() == ["Plant today.", "Done? 1 yes 2 not yet 3 help"]


def meanwhile(when: str, do: Callable[[], None]) -> Callable[[str], None]:
    done = []

    def around(step: str) -> None:
        if step == when and not done:
            done.append(step)
            do()

    return around


def test_an_answer_during_a_send_is_kept_and_its_reply_sent(room: Room) -> None:
    room.put(A, OWED)

    def answer() -> None:
        grower = replace(room.grower(A), answers={"cover": "grass"})
        room.put(A, enqueue(grower, ["Thank you."], "reply"))

    meddled(room, meanwhile("after send", answer)).tick()
    assert room.bodies() == ["Plant today.", "Thank you.", "Done? 1 yes 2 not yet 3 help"]
    assert room.grower(A).answers == {"cover": "grass"}
    assert room.grower(A).waiting == ()
    room.drain()
    assert len(room.bodies()) == 3


def stop(room: Room) -> None:
    room.put(A, replace(room.grower(A), stopped=True, waiting=()))


@pytest.mark.parametrize(
    ("when", "arrives"),
    [
        ("after claim", []),
        ("before load", []),
        ("after load", []),
        ("before commit", []),
        # What is with the gateway cannot be called back; nothing follows it.
        ("before send", ["Plant today."]),
        ("after send", ["Plant today."]),
    ],
)
def test_a_stop_meanwhile_is_obeyed(
    room: Room, redis_client: redis.Redis, when: str, arrives: list[str]
) -> None:
    room.put(A, OWED)
    meddled(room, meanwhile(when, lambda: stop(room))).tick()
    room.drain()
    assert room.bodies() == arrives
    assert room.grower(A).stopped
    assert due_of(redis_client, A) is None


@pytest.mark.parametrize("outcome", [Refused("no such number"), Deferred("busy")])
def test_a_failed_text_that_was_cancelled_meanwhile_needs_nothing(
    room: Room, outcome: Outcome
) -> None:
    room.put(A, OWED)
    room.gateway.failures.append(outcome)
    meddled(room, meanwhile("after send", lambda: stop(room))).tick()
    assert (room.grower(A).waiting, room.grower(A).trouble) == ((), "")


def test_a_plan_that_moves_meanwhile_takes_its_reminder_along(
    room: Room, redis_client: redis.Redis
) -> None:
    room.put(A, OWED)
    moved = replace(OWED, plan=Plan((), Reminder("plant", DAY + timedelta(days=3))))
    meddled(room, meanwhile("after load", lambda: room.put(A, moved))).tick()
    assert room.bodies() == []
    assert due_of(redis_client, A) == MORNING + 3 * 24 * 3600


@pytest.mark.parametrize("when", ["after claim", "after load", "after send"])
def test_a_number_forgotten_meanwhile_stays_forgotten(
    room: Room, redis_client: redis.Redis, when: str
) -> None:
    room.put(A, OWED)
    meddled(room, meanwhile(when, lambda: room.store.forget(A))).tick()
    # What is left says that a group's counts have changed, or since when a number can be found by
    # lists alone, and nothing of a grower.
    left = (b":marks", b":sums", b":lists_since")
    assert [key for key in redis_client.scan_iter() if not key.endswith(left)] == []


def test_two_senders_share_the_work(room: Room, store: Store) -> None:
    numbers = [f"+2557{each:08d}" for each in range(40)]
    for number in numbers:
        room.put(number, OWED)
    senders = [Sender(store, room.gateway, compose, SETTINGS, room.clock) for _ in range(2)]
    threads = [threading.Thread(target=each.tick) for each in senders]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert room.gateway.repeats == 0
    assert len(room.gateway.ledger) == 2 * len(numbers)


def test_a_reminder_that_cannot_be_written_is_not_looked_at_at_once(
    room: Room, redis_client: redis.Redis
) -> None:
    room.put(A, OWED)
    silent = Sender(room.store, room.gateway, lambda grower, _: grower, SETTINGS, room.clock)
    assert silent.tick() == 0
    assert due_of(redis_client, A) == MORNING + LEASE_S


def test_a_slow_gateway_does_not_outlast_its_lease(room: Room) -> None:
    numbers = [f"+2557{each:08d}" for each in range(10)]
    for number in numbers:
        room.put(number, OWED)

    def slow(step: str) -> None:
        if step == "before send":
            room.clock.now += LEASE_S / 8

    meddled(room, slow).tick()
    assert 0 < len(room.bodies()) < 20
    assert room.clock.now < MORNING + LEASE_S
    came_to = {each.text.to for each in room.gateway.ledger}
    # Who was not come to need not wait until the lease has lapsed.
    again = room.store.claim(room.clock.now, LEASE_S, 10 * keys.SHARDS)
    assert set(again) == set(numbers) - came_to != set()
    room.store.release(again, room.clock.now + LEASE_S, room.clock.now)
    room.clock.now = MORNING + LEASE_S
    room.drain()
    assert sorted(room.bodies()) == sorted(10 * ["Plant today.", "Done? 1 yes 2 not yet 3 help"])
    assert room.gateway.repeats == 0


def test_run_works_until_told_to_stop_and_through_an_outage(
    room: Room, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr(sender_module, "OUTAGE_S", 0.001)
    monkeypatch.setattr(sender_module, "POLL_S", 0.001)
    room.put(A, OWED)
    stopping = threading.Event()
    steps = count()

    def around(step: str) -> None:
        if step == "before claim":
            turn = next(steps)
            if turn == 0:
                raise StoreUnavailable
            if turn == 3:
                stopping.set()

    with caplog.at_level(logging.INFO):
        meddled(room, around).run(stopping)
    assert room.bodies() == ["Plant today.", "Done? 1 yes 2 not yet 3 help"]
    assert [record.getMessage().split(",")[0] for record in caplog.records] == [
        "sender started",
        "the store cannot be reached",
        "sender stopped",
    ]


def test_logs_do_not_name_the_number(room: Room, caplog: pytest.LogCaptureFixture) -> None:
    room.put(A, OWED)
    room.gateway.failures += [Refused("no such number"), Deferred("busy")]
    with caplog.at_level(logging.DEBUG):
        room.sender.tick()
    assert "+255*******78" in caplog.text
    assert A not in caplog.text


def test_a_gateway_that_knows_no_repeats_gets_at_most_one_more(room: Room) -> None:
    class Counting:
        def __init__(self) -> None:
            self.ids: list[str] = []

        def send(self, text: Outgoing) -> Outcome:
            self.ids.append(text.id)
            return Accepted()

    gateway = Counting()
    room.put(A, OWED)
    crashing = Sender(
        Meddling(room.store, lambda _: None),
        Meddling(gateway, killed_at(1, Killed)),  # after the first text was handed over
        compose,
        SETTINGS,
        room.clock,
    )
    with pytest.raises(Killed):
        crashing.tick()
    room.clock.now += LEASE_S
    Sender(room.store, gateway, compose, SETTINGS, room.clock).tick()
    assert gateway.ids == [f"{A}:1", f"{A}:1", f"{A}:2"]


def test_many_are_served_at_once_and_each_growers_texts_keep_their_order(
    redis_client: redis.Redis,
) -> None:
    numbers = [f"+2557123{place:05d}" for place in range(60)]
    store, clock = Store(redis_client), Clock(MORNING)
    gate, under_way = threading.Barrier(8, timeout=30), []

    class Slow(LoopbackGateway):
        def send(self, text: Outgoing) -> Outcome:
            if text.id.endswith(":1") and len(under_way) < 8:
                under_way.append(text.to)
                gate.wait()  # it passes only if eight texts are under way together
            return super().send(text)

    gateway = Slow(clock)
    sender = Sender(store, gateway, lambda grower, _: grower, SETTINGS, clock, at_once=8)
    for number in numbers:
        grower = enqueue(Grower(), ["one", "two", "three"], "notice")
        assert store.commit(number, store.load(number), grower, due=0)
    while sender.tick():
        pass
    sender.close()
    assert len(set(under_way)) == 8
    assert len(gateway.ledger) == 180
    for number in numbers:
        theirs = [each.text.body for each in gateway.ledger if each.text.to == number]
        assert theirs == ["one", "two", "three"]


def owing(store: Store, many: int) -> list[str]:
    """Put growers who are owed a text each."""
    numbers = [f"+2557123{place:05d}" for place in range(many)]
    for number in numbers:
        grower = enqueue(Grower(), ["one"], "notice")
        assert store.commit(number, store.load(number), grower, due=0)
    return numbers


@pytest.mark.parametrize("lost", ["the commit", "its answer"])
@pytest.mark.parametrize("fails", [2, 3, 4])
def test_an_outage_takes_nothing_of_what_became_of_many_texts(
    redis_client: redis.Redis, monkeypatch: pytest.MonkeyPatch, lost: str, fails: int
) -> None:
    monkeypatch.setattr(together_module, "AGAIN_S", 0.01)
    store, clock = Store(redis_client), Clock(MORNING)
    gateway = LoopbackGateway(clock)
    sender = Sender(store, gateway, lambda grower, _: grower, SETTINGS, clock, at_once=4)
    numbers = owing(store, 20)
    together, calls = Store.commit_and_load_many, count(1)

    def failing(
        self: Store, changes: Sequence[Commit], numbers: Sequence[str]
    ) -> tuple[list[bool | Exception], list[Loaded | Exception]]:
        # From the second trip on there are texts handed over. It is out for three trips.
        if not fails <= next(calls) < fails + 3:
            return together(self, changes, numbers)
        if lost == "its answer":
            together(self, changes, numbers)
        raise StoreUnavailable

    monkeypatch.setattr(Store, "commit_and_load_many", failing)
    assert sender.tick() == 20
    assert sender.tick() == 0
    sender.close()
    assert sorted(each.text.to for each in gateway.ledger) == numbers
    assert gateway.repeats == 0
    assert [len(store.lines(number)) for number in numbers] == [1] * 20


@pytest.mark.parametrize("at_once", [1, 4])
def test_an_outage_that_lasts_is_told_when_no_text_is_under_way_and_gives_growers_back(
    redis_client: redis.Redis, monkeypatch: pytest.MonkeyPatch, at_once: int
) -> None:
    monkeypatch.setattr(together_module, "AGAIN_S", 0.01)
    store, clock = Store(redis_client), Clock(MORNING)
    gone, over = threading.Event(), threading.Event()
    gateway = LoopbackGateway(clock, lambda _: gone.set())

    def around(_: str) -> None:
        if gone.is_set() and not over.is_set():
            raise StoreUnavailable

    shy = Meddling(store, around)
    sender = Sender(shy, gateway, lambda grower, _: grower, SETTINGS, clock, at_once=at_once)
    numbers = owing(store, 20)
    monkeypatch.setattr(sender_module, "LEASE_S", 0.2)
    with pytest.raises(StoreUnavailable):
        sender.tick()
    begun = len(gateway.ledger)
    assert begun == at_once
    over.set()
    # The clock has not moved: had they not been given back they would all be leased still.
    assert sender.tick() == 20
    sender.close()
    assert sorted(each.text.to for each in gateway.ledger) == numbers
    assert gateway.repeats == begun
    assert not any(redis_client.zcard(keys.lease_key(each)) for each in range(keys.SHARDS))


class InStep(LoopbackGateway):
    """Takes a text of one sender when it is handed the same by another, if that comes."""

    def __init__(self, clock: Callable[[], float]) -> None:
        super().__init__(clock)
        self._both = threading.Barrier(2)
        self.handed: list[str] = []

    def send(self, text: Outgoing) -> Outcome:
        self.handed.append(text.body)
        with suppress(threading.BrokenBarrierError):
            self._both.wait(2)
        return super().send(text)


@pytest.mark.parametrize("at_once", [1, 4])
def test_two_that_come_to_serve_one_grower_say_one_text_twice_and_no_more(
    store: Store, monkeypatch: pytest.MonkeyPatch, at_once: int
) -> None:
    """A lease may be lost: with a primary that died, or to a clock that was put."""
    clock = Clock(MORNING)
    owed = enqueue(Grower(language="en"), ["one", "two", "three", "four"], "reply")
    assert store.commit(A, NEW, owed, due=MORNING)
    assert store.claim(MORNING, LEASE_S, 100) == [A]
    monkeypatch.setattr(store, "claim", lambda *_: [A])
    gateway = InStep(clock)
    senders = [Sender(store, gateway, compose, SETTINGS, clock, at_once=at_once) for _ in range(2)]
    with ThreadPoolExecutor(2) as pool:
        for done in [pool.submit(each.tick) for each in senders]:
            done.result()
    for each in senders:
        each.close()
    assert gateway.handed == ["one", "one", "two", "three", "four"]
    assert store.load(A).grower.waiting == ()
    assert [each.body for each in store.lines(A)] == ["one", "two", "three", "four"]


class ByHand(LoopbackGateway):
    """A gateway that says nothing of any text but the first until it is told to."""

    def __init__(self, clock: Clock) -> None:
        super().__init__(clock)
        self.begun: list[Future[Outcome]] = []

    def begin(self, text: Outgoing) -> Future[Outcome]:
        future: Future[Outcome] = Future()
        if self.ledger:
            self.begun.append(future)
        else:
            future.set_result(Accepted())
        self.send(text)
        return future


def test_with_a_store_that_is_read_but_not_written_no_text_more_is_handed_over(
    redis_client: redis.Redis, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(together_module, "AGAIN_S", 0.01)
    monkeypatch.setattr(together_module, "OUTLAST_S", 0.2)
    store, clock = Store(redis_client), Clock(MORNING)
    gateway = ByHand(clock)
    sender = Sender(store, gateway, lambda grower, _: grower, SETTINGS, clock, at_once=4)
    owing(store, 20)
    trips, together = [], Store.commit_and_load_many

    def noted(
        self: Store, changes: Sequence[Commit], numbers: Sequence[str]
    ) -> tuple[list[bool | Exception], list[Loaded | Exception]]:
        trips.append((len(changes), len(numbers)))
        answers = together(self, changes, numbers)
        if len(trips) == 2:
            redis_client.config_set("maxmemory", 1)
        if len(trips) > 1 and gateway.begun:
            gateway.begun.pop(0).set_result(Accepted())
        return answers

    monkeypatch.setattr(Store, "commit_and_load_many", noted)
    try:
        with pytest.raises(StoreUnavailable):
            sender.tick()
    finally:
        redis_client.config_set("maxmemory", 0)
    assert trips[:3] == [(0, 4), (1, 0), (1, 1)]  # the last could be read, and not be written
    assert len(gateway.ledger) == 4


@pytest.mark.parametrize("at_once", [1, 4])
def test_a_permission_that_cannot_be_looked_up_takes_nothing_of_other_texts(
    redis_client: redis.Redis, at_once: int
) -> None:
    store, clock = Store(redis_client), Clock(MORNING)
    gateway = LoopbackGateway(clock)
    asked = count()

    def permit(_: Waiting) -> Literal["send", "hold", "drop"]:
        if next(asked) == 3:
            raise StoreUnavailable
        return "send"

    sender = Sender(
        store, gateway, lambda grower, _: grower, SETTINGS, clock, permit, at_once=at_once
    )
    numbers = owing(store, 20)
    with pytest.raises(StoreUnavailable):
        sender.tick()
    assert len(gateway.ledger) == 3
    assert sum(len(store.lines(number)) for number in numbers) == 3
    assert sender.tick() == 17  # at once: they have been given back
    sender.close()
    assert gateway.repeats == 0


@pytest.mark.parametrize("step", range(CLAIMED + 5, STEPS - 1))
def test_an_outage_takes_nothing_of_what_became_of_a_text(
    room: Room, monkeypatch: pytest.MonkeyPatch, step: int
) -> None:
    monkeypatch.setattr(together_module, "AGAIN_S", 0.01)
    room.put(A, enqueue(OWED, ["Welcome."], "reply"))
    steps = count()

    def around(name: str) -> None:
        if next(steps) == step and not name.endswith("send"):
            raise StoreUnavailable

    meddled(room, around).tick()
    room.sender.tick()
    assert room.bodies() == ["Welcome.", "Plant today.", "Done? 1 yes 2 not yet 3 help"]
    assert room.gateway.repeats == 0
    assert len(room.store.lines(A)) == 3


class Hasty(LoopbackGateway):
    """A gateway that hands over without waiting: to 3 it breaks, and to 4 it closes first."""

    def begin(self, text: Outgoing) -> Future[Outcome]:
        future: Future[Outcome] = Future()
        if text.to.endswith("3"):
            future.set_exception(RuntimeError("broken"))
        elif text.to.endswith("4"):
            future.cancel()
        else:
            future.set_result(self.send(text))
        return future


def test_with_many_at_once_what_fails_for_one_grower_is_no_others(
    redis_client: redis.Redis, caplog: pytest.LogCaptureFixture
) -> None:
    store, clock = Store(redis_client), Clock(MORNING)
    gateway = Hasty(clock)
    sender = Sender(store, gateway, lambda grower, _: grower, SETTINGS, clock, at_once=5)
    numbers = [f"+2557123{place:05d}" for place in range(50)]
    for number in numbers:
        grower = enqueue(Grower(), ["one"], "notice")
        assert store.commit(number, store.load(number), grower, due=0)
    redis_client.set(keys.grower_key(numbers[0]), b"damaged..")

    assert sender.tick() + sender.tick() == 50 - 11
    arrived = [each.text.to for each in gateway.ledger]
    assert len(arrived) == len(set(arrived)) == 50 - 11
    assert not {number for number in numbers if number[-1] in "34"} & {*arrived, numbers[0]}
    # What broke is tried when its lease has lapsed; what was cut off is put off as any other.
    assert caplog.text.count("trying again later") == 6
    assert "damaged" in caplog.text
    cut_off = store.load(numbers[4]).grower.waiting
    assert [(each.attempts, each.at > clock.now) for each in cut_off] == [(1, True)]
