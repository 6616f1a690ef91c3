"""Every key, read out of Redis and written into another, without the server's own dump format.

A dump of Redis's can be read by a newer Redis only, and its bytes depend on how the server
happened to lay a value out. Here a value is what its type's own commands list, in a fixed order.

What is read is read while growers text. The desk's keys come first, each as it is at its moment: a
round's place may then be behind its growers, who remember that they were told, but never ahead of
them. Then come the shards, one after the other. A shard's growers are read in batches; then its
indexes are read at one moment, together with the version of every record; and growers who moved
on meanwhile are read again, and the indexes with them, until all agree. So a shard is as it was at
one moment, and another shard as it was at another.
"""

from __future__ import annotations

import logging
import zlib
from typing import TYPE_CHECKING, Any, Literal, cast

from msgspec import Struct

from bot.store import codec, keys
from bot.store.errors import reaching_redis
from bot.store.groups import Groups
from bot.store.rounds import Rounds
from bot.store.scripts import script
from bot.store.texts import ROUND

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    import redis

log = logging.getLogger(__name__)

Kind = Literal["string", "list", "hash", "set", "zset", "stream", "none"]

BATCH = 256
"""Keys read by one call, so that Redis serves others between the calls."""

TRIES = 20
"""Times a shard's growers who moved on are read again before its indexes are left as they are."""

SCAN_BATCH = 1000

CHUNK = 1000
"""Members of a value written by one command."""

MOST_PIPED = 4 * 1024 * 1024
"""Bytes written in one round trip, about."""

A_COMMAND = 128
"""Bytes reckoned for what stands around a value."""


class Entry(Struct, array_like=True, frozen=True, gc=False):
    """A key as it was: what it holds, and until when (UTC epoch seconds; 0 for ever).

    The value is bytes, or a list of bytes: a hash's names and values in turn, a sorted set's
    members and scores, each in order; a stream's ids with their fields. "none" is a key that was
    read before and has gone since. A later entry of a key takes the place of an earlier one.
    """

    key: bytes
    kind: Kind
    expires: int
    value: Any


# Reading


def entries(client: redis.Redis) -> Iterator[Entry]:
    """Read every key, but for those of the moment (`keys.PASSING`).

    Of a store that nobody writes to, the entries are always the same and no key comes twice.
    Raises StoreUnavailable.
    """
    return _Dump(client).entries()


def is_empty(client: redis.Redis) -> bool:
    """Tell whether there is no key of ours, but for those of the moment."""
    with reaching_redis():
        return not any(_lasting(name) for name in _scanned(client))


class _Dump:
    """One pass over a store."""

    def __init__(self, client: redis.Redis) -> None:
        self._client = client
        self._snapshot = client.register_script(script("snapshot.lua"))

    def entries(self) -> Iterator[Entry]:
        with reaching_redis():
            names = _Names()
            for name in _scanned(self._client):
                if _lasting(name):
                    names.add(name)
        groups = ["", *Groups(self._client).shelf.all()]
        rounds = Rounds(self._client).shelf.all().values()
        told = [f"{ROUND}{one.id}" for one in rounds if one.state in {"running", "paused"}]
        desk, *shards = keys.HOMES
        yield from self._read(names.of(desk))
        for shard, home in enumerate(shards):
            yield from self._shard(shard, names.of(home), groups, told)

    def _shard(
        self, shard: int, names: Sequence[bytes], groups: Sequence[str], told: Sequence[str]
    ) -> Iterator[Entry]:
        # Of the indexes also those that may come into being while we read.
        indexes = {name.encode() for name in keys.indexes_of(shard, groups)}
        own: dict[str, list[bytes]] = {}
        for name in names:
            if (number := keys.number_of(name)) is None:
                indexes.add(name)
            else:
                own.setdefault(number, _told_keys(number, told)).append(name)
                if keys.is_reply(name):
                    # Its list may have come to be when the place among the names was past.
                    own[number].append(keys.replies_key(number).encode())
        versions: dict[str, bytes] = {}
        found: list[Entry] = []
        moved = list(own)
        for attempt in range(TRIES):
            wanted = {name for number in moved for name in own[number]}
            for number in moved:
                versions[number] = b""
            for entry in self._read(sorted(wanted), gone=attempt > 0):
                if keys.is_growers(entry.key):
                    versions[keys.number_in(entry.key)] = entry.value[: codec.VERSION_BYTES]
                yield entry
            now, found = self._indexes(list(versions), sorted(indexes))
            moved = [number for number, version in now.items() if version != versions[number]]
            for number in _members(shard, found) - own.keys():
                own[number] = _first_keys(number, told)
                moved.append(number)
            if not moved:
                break
        else:
            log.warning(
                "shard %d never stood still; run `fieldbell growers recount` after a restore", shard
            )
        yield from found

    def _indexes(
        self, numbers: Sequence[str], names: Sequence[bytes]
    ) -> tuple[dict[str, bytes], list[Entry]]:
        """Read the versions of growers and a shard's indexes, all at one moment."""
        records: list[Any] = [keys.grower_key(number) for number in numbers]
        with reaching_redis():
            answers = self._snapshot(keys=[*records, *names], args=[len(records)])
        there = _as_entries(names, answers[len(records) :])
        versions = dict(zip(numbers, answers[: len(records)], strict=True))
        return versions, [entry for entry in there if entry.kind != "none"]

    def _read(self, names: Sequence[bytes], *, gone: bool = False) -> Iterator[Entry]:
        """Read keys of one home; with `gone`, also that one is not there."""
        for start in range(0, len(names), BATCH):
            part = names[start : start + BATCH]
            with reaching_redis():
                answers = self._snapshot(keys=cast("Any", part), args=[0])
            for entry in _as_entries(part, answers):
                if gone or entry.kind != "none":
                    yield entry


