"""The texts of days gone by, added up over all shards once and kept so.

A day's texts are counted in every shard, and a month of them is some two thousand hashes. But what
is counted of a day hardly changes once it is over: a report counts on the day it comes, and only
takes back what an earlier one on the same text counted. So a day that no such report reaches back
to is read from its shards once, and kept whole from then on.
"""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING, cast

import msgspec

from bot.store import keys
from bot.store.errors import reaching_redis
from bot.store.indexes import TALLY_S
from bot.store.trips import heeded, together

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import date

    from bot.store.groups import Groups
    from bot.store.trips import Command

SETTLED_DAYS = 4
"""Days after which a day is over for good: gateways give a text up after two or three."""

Tally = Counter[tuple[str, str, str]]


def tallies(groups: Groups, days: Sequence[date], today: date) -> dict[date, Tally]:
    """Count the texts of days as `Groups.tallies` does; `today` is the UTC day."""
    over = [day for day in days if (today - day).days >= SETTLED_DAYS]
    kept = _kept(groups, over)
    read = groups.tallies([day for day in days if day not in kept])
    _keep(groups, {day: read[day] for day in over if day in read})
    return {day: kept[day] if day in kept else read[day] for day in days}


def _kept(groups: Groups, days: Sequence[date]) -> dict[date, Tally]:
    if not days:
        return {}
    with reaching_redis():
        found = cast(
            "list[bytes | None]", groups.redis.mget([keys.settled_key(day) for day in days])
        )
    return {
        day: Tally({(what, kind, group): count for what, kind, group, count in _rows.decode(value)})
        for day, value in zip(days, found, strict=True)
        if value is not None
    }


def _keep(groups: Groups, tallied: Mapping[date, Tally]) -> None:
    writes: list[Command] = []
    for day, counts in tallied.items():
        rows = [(*name, count) for name, count in counts.items()]
        writes.append(("SET", keys.settled_key(day), msgspec.msgpack.encode(rows), "EX", TALLY_S))
    with reaching_redis():
        heeded(together(groups.redis, writes))


_rows = msgspec.msgpack.Decoder(list[tuple[str, str, str, int]])
