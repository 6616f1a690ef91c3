"""After a number is forgotten, no key and no value in the whole of Redis holds it."""

from __future__ import annotations

from contextlib import contextmanager
from typing import TYPE_CHECKING
from unittest import mock

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from bot import data
from bot.dialogue.records import Grower, enqueue
from bot.enrolment.importing import take_in
from bot.enrolment.rows import Enrolled
from bot.exchange import Exchange
from bot.gateways.base import Refused
from bot.gateways.loopback import LoopbackGateway
from bot.gateways.numbers import masked
from bot.reminders.sender import Sender
from bot.reminders.spreading import TOLD_S, Permission, Spreader
from bot.settings import Settings
from bot.store import growers, keys
from bot.store.forgetting import forget
from bot.store.groups import Group, Groups
from bot.store.growers import NEW, REPLAY_S, TRIMMED_EVERY, Commit, Store
from bot.store.indexes import MARKS
from bot.store.people import People
from bot.store.rounds import Round, Rounds
from bot.store.texts import Line
from bot.store.uploads import Uploads

if TYPE_CHECKING:
    from collections.abc import Iterator

    import redis

A, B = "+255712345601", "+255712345602"


def everything(client: redis.Redis) -> bytes:
    """All that is in Redis, keys and values, in one string."""
    found = [b""]
    for key in client.scan_iter():
        kind = client.type(key)
        found.append(key)
        if kind == b"string":
            found.append(client.get(key))
        elif kind == b"hash":
            found += [part for pair in client.hgetall(key).items() for part in pair]
        elif kind == b"zset":
            found += client.zrange(key, 0, -1)
        elif kind == b"list":
            found += client.lrange(key, 0, -1)
        else:
            assert kind == b"stream"
            found += [value for _, entry in client.xrange(key) for value in entry.values()]
    return b"\n".join(found)


@contextmanager
def by_lists_alone(client: redis.Redis) -> Iterator[None]:
    """Let no key be found by reading the names of all, which takes the longer the more there are."""
    client.set(keys.lists_since_key(), 0)
    with mock.patch.object(client, "scan_iter", side_effect=AssertionError("names are read")):
        yield


def test_nothing_of_a_number_is_left(store: Store, redis_client: redis.Redis) -> None:
    exchange = Exchange(store, data.dialogue(), Settings(), lambda: 1_772_431_200.0)
    Groups(redis_client).named("Mirindi North")
    for number in (A, B):
        exchange.answer(number, "hello", message_id="m-1")
        exchange.answer(number, "1", message_id="m-2", queue=True)
        exchange.answer(number, "help", message_id="m-3")
        loaded = store.load(number)
        grower = enqueue(loaded.grower, ["Meeting"], "notice", "round:r1")
        failed = Line(5, "failed", "notice", serial=1, reason="expired")
        assert store.commit(number, loaded, grower, due=10, lines=[failed])
    rounds = Rounds(redis_client)
    rounds.shelf.add("r1", Round("r1", "Meeting", "amina", 1, ("Mirindi North",)))
    examples = [("sw", A), ("", B)]
    places = ((0, ""), (1, A))
    assert rounds.advance("r1", "count", "Mirindi North", places, {"chosen": 2}, examples)
    Uploads(redis_client).keep("amina", "Mirindi North", f"phone\n{A}\n".encode())
    People(redis_client).record("amina", "rang", masked(A))
    store.claim(20, 60, 640)
    assert A.encode() in everything(redis_client)

    with by_lists_alone(redis_client):
        forget(store, A)

    left = everything(redis_client)
    assert A.encode() not in left
    assert A.removeprefix("+").encode() not in left
    # The other one is still there, in every index.
    assert left.count(B.encode()) >= 8
    assert store.load(A).grower == Grower()


def test_an_upload_is_for_who_made_it(redis_client: redis.Redis) -> None:
    uploads = Uploads(redis_client)
    name = uploads.keep("amina", "Mirindi North", b"phone\n")
    assert uploads.find(name, "amina", "Mirindi North") == b"phone\n"
    assert uploads.find(name, "baraka", "Mirindi North") is None
    assert uploads.find(name, "amina", "Mirindi South") is None
    assert uploads.find("nothing", "amina", "Mirindi North") is None
    uploads.drop(name)
    assert uploads.find(name, "amina", "Mirindi North") is None


# Whatever happened before

