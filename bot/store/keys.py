"""The only place where a Redis key is spelt.

Keys of one grower, and the indexes of its shard, share a hash tag such as `{s07}`. Redis
Cluster keeps keys with one tag on one node, so a script may touch them together, and moving
slots moves whole shards. (Redis Cluster specification, "Hash tags".)
"""

from __future__ import annotations

import zlib
from hashlib import blake2b

SHARDS = 64
"""Never change it on a store in use: every key would be sought in another shard."""

GROWERS = "{s*}:grower:*"
"""The pattern of every grower's key."""


def shard_of(number: str) -> int:
    """Return the shard of an E.164 number, 0 to 63, the same on every machine and run."""
    return zlib.crc32(number.encode()) % SHARDS


def grower_key(number: str) -> str:
    """Return the key of the grower's record."""
    return f"{_tag(shard_of(number))}:grower:{number}"


def number_in(grower: bytes) -> str:
    """Return the number in a grower's key; the reverse of `grower_key`."""
    return grower.decode().rpartition(":")[2]


def due_key(shard: int) -> str:
    """Return the key of a shard's due index: numbers by when the sender should next look."""
    return f"{_tag(shard)}:due"


def lease_key(shard: int) -> str:
    """Return the key of a shard's leases: numbers a sender works on, by when it must be done."""
    return f"{_tag(shard)}:leases"


def calls_key(shard: int) -> str:
    """Return the key of a shard's growers to ring: numbers by when that was first needed."""
    return f"{_tag(shard)}:calls"


def seen_key(number: str, message_id: str) -> str:
    """Return the key of the reply to one text.

    A gateway's message id may be of any length and hold anything, so its digest stands for it.
    """
    digest = blake2b(message_id.encode("utf-8", "surrogatepass"), digest_size=16).hexdigest()
    return f"{_tag(shard_of(number))}:seen:{number}:{digest}"


def seen_pattern(number: str) -> str:
    """Return the pattern of every `seen_key` of a number."""
    return f"{_tag(shard_of(number))}:seen:{number}:*"


def _tag(shard: int) -> str:
    return f"{{s{shard:02d}}}"
