"""Reaching Redis: the one of REDIS_URL, or the embedded one."""

from __future__ import annotations

from contextlib import contextmanager
from typing import TYPE_CHECKING

import redis
from redis.backoff import ExponentialBackoff
from redis.retry import Retry

from bot.store.server import EmbeddedRedis

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

TIMEOUT_S = 2.0
"""A webhook must answer while the phone waits: better a quick "deliver again" than a late reply."""


def connect(url: str) -> redis.Redis:
    """Make a client that gives up on an unreachable Redis within a few seconds."""
    return redis.Redis.from_url(
        url,
        socket_timeout=TIMEOUT_S,
        socket_connect_timeout=TIMEOUT_S,
        retry=Retry(ExponentialBackoff(cap=0.2, base=0.02), 2),
    )


@contextmanager
def reached(url: str, data: Path) -> Iterator[redis.Redis]:
    """Reach the Redis of `url`, or where that is empty one embedded in the folder `data`.

    Raises EmbeddedRedisError when there is no server to embed.
    """
    if url:
        yield connect(url)
    else:
        with EmbeddedRedis(data) as server:
            yield connect(server.url)
