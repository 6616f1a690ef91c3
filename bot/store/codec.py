"""How a grower's record is stored: a version, a schema number and the record in packed msgpack.

The value is an 8-byte big-endian version (one higher with each commit), so that a
script can compare it without reading the rest, then msgpack of `[schema, [packed]]`, where
`packed` is the msgpack of the grower, compressed unless it is short (`bot.store.packing`). Before
schema 2 it was `[schema, grower]`. A record of an older schema is brought up to date when it is
read, and stored so at its next commit.
"""

from __future__ import annotations

import random
from typing import TYPE_CHECKING, Any

import msgspec
from msgspec import Raw, Struct

from bot.dialogue.records import Grower
from bot.store.packing import ZstdError, pack, unpack

if TYPE_CHECKING:
    from collections.abc import Callable

SCHEMA = 2
"""Raise it when `Grower` changes other than by a field with a default at the end."""

PACKED_SINCE = 2
"""The first schema whose records are compressed."""

MIGRATIONS: dict[int, Callable[[list[Any]], list[Any]]] = {1: lambda fields: fields}
"""For each older schema, how its fields become those of the next one."""

VERSION_BYTES = 8


class Envelope(Struct, array_like=True, frozen=True):
    """A stored record as it lies: the schema it was written under, and its bytes unread."""

    schema: int
    grower: Raw


class Replay(Struct, array_like=True, frozen=True):
    """What a text was answered with, kept so that the same text gets the same answer again."""

    replies: tuple[str, ...]
    more: bool = False


class RecordError(ValueError):
    """A stored record that this version of Fieldbell cannot read."""


_encoder = msgspec.msgpack.Encoder()
_envelope = msgspec.msgpack.Decoder(Envelope)
_grower = msgspec.msgpack.Decoder(Grower)
_packed = msgspec.msgpack.Decoder(tuple[bytes])
_fields = msgspec.msgpack.Decoder(list[Any])
_replay = msgspec.msgpack.Decoder(Replay)


def version_bytes(version: int) -> bytes:
    """Return a version as the script compares it; empty for 0, where there is no record yet."""
    return version.to_bytes(VERSION_BYTES, "big") if version else b""


LIFE_BITS = 20
"""Bits of a version that count the commits of one life; those above tell lives apart."""


def following(version: int) -> int:
    """Return the version after this one; after 0, the first of a new record.

    A record's first version is drawn at random. A number may be forgotten and enrolled again
    while somebody still works on what they read before: their commit must not bring that back.
    """
    if version:
        return version + 1
    # A process that was forked draws others than its parent (`random` sees to it).
    return (random.getrandbits(40) << LIFE_BITS) + 1


def commits(version: int) -> int:
    """Count how often a record has been committed since it was new."""
    return version & ((1 << LIFE_BITS) - 1)


def encode(version: int, grower: Grower) -> bytes:
    """Return the stored value of a grower's record at this version (1 or more)."""
    # In an array, as versions before schema 2 only look at the number of a schema behind which
    # they find one, and would call anything else damaged.
    return version_bytes(version) + _encoder.encode((SCHEMA, (pack(_encoder.encode(grower)),)))


def decode(value: bytes) -> tuple[int, Grower]:
    """Return a stored value's version and grower, brought up to the present schema.

    Raises `RecordError` for a record written by a newer Fieldbell, or one that is damaged.
    """
    version = int.from_bytes(value[:VERSION_BYTES], "big")
    try:
        envelope = _envelope.decode(value[VERSION_BYTES:])
        record = _record(envelope)
        if envelope.schema != SCHEMA:
            record = _migrated(envelope.schema, _fields.decode(record))
        return version, _grower.decode(record)
    except (msgspec.MsgspecError, ZstdError) as error:
        raise RecordError(
            f"a stored record is damaged ({error}); restore it from a backup or forget the number"
        ) from error


def encode_replay(replay: Replay) -> bytes:
    """Return a replay as stored under its text's key."""
    return _encoder.encode(replay)


def decode_replay(value: bytes) -> Replay:
    """Return the replay stored under a text's key."""
    return _replay.decode(value)


def _record(envelope: Envelope) -> bytes | Raw:
    """The grower's msgpack, as its schema has it."""
    if envelope.schema > SCHEMA:
        raise RecordError(
            f"a record has schema {envelope.schema} but this Fieldbell reads up to {SCHEMA}; "
            "run the newer version that wrote it"
        )
    if envelope.schema < PACKED_SINCE:
        return envelope.grower
    return unpack(_packed.decode(envelope.grower)[0])


def _migrated(schema: int, fields: list[Any]) -> bytes:
    while schema < SCHEMA:
        if schema not in MIGRATIONS:
            raise RecordError(f"no migration from schema {schema}; add it to MIGRATIONS")
        fields = MIGRATIONS[schema](fields)
        schema += 1
    return _encoder.encode(fields)