def _told_keys(number: str, told: Sequence[str]) -> list[bytes]:
    """The keys that say that rounds told a grower; they may do so once the names were read."""
    return [keys.seen_key(number, each).encode() for each in told]


def _first_keys(number: str, told: Sequence[str]) -> list[bytes]:
    """The keys of a grower who came while we read; of replies, those to rounds only."""
    found = (keys.grower_key(number), keys.texts_key(number))
    return [name.encode() for name in found] + _told_keys(number, told)


def _members(shard: int, indexes: Sequence[Entry]) -> set[str]:
    """Every number of a shard, as its groups know them."""
    groups = (each for each in indexes if each.key.startswith(keys.members_prefix(shard)))
    return {number.decode() for each in groups for number in each.value[::2]}


def _as_entries(names: Sequence[bytes], answers: Sequence[Any]) -> Iterator[Entry]:
    for name, (kind, expires, value) in zip(names, answers, strict=True):
        yield Entry(name, kind.decode(), expires, _ordered(kind, value))


def _ordered(kind: bytes, value: Any) -> Any:  # noqa: ANN401 - of any type of Redis's
    """Put what Redis lists in any order into a fixed one."""
    if kind == b"hash":
        pairs = sorted(zip(value[::2], value[1::2], strict=True))
        return [each for pair in pairs for each in pair]
    return sorted(value) if kind == b"set" else value


def _scanned(client: redis.Redis) -> Iterator[bytes]:
    return client.scan_iter(match=keys.ANY, count=SCAN_BATCH)


def _lasting(name: bytes) -> bool:
    return bool(keys.home_of(name)) and not name.startswith(keys.PASSING)


class _Names:
    """The names of keys by their home, kept small: millions of them begin alike.

    Redis tells names in no order and may tell one twice; here they come in order and once.
    """

    def __init__(self) -> None:
        self._packers = {home: zlib.compressobj(1) for home in keys.HOMES}
        self._packed = {home: bytearray() for home in keys.HOMES}

    def add(self, name: bytes) -> None:
        """Keep a name."""
        home = keys.home_of(name)
        framed = len(name).to_bytes(4, "big") + name
        self._packed[home] += self._packers[home].compress(framed)

    def of(self, home: str) -> list[bytes]:
        """Return the names of a home, in order."""
        packed = self._packed.pop(home) + self._packers.pop(home).flush()
        framed, at = zlib.decompress(packed), 0
        found = set()
        while at < len(framed):
            end = at + 4 + int.from_bytes(framed[at : at + 4], "big")
            found.add(framed[at + 4 : end])
            at = end
        return sorted(found)


# Writing


def put(client: redis.Redis, read: Iterable[Entry]) -> int:
    """Write entries, each in place of what its key held; return how many. Raises StoreUnavailable.

    What has expired since is not there.
    """
    count, piped = 0, 0
    with reaching_redis():
        pipe = client.pipeline(transaction=False)
        for entry in read:
            count += 1
            pipe.delete(entry.key)
            for command in _commands(entry):
                pipe.execute_command(*command)  # type: ignore[no-untyped-call]
                piped += sum(map(len, command))
            if entry.expires:  # in the past, it deletes the key
                pipe.expireat(entry.key, entry.expires)
            piped += A_COMMAND
            if piped > MOST_PIPED:
                pipe.execute()
                piped = 0
        pipe.execute()
    return count


_COMMANDS = {"list": "RPUSH", "hash": "HSET", "set": "SADD", "zset": "ZADD"}


def _commands(entry: Entry) -> Iterator[tuple[str | bytes, ...]]:
    """The commands that make a key hold what it held."""
    key, value = entry.key, entry.value
    if entry.kind == "string":
        yield "SET", key, value
    elif entry.kind == "stream":
        for place, fields in value:
            yield "XADD", key, place, *fields
    elif entry.kind != "none":
        if entry.kind == "zset":  # listed as member and score, written as score and member
            value = [each for pair in zip(value[1::2], value[::2], strict=True) for each in pair]
        for start in range(0, len(value), 2 * CHUNK):
            yield _COMMANDS[entry.kind], key, *value[start : start + 2 * CHUNK]
