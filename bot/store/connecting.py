"""Reaching Redis: the one of REDIS_URL, or the embedded one."""

from __future__ import annotations

import atexit
from typing import TYPE_CHECKING

import redis
from redis.backoff import ExponentialBackoff
from redis.retry import Retry

from bot.store.server import EmbeddedRedis

if TYPE_CHECKING:
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


def opened(url: str, data: Path) -> redis.Redis:
    """Reach the Redis of `url`, or one embedded in the folder `data` until the process ends.

    Raises EmbeddedRedisError when there is no server to embed.
    """
    if url:
        return connect(url)
    server = EmbeddedRedis(data)
    server.__enter__()
    atexit.register(server.__exit__, None, None, None)
    return connect(server.url)
