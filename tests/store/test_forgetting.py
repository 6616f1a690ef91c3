"""After a number is forgotten, no key and no value in the whole of Redis holds it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from bot import data
from bot.dialogue.records import Grower, enqueue
from bot.exchange import Exchange
from bot.gateways.numbers import masked
from bot.settings import Settings
from bot.store.forgetting import forget
from bot.store.groups import Groups
from bot.store.people import People
from bot.store.rounds import Round, Rounds
from bot.store.texts import Line
from bot.store.uploads import Uploads

if TYPE_CHECKING:
    import redis

    from bot.store.growers import Store

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
    rounds.advance("r1", "count", "Mirindi North", 1, {"chosen": 2}, [A, B])
    Uploads(redis_client).keep("amina", "Mirindi North", f"phone\n{A}\n".encode())
    People(redis_client).record("amina", "rang", masked(A))
    store.claim(20, 60, 640)
    assert A.encode() in everything(redis_client)

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
