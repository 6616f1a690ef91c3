"""The only place where a Redis key is spelt.

Keys of one grower, and the indexes of its shard, share a hash tag such as `{s07}`. Redis
Cluster keeps keys with one tag on one node, so a script may touch them together, and moving
slots moves whole shards. (Redis Cluster specification, "Hash tags".)
"""

from __future__ import annotations

import zlib
from functools import lru_cache
from hashlib import blake2b
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable
    from datetime import date

SHARDS = 64
"""Never change it on a store in use: every key would be sought in another shard."""

GROWERS = "{s*}:grower:*"
"""The pattern of every grower's key."""

INDEXES = (
    "{s*}:members:*",
    "{s*}:sums:*",
    "{s*}:sums",
    "{s*}:calls:*",
    "{s*}:calls",
)
"""The patterns of the indexes that can be made anew from the growers' records."""

MARKS = "{s*}:marks"
"""The pattern of every `marks_key`, which are other ones whenever they are made anew."""


@lru_cache(maxsize=16_384)
def shard_of(number: str) -> int:
    """Return the shard of an E.164 number, 0 to 63, the same on every machine and run."""
    return zlib.crc32(number.encode()) % SHARDS


def grower_key(number: str) -> str:
    """Return the key of the grower's record."""
    return f"{_tag(shard_of(number))}:grower:{number}"


def number_in(grower: bytes) -> str:
    """Return the number in a grower's key; the reverse of `grower_key`."""
    return grower.decode().rpartition(":")[2]


def is_growers(key: bytes) -> bool:
    """Tell whether a key is that of a grower's record."""
    return _kind(key) == b"grower"


def is_reply(key: bytes) -> bool:
    """Tell whether a key is that of the reply to one text."""
    return _kind(key) == b"seen"


def _kind(key: bytes) -> bytes:
    """Return what stands behind the tag of a key; empty if nothing does."""
    return b"".join(key.split(b":", 2)[1:2])


def number_of(key: bytes) -> str | None:
    """Return the number whose own a key is: of its record, texts or replies. None for others."""
    _, kind, *rest = key.split(b":", 3)
    return rest[0].decode() if kind in _OF_ONE_NUMBER and rest else None


_OF_ONE_NUMBER = frozenset({b"grower", b"texts", b"seen", b"replies"})


def due_key(shard: int) -> str:
    """Return the key of a shard's due index: numbers by when the sender should next look."""
    return f"{_tag(shard)}:due"


def lease_key(shard: int) -> str:
    """Return the key of a shard's leases: numbers a sender works on, by when it must be done."""
    return f"{_tag(shard)}:leases"


def calls_key(shard: int) -> str:
    """Return the key of a shard's growers to ring: numbers by when that was first needed."""
    return f"{_tag(shard)}:calls"


def texts_key(number: str) -> str:
    """Return the key of a grower's texts: what was heard and sent, the oldest first."""
    return f"{_tag(shard_of(number))}:texts:{number}"


def members_key(shard: int, group: str) -> str:
    """Return the key of a shard's part of a group: numbers by the day their next work is due."""
    return f"{_tag(shard)}:members:{group}"


def members_prefix(shard: int) -> bytes:
    """Return how every `members_key` of a shard begins."""
    return f"{_tag(shard)}:members:".encode()


def sums_key(shard: int, group: str) -> str:
    """Return the key of what is counted of a shard's part of a group."""
    return f"{_tag(shard)}:sums:{group}"


def all_sums_key(shard: int) -> str:
    """Return the key of what is counted of all of a shard's groups, and the sum of their marks."""
    return f"{_tag(shard)}:sums"


def marks_key(shard: int) -> str:
    """Return the key of a shard's groups by a number that is another whenever their sums are."""
    return f"{_tag(shard)}:marks"


def group_calls_key(shard: int, group: str) -> str:
    """Return the key of a group's growers to ring in one shard, as in `calls_key`."""
    return f"{_tag(shard)}:calls:{group}"


def of_groups_patterns(shard: int) -> tuple[str, str]:
    """Return the patterns of every `members_key` and `group_calls_key` of a shard."""
    return f"{_tag(shard)}:members:*", f"{_tag(shard)}:calls:*"


def tally_key(shard: int, day: date) -> str:
    """Return the key of a day's texts in one shard, counted by group, what and kind."""
    return f"{_tag(shard)}:tally:{day}"


def failures_key(shard: int) -> str:
    """Return the key of a shard's latest texts that did not arrive, the newest first."""
    return f"{_tag(shard)}:failures"


def told_key(shard: int, round_id: str) -> str:
    """Return the key of how a round's texts fared in one shard."""
    return f"{_tag(shard)}:told:{round_id}"


def copied_key(shard: int) -> str:
    """Return the key of what is written to a shard only to see that replicas have got so far."""
    return f"{_tag(shard)}:copied"


def spend_key(shard: int, month: str) -> str:
    """Return the key of a month's texts ("2026-03") in one shard, by what they cost."""
    return f"{_tag(shard)}:spend:{month}"


