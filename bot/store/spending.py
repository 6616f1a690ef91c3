"""What texts cost: segments by month, gateway, language and kind, counted as they are sent.

Each text that a gateway took, and each reply that went out in the answer to a gateway's request, is
counted in the very commit that notes it, in the shard of its grower. What is kept holds no number,
so it outlives a grower who is forgotten: the bill does, too. Only what a network charges for is
here: a screen of USSD or of the desk has no segments, and a text that the gateway refused was not
sent. A text that failed later on was sent, and is charged for.

Two things are on the bill and not here, both rare: the second copy of a text that a sender killed
at the wrong moment has sent twice, and a text in the gateway's hands while its grower is forgotten.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any, NamedTuple

from bot.store import keys
from bot.store.errors import reaching_redis
from bot.store.texts import ROUND
from bot.store.trips import heeded, together

if TYPE_CHECKING:
    from collections.abc import Iterator
    from datetime import tzinfo

    import redis

    from bot.store.texts import Line
    from bot.store.trips import Command

KEPT_S = 25 * 31 * 24 * 3600
"""How long a month is kept after its last text, in seconds: 25 months, two years to compare."""


class Sort(NamedTuple):
    """What texts are counted by.

    `gateway` is the name of its profile, empty where no line says it; `language` the grower's, empty
    where none is known. `kind` is "reply", "reminder", "round", or "notice" for any other.
    """

    gateway: str
    language: str
    kind: str


@dataclass(frozen=True, slots=True)
class Sent:
    """How many texts, and how many segments they took."""

    texts: int = 0
    segments: int = 0

    def __add__(self, other: Sent) -> Sent:
        return Sent(self.texts + other.texts, self.segments + other.segments)


def month_of(at: float, zone: tzinfo) -> str:
    """Return the month ("2026-03") of a moment (UTC epoch seconds) in a zone."""
    return datetime.fromtimestamp(at, UTC).astimezone(zone).date().isoformat()[:7]


def spent(shard: int, line: Line, zone: tzinfo) -> Iterator[Command]:
    """Count a line, if it is a text that costs something, in its month."""
    if line.what == "sent" and line.segments:
        key = keys.spend_key(shard, month_of(line.at, zone))
        sort = sort_of(line)
        # The gateway last: its name is the operator's, and may hold anything.
        name = f"{sort.kind}:{sort.language}:{sort.gateway}"
        yield "HINCRBY", key, f"texts:{name}", 1
        yield "HINCRBY", key, f"segments:{name}", line.segments
        yield "EXPIRE", key, KEPT_S


def sort_of(line: Line) -> Sort:
    """Return what a text sent is counted by."""
    return Sort(line.gateway, line.language, "round" if line.about.startswith(ROUND) else line.kind)


class Spending:
    """What was sent, as it lies in Redis. The client must not decode responses."""

    def __init__(self, client: redis.Redis) -> None:
        self._redis = client

    def month(self, month: str) -> dict[Sort, Sent]:
        """Add up a month ("2026-03") over all shards, in one pipelined round trip.

        Raises `StoreUnavailable`.
        """
        asked = [("HGETALL", keys.spend_key(shard, month)) for shard in range(keys.SHARDS)]
        with reaching_redis():
            answers: list[dict[bytes, Any]] = heeded(together(self._redis, asked))
        sums = Counter[bytes]()
        for answer in answers:
            sums.update({name: int(count) for name, count in answer.items()})
        found: dict[Sort, Sent] = {}
        for name, count in sums.items():
            what, kind, language, gateway = name.decode().split(":", 3)
            one = Sent(texts=count) if what == "texts" else Sent(segments=count)
            sort = Sort(gateway, language, kind)
            found[sort] = found.get(sort, Sent()) + one
        return found
