"""The one error that Redis may cause elsewhere: the store cannot be reached or cannot write."""

from __future__ import annotations

from contextlib import contextmanager
from typing import TYPE_CHECKING

import redis

if TYPE_CHECKING:
    from collections.abc import Iterator

_REMEDIES = {
    "READONLY": "this Redis is a replica; point REDIS_URL at the primary",
    "OOM": "Redis is at its memory limit; raise maxmemory (and keep the policy noeviction)",
    "MISCONF": "Redis cannot write to its disk; free some space and look at its log",
    "LOADING": "Redis is still reading its data; wait and try again",
    "NOAUTH": "Redis wants a password; put it in REDIS_URL",
    "WRONGPASS": "Redis refuses the password; correct it in REDIS_URL",
    "NOPERM": "its user lacks a right; compare it with bot/operating/redis-users.acl",
    "CLUSTERDOWN": "the Redis cluster has a slot nobody serves; look at CLUSTER INFO",
}
_UNREACHABLE = "check that Redis runs and that REDIS_URL is right"


class StoreUnavailable(RuntimeError):  # noqa: N818 - a condition that passes, not a mistake
    """Redis cannot be reached or will not write now; nothing half done is left behind.

    The same call may be made again later: commits compare versions, so one that got through
    although its answer was lost is found out and not done twice.
    """


@contextmanager
def reaching_redis() -> Iterator[None]:
    """Turn what Redis may throw when it is down, full or read-only into `StoreUnavailable`."""
    try:
        yield
    except (redis.ConnectionError, redis.TimeoutError, redis.ResponseError) as error:
        # A script's failure hides the reason in its text (Redis 6.2), so the text is searched.
        text = f"{type(error).__name__} {error}"
        remedy = next((say for code, say in _REMEDIES.items() if code in _codes(text)), None)
        if remedy is None and not isinstance(error, redis.ConnectionError | redis.TimeoutError):
            raise
        raise StoreUnavailable(f"{error}: {remedy or _UNREACHABLE}") from error


_NAMED = {
    "ReadOnlyError": "READONLY",
    "OutOfMemoryError": "OOM",
    "BusyLoadingError": "LOADING",
    "AuthenticationError": "NOAUTH",
    "NoPermissionError": "NOPERM",
    "ClusterDownError": "CLUSTERDOWN",
}


def _codes(text: str) -> set[str]:
    words = {word.strip("-:'\"") for word in text.split()}
    return words | {code for name, code in _NAMED.items() if name in words}
