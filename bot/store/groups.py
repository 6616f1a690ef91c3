"""The groups: what is set for each, and what its growers come to.

A group's growers are spread over all shards. So what is read of groups is one call of a script to
each shard, all in one pipelined round trip, added up or merged here.
"""

from __future__ import annotations

import unicodedata
from collections import Counter
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from functools import lru_cache
from threading import Lock
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from msgspec import Struct
from msgspec.structs import replace

from bot.dialogue.slips import SEASON
from bot.store import keys
from bot.store.errors import reaching_redis
from bot.store.scripts import script
from bot.store.shelf import Shelf
from bot.store.texts import Failure, decode_failure

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    import redis

    from bot.store.rounds import Round

LONGEST_NAME = 60


class Group(Struct, array_like=True, frozen=True):
    """A group of growers. What is empty is as the operator's settings say.

    `country` (ISO 3166) is for numbers without their country code, `zone` (IANA) for days and
    hours, `language` for growers whose own is not known. `season` is the day the last season
    was opened.
    """

    name: str
    country: str = ""
    zone: str = ""
    language: str = ""
    season: date | None = None


@dataclass(frozen=True, slots=True)
class Overview:
    """What a group comes to: how many growers, how many are behind, how many to ring.

    `sums` are the counted facts of `bot.dialogue.standing`.
    """

    size: int = 0
    behind: int = 0
    to_ring: int = 0
    sums: Counter[str] = field(default_factory=Counter)