def seen_key(number: str, message_id: str) -> str:
    """Return the key of the reply to one text.

    A gateway's message id may be of any length and hold anything, so its digest stands for it.
    """
    return listed_key(number, digest_of(message_id))


def digest_of(message_id: str) -> bytes:
    """Return the digest of a message id, by which the reply to it is listed; see `listed_key`."""
    return blake2b(message_id.encode("utf-8", "surrogatepass"), digest_size=16).digest()


def listed_key(number: str, digest: bytes) -> str:
    """Return the `seen_key` of a text whose digest a grower's list of replies holds."""
    return f"{_tag(shard_of(number))}:seen:{number}:{digest.hex()}"


def replies_key(number: str) -> str:
    """Return the key of the list of a grower's replies kept, the oldest first: their digests."""
    return f"{_tag(shard_of(number))}:replies:{number}"


def seen_pattern(number: str) -> str:
    """Return the pattern of every `seen_key` of a number."""
    return f"{_tag(shard_of(number))}:seen:{number}:*"


def _tag(shard: int) -> str:
    return _TAGS[shard]


_TAGS = [f"{{s{shard:02d}}}" for shard in range(SHARDS)]


def indexes_of(shard: int, groups: Iterable[str]) -> set[str]:
    """Return every index that a shard may have for these groups, but for counts of texts."""
    of_all = (due_key, lease_key, calls_key, all_sums_key, marks_key, failures_key)
    found = {key(shard) for key in of_all}
    for group in groups:
        found |= {key(shard, group) for key in (members_key, sums_key, group_calls_key)}
    return found


# The desk: few keys, all together in one place


def users_key() -> str:
    """Return the key of who may sign in to the desk: their records by name."""
    return f"{_DESK}:users"


def tokens_key() -> str:
    """Return the key of the tokens of other systems: their records by digest."""
    return f"{_DESK}:tokens"


def audit_key() -> str:
    """Return the key of the trail: what was done at the desk, the oldest first."""
    return f"{_DESK}:audit"


def groups_key() -> str:
    """Return the key of the groups' records by name."""
    return f"{_DESK}:groups"


def rounds_key() -> str:
    """Return the key of the rounds' records by id."""
    return f"{_DESK}:rounds"


def round_work_key(round_id: str) -> str:
    """Return the key of how far a round has come, and what it has counted."""
    return f"{_DESK}:round:{round_id}"


def upload_key(name: str) -> str:
    """Return the key of a file on its way through the desk."""
    return f"{_DESK}:upload:{name}"


def uploads_key() -> str:
    """Return the key of the names of those files, by when they were kept."""
    return f"{_DESK}:uploads"


def lists_since_key() -> str:
    """Return the key of when it was first seen that what is kept is listed."""
    return f"{_DESK}:lists_since"


def spreader_key() -> str:
    """Return the key of the lock that the one who spreads rounds holds."""
    return f"{_DESK}:spreader"


def settled_key(day: date) -> str:
    """Return the key of a day's texts in all shards together, once it is long over."""
    return f"{_DESK}:tally:{day}"


def attempts_key() -> str:
    """Return the beginning of the keys that count attempts to sign in."""
    return f"{_DESK}:attempts"


def requests_key() -> str:
    """Return the beginning of the keys that count what each token asks of the API."""
    return f"{_DESK}:requests"


def visits_key() -> str:
    """Return the beginning of the keys that count the visits to the pages for trying the bot."""
    return f"{_DESK}:visits"


def senders_key() -> str:
    """Return the key of the senders at work, and when each last said so."""
    return f"{_DESK}:senders"


def handed_key() -> str:
    """Return the key that counts what the gateway said to texts handed to it."""
    return f"{_DESK}:handed"


def restoring_key() -> str:
    """Return the key that is there while a backup is being put back."""
    return f"{_DESK}:restoring"


def backed_up_key() -> str:
    """Return the key of when the last backup was taken."""
    return f"{_DESK}:backed_up"


def probe_key() -> str:
    """Return the key that is written to see whether Redis takes writes."""
    return f"{_DESK}:probe"


_DESK = "{desk}"


def desk_copied_key() -> str:
    """Return the key of what is written to the desk only to see that replicas have got so far."""
    return f"{_DESK}:copied"


# All of them together, for backups

ANY = "{*}:*"
"""The pattern of every key, and perhaps some that are not ours."""

HOMES = (_DESK, *_TAGS)
"""The tags that keys begin with; all keys of one lie on one node."""

PASSING = tuple(
    key.encode()
    for key in (
        spreader_key(),
        upload_key(""),
        uploads_key(),
        attempts_key(),
        requests_key(),
        visits_key(),
        senders_key(),
        handed_key(),
        restoring_key(),
        backed_up_key(),
        probe_key(),
        desk_copied_key(),
    )
)
"""How the keys begin that are of the moment only, and mean nothing in a backup."""


def home_of(key: bytes) -> str:
    """Return the tag that a key begins with; empty for a key that is not ours."""
    tag = key.partition(b":")[0].decode(errors="replace")
    return tag if tag in _HOMES else ""


_HOMES = frozenset(HOMES)
