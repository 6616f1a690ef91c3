from __future__ import annotations

import time
from typing import TYPE_CHECKING, Any

import pytest

from bot import data
from bot.dialogue.records import Grower, enqueue
from bot.exchange import Exchange
from bot.settings import Settings
from bot.store.groups import Groups
from bot.store.growers import NEW, Commit, Store
from bot.store.people import People
from bot.store.rounds import Round, Rounds
from bot.store.server import EmbeddedRedis
from bot.store.texts import Line

if TYPE_CHECKING:
    from collections.abc import Iterator

    import redis

NORTH = "Mirindi North"


@pytest.fixture(scope="session")
def other_server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[EmbeddedRedis]:
    """A second Redis for the whole run."""
    with EmbeddedRedis(tmp_path_factory.mktemp("other")) as server:
        yield server


@pytest.fixture
def other_redis(other_server: EmbeddedRedis) -> Iterator[redis.Redis]:
    """A client of the second Redis, which is empty."""
    with other_server.client() as client:
        client.flushall()
        yield client


def contents(client: redis.Redis) -> dict[bytes, tuple[str, Any, int]]:
    """All that is in a Redis by key: type, value, and expiry to the nearest second."""
    read = {
        b"string": client.get,
        b"list": lambda key: client.lrange(key, 0, -1),
        b"hash": client.hgetall,
        b"set": client.smembers,
        b"zset": lambda key: client.zrange(key, 0, -1, withscores=True),
        b"stream": client.xrange,
    }
    found = {}
    for key in client.scan_iter():
        kind = client.type(key)
        left = client.pttl(key)
        expiry = 0 if left < 0 else round(time.time() + left / 1000)
        found[key] = (kind.decode(), read[kind](key), expiry)
    return found


@pytest.fixture
def lived_in(store: Store) -> Store:
    """A store that holds something under every kind of key: growers in a plan, a round, a desk."""
    client = store.redis
    exchange = Exchange(store, data.dialogue(), Settings(), time.time)
    for place in range(3):
        number = f"+25571234{place:04d}"
        for text in ("hello", "1", "1.5 ac", "yes", "none", "HELP"):
            exchange.answer(number, text, message_id=f"{place}-{text}", queue=True)
    Groups(client).named(NORTH)
    members = [f"+25571300{place:04d}" for place in range(200)]
    grower = enqueue(Grower(language="sw", name="Neema", group=NORTH), ["Habari."], "notice", "x")
    lines = [Line(int(time.time()), "refused", "notice", "Habari.", reason="no such number")]
    store.commit_many([Commit(number, NEW, grower, 1e9, lines=lines) for number in members])
    assert store.claim(2e9, 300, 64)
    people = People(client)
    people.add("amina", "admin")
    people.add_token("mill", ("growers:read",))
    people.record("amina", "opened", NORTH)
    people.record("amina", "closed", NORTH)
    rounds = Rounds(client)
    rounds.shelf.add("r1", Round("r1", "Meeting", "amina", 1, (NORTH,), state="running"))
    rounds.advance("r1", "send", NORTH, ((0, ""), (3, "")), {"chosen": 7}, [("sw", members[0])])
    client.hset("{s07}:odd:é\n", mapping={b"\xff\x00": b"\x80", "b": ""})
    client.sadd("{s07}:set", "b", "a", b"\xfe")
    client.zadd("{s07}:scores", {"a": 0.1, "b": float("inf"), "c": -(2**53) - 0.0, "d": 1 / 3})
    client.zadd("{s08}:many", {f"m{place}": place / 7 for place in range(2100)})
    client.set("{s09}:soon", "x", ex=5000)
    return store
