"""Files on their way through the desk: kept for a while, so that any web process can go on.

An upload is a list of growers, so it is kept as short as can be, and goes when any grower is to
be forgotten. The names of all are kept beside them, as they could only be found among all keys.
"""

from __future__ import annotations

import secrets
import time
from typing import TYPE_CHECKING, cast

from bot.store import keys
from bot.store.errors import reaching_redis
from bot.store.trips import heeded, together
from bot.store.unlisted import unlisted

if TYPE_CHECKING:
    from collections.abc import Callable

    import redis

HOUR_S = 3600
DAY_S = 24 * HOUR_S


class Uploads:
    """Files in Redis, each of one user and for one group. The client must not decode responses."""

    def __init__(self, client: redis.Redis, clock: Callable[[], float] = time.time) -> None:
        self.redis = client
        self._clock = clock

    def keep(self, user: str, group: str, content: bytes, seconds: int = HOUR_S) -> str:
        """Keep a file for so long, a day at most; return the name by which it is found again."""
        name, now = secrets.token_urlsafe(16), int(self._clock())
        with reaching_redis():
            pipe = self.redis.pipeline(transaction=True)
            pipe.zadd(keys.uploads_key(), {name: now})
            if gone := self._gone():
                pipe.zrem(keys.uploads_key(), *gone)
            pipe.hset(keys.upload_key(name), mapping={"for": f"{user}\n{group}", "file": content})
            pipe.expire(keys.upload_key(name), seconds)
            pipe.execute()
        return name

    def find(self, name: str, user: str, group: str) -> bytes | None:
        """Return a file; None if it is gone, or was another user's or for another group."""
        with reaching_redis():
            found = cast(
                "list[bytes | None]", self.redis.hmget(keys.upload_key(name), ["for", "file"])
            )
        whose, content = found
        return content if whose == f"{user}\n{group}".encode() else None

    def _gone(self) -> list[bytes]:
        """List the names of files that are kept no longer: not by when that was, as clocks differ."""
        listed = cast("list[bytes]", self.redis.zrange(keys.uploads_key(), 0, -1))
        asked = [("EXISTS", keys.upload_key(name.decode())) for name in listed]
        there = heeded(together(self.redis, asked)) if asked else []
        return [name for name, one in zip(listed, there, strict=True) if not one]

    def drop(self, name: str) -> None:
        """Delete a file."""
        with reaching_redis():
            self.redis.delete(keys.upload_key(name))
            self.redis.zrem(keys.uploads_key(), name)

    def drop_all(self) -> None:
        """Delete every file, whoever may be in it."""
        with reaching_redis():
            listed = cast("list[bytes]", self.redis.zrange(keys.uploads_key(), 0, -1))
            found = {keys.upload_key(name.decode()) for name in listed}
            found.update(unlisted(self.redis, keys.upload_key("*"), DAY_S, self._clock()))
            if found:
                self.redis.delete(*found)
            if listed:
                self.redis.zrem(keys.uploads_key(), *listed)
