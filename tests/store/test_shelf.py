"""A shelf loses no change, and says of a record that it cannot read which one it is."""

from __future__ import annotations

import threading
from typing import TYPE_CHECKING

import msgspec
import pytest
from msgspec import Struct
from msgspec.structs import replace

from bot.store.codec import RecordError
from bot.store.shelf import Shelf

if TYPE_CHECKING:
    import redis

KEY = "{desk}:jars"


class Jar(Struct, array_like=True, frozen=True):
    name: str
    beans: int = 0


@pytest.fixture
def shelf(redis_client: redis.Redis) -> Shelf[Jar]:
    return Shelf(redis_client, KEY, Jar)


def test_a_record_is_added_once_changed_and_removed(shelf: Shelf[Jar]) -> None:
    assert shelf.add("b", Jar("b"))
    assert not shelf.add("b", Jar("b", 9))
    assert shelf.add("a", Jar("a"))
    assert shelf.change("b", lambda jar: replace(jar, beans=3)) == Jar("b", 3)
    assert list(shelf.all().items()) == [("a", Jar("a")), ("b", Jar("b", 3))]
    assert shelf.change("c", lambda jar: jar) is None
    assert shelf.find("c") is None
    assert shelf.remove("a")
    assert not shelf.remove("a")


def test_what_clashes_with_another_is_not_added(shelf: Shelf[Jar]) -> None:
    def same(other: Jar) -> bool:
        return other.beans == 1

    assert shelf.add("a", Jar("a", 1), same)
    assert not shelf.add("b", Jar("b", 1), same)
    assert not shelf.add("a", Jar("a", 2), lambda _: False)
    assert shelf.all() == {"a": Jar("a", 1)}


def test_no_change_of_many_at_once_is_lost(shelf: Shelf[Jar]) -> None:
    shelf.add("a", Jar("a"))
    added: list[bool] = []

    def work(me: int) -> None:
        for _ in range(25):
            shelf.change("a", lambda jar: replace(jar, beans=jar.beans + 1))
        added.append(shelf.add(str(me), Jar("new"), lambda other: other.name == "new"))

    threads = [threading.Thread(target=work, args=(me,)) for me in range(8)]
    for each in threads:
        each.start()
    for each in threads:
        each.join()
    assert shelf.find("a") == Jar("a", 200)
    assert added.count(True) == 1


def test_a_change_that_fails_changes_nothing(shelf: Shelf[Jar]) -> None:
    shelf.add("a", Jar("a"))
    with pytest.raises(ZeroDivisionError):
        shelf.change("a", lambda jar: replace(jar, beans=1 // 0))
    assert shelf.find("a") == Jar("a")
    assert shelf.change("a", lambda jar: replace(jar, beans=1)) == Jar("a", 1)


@pytest.mark.parametrize(
    ("stored", "said"),
    [
        (b"\xc1", "the jar Ŋa is damaged"),
        (b"", "damaged"),
        (msgspec.msgpack.encode((1, ["a", "many"])), "damaged"),
        (msgspec.msgpack.encode((2, ["a"])), "schema 2.*run the version that wrote it"),
        (msgspec.msgpack.encode(("1", ["a"])), "damaged"),
    ],
)
def test_a_record_that_cannot_be_read_is_named(
    shelf: Shelf[Jar], redis_client: redis.Redis, stored: bytes, said: str
) -> None:
    redis_client.hset(KEY, "Ŋa", stored)
    asks = (
        shelf.all,
        lambda: shelf.find("Ŋa"),
        lambda: shelf.change("Ŋa", lambda jar: jar),
        lambda: shelf.add("b", Jar("b"), lambda _: False),
    )
    for ask in asks:
        with pytest.raises(RecordError, match=said):
            ask()
    assert redis_client.hgetall(KEY) == {"Ŋa".encode(): stored}


def test_fields_that_a_newer_version_added_are_read_over(
    shelf: Shelf[Jar], redis_client: redis.Redis
) -> None:
    redis_client.hset(KEY, "a", msgspec.msgpack.encode((1, ["a", 4, "glass"])))
    assert shelf.find("a") == Jar("a", 4)
    redis_client.hset(KEY, "a", msgspec.msgpack.encode((1, ["a"])))
    assert shelf.find("a") == Jar("a")
