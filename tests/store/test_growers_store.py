from __future__ import annotations

import threading
from typing import TYPE_CHECKING, Any

import pytest
import redis
from deployments import serving
from msgspec.structs import replace
from redis.backoff import NoBackoff
from redis.retry import Retry

from bot.dialogue.records import Grower, Turn, enqueue
from bot.store import keys
from bot.store.codec import RecordError, Replay
from bot.store.errors import StoreUnavailable
from bot.store.growers import NEW, REPLAY_S, Commit, Loaded, Store

if TYPE_CHECKING:
    from collections.abc import Iterable

    from deployments import Deployment

A = "+255712345678"
B = "+255712345679"
C = "+254712345678"


def due_of(client: redis.Redis, number: str) -> float | None:
    return client.zscore(keys.due_key(keys.shard_of(number)), number)


def test_an_unknown_number_is_a_new_grower(store: Store) -> None:
    loaded = store.load(A, "id-1")
    assert (loaded.version, loaded.grower, loaded.replay) == (0, Grower(), None)


def test_a_commit_is_read_back_at_the_next_version(store: Store) -> None:
    grower = Grower(language="sw", answers={"cover": "grass"})
    assert store.commit(A, NEW, grower, due=None)
    assert store.commit(A, store.load(A), replace(grower, language="en"), due=None)
    loaded = store.load(A)
    assert (loaded.commits, loaded.grower.language) == (2, "en")
    assert loaded.grower.answers == {"cover": "grass"}


@pytest.mark.parametrize("version", [0, 1, 3, 2**40])
def test_a_commit_on_another_version_changes_nothing(
    store: Store, redis_client: redis.Redis, version: int
) -> None:
    store.commit(A, NEW, Grower(language="sw"), due=10.0)
    store.commit(A, store.load(A), Grower(language="sw", trouble="asked for help"), due=10.0)
    before = {key: redis_client.dump(key) for key in sorted(redis_client.scan_iter())}
    lost = Turn(("late",), Grower(language="en"))
    assert not store.commit(A, Loaded(version, Grower()), lost, due=99.0, message_id="x")
    assert {key: redis_client.dump(key) for key in sorted(redis_client.scan_iter())} == before


def test_a_version_on_a_number_that_is_not_there_conflicts(store: Store) -> None:
    assert not store.commit(A, Loaded(5, Grower()), Grower(), due=None)


def test_what_was_read_before_a_number_was_forgotten_does_not_come_back(store: Store) -> None:
    store.commit(A, NEW, Grower(name="Neema"), due=None)
    before = store.load(A)
    store.forget(A)
    store.commit(A, store.load(A), Grower(), due=None)  # enrolled again
    assert not store.commit(A, before, replace(before.grower, language="sw"), due=None)
    assert store.load(A).grower == Grower()


def test_a_text_delivered_again_gets_the_same_reply(
    store: Store, redis_client: redis.Redis
) -> None:
    turn = Turn(("Habari?", "1 ndiyo"), Grower(language="sw"), more=True)
    assert store.commit(A, NEW, turn, due=None, message_id="id-1")
    assert store.load(A, "id-1").replay == Replay(("Habari?", "1 ndiyo"), more=True)
    assert store.load(A, "id-2").replay is None
    assert store.load(B, "id-1").replay is None
    assert store.load(A).replay is None
    assert 0 < redis_client.ttl(keys.seen_key(A, "id-1")) <= REPLAY_S == 259_200


