"""What a commit writes: the record, and the difference it makes to every index.

Because a commit only succeeds on the record that was read, what the indexes hold of the old
record is known, and only what changes is written.
"""

from __future__ import annotations

from datetime import UTC, datetime
from functools import lru_cache
from random import getrandbits
from typing import TYPE_CHECKING, Any

from msgspec import Raw
from msgspec.structs import replace

from bot.dialogue.standing import changed, due_ordinal, standing
from bot.store import keys
from bot.store.spending import spent
from bot.store.texts import REPORTS, ROUND, Failure, encode_failure, encode_line

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from datetime import tzinfo

    from bot.dialogue.records import Grower
    from bot.store.texts import Line

Write = tuple[Any, ...]
"""A Redis command, its key second; its values are text, numbers, or bytes by way of `raw`."""

Count = tuple[str, str, int] | tuple[str, str, int, str]
"""A key, the name of one of its counts, and what is added to it, or `MARK`; and perhaps another key
to which the same is added."""

MARK = 0
"""Stands in a `Count` for a number by chance (`mark`), drawn when it is written."""

TALLY_S = 400 * 24 * 3600
"""How long a day's tally and a round's are kept, in seconds: a season, and the one before."""

MARKS = "the sum of the marks of all groups, whose counts are added up here"
"""Stands among the sums of all groups for the sum of their marks (`whole.lua`); no fact is so named.

It is longer than 64 bytes, so that Redis keeps this hash as a table, and not as a list that it goes
through for each of its hundreds of counts (redis.conf, "hash-max-listpack-value")."""

FAILURES_KEPT = 30
"""Texts that did not arrive, kept for each shard."""


def raw(value: bytes) -> Raw:
    """Write bytes as a string of msgpack, as Redis's own msgpack knows no other kind of bytes."""
    return Raw(b"\xdb" + len(value).to_bytes(4, "big") + value)


def of_groups(
    number: str, old: Grower | None, new: Grower | None, trouble_since: float
) -> list[Write]:
    """Write the difference between two records to the indexes of groups and of calls.

    `old` is None for a number not known before, `new` for one to be forgotten.
    """
    shard = keys.shard_of(number)
    writes: list[Write] = []
    moved = old is None or new is None or old.group != new.group
    to_ring = new is not None and bool(new.trouble)
    if old is not None:
        if moved:
            writes.append(("ZREM", keys.members_key(shard, old.group), number))
        if old.trouble and (moved or not to_ring):
            writes.append(("ZREM", keys.group_calls_key(shard, old.group), number))
        if old.trouble and not to_ring:
            writes.append(("ZREM", keys.calls_key(shard), number))
    if new is not None:
        if old is None or moved or _due_moved(old, new):
            writes.append(("ZADD", keys.members_key(shard, new.group), due_ordinal(new), number))
        if to_ring:
            # NX keeps the first time: who has waited longest for a call is rung first.
            calls = keys.group_calls_key(shard, new.group), keys.calls_key(shard)
            writes += [("ZADD", key, "NX", trouble_since, number) for key in calls]
    return writes


def _due_moved(old: Grower, new: Grower) -> bool:
    return old.plan is not new.plan and due_ordinal(old) != due_ordinal(new)


def counted(number: str, old: Grower | None, new: Grower | None) -> tuple[Count, ...]:
    """Return what the difference between two records adds to the counts of groups.

    `old` and `new` as in `of_groups`.
    """
    shard = keys.shard_of(number)
    if old is None and new is not None and new.plan is None:
        return _begun(shard, new.group, *standing(new))
    if old is not None and new is not None and old.group == new.group:
        return _in_group(shard, new.group, changed(old, new))
    left = _in_group(shard, old.group, changed(old, None)) if old is not None else ()
    joined = _in_group(shard, new.group, changed(None, new)) if new is not None else ()
    return left + joined


@lru_cache(maxsize=4096)
def _begun(shard: int, group: str, *facts: str) -> tuple[Count, ...]:
    """Count a new grower who has no plan: of thousands in a file, nearly all count the same."""
    return _in_group(shard, group, dict.fromkeys(facts, 1))


def _in_group(shard: int, group: str, changes: dict[str, int]) -> tuple[Count, ...]:
    if not changes:
        return ()
    sums, every = keys.sums_key(shard, group), keys.all_sums_key(shard)
    counts = [(sums, name, count, every) for name, count in changes.items()]
    return (*counts, (keys.marks_key(shard), group, MARK), (every, MARKS, MARK))


def mark() -> int:
    """Draw a mark by chance, so that none comes again, even with a backup put back or a recount."""
    return 1 + getrandbits(30)


def of_lines(
    number: str, grower: Grower, lines: Sequence[Line], keep: int, zone: tzinfo
) -> Iterator[Write]:
    """Append what happened to the grower's texts, keep the last `keep`, and count it.

    It is counted by day, and what was sent by month of `zone`, for what it costs. A report that
    takes the place of another takes back what that one counted, on its day and in its group.
    """
    if not lines:
        return
    shard, group = keys.shard_of(number), grower.group
    lines = [_completed(line, grower) for line in lines]
    if keep:
        yield "RPUSH", keys.texts_key(number), *(raw(encode_line(line)) for line in lines)
        yield "LTRIM", keys.texts_key(number), -keep, -1
    failures = keys.failures_key(shard)
    for line in lines:
        yield from spent(shard, line, zone)
        yield from _counted(shard, group, line, 1)
        for old in line.instead:
            yield from _counted(shard, old.group, old, -1)
            if old.what == "failed":
                yield "LREM", failures, 0, raw(encode_failure(Failure(number, old.group, old)))
        if line.what in {"refused", "failed"}:
            yield "LPUSH", failures, raw(encode_failure(Failure(number, group, line)))
            yield "LTRIM", failures, 0, FAILURES_KEPT - 1


def _completed(line: Line, grower: Grower) -> Line:
    """Write into a line what the grower's record says of it."""
    if line.what in REPORTS:
        return replace(line, group=grower.group)
    if line.what == "sent" and not line.language:
        return replace(line, language=grower.language)
    return line


def of_withdrawn(
    number: str, old: Grower | None, new: Grower | None, lines: Sequence[Line]
) -> Iterator[Write]:
    """Count the texts of rounds that no longer wait and were not handed over: "withdrawn".

    STOP ends them, or an answer given before they went out, or the round's own stop. The one text
    that was in the gateway's hands at that very moment counts as sent too.
    """
    if old is None or not old.waiting:
        return
    still = {text.serial for text in new.waiting} if new else set()
    still |= {line.serial for line in lines}
    for text in old.waiting:
        if text.operation.startswith(ROUND) and text.serial not in still:
            key = keys.told_key(keys.shard_of(number), text.operation.removeprefix(ROUND))
            yield "HINCRBY", key, "withdrawn", 1
            yield "EXPIRE", key, TALLY_S


def _counted(shard: int, group: str, line: Line, sign: int) -> Iterator[Write]:
    """Count a line (`sign` 1), or take its count back (-1): of its day, and of its round."""
    tally = keys.tally_key(shard, datetime.fromtimestamp(line.at, UTC).date())
    yield "HINCRBY", tally, f"{line.what}:{line.kind}:{group}", sign
    if line.segments:
        yield "HINCRBY", tally, f"segments:{line.kind}:{group}", sign * line.segments
    yield "EXPIRE", tally, TALLY_S
    if line.about.startswith(ROUND):
        told = keys.told_key(shard, line.about.removeprefix(ROUND))
        yield "HINCRBY", told, line.what, sign
        yield "EXPIRE", told, TALLY_S
