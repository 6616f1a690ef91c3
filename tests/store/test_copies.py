"""What must be on a replica before it counts."""

from __future__ import annotations

import signal
from contextlib import suppress
from typing import TYPE_CHECKING

import pytest
from deployments import wait_until
from redis.exceptions import ResponseError

from bot.dialogue.records import Grower, Turn, enqueue
from bot.gateways.loopback import LoopbackGateway
from bot.reminders.sender import Sender
from bot.settings import Settings
from bot.store import keys, trips
from bot.store.codec import Replay
from bot.store.errors import StoreUnavailable, reaching_redis
from bot.store.forgetting import forget
from bot.store.growers import NEW, Commit, Store

if TYPE_CHECKING:
    from collections.abc import Iterator

    import redis
    from deployments import Deployment, Server

A = "+255712345678"
NEAR = "+255712345720"
NOW = 1_800_000_000.0
SAID = Turn(("Karibu",), Grower(language="sw"))


@pytest.fixture(params=["sentinels", "cluster"])
def redis_kind(request: pytest.FixtureRequest) -> str:
    return str(request.param)


@pytest.fixture
def store(redis_client: redis.Redis) -> Store:
    return Store(redis_client, copies=1)


@pytest.fixture
def deaf(deployment: Deployment, monkeypatch: pytest.MonkeyPatch) -> Iterator[Server]:
    """The replica of the server that serves the grower; it hears nothing until it is continued."""
    monkeypatch.setattr(trips, "WAIT_MS", 100)
    port = deployment.primary_of(keys.grower_key(A)).replication()["slave0"]["port"]
    replica = next(each for each in deployment.servers if each.port == port)
    replica.process.send_signal(signal.SIGSTOP)
    yield replica
    replica.process.send_signal(signal.SIGCONT)


def test_the_two_numbers_are_of_one_shard() -> None:
    assert keys.shard_of(A) == keys.shard_of(NEAR)


def test_what_replicas_have_counts(store: Store) -> None:
    assert store.commit(A, NEW, SAID, due=1, message_id="m-1")
    assert store.load(A, "m-1").replay == Replay(("Karibu",))
    numbers = [f"+2557123{each:05d}" for each in range(100)]
    told = [Commit(each, NEW, SAID, None, message_id="r") for each in numbers]
    assert store.commit_many(told) == []
    assert sorted(store.commit_many(told)) == numbers
    assert all(each.replay for each in store.load_many(numbers, "r"))
    first = Commit(A, store.load(A), Grower(), None)
    done, ahead = store.commit_and_load(first, numbers[0])
    assert done
    assert ahead.grower == SAID.grower
    store.forget(A)
    assert store.load(A) == NEW


def test_a_text_whose_turn_no_replica_has_is_not_acknowledged(store: Store, deaf: Server) -> None:
    with pytest.raises(StoreUnavailable, match="0 of 1 replicas"):
        store.commit(A, NEW, SAID, due=None, message_id="m-1")
    # Delivered again it is found done, and still no replica has it.
    for load in (lambda: store.load(A, "m-1"), lambda: store.load_many([NEAR, A], "m-1")[1]):
        with pytest.raises(StoreUnavailable, match="0 of 1 replicas"):
            load()
    assert store.load(A, "another").grower == SAID.grower
    deaf.process.send_signal(signal.SIGCONT)

    def acknowledged() -> bool:
        with suppress(StoreUnavailable):
            return store.load(A, "m-1").replay == Replay(("Karibu",))
        return False

    wait_until(acknowledged)
    assert store.load(A).commits == 1


@pytest.mark.usefixtures("deaf")
def test_every_kind_of_commit_waits(store: Store) -> None:
    change = Commit(A, NEW, SAID, None)
    with pytest.raises(StoreUnavailable, match="replicas"):
        store.commit_many([change])
    with pytest.raises(StoreUnavailable, match="replicas"):
        store.commit_and_load(Commit(A, store.load(A), Grower(), None), NEAR)
    with pytest.raises(StoreUnavailable, match="replicas"):
        store.forget(A)


