"""The groups: what is set for each, and what its growers come to.

A group's growers are spread over all shards. So what is read of groups is a call of a script to
each shard, or several, all in one pipelined round trip, added up or merged here.
"""

from __future__ import annotations

import unicodedata
from collections import Counter, OrderedDict
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from functools import lru_cache
from threading import Lock
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from msgspec import Struct
from msgspec.structs import replace

from bot.dialogue.slips import SEASON
from bot.dialogue.standing import STAGE
from bot.store import keys
from bot.store.errors import reaching_redis
from bot.store.indexes import MARKS
from bot.store.scripts import script
from bot.store.shelf import Shelf
from bot.store.texts import Failure, decode_failure
from bot.store.trips import call_many, heeded, together

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence

    import redis

    from bot.store.rounds import Round
    from bot.store.trips import Call

LONGEST_NAME = 60

BUNDLE = 50
"""Groups whose sums one call of the script reads: some milliseconds at a million growers."""

MOST_KNOWN = 500
"""Bundles of groups whose sums a process keeps: with 16 growers of each group in each shard up to
150 kB each."""

_UNWANTED = "-"
"""What stands for a mark where no sums are wanted."""


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


def added_up(found: Iterable[Overview]) -> Overview:
    """Add up overviews of different groups."""
    size = behind = to_ring = 0
    sums: Counter[str] = Counter()
    for each in found:
        size, behind, to_ring = size + each.size, behind + each.behind, to_ring + each.to_ring
        sums.update(each.sums)
    return Overview(size, behind, to_ring, sums)


