"""One fault of the store at a time, met at the worst moment, and then gone.

A real Redis of its own, so that it can be killed, stopped, filled and cut off.
"""

from __future__ import annotations

from contextlib import contextmanager, suppress
from typing import TYPE_CHECKING

import pytest
import redis
from drill.stores import OneRedis
from drill.world import World
from redis.backoff import NoBackoff
from redis.retry import Retry

from bot.dialogue.records import Grower, enqueue
from bot.gateways.base import Accepted, Outcome, Outgoing
from bot.reminders import together
from bot.reminders.sender import LEASE_S, Sender
from bot.settings import Settings
from bot.store import keys
from bot.store.errors import StoreUnavailable
from bot.store.growers import NEW, Store
from bot.web import create_app

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

NUMBER = "+255655000001"
NOW = 1_800_000_000.0


@pytest.fixture(autouse=True)
def impatient(monkeypatch: pytest.MonkeyPatch) -> None:
    """A fault here lasts until the sender has given up, which otherwise takes a minute."""
    monkeypatch.setattr(together, "OUTLAST_S", 0.5)


@pytest.fixture(scope="module")
def one(tmp_path_factory: pytest.TempPathFactory) -> Iterator[OneRedis]:
    folder = tmp_path_factory.mktemp("world")
    with (
        OneRedis(folder) as one,
        World(folder, folder / "no-gateway.toml", one, webs=0, senders=0),
    ):
        one.wait()
        yield one


@pytest.fixture
def store(one: OneRedis) -> Iterator[Store]:
    mend(one)  # a test that failed may have left its fault behind
    with one.client() as client:
        client.flushall()
    # Impatient, so that a Redis that does not answer is soon given up.
    with redis.Redis(
        unix_socket_path=str(one.socket), socket_timeout=0.3, retry=Retry(NoBackoff(), 1)
    ) as client:
        yield Store(client, lambda: NOW)


def mend(one: OneRedis) -> None:
    one.redis.wake()
    one.redis.down_until = 0
    one.disk.free(one.redis.pid)
    one.wait()
    with one.client() as client:
        client.execute_command("REPLICAOF", "NO", "ONE")
        for name, value in {
            "maxmemory": "0",
            "min-replicas-to-write": "0",
            "replica-serve-stale-data": "yes",
            "appendfsync": "always",
        }.items():
            client.config_set(name, value)


@contextmanager
def configured(one: OneRedis, name: str, value: str, mended: str) -> Iterator[None]:
    with one.client() as client:
        client.config_set(name, value)
        yield
        client.config_set(name, mended)


@contextmanager
def read_only(one: OneRedis) -> Iterator[None]:
    with one.client() as client:
        client.execute_command("REPLICAOF", "127.0.0.1", "1")
        yield
        client.execute_command("REPLICAOF", "NO", "ONE")


@contextmanager
def cut_off_replica(one: OneRedis) -> Iterator[None]:
    """A replica that has lost its primary and will not serve what may be stale."""
    with configured(one, "replica-serve-stale-data", "no", "yes"), read_only(one):
        yield


@contextmanager
def gone(one: OneRedis) -> Iterator[None]:
    one.redis.kill(down_s=float("inf"))
    yield
    one.redis.down_until = 0
    one.wait()


@contextmanager
def torn(one: OneRedis) -> Iterator[None]:
    with gone(one):
        yield
        one.tear_append_only_file()
    one.write_append_only_file_anew()


@contextmanager
def stopped(one: OneRedis) -> Iterator[None]:
    one.redis.pause()
    yield
    one.redis.wake()


@contextmanager
def full(one: OneRedis) -> Iterator[None]:
    """The disk is full: with `everysec` Redis finds that out at a write, and refuses the next."""
    with one.client() as client:
        client.config_set("appendfsync", "everysec")
        one.disk.fill(one.redis.pid)
        while client.info("persistence")["aof_last_write_status"] == "ok":
            with suppress(redis.ResponseError):
                client.set("{s00}:filling", "x" * 1000)
        yield
        one.disk.free(one.redis.pid)
        while client.info("persistence")["aof_last_write_status"] != "ok":
            pass
        client.config_set("appendfsync", "always")


