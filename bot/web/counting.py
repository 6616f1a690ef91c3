"""How often somebody has asked, counted in our Redis: what the limits on attempts and calls use."""

from __future__ import annotations

import ipaddress
import time
from math import ceil
from typing import TYPE_CHECKING

from limits.storage import RedisStorage
from limits.strategies import SlidingWindowCounterRateLimiter

from bot.store.errors import reaching_redis

if TYPE_CHECKING:
    import redis
    from limits import RateLimitItem
    from limits.storage import Storage


class Counts(RedisStorage):
    """The library's counts in Redis, over a client that there is already, of a cluster or not.

    `key_prefix` begins every key; with a hash tag in it they all lie together, as the library's
    scripts want.
    """

    def __init__(self, client: redis.Redis, key_prefix: str) -> None:
        super().__init__("redis://", key_prefix=key_prefix)  # makes a client, and connects nowhere
        self.storage = client
        self.initialize_storage("")


class Throttle:
    """Counts in `storage` what each of many asks, and says when one may ask again."""

    def __init__(self, storage: Storage, limit: RateLimitItem) -> None:
        self._limiter = SlidingWindowCounterRateLimiter(storage)
        self._limit = limit

    def wait_s(self, whose: str) -> int:
        """Count a call. Return 0 if it may be made, else in how many seconds one may."""
        with reaching_redis():
            if self._limiter.hit(self._limit, whose):
                return 0
            reset = self._limiter.get_window_stats(self._limit, whose).reset_time
        return max(1, ceil(reset - time.time()))


def place_of(address: str) -> str:
    """Return where a request comes from: an IPv6 subscriber has a whole /64 of addresses."""
    try:
        parsed = ipaddress.ip_address(address)
    except ValueError:
        return address
    if parsed.version == 4:  # noqa: PLR2004 - IPv4
        return address
    return str(ipaddress.ip_network((parsed, 64), strict=False))