@pytest.mark.parametrize("redis_kind", ["cluster"])
def test_a_number_is_forgotten_once_the_desks_replica_has_forgotten_it_too(
    store: Store, deployment: Deployment, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Rounds have examples of whom they are for, and those lie on another node than the grower."""
    monkeypatch.setattr(trips, "WAIT_MS", 100)
    desk = deployment.primary_of(keys.rounds_key())
    number = next(
        each
        for each in (f"+2557123{place:05d}" for place in range(100))
        if deployment.primary_of(keys.grower_key(each)).port != desk.port
    )
    assert store.commit(number, NEW, SAID, due=None)
    port = desk.replication()["slave0"]["port"]
    replica = next(each for each in deployment.servers if each.port == port)
    replica.process.send_signal(signal.SIGSTOP)
    try:
        with pytest.raises(StoreUnavailable, match="0 of 1 replicas"):
            forget(store, number)
        assert store.load(number) == NEW
        with pytest.raises(StoreUnavailable, match="0 of 1 replicas"):
            store.confirm(number, desk=True)
    finally:
        replica.process.send_signal(signal.SIGCONT)

    def forgotten() -> bool:
        with suppress(StoreUnavailable):
            store.confirm(number, desk=True)
            return True
        return False

    wait_until(forgotten)


def test_growers_whose_claim_no_replica_has_are_sent_nothing_and_given_back(
    store: Store, deaf: Server
) -> None:
    """The server may be a primary that has woken up, and the one in its place claims them anew."""
    owed = enqueue(Grower(language="sw"), ["Palilia leo."], "reply")
    with suppress(StoreUnavailable):
        store.commit(A, NEW, owed, due=NOW)
    gateway = LoopbackGateway(lambda: NOW)
    sender = Sender(store, gateway, lambda grower, _: grower, Settings(), lambda: NOW)
    with pytest.raises(StoreUnavailable, match="0 of 1 replicas"):
        sender.tick()
    assert gateway.ledger == []
    deaf.process.send_signal(signal.SIGCONT)
    wait_until(lambda: _ticked(sender))
    assert [each.text.to for each in gateway.ledger] == [A]


def _ticked(sender: Sender) -> bool:
    with suppress(StoreUnavailable):
        return sender.tick() == 1
    return False


@pytest.mark.usefixtures("deaf")
def test_what_no_replica_has_is_done_all_the_same_where_scripts_were_forgotten(
    store: Store, redis_client: redis.Redis
) -> None:
    """A replica that has just become the primary knows no script, and has no replica."""
    redis_client.script_flush()
    with pytest.raises(StoreUnavailable, match="replicas"):
        store.commit(A, NEW, SAID, due=None)
    assert store.load(A).grower == SAID.grower
    redis_client.script_flush()
    with pytest.raises(StoreUnavailable, match="replicas"):
        store.commit_and_load(Commit(A, store.load(A), Grower(), None), NEAR)
    assert store.load(A).grower == Grower()


@pytest.mark.parametrize("redis_kind", ["cluster"])
def test_a_node_that_has_become_a_replica_sends_the_writer_on(
    store: Store, deployment: Deployment
) -> None:
    """It refuses the write and, as no replica can wait for others, the WAIT behind it too."""
    assert store.commit(A, NEW, SAID, due=None)
    loaded = store.load(A)
    deployment.fail_over(keys.grower_key(A))
    wait_until(deployment.whole)
    assert store.commit(A, loaded, Grower(), due=None)


@pytest.mark.parametrize(
    "said",
    [
        "WAIT cannot be used with replica instances. Please also note that ...",
        "UNBLOCKED force unblock from blocking operation, instance state changed",
    ],
)
def test_a_server_that_becomes_a_replica_while_it_waits_passes(said: str) -> None:
    """As Redis 6.2 and 7.0 say it (replication.c and blocked.c)."""
    with pytest.raises(StoreUnavailable, match="has just become a replica"), reaching_redis():
        raise ResponseError(said)


@pytest.mark.usefixtures("deaf")
def test_without_the_setting_nothing_waits(redis_client: redis.Redis) -> None:
    assert Store(redis_client).commit(A, NEW, SAID, due=None)


@pytest.mark.parametrize("redis_kind", ["redis_server"])
def test_a_server_without_replicas_cannot_confirm_any(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(trips, "WAIT_MS", 50)
    with pytest.raises(StoreUnavailable, match="0 of 1 replicas"):
        store.commit(A, NEW, SAID, due=None)