FAULTS: dict[str, Callable[[OneRedis], object]] = {
    "gone": gone,
    "torn": torn,
    "stopped": stopped,
    "read only": read_only,
    "a replica cut off": cut_off_replica,
    "out of memory": lambda one: configured(one, "maxmemory", "1", "0"),
    "no replica": lambda one: configured(one, "min-replicas-to-write", "1", "0"),
    "disk full": full,
}


@pytest.fixture(params=FAULTS)
def fault(request: pytest.FixtureRequest) -> Callable[[OneRedis], object]:
    return FAULTS[request.param]


def test_a_text_that_meets_a_fault_is_brought_again_and_answered_once(
    one: OneRedis, store: Store, fault: Callable[[OneRedis], object]
) -> None:
    web = create_app(Settings(), store, lambda: NOW).test_client()
    text = {"from": NUMBER, "text": "hello", "id": "m-1"}
    assert store.commit(NUMBER, NEW, Grower(language="en"), due=None)
    with fault(one):  # type: ignore[attr-defined]
        for _ in range(2):
            answer = web.post("/hooks/sms", json=text)
            assert (answer.status_code, answer.headers["Retry-After"]) == (503, "30")
    first, second = (web.post("/hooks/sms", json=text) for _ in range(2))
    assert first.status_code == second.status_code == 200
    assert first.json == second.json
    assert store.load(NUMBER).commits == 2  # the enrolment and the one turn


class Handing:
    """A gateway in whose hands a text is when the fault comes."""

    def __init__(self, comes: Callable[[], None], at: int) -> None:
        self.ids: list[str] = []
        self._comes, self._at = comes, at

    def send(self, text: Outgoing) -> Outcome:
        self.ids.append(text.id)
        if len(self.ids) == self._at:
            self._comes()
        return Accepted()

    def close(self) -> None:
        """Nothing to close."""


@pytest.mark.parametrize("at", [1, 2])
def test_a_sender_that_meets_a_fault_says_one_text_twice_at_most(
    one: OneRedis, store: Store, fault: Callable[[OneRedis], object], at: int
) -> None:
    # In one shard, so that all are claimed in one batch and served one after the other.
    shard = keys.shard_of(NUMBER)
    numbers = [
        number
        for number in (f"+2556550{place:05d}" for place in range(64 * 40))
        if keys.shard_of(number) == shard
    ][:8]
    owed = enqueue(Grower(language="en"), ["one", "two"], "reply")
    for number in numbers:
        assert store.commit(number, NEW, owed, due=NOW)
    holding = fault(one)
    clock = [NOW]
    gateway = Handing(holding.__enter__, at)  # type: ignore[attr-defined]
    sender = Sender(store, gateway, lambda grower, _: grower, Settings(), lambda: clock[0])
    for _ in range(3):
        with pytest.raises(StoreUnavailable):
            sender.tick()
    assert len(gateway.ids) == at  # what cannot be written down is not sent on and on
    holding.__exit__(None, None, None)  # type: ignore[attr-defined]
    clock[0] += LEASE_S + 1
    while sender.tick():
        pass
    every = {f"{number}:{serial}" for number in numbers for serial in (1, 2)}
    assert set(gateway.ids) == every
    assert len(gateway.ids) - len(every) <= 1
    assert not any(each.grower.waiting for each in store.load_many(numbers))


def test_a_commit_whose_answer_was_lost_is_not_made_twice(one: OneRedis, store: Store) -> None:
    """Redis is stopped when the commit comes; it makes it true when it wakes."""
    web = create_app(Settings(), store, lambda: NOW).test_client()
    text = {"from": NUMBER, "text": "hello", "id": "m-1"}
    first = web.post("/hooks/sms", json=text)
    with stopped(one):
        assert web.post("/hooks/sms", json={**text, "id": "m-2"}).status_code == 503
    again = [web.post("/hooks/sms", json={**text, "id": "m-2"}) for _ in range(2)]
    assert again[0].json == again[1].json
    assert store.load(NUMBER).commits == 2
    assert web.post("/hooks/sms", json=text).json == first.json
