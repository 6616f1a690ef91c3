"""A shelf: a Redis hash of records of one type, by name, for the few things the desk keeps."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, Generic, TypeVar, cast

import msgspec
from msgspec import Raw, Struct

from bot.store.codec import RecordError
from bot.store.errors import reaching_redis
from bot.store.trips import transaction

if TYPE_CHECKING:
    from collections.abc import Callable

    import redis

SCHEMA = 1
"""Raise it, and migrate, when a record changes other than by a field with a default at the end."""

Record = TypeVar("Record", bound=Struct)


class Shelf(Generic[Record]):
    """Records of `kind` in the hash `key`.

    Every method raises `StoreUnavailable` when Redis is down, full or read-only, and
    `RecordError` for a record it cannot read.
    """

    def __init__(self, client: redis.Redis, key: str, kind: type[Record]) -> None:
        self._redis = client
        self._key = key
        self._kind = kind

    def all(self) -> dict[str, Record]:
        """Return every record by its name, in the order of names."""
        with reaching_redis():
            found = cast("dict[bytes, bytes]", self._redis.hgetall(self._key))
        return {name.decode(): decoded(found[name], self._kind, name) for name in sorted(found)}

    def find(self, name: str) -> Record | None:
        """Return a record; None if there is none of this name."""
        with reaching_redis():
            found = cast("bytes | None", self._redis.hget(self._key, name))
        return None if found is None else decoded(found, self._kind, name)

    def add(
        self, name: str, record: Record, clashes: Callable[[Record], bool] | None = None
    ) -> bool:
        """Put a record under a name that is free; False if it is not.

        With `clashes` it is not added, either, where that is true of any record there is.
        """
        if clashes is None:
            with reaching_redis():
                return bool(self._redis.hsetnx(self._key, name, encoded(record)))
        added = False

        def put(pipe: redis.client.Pipeline) -> None:
            nonlocal added
            found = cast("dict[bytes, bytes]", pipe.hgetall(self._key))
            others = [decoded(value, self._kind, each) for each, value in found.items()]
            added = name.encode() not in found and not any(map(clashes, others))
            pipe.multi()
            if added:
                pipe.hset(self._key, name, encoded(record))

        with reaching_redis():
            transaction(self._redis, put, self._key)
        return added

    def change(self, name: str, change: Callable[[Record], Record]) -> Record | None:
        """Change a record, whoever else changes it meanwhile; None if there is none.

        `change` may be called more than once; the last call counts.
        """
        changed: Record | None = None

        def put(pipe: redis.client.Pipeline) -> None:
            nonlocal changed
            found = cast("bytes | None", pipe.hget(self._key, name))
            changed = None if found is None else change(decoded(found, self._kind, name))
            pipe.multi()
            if changed is not None:
                pipe.hset(self._key, name, encoded(changed))

        with reaching_redis():
            transaction(self._redis, put, self._key)
        return changed

    def remove(self, name: str) -> bool:
        """Take a record away; False if there was none of this name."""
        with reaching_redis():
            return bool(self._redis.hdel(self._key, name))


# How records are stored: msgpack of `[schema, record]`

_encoder = msgspec.msgpack.Encoder()
_envelope = msgspec.msgpack.Decoder(tuple[int, Raw])


def encoded(record: Struct) -> bytes:
    """Return a record as stored."""
    return _encoder.encode((SCHEMA, record))


def decoded(value: bytes, kind: type[Record], name: str | bytes = "") -> Record:
    """Return a stored record; `name` is said in the error. Raises `RecordError`."""
    spoken = name.decode() if isinstance(name, bytes) else name
    what = f"the {kind.__name__.lower()} {spoken}".rstrip()
    try:
        schema, raw = _envelope.decode(value)
        if schema != SCHEMA:
            raise RecordError(
                f"{what} has schema {schema} but this Fieldbell reads {SCHEMA}; "
                "run the version that wrote it"
            )
        return cast("Record", _decoder(kind).decode(raw))
    except msgspec.MsgspecError as error:
        raise RecordError(
            f"{what} is damaged as stored ({error}); restore it from a backup"
        ) from error


@cache
def _decoder(kind: type[Record]) -> msgspec.msgpack.Decoder[Record]:
    return msgspec.msgpack.Decoder(kind)
