"""Files on their way through the desk: kept for a while, so that any web process can go on.

An upload is a list of growers, so it is kept as short as can be, and goes when any grower is to
be forgotten.
"""

from __future__ import annotations

import secrets
from typing import TYPE_CHECKING, cast

from bot.store import keys
from bot.store.errors import reaching_redis

if TYPE_CHECKING:
    import redis

HOUR_S = 3600
DAY_S = 24 * HOUR_S


class Uploads:
    """Files in Redis, each of one user and for one group. The client must not decode responses."""

    def __init__(self, client: redis.Redis) -> None:
        self.redis = client

    def keep(self, user: str, group: str, content: bytes, seconds: int = HOUR_S) -> str:
        """Keep a file for so long, and return the name by which it is found again."""
        name = secrets.token_urlsafe(16)
        with reaching_redis():
            pipe = self.redis.pipeline(transaction=True)
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

    def drop(self, name: str) -> None:
        """Delete a file."""
        with reaching_redis():
            self.redis.delete(keys.upload_key(name))

    def drop_all(self) -> None:
        """Delete every file, whoever may be in it."""
        with reaching_redis():
            for key in self.redis.scan_iter(match=keys.upload_key("*"), count=1000):
                self.redis.delete(key)
