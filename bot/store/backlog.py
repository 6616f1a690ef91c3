"""What is owed now and not yet sent, over all shards: whether senders keep up."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from bot.store import keys
from bot.store.errors import reaching_redis

if TYPE_CHECKING:
    import redis


@dataclass(frozen=True, slots=True)
class Backlog:
    """How many growers are due and by how long the longest, and what else waits.

    `late_s` is how many seconds ago the first of them came due, 0 if none is. `leased` growers are
    in a sender's hands, and due when the lease lapses; `calls` want a person to ring.
    """

    due: int = 0
    late_s: float = 0.0
    leased: int = 0
    calls: int = 0


def backlog(client: redis.Redis, now: float) -> Backlog:
    """Count what is owed at a moment (UTC epoch seconds). Raises StoreUnavailable."""
    pipe = client.pipeline(transaction=False)
    for shard in range(keys.SHARDS):
        pipe.zcount(keys.due_key(shard), "-inf", now)
        pipe.zrange(keys.due_key(shard), 0, 0, withscores=True)
        pipe.zcount(keys.lease_key(shard), f"({now}", "+inf")
        pipe.zcard(keys.calls_key(shard))
    with reaching_redis():
        answers: list[Any] = pipe.execute()
    first = min((found[0][1] for found in answers[1::4] if found), default=now)
    return Backlog(sum(answers[::4]), max(now - first, 0.0), sum(answers[2::4]), sum(answers[3::4]))
