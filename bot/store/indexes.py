"""What a commit writes: the record, and the difference it makes to every index.

Because a commit only succeeds on the record that was read, what the indexes hold of the old
record is known, and only what changes is written.
"""

from __future__ import annotations

from collections import Counter
from datetime import UTC, datetime
from random import randrange
from typing import TYPE_CHECKING, Any

from msgspec import Raw
from msgspec.structs import replace

from bot.dialogue.standing import changed, due_ordinal
from bot.store import keys
from bot.store.spending import spent
from bot.store.texts import REPORTS, ROUND, Failure, encode_failure, encode_line

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence
    from datetime import tzinfo

    from bot.dialogue.records import Grower
    from bot.store.texts import Line

Write = tuple[Any, ...]
"""A Redis command, its key second; its values are text, numbers, or bytes by way of `raw`.

HINCRBY may have another key at its end, to which the same is added, and which another write names
as its own."""

TALLY_S = 400 * 24 * 3600
"""How long a day's tally and a round's are kept, in seconds: a season, and the one before."""

MARK = "the sum of the marks of all groups, whose counts are added up here"
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
) -> Iterator[Write]:
    """Write the difference between two records to the indexes of groups and of calls.

    `old` is None for a number not known before, `new` for one to be forgotten.
    """
    shard = keys.shard_of(number)
    if old is None or new is None or old.group != new.group:
        for grower, other in ((old, None), (None, new)):
            yield from _of_group(number, shard, grower, other, trouble_since)
    else:
        yield from _of_group(number, shard, old, new, trouble_since)
    if new is not None and new.trouble:
        # NX keeps the first time: who has waited longest for a call is rung first.
        yield "ZADD", keys.calls_key(shard), "NX", trouble_since, number
    elif old is not None and old.trouble:
        yield "ZREM", keys.calls_key(shard), number


def _of_group(
    number: str, shard: int, old: Grower | None, new: Grower | None, trouble_since: float
) -> Iterator[Write]:
    one = new or old
    if one is None:
        return
    group = one.group
    if new is None:
        yield "ZREM", keys.members_key(shard, group), number
    elif old is None or (old.plan is not new.plan and due_ordinal(old) != due_ordinal(new)):
        yield "ZADD", keys.members_key(shard, group), due_ordinal(new), number
    if counts := changed(old, new):
        # By chance, so that no mark comes again, even where a backup is put back or a count redone.
        mark = randrange(1, 2**30)  # noqa: S311 - no secret
        sums, every = keys.sums_key(shard, group), keys.all_sums_key(shard)
        yield "HINCRBY", keys.marks_key(shard), group, mark
        yield "HINCRBY", every, MARK, mark
        for name, count in counts.items():
            yield "HINCRBY", sums, name, count, every
    if new is not None and new.trouble:
        yield "ZADD", keys.group_calls_key(shard, group), "NX", trouble_since, number
    elif old is not None and old.trouble:
        yield "ZREM", keys.group_calls_key(shard, group), number


def spelt_out(writes: Iterable[Write]) -> list[Write]:
    """Write as commands of Redis's what `commit.lua` understands besides: counts of two keys."""
    plain: list[Write] = []
    also: dict[str, Counter[str]] = {}
    for write in writes:
        plain.append(write[:4] if write[0] == "HINCRBY" else write)
        if write[0] == "HINCRBY" and len(write) > 4:  # noqa: PLR2004 - the command alone
            _, _, name, count, other = write
            also.setdefault(other, Counter())[name] += count
    for key, counts in also.items():
        plain += [("HINCRBY", key, name, count) for name, count in counts.items()]
    return plain


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