NAME = "Neemakoroso"
GROUPS = ("", "Mirindi North", "Mirindi: South")
STEPS = (
    "hello", "1", "2", "yes", "40", "stop", "start", "help", "done", "not yet",
    "enrol", "move", "round", "count", "send", "delivered", "failed", "unreachable", "refused",
    "forget other", "claim", "upload",
)  # fmt: skip


ANY_HISTORY = given(
    st.lists(st.tuples(st.sampled_from(STEPS), st.sampled_from([A, B])), max_size=25)
)


@settings(max_examples=20, suppress_health_check=[HealthCheck.function_scoped_fixture])
@ANY_HISTORY
def test_nothing_is_left_after_any_history(
    redis_client: redis.Redis, steps: list[tuple[str, str]]
) -> None:
    live_and_be_forgotten(redis_client, steps)


@pytest.mark.slow
@settings(max_examples=300, suppress_health_check=[HealthCheck.function_scoped_fixture])
@ANY_HISTORY
def test_nor_after_many_more(redis_client: redis.Redis, steps: list[tuple[str, str]]) -> None:
    live_and_be_forgotten(redis_client, steps)


def live_and_be_forgotten(redis_client: redis.Redis, steps: list[tuple[str, str]]) -> None:
    """Let all this happen to a number, forget it, and look for it among all that is kept."""
    redis_client.flushall()
    clock = Clock()
    world = World(redis_client, clock)
    for step, number in [("enrol", A), *steps]:
        world.do(step, number)
        clock.now += 61
    with by_lists_alone(redis_client):
        forget(world.store, A)
    left = everything(redis_client)
    assert A.removeprefix("+").encode() not in left
    assert f"{NAME}{A[-1]}".encode() not in left
    # And the indexes are those of a count over the records.
    before = indexes(redis_client)
    world.store.recount()
    assert indexes(redis_client) == before


class Clock:
    now = 1_772_431_200.0

    def __call__(self) -> float:
        return self.now


class World:
    """All that may happen to a number."""

    def __init__(self, client: redis.Redis, clock: Clock) -> None:
        self.store = Store(client, clock)
        self.exchange = Exchange(self.store, data.dialogue(), Settings(), clock)
        self.groups, self.rounds = Groups(client), Rounds(client)
        self.gateway = LoopbackGateway(clock)
        dialogue = self.exchange.dialogue
        self.spreader = Spreader(self.store, self.groups, self.rounds, dialogue, Settings(), clock)
        permit = Permission(self.rounds, clock)
        self.sender = Sender(self.store, self.gateway, dialogue.remind, Settings(), clock, permit)
        self.clock, self.serial = clock, 0
        for name in GROUPS:
            self.groups.shelf.add(name, Group(name, language="sw"))

    def do(self, step: str, number: str) -> None:
        self.serial += 1
        if step in {"enrol", "move"}:
            self.enrol(number, GROUPS[self.serial % 3 if step == "move" else 1])
        elif step in {"round", "count"}:
            state = "running" if step == "round" else "counting"
            ident = f"r{self.serial}"
            texts = {"sw": "Habari {name}", "en": "Hello {name}"}
            one = Round(ident, "Meeting", "x", self.serial, GROUPS, texts=texts, state=state)
            self.rounds.shelf.add(ident, one)
            while self.spreader.tick():
                pass
        elif step == "send":
            while self.sender.tick():
                pass
        elif step == "refused":
            self.gateway.failures.append(Refused("no such number", unreachable=True))
        elif step in {"delivered", "failed", "unreachable"}:
            serial = self.store.load(number).grower.serial
            self.exchange.receipt(number, step, serial=serial, reason=f"{step} {NAME}{number[-1]}")
            self.exchange.receipt(number, step, reference=f"{number}:{self.serial}")
        elif step == "forget other":
            forget(self.store, B)
        elif step == "claim":
            self.store.claim(self.clock.now + 1e6, 60, 640)
        elif step == "upload":
            Uploads(self.store.redis).keep("amina", "", f"{number} {NAME}{number[-1]}".encode())
        else:
            self.exchange.answer(number, step, message_id=f"m{self.serial}", queue=True)

    def enrol(self, number: str, group: str) -> None:
        row = Enrolled(self.serial, number, f"{NAME}{number[-1]}", "Kanoro", "sw", None)
        found = self.groups.named(group) if group else Group("")
        take_in([row], found, self.store, Settings(), self.clock.now, asks_consent=False)