class Groups:
    """The groups in Redis. The client must not decode responses."""

    def __init__(self, client: redis.Redis) -> None:
        self.redis = client
        self.shelf = Shelf(client, keys.groups_key(), Group)
        self._known = _Known()
        self._overviews = client.register_script(script("overviews.lua"))
        self._whole = client.register_script(script("whole.lua"))
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
        """Add up what each of these groups comes to, as seen on a day."""
        return dict(zip(names, self._read([(name,) for name in names], today), strict=True))

    def sizes(self, names: Sequence[str], today: date) -> dict[str, Overview]:
        """Do as `overviews` does, but leave the sums empty, which take by far the most to read."""
        found = self._read([(name,) for name in names], today, sums=False)
        return dict(zip(names, found, strict=True))

    def together(self, names: Sequence[str], today: date) -> Overview:
        """Add up what these groups come to all together, as seen on a day.

        The sums are read at once where these are all groups that have growers. Else Redis adds
        them up, some groups at a time, which takes a third of what `overviews` does.
        """
        names = [*dict.fromkeys(names)]
        if len(names) > BUNDLE and (sums := self._sums_of_all(names)) is not None:
            found = added_up(self.sizes(names, today).values())
            # Each grower is in one stage. A version that kept no marks has left sums without one.
            if found.size == sum(n for name, n in sums.items() if name.startswith(STAGE)):
                return Overview(found.size, found.behind, found.to_ring, sums)
        bundles = [tuple(part) for part in _parts_of(names, BUNDLE)]
        return added_up(self._read(bundles, today))

    def _sums_of_all(self, names: Sequence[str]) -> Counter[str] | None:
        """Read the sums of all groups, as every commit keeps them; None if these are not all."""
        calls: list[Call] = [
            ([keys.marks_key(shard), keys.all_sums_key(shard)], [MARKS, *names])
            for shard in _SHARDS
        ]
        with reaching_redis():
            answers = call_many(self.redis, self._whole, calls)
        if None in answers:
            return None
        sums: Counter[str] = Counter()
        for answer in answers:
            _add(sums, answer, 1)
        return +sums

    def _read(
        self, bundles: Sequence[tuple[str, ...]], today: date, *, sums: bool = True
    ) -> list[Overview]:
        """Read what bundles of groups come to, each as if it were one group.

        No call reads more than `BUNDLE` groups, so that Redis serves others between the calls.
        """
        if not bundles:
            return []
        known = [self._known.of(bundle) for bundle in bundles] if sums else []
        calls: list[Call] = []
        many = max(BUNDLE // len(bundles[0]), 1)
        for shard in _SHARDS:
            for part in _parts_of(range(len(bundles)), many):
                wanted = [keys.marks_key(shard)]
                args: list[str | bytes | int] = [f"({today.toordinal()}"]
                for place in part:
                    names = bundles[place]
                    args += [len(names), known[place].mark(shard) if sums else _UNWANTED, *names]
                    for name in names:
                        wanted += [
                            keys.members_key(shard, name),
                            keys.group_calls_key(shard, name),
                            keys.sums_key(shard, name),
                        ]
                calls.append((wanted, args))
        with reaching_redis():
            answers = call_many(self.redis, self._overviews, calls)
        # Those of a shard one after the other, in as many answers as it took.
        every = [part for answer in answers for part in _parts_of(answer, 5)]
        found = []
        for place in range(len(bundles)):
            parts = every[place :: len(bundles)]
            size, behind, to_ring = (sum(part[each] for part in parts) for each in range(3))
            counted = known[place].taken([part[3:] for part in parts]) if sums else Counter[str]()
            found.append(Overview(size, behind, to_ring, counted))
        return found

    def members(self, name: str, shard: int) -> list[str]:
        """Return the numbers of one shard's part of a group."""
        with reaching_redis():
            found: Any = self.redis.zrange(keys.members_key(shard, name), 0, -1)
        return [number.decode() for number in found]

    def size(self, name: str) -> int:
        """Count a group's growers."""
        asked = [("ZCARD", keys.members_key(shard, name)) for shard in _SHARDS]
        with reaching_redis():
            return sum(heeded(together(self.redis, asked)))

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
        calls = [
            ([key(shard, name) for name in names], [*bounds, most]) for shard, most in asked.items()
        ]
        with reaching_redis():
            answers = call_many(self.redis, self._first, calls)
        return [
            [(number.decode(), score) for number, score in zip(it[::2], it[1::2], strict=True)]
            for it in answers
        ]

    def tallies(self, days: Sequence[date]) -> dict[date, Counter[tuple[str, str, str]]]:
        """Count the texts of days (UTC) by (what, kind, group); see `bot.store.texts`.

        "segments" counts the segments of texts sent.
        """
        asked = [("HGETALL", keys.tally_key(shard, day)) for day in days for shard in _SHARDS]
        with reaching_redis():
            answers = iter(heeded(together(self.redis, asked)))
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
        asked = [("LRANGE", keys.failures_key(shard), 0, -1) for shard in _SHARDS]
        with reaching_redis():
            answers = heeded(together(self.redis, asked))
        found = [decode_failure(each) for part in answers for each in part]
        return sorted(found, key=lambda each: -each.line.at)


_SHARDS = range(keys.SHARDS)


def tidy(name: str) -> str:
    """Return a group's name in one spelling: NFC, no control letters, single spaces, cut short."""
    written = unicodedata.normalize("NFC", name)
    plain = "".join(" " if unicodedata.category(each)[0] in "CZ" else each for each in written)
    return " ".join(plain.split())[:LONGEST_NAME].strip()


def _parts_of(whole: Sequence[Any], many: int) -> Iterator[Sequence[Any]]:
    return (whole[start : start + many] for start in range(0, len(whole), many))


class _Known:
    """The sums of bundles of groups as last read, so that only what has changed is read again.

    Fifty groups have some 200,000 counts in all shards, of which one text changes a few. The
    bundles that were asked for last are kept, `MOST_KNOWN` of them.
    """

    def __init__(self) -> None:
        self._sums: OrderedDict[tuple[str, ...], _Sums] = OrderedDict()
        self._lock = Lock()

    def of(self, bundle: tuple[str, ...]) -> _Sums:
        """Return what is known of a bundle; who holds it need not mind that it is dropped here."""
        with self._lock:
            known = self._sums.setdefault(bundle, _Sums())
            self._sums.move_to_end(bundle)
            while len(self._sums) > MOST_KNOWN:
                self._sums.popitem(last=False)
        return known


class _Sums:
    """One bundle's sums: the parts of its shards as they came, with the mark they stood under."""

    def __init__(self) -> None:
        self._parts: dict[int, tuple[bytes, list[bytes | int]]] = {}
        self._total: Counter[str] = Counter()
        self._lock = Lock()

    def mark(self, shard: int) -> bytes:
        """Return the mark under which a part is known; empty if it is not."""
        return self._parts.get(shard, (b"", []))[0]

    def taken(self, parts: Sequence[Sequence[Any]]) -> Counter[str]:
        """Take in the parts of all shards, None where one is known; return the total."""
        with self._lock:
            for shard, (mark, counted) in enumerate(parts):
                if counted is not None and (counted or shard in self._parts):
                    _, before = self._parts.get(shard, (b"", []))
                    _add(self._total, before, -1)
                    _add(self._total, counted, 1)
                    self._parts[shard] = mark, [*map(_same, counted)]
            return +self._total


def _add(total: Counter[str], counted: Sequence[bytes | int], sign: int) -> None:
    for name, count in zip(counted[::2], counted[1::2], strict=True):
        total[_name(name)] += sign * int(count)


@lru_cache(maxsize=4096)
def _name(written: bytes) -> str:
    return written.decode()


@lru_cache(maxsize=4096)
def _same(value: bytes | int) -> bytes | int:
    """Return one and the same object for all that are equal: names and counts come often."""
    return value