class Groups:
    """The groups in Redis. The client must not decode responses."""

    def __init__(self, client: redis.Redis) -> None:
        self.redis = client
        self.shelf = Shelf(client, keys.groups_key(), Group)
        self._sums = _Sums()
        self._overviews = client.register_script(script("overviews.lua"))
        self._first = client.register_script(script("first.lua"))

    def named(self, name: str) -> Group:
        """Return a group, which is added if it is new."""
        name = tidy(name)
        group = Group(name)
        return group if self.shelf.add(name, group) else self.shelf.find(name) or group

    def change(self, name: str, **changes: Any) -> Group | None:  # noqa: ANN401 - fields of a Group
        """Change what is set for a group; None if there is none of this name."""
        return self.shelf.change(name, lambda group: replace(group, **changes))

    def open_season(self, one: Round, now: float, zone: str) -> None:
        """Note the day on which a round opens its groups' season; of another round, nothing.

        The day is that of the round's start, in each group's own zone or else in `zone`.
        """
        if one.flow != SEASON:
            return
        at = datetime.fromtimestamp(max(one.start, now), UTC)
        for name in one.groups:
            self.shelf.change(
                name,
                lambda group: replace(
                    group, season=at.astimezone(ZoneInfo(group.zone or zone)).date()
                ),
            )

    def overviews(self, names: Sequence[str], today: date) -> dict[str, Overview]:
        """Add up what these groups come to, as seen on a day."""
        if not names:
            return {}
        pipe = self.redis.pipeline(transaction=False)
        for shard in _SHARDS:
            wanted = [keys.marks_key(shard)]
            args: list[str | bytes] = [f"({today.toordinal()}"]
            for name in names:
                wanted += [
                    keys.members_key(shard, name),
                    keys.group_calls_key(shard, name),
                    keys.sums_key(shard, name),
                ]
                args += [name, self._sums.mark(name, shard)]
            self._overviews(keys=wanted, args=args, client=pipe)
        with reaching_redis():
            answers = pipe.execute()
        found = {}
        for place, name in zip(range(0, 5 * len(names), 5), names, strict=True):
            parts = [shard[place : place + 5] for shard in answers]
            sums = self._sums.taken(name, [(mark, counted) for *_, mark, counted in parts])
            size, behind, to_ring = (sum(part[each] for part in parts) for each in range(3))
            found[name] = Overview(size, behind, to_ring, sums)
        return found

    def members(self, name: str, shard: int) -> list[str]:
        """Return the numbers of one shard's part of a group."""
        with reaching_redis():
            found: Any = self.redis.zrange(keys.members_key(shard, name), 0, -1)
        return [number.decode() for number in found]

    def size(self, name: str) -> int:
        """Count a group's growers."""
        pipe = self.redis.pipeline(transaction=False)
        for shard in range(keys.SHARDS):
            pipe.zcard(keys.members_key(shard, name))
        with reaching_redis():
            return sum(pipe.execute())

    def due(
        self, names: Sequence[str], first: int, last: int, start: int = 0, limit: int = 50
    ) -> list[tuple[str, int]]:
        """Return growers of groups by the day their next work is due, with that day.

        Days are proleptic ordinals, `first` and `last` among them; `standing.NO_DAY` is no day.
        """
        if not names:
            return []
        wanted = start + limit
        # Each shard holds its share, more or less; those found to hold more are asked again.
        asked = dict.fromkeys(_SHARDS, wanted // keys.SHARDS + 6)
        found: dict[int, list[tuple[str, int]]] = {}
        while asked:
            answers = self._firsts(keys.members_key, names, (first, last), asked)
            for shard, answer in zip(asked, answers, strict=True):
                found[shard] = [(number, int(day)) for number, day in answer]
            merged = sorted(
                (pair for part in found.values() for pair in part), key=lambda it: (it[1], it[0])
            )[:wanted]
            asked = {
                shard: most * 4
                for shard, most in asked.items()
                if len(found[shard]) == most
                and (len(merged) < wanted or found[shard][-1][::-1] <= merged[-1][::-1])
            }
        return merged[start:]

    def to_ring(self, names: Sequence[str]) -> list[tuple[str, float]]:
        """Return the numbers of groups that a person should ring; the longest wait first."""
        if not names:
            return []
        ever = "-inf", "+inf"
        answers = self._firsts(keys.group_calls_key, names, ever, dict.fromkeys(_SHARDS, -1))
        found = [(number, float(since)) for answer in answers for number, since in answer]
        return sorted(found, key=lambda it: it[1])

    def _firsts(
        self,
        key: Callable[[int, str], str],
        names: Sequence[str],
        bounds: tuple[str | int, str | int],
        asked: Mapping[int, int],
    ) -> list[list[tuple[str, bytes]]]:
        """Read, of each shard asked, its first so many of some groups, with their scores."""
        pipe = self.redis.pipeline(transaction=False)
        for shard, most in asked.items():
            wanted = [key(shard, name) for name in names]
            self._first(keys=wanted, args=[*bounds, most], client=pipe)
        with reaching_redis():
            answers = pipe.execute()
        return [
            [(number.decode(), score) for number, score in zip(it[::2], it[1::2], strict=True)]
            for it in answers
        ]

    def tallies(self, days: Sequence[date]) -> dict[date, Counter[tuple[str, str, str]]]:
        """Count the texts of days (UTC) by (what, kind, group); see `bot.store.texts`.

        "segments" counts the segments of texts sent.
        """
        pipe = self.redis.pipeline(transaction=False)
        for day in days:
            for shard in _SHARDS:
                pipe.hgetall(keys.tally_key(shard, day))
        with reaching_redis():
            answers = iter(pipe.execute())
        found: dict[date, Counter[tuple[str, str, str]]] = {}
        for day in days:
            # The same few names come in every shard, so they are taken apart once they are added up.
            sums: dict[bytes, int] = {}
            for _ in _SHARDS:
                for name, count in next(answers).items():
                    sums[name] = sums.get(name, 0) + int(count)
            counts = found.setdefault(day, Counter())
            for name, total in sums.items():
                what, kind, group = name.decode().split(":", 2)
                counts[what, kind, group] = total
        return found

    def failures(self) -> list[Failure]:
        """Return the latest texts that did not arrive, of every group, the newest first."""
        pipe = self.redis.pipeline(transaction=False)
        for shard in _SHARDS:
            pipe.lrange(keys.failures_key(shard), 0, -1)
        with reaching_redis():
            found = [decode_failure(each) for part in pipe.execute() for each in part]
        return sorted(found, key=lambda each: -each.line.at)


_SHARDS = range(keys.SHARDS)


def tidy(name: str) -> str:
    """Return a group's name in one spelling: NFC, no control letters, single spaces, cut short."""
    written = unicodedata.normalize("NFC", name)
    plain = "".join(" " if unicodedata.category(each)[0] in "CZ" else each for each in written)
    return " ".join(plain.split())[:LONGEST_NAME].strip()


class _Sums:
    """The sums of groups as last read, so that only those that have changed are read again.

    Fifty groups have some 200,000 counts in all shards, of which one text changes a few. The parts
    of a shard are kept as they came, with the mark they stood under.
    """

    def __init__(self) -> None:
        self._parts: dict[tuple[str, int], tuple[bytes, list[bytes]]] = {}
        self._totals: dict[str, Counter[str]] = {}
        self._lock = Lock()

    def mark(self, name: str, shard: int) -> bytes:
        """Return the mark under which a part is known; empty if it is not."""
        return self._parts.get((name, shard), (b"", []))[0]

    def taken(self, name: str, parts: Sequence[tuple[bytes, list[bytes] | None]]) -> Counter[str]:
        """Take in a group's parts in all shards, None where one is known; return the total."""
        with self._lock:
            total = self._totals.setdefault(name, Counter())
            for shard, (mark, counted) in enumerate(parts):
                if counted is not None and (counted or (name, shard) in self._parts):
                    _, before = self._parts.get((name, shard), (b"", []))
                    _add(total, before, -1)
                    _add(total, counted, 1)
                    self._parts[name, shard] = mark, [*map(_same, counted)]
            return +total


def _add(total: Counter[str], counted: Sequence[bytes], sign: int) -> None:
    for name, count in zip(counted[::2], counted[1::2], strict=True):
        total[name.decode()] += sign * int(count)


@lru_cache(maxsize=4096)
def _same(value: bytes) -> bytes:
    """Return one and the same object for all that are equal: names and counts come often."""
    return value