def indexes(client: redis.Redis) -> dict[bytes, object]:
    found: dict[bytes, object] = {}
    for key in client.scan_iter():
        kind = key.split(b":")[1]
        if kind == b"sums":
            counts = client.hgetall(key)
            counts.pop(MARKS.encode(), None)  # it is another one each time
            if counts:
                found[key] = counts
        elif kind == b"members":
            found[key] = client.zrange(key, 0, -1, withscores=True)
        elif kind == b"calls":
            # Who moves to another group waits there since they came.
            found[key] = set(client.zrange(key, 0, -1))
    return found


def test_a_turn_made_true_meanwhile_leaves_nothing(
    store: Store, redis_client: redis.Redis, monkeypatch: pytest.MonkeyPatch
) -> None:
    exchange = Exchange(store, data.dialogue(), Settings(), lambda: 1_772_431_200.0)
    exchange.answer(A, "hello", message_id="m-1")
    read, once = redis_client.lrange, iter([True])

    def meanwhile(key: str, first: int, last: int) -> list[bytes]:
        found: list[bytes] = read(key, first, last)
        if key == keys.replies_key(A) and next(once, False):
            exchange.answer(A, "1", message_id="m-2")
        return found

    monkeypatch.setattr(redis_client, "lrange", meanwhile)
    with by_lists_alone(redis_client):
        forget(store, A)
    monkeypatch.undo()
    assert next(once, None) is None
    assert A.removeprefix("+").encode() not in everything(redis_client)


# What was kept is found by lists


def keep(store: Store, message_id: str) -> None:
    assert store.commit(A, store.load(A), Grower(), due=None, message_id=message_id)


def test_a_list_outlives_the_replies_in_it(store: Store, redis_client: redis.Redis) -> None:
    for message_id in ("m-1", "m-2"):
        keep(store, message_id)
        listed = redis_client.ttl(keys.replies_key(A))
        assert redis_client.ttl(keys.seen_key(A, message_id)) <= listed <= REPLAY_S
    assert redis_client.llen(keys.replies_key(A)) == 2


def test_who_was_told_of_a_round_is_found_by_the_rounds_there_are(
    store: Store, redis_client: redis.Redis
) -> None:
    Rounds(redis_client).shelf.add("r1", Round("r1", "Meeting", "amina", 1, ("",)))
    told = Commit(A, NEW, Grower(), None, message_id="round:r1", keep_s=TOLD_S)
    assert store.commit_many([told]) == []
    # A list of one for each grower told would take as much again as what it lists.
    assert not redis_client.exists(keys.replies_key(A))
    with by_lists_alone(redis_client):
        forget(store, A)
    assert A.encode() not in everything(redis_client)


def test_nothing_else_may_be_kept_so_long_that_its_list_is_gone(store: Store) -> None:
    kept = Commit(A, NEW, Grower(), None, message_id="m-1", keep_s=REPLAY_S + 1)
    with pytest.raises(ValueError, match="no list"):
        store.commit_many([kept])