def test_threads_that_commit_one_number_lose_nothing(deployment: Deployment, store: Store) -> None:
    def count_up(times: int) -> None:
        with deployment.client() as client:
            own = Store(client)
            for _ in range(times):
                while True:
                    loaded = own.load(A)
                    more = replace(loaded.grower, serial=loaded.grower.serial + 1)
                    if own.commit(A, loaded, more, due=None):
                        break

    threads = [threading.Thread(target=count_up, args=(100,)) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert (store.load(A).grower.serial, store.load(A).commits) == (400, 400)


def test_the_due_time_moves_with_the_commit(store: Store, redis_client: redis.Redis) -> None:
    store.commit(A, NEW, Grower(), due=1_800_000_000.25)
    assert due_of(redis_client, A) == 1_800_000_000.25
    store.commit(A, store.load(A), Grower(), due=5)
    assert due_of(redis_client, A) == 5
    store.commit(A, store.load(A), Grower(), due=None)
    assert due_of(redis_client, A) is None


def test_a_grower_in_trouble_is_to_be_rung_until_it_is_settled(redis_client: redis.Redis) -> None:
    now = 100.0
    store = Store(redis_client, lambda: now)
    store.commit(A, NEW, Grower(trouble="asked for help"), due=None)
    now = 200.0
    store.commit(B, NEW, Grower(trouble="no answer"), due=None)
    store.commit(C, NEW, Grower(), due=None)
    now = 300.0
    store.commit(A, store.load(A), Grower(trouble="asked for help again"), due=None)
    # The first to ask is the first to ring.
    assert store.calls() == [(A, 100.0), (B, 200.0)]
    store.commit(A, store.load(A), Grower(), due=None)
    assert store.calls() == [(B, 200.0)]


def test_many_are_loaded_in_the_order_asked(store: Store) -> None:
    store.commit(A, NEW, Grower(language="sw"), due=None)
    store.commit(C, NEW, Grower(language="en"), due=None)
    found = store.load_many([C, B, A])
    assert [(each.commits, each.grower.language) for each in found] == [
        (1, "en"),
        (0, ""),
        (1, "sw"),
    ]
    assert store.load_many([]) == []


def test_many_are_made_true_and_others_read_each_for_itself(
    store: Store, redis_client: redis.Redis
) -> None:
    store.commit(C, NEW, Grower(language="sw"), due=None)
    redis_client.set(keys.grower_key("+254700000009"), b"\0" * 8 + b"damaged")
    redis_client.set(keys.due_key(keys.shard_of(B)), "no sorted set")
    redis_client.script_flush()
    changes = [
        Commit(B, NEW, Grower(), due=1.0),
        Commit(A, NEW, Grower(language="en"), due=None),
        Commit(C, NEW, Grower(language="fr"), due=None),
    ]
    broken, done, lost = store.commit_and_load_many(changes, [])[0]
    assert isinstance(broken, redis.ResponseError)
    assert (done, lost) == (True, False)
    damaged, read, new = store.commit_and_load_many([], ["+254700000009", A, "+254700000010"])[1]
    assert isinstance(damaged, RecordError)
    assert (read, new) == (store.load(A), NEW)
    assert read.grower.language == "en"
    server = serving(redis_client, keys.grower_key(A))
    server.config_set("maxmemory", "1")
    try:
        # Others may be served by another node, so it is no failure of all.
        changes = [Commit(A, read, Grower(), due=None)]
        (refused,), (found,) = store.commit_and_load_many(changes, [C])
        assert isinstance(refused, StoreUnavailable)
        assert found == store.load(C)
    finally:
        server.config_set("maxmemory", "0")


def test_every_grower_is_gone_through(store: Store) -> None:
    numbers = {f"+2557{each:08d}" for each in range(500)}
    for number in numbers:
        store.commit(number, NEW, Turn((), Grower()), due=None, message_id="x")
    assert set(store.growers()) == numbers


def test_a_forgotten_number_leaves_no_trace(store: Store, redis_client: redis.Redis) -> None:
    turn = Turn(("hello",), Grower(trouble="asked for help"))
    store.commit(B, NEW, turn, due=1, message_id="x")
    before = {key: redis_client.dump(key) for key in sorted(redis_client.scan_iter())}
    for version in range(3):
        store.commit(A, store.load(A), turn, due=1, message_id=f"id-{version}")
    store.claim(10, 60, 640)
    store.forget(A)
    names = [key.decode() for key in redis_client.scan_iter()]
    assert not [name for name in names if A in name]
    shard = keys.shard_of(A)
    for index in (keys.due_key(shard), keys.calls_key(shard), keys.lease_key(shard)):
        assert redis_client.zscore(index, A) is None
    assert store.load(A).version == 0
    kept = [keys.grower_key(B), keys.seen_key(B, "x")]
    assert [redis_client.dump(key) for key in kept] == [before[key.encode()] for key in kept]
    store.forget("+255000000000")


class TestClaim:
    def test_a_grower_goes_to_one_of_two_until_the_lease_lapses(
        self, deployment: Deployment, store: Store
    ) -> None:
        numbers = [f"+2557{each:08d}" for each in range(300)]
        for number in numbers:
            store.commit(number, NEW, Grower(), due=1000)
        claimed: list[list[str]] = [[], []]
        start = threading.Barrier(2)

        def claim(mine: list[str]) -> None:
            with deployment.client() as client:
                start.wait()
                for _ in range(20):
                    mine += Store(client).claim(1000, 60, 64)

        threads = [threading.Thread(target=claim, args=(mine,)) for mine in claimed]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        assert sorted(claimed[0] + claimed[1]) == numbers
        assert store.claim(1059.9, 60, 6400) == []
        assert sorted(store.claim(1060, 60, 6400)) == numbers

    def test_what_is_given_back_can_be_claimed_at_once(self, store: Store) -> None:
        for number in (A, B, C):
            store.commit(number, NEW, Grower(), due=1000.0)
        assert sorted(store.claim(1000.5, 60, 640)) == sorted([A, B, C])
        # One has been served, and one has texted: its due time is of a later turn.
        store.commit(B, store.load(B), Grower(), due=None, lease=1060.5)
        store.commit(C, store.load(C), Grower(), due=5000.0)
        assert store.release([A, B, C], 1060.5, 1002) == 2
        assert store.claim(1002, 60, 640) == [A]
        assert store.claim(5000, 60, 640) == [C, A]

    def test_another_senders_lease_is_not_given_back(self, store: Store) -> None:
        store.commit(A, NEW, Grower(), due=1000.0)
        assert store.claim(1000, 60, 640) == [A]
        assert store.claim(1060, 60, 640) == [A]
        assert store.release([A], 1060, 1061) == 0
        assert store.claim(1061, 60, 640) == []

    def test_nothing_is_claimed_before_its_time(self, store: Store) -> None:
        store.commit(A, NEW, Grower(), due=1000)
        assert store.claim(999.9, 60, 64) == []
        assert store.claim(1000, 60, 64) == [A]

    def test_a_text_meanwhile_does_not_let_a_second_sender_in(
        self, store: Store, redis_client: redis.Redis
    ) -> None:
        store.commit(A, NEW, Grower(), due=1000)
        assert store.claim(1000, 60, 64) == [A]
        store.commit(
            A, store.load(A), Grower(), due=1001
        )  # the grower texts; something is due at once
        assert store.claim(1002, 60, 64) == []
        assert due_of(redis_client, A) == 1060
        assert store.claim(1060, 60, 64) == [A]

    def test_a_lease_given_up_lets_the_next_in(self, store: Store) -> None:
        store.commit(A, NEW, Grower(), due=1000)
        assert store.claim(1000, 60, 64) == [A]
        store.commit(A, store.load(A), Grower(), due=1001, lease=1060)
        assert store.claim(1002, 60, 64) == [A]

    def test_a_lapsed_lease_is_not_given_up_for_another(self, store: Store) -> None:
        store.commit(A, NEW, Grower(), due=1000)
        assert store.claim(1000.1, 60, 64) == [A]
        assert store.claim(1070.7, 60, 64) == [A]
        store.commit(A, store.load(A), Grower(), due=1071, lease=1000.1 + 60)
        assert store.claim(1072, 60, 64) == []

    @pytest.mark.parametrize("limit", [0, 1, 5, 64, 100, 640])
    def test_the_limit_holds_and_everyone_has_a_turn(self, store: Store, limit: int) -> None:
        numbers = {f"+2557{each:08d}" for each in range(256)}
        for number in numbers:
            store.commit(number, NEW, Grower(), due=1)
        claimed: list[str] = []
        for _ in range(64 * 20):
            batch = store.claim(2, 60, limit)
            assert len(batch) <= limit
            claimed += batch
            if len(claimed) == len(numbers) or limit == 0:
                break
        assert sorted(claimed) == sorted(numbers if limit else [])

    def test_the_longest_due_comes_first(self, store: Store) -> None:
        shard = keys.shard_of(A)
        near = [
            n for n in (f"+2557{each:08d}" for each in range(2000)) if keys.shard_of(n) == shard
        ]
        for at, number in enumerate(near[:3]):
            store.commit(number, NEW, Grower(), due=100 - at)
        assert store.claim(1000, 60, 128) == [near[2], near[1]]


@pytest.fixture
def sent(redis_client: redis.Redis, monkeypatch: pytest.MonkeyPatch) -> list[bytes]:
    """What the store's connections hand to their sockets, one item a round trip."""
    writes: list[bytes] = []
    redis_client.get("connected")
    original = redis.Connection.send_packed_command

    def record(self: Any, command: Any, check_health: bool = True) -> None:  # noqa: ANN401, FBT001, FBT002
        writes.append(b"".join(command) if isinstance(command, list) else command)
        original(self, command, check_health)

    monkeypatch.setattr(redis.connection.AbstractConnection, "send_packed_command", record)
    return writes


def nodes_of(client: redis.Redis, names: Iterable[str]) -> int:
    return len({serving(client, name) for name in names})


class TestRoundTrips:
    def test_a_turn_is_exactly_two(self, store: Store, sent: list[bytes]) -> None:
        store.commit(B, NEW, Grower(), due=1)  # Redis now knows the script
        sent.clear()
        loaded = store.load(A, "id-1")
        assert len(sent) == 1
        turn = Turn(("hello",), enqueue(Grower(trouble="asked for help"), ["more"], "reply"))
        assert store.commit(A, loaded, turn, due=5, message_id="id-1")
        assert len(sent) == 2

    def test_the_server_counts_the_same(self, store: Store, redis_client: redis.Redis) -> None:
        # INFO commandstats counts commands within scripts too, so only the two we send are read.
        store.commit(B, NEW, Grower(), due=1)
        server = serving(redis_client, keys.grower_key(A))
        server.config_resetstat()
        loaded = store.load(A, "id-1")
        store.commit(A, loaded, Turn(("hello",), Grower()), due=5, message_id="id-1")
        stats = server.info("commandstats")
        assert (stats["cmdstat_mget"]["calls"], stats["cmdstat_evalsha"]["calls"]) == (1, 1)
        # All else ran inside the script, but for what resets and reads the counts.
        assert set(stats) <= {
            *(
                f"cmdstat_{name}"
                for name in (
                    *("mget", "evalsha", "getrange", "set", "zadd", "zrem", "hincrby"),
                    *("rpush", "expire"),
                )
            ),
            *(f"cmdstat_{name}" for name in ("config", "config|resetstat", "info")),
            # Of replicas, and of those who watch over them.
            *(f"cmdstat_{name}" for name in ("ping", "publish", "replconf")),
        }

    def test_claim_and_load_many_are_one_to_each_node(
        self, store: Store, redis_client: redis.Redis, sent: list[bytes]
    ) -> None:
        store.claim(1, 60, 64)
        sent.clear()
        store.claim(1, 60, 640)
        assert len(sent) == nodes_of(redis_client, map(keys.due_key, range(keys.SHARDS)))
        sent.clear()
        store.load_many([A, B, C])
        assert len(sent) == nodes_of(redis_client, map(keys.grower_key, (A, B, C)))

    def test_scripts_that_redis_forgot_are_sent_again(
        self, store: Store, redis_client: redis.Redis
    ) -> None:
        for version in range(2):
            redis_client.script_flush()
            assert store.commit(A, store.load(A), Grower(), due=1)
            redis_client.script_flush()
            assert store.claim(1000 * (version + 1), 60, 64) == [A]


class TestUnavailable:
    def test_nobody_listens(self, tmp_path: Any) -> None:  # noqa: ANN401
        path = str(tmp_path / "no.sock")
        with redis.Redis(unix_socket_path=path, retry=Retry(NoBackoff(), 0)) as client:
            store = Store(client)
            for call in (
                lambda: store.load(A),
                lambda: store.load_many([A]),
                lambda: store.commit(A, NEW, Grower(), due=None),
                lambda: store.claim(1, 1, 1),
                store.calls,
                lambda: list(store.growers()),
                lambda: store.forget(A),
            ):
                with pytest.raises(StoreUnavailable, match="check that Redis runs"):
                    call()

    def test_full(self, store: Store, redis_client: redis.Redis) -> None:
        store.commit(A, NEW, Grower(), due=1)
        store.claim(0, 60, 64)
        server = serving(redis_client, keys.grower_key(A))
        server.config_set("maxmemory", 1)
        try:
            with pytest.raises(StoreUnavailable, match="raise maxmemory"):
                store.commit(A, store.load(A), Grower(language="sw"), due=99, message_id="x")
            with pytest.raises(StoreUnavailable, match="raise maxmemory"):
                store.claim(5, 60, 64)
        finally:
            server.config_set("maxmemory", 0)
        # Nothing half done.
        assert store.load(A, "x").commits == 1
        assert due_of(redis_client, A) == 1

    @pytest.mark.parametrize("redis_kind", ["redis_server"])
    def test_a_replica(self, store: Store, redis_client: redis.Redis) -> None:
        store.commit(A, NEW, Grower(), due=1)
        redis_client.execute_command("REPLICAOF", "127.0.0.1", "1")
        try:
            with pytest.raises(StoreUnavailable, match="point REDIS_URL at the primary"):
                store.commit(A, store.load(A), Grower(), due=1)
        finally:
            redis_client.execute_command("REPLICAOF", "NO", "ONE")

    def test_a_mistake_of_ours_is_not_an_outage(
        self, store: Store, redis_client: redis.Redis
    ) -> None:
        redis_client.lpush(keys.grower_key(A), "x")
        with pytest.raises(redis.ResponseError, match="WRONGTYPE"):
            store.commit(A, NEW, Grower(), due=1)

    def test_a_damaged_record(self, store: Store, redis_client: redis.Redis) -> None:
        redis_client.set(keys.grower_key(A), b"x")
        with pytest.raises(RecordError, match="damaged"):
            store.load(A)
