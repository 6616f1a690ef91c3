"""A shelf: a Redis hash of records of one type, by name, for the few things the desk keeps."""

from __future__ import annotations

from typing import TYPE_CHECKING, Generic, TypeVar, cast

import msgspec
from msgspec import Raw, Struct

from bot.store.codec import RecordError
from bot.store.errors import reaching_redis

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
        self._decoder = msgspec.msgpack.Decoder(kind)

    def all(self) -> dict[str, Record]:
        """Return every record by its name, in the order of names."""
        with reaching_redis():
            found = cast("dict[bytes, bytes]", self._redis.hgetall(self._key))
        return {name.decode(): self._read(found[name]) for name in sorted(found)}

    def find(self, name: str) -> Record | None:
        """Return a record; None if there is none of this name."""
        with reaching_redis():
            found = cast("bytes | None", self._redis.hget(self._key, name))
        return None if found is None else self._read(found)

    def add(self, name: str, record: Record) -> bool:
        """Put a record under a name that is free; False if it is not."""
        with reaching_redis():
            return bool(self._redis.hsetnx(self._key, name, _written(record)))

    def change(self, name: str, change: Callable[[Record], Record]) -> Record | None:
        """Change a record, whoever else changes it meanwhile; None if there is none."""
        changed: Record | None = None

        def put(pipe: redis.client.Pipeline) -> None:
            nonlocal changed
            found = cast("bytes | None", pipe.hget(self._key, name))
            changed = None if found is None else change(self._read(found))
            pipe.multi()
            if changed is not None:
                pipe.hset(self._key, name, _written(changed))

        with reaching_redis():
            self._redis.transaction(put, self._key)
        return changed

    def remove(self, name: str) -> bool:
        """Take a record away; False if there was none of this name."""
        with reaching_redis():
            return bool(self._redis.hdel(self._key, name))

    def _read(self, value: bytes) -> Record:
        try:
            schema, raw = _envelope.decode(value)
            if schema != SCHEMA:
                raise RecordError(
                    f"a {self._kind.__name__.lower()} has schema {schema} but this Fieldbell "
                    f"reads {SCHEMA}; run the version that wrote it"
                )
            return self._decoder.decode(raw)
        except msgspec.MsgspecError as error:
            raise RecordError(
                f"a stored {self._kind.__name__.lower()} is damaged ({error}); "
                "restore it from a backup"
            ) from error


_encoder = msgspec.msgpack.Encoder()
_envelope = msgspec.msgpack.Decoder(tuple[int, Raw])


def _written(record: Struct) -> bytes:
    return _encoder.encode((SCHEMA, record))