def test_a_number_that_texts_without_end_has_a_short_list_and_is_forgotten(
    store: Store, redis_client: redis.Redis, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(growers, "MOST_LISTED", 20)
    for place in range(TRIMMED_EVERY):
        keep(store, f"m-{place}")
    assert redis_client.llen(keys.replies_key(A)) == 20
    redis_client.set(keys.lists_since_key(), 0)
    forget(store, A)
    assert A.encode() not in everything(redis_client)


def test_what_a_version_before_kept_is_found_for_as_long_as_it_may_be_there(
    redis_client: redis.Redis,
) -> None:
    clock = Clock()
    store, uploads = Store(redis_client, clock), Uploads(redis_client, clock)

    def kept_before() -> None:
        for message_id in ("m-1", "m-2"):
            keep(store, message_id)
        uploads.keep("amina", "", A.encode())
        redis_client.delete(keys.replies_key(A), keys.uploads_key())

    for days in (0, 1):
        kept_before()
        clock.now += days * 24 * 3600
        uploads.drop_all()
        forget(store, A)
        assert A.encode() not in everything(redis_client)
    clock.now += REPLAY_S
    with mock.patch.object(redis_client, "scan_iter", side_effect=AssertionError):
        forget(store, A)
        uploads.drop_all()


def test_files_that_are_gone_leave_no_names(redis_client: redis.Redis) -> None:
    uploads = Uploads(redis_client)
    taken = uploads.keep("amina", "", b"phone\n")
    uploads.drop(taken)
    left = [uploads.keep("amina", "", b"phone\n") for _ in range(2)]
    assert set(redis_client.zrange(keys.uploads_key(), 0, -1)) == {each.encode() for each in left}
    for each in left:
        redis_client.expire(keys.upload_key(each), 0)
    last = uploads.keep("amina", "", b"phone\n")
    assert redis_client.zrange(keys.uploads_key(), 0, -1) == [last.encode()]
    with by_lists_alone(redis_client):
        uploads.drop_all()
    assert uploads.find(last, "amina", "") is None
    assert not redis_client.exists(keys.uploads_key())


def test_a_clock_that_runs_ahead_takes_no_file_out_of_the_list(redis_client: redis.Redis) -> None:
    clock, ahead = Clock(), Clock()
    ahead.now += 20 * 365 * 24 * 3600
    Uploads(redis_client, clock).keep("amina", "", A.encode())
    Uploads(redis_client, ahead).keep("baraka", "", b"phone\n")
    with by_lists_alone(redis_client):
        Uploads(redis_client, clock).drop_all()
    assert A.encode() not in everything(redis_client)


@pytest.mark.parametrize("damage", [b"\0\0\0\0\0\0\0\1junk", b"junk", b"\0\0\0\0\0\0\0\1"])
def test_a_damaged_record_can_be_forgotten_and_is_left_out_of_a_count(
    store: Store, redis_client: redis.Redis, damage: bytes, caplog: pytest.LogCaptureFixture
) -> None:
    for number in (A, B):
        grower = Grower(group="Mirindi North", trouble="help")
        assert store.commit(number, NEW, grower, due=10)
    redis_client.set(keys.grower_key(A), damage)
    assert store.recount() == 1
    assert f"ending in {A[-2:]} is left out" in caplog.text
    assert A not in caplog.text
    redis_client.zadd(keys.members_key(keys.shard_of(A), "Mirindi North"), {A: 1})
    forget(store, A)
    assert A.encode() not in everything(redis_client)
    assert store.load(B).grower.group == "Mirindi North"


def test_a_recount_knows_since_when_somebody_waits(redis_client: redis.Redis) -> None:
    clock = Clock()
    store = Store(redis_client, clock)
    assert store.commit(A, NEW, Grower(group="Mirindi North", trouble="help"), due=None)
    began = clock.now
    clock.now += 1000
    store.recount()
    assert store.calls() == [(A, began)]
    assert Groups(redis_client).to_ring(["Mirindi North"]) == [(A, began)]


def test_the_last_one_told_is_forgotten_and_the_round_goes_on(redis_client: redis.Redis) -> None:
    store, rounds, group = Store(redis_client), Rounds(redis_client), "Mirindi North"
    numbers = sorted(
        number
        for number in (f"+2557{place:08d}" for place in range(2000))
        if keys.shard_of(number) == 5
    )
    for number in numbers:
        assert store.commit(number, NEW, Grower(group=group), due=None)
    rounds.shelf.add("r1", Round("r1", "Meeting", "amina", 1, (group,)))
    last = numbers[7]
    places = ((0, ""), (5, last))
    assert rounds.advance("r1", "send", group, places, {"chosen": 8}, [("sw", last)])
    forget(store, last)
    progress = rounds.progress("r1", "send")
    assert (progress.done, progress.last) == ({group: 5}, {group: numbers[6]})
    assert progress.examples == ()
    # Whoever was there went on from a place that is no more, and writes nothing.
    assert not rounds.advance("r1", "send", group, ((5, last), (6, "")), {"chosen": 9})
    assert rounds.advance("r1", "send", group, ((5, numbers[6]), (6, "")), {"chosen": 9})
    assert rounds.progress("r1", "send").counts == {"chosen": 17}


def test_a_damaged_round_does_not_keep_a_number(store: Store, redis_client: redis.Redis) -> None:
    rounds = Rounds(redis_client)
    rounds.advance("r1", "count", "", ((0, ""), (1, "")), {}, [("sw", A)])
    redis_client.hset(keys.rounds_key(), "r1", b"junk")
    forget(store, A)
    assert A.encode() not in everything(redis_client)
