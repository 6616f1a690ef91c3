"""The senders at work: each says so every few seconds, with what the gateway said meanwhile.

Senders share nothing but the store, so this is where an operator can see that one is at work at
all, and what they all come to, whichever of them is asked or has ended since.
"""

from __future__ import annotations

import time
from collections import Counter
from typing import TYPE_CHECKING, cast

from bot.store import keys
from bot.store.errors import reaching_redis

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    import redis

BEAT_S = 10.0
"""How often a sender says that it is at work, in seconds."""

SILENT_S = 45.0
"""Seconds after which a sender that has said nothing is taken for dead: four beats missed."""

REMEMBERED_S = 7 * 24 * 3600
"""How long it is told that a sender has died, in seconds."""


class Beats:
    """The senders in Redis, by name. The client must not decode responses."""

    def __init__(self, client: redis.Redis, clock: Callable[[], float] = time.time) -> None:
        self.redis = client
        self._clock = clock

    def beat(self, name: str, handed: Mapping[str, int]) -> None:
        """Say that a sender is at work, and what the gateway said since it last did so.

        `handed` counts texts by outcome: accepted, deferred, refused. Raises StoreUnavailable.
        """
        now = self._clock()
        with reaching_redis():
            silent = [other for other, at in self.last().items() if abs(now - at) > REMEMBERED_S]
            pipe = self.redis.pipeline(transaction=False)
            pipe.hset(keys.senders_key(), name, f"{now:.3f}")
            if silent:
                pipe.hdel(keys.senders_key(), *silent)
            for outcome, count in handed.items():
                pipe.hincrby(keys.handed_key(), outcome, count)
            pipe.execute()

    def end(self, name: str) -> None:
        """Say that a sender has ended as it should."""
        with reaching_redis():
            self.redis.hdel(keys.senders_key(), name)

    def last(self) -> dict[str, float]:
        """Return when each sender that has not ended last said that it is at work."""
        with reaching_redis():
            found = cast("dict[bytes, bytes]", self.redis.hgetall(keys.senders_key()))
        return {name.decode(): float(at) for name, at in found.items()}

    def alive(self) -> dict[str, float]:
        """Return the same of those that said so a moment ago."""
        now = self._clock()
        # What was said later than now was said before a clock was put back, if not just now.
        return {name: at for name, at in self.last().items() if abs(now - at) <= SILENT_S}

    def handed(self) -> Counter[str]:
        """Count what the gateway ever said to texts handed to it, by outcome."""
        with reaching_redis():
            found = cast("dict[bytes, bytes]", self.redis.hgetall(keys.handed_key()))
        return Counter({outcome.decode(): int(count) for outcome, count in found.items()})
