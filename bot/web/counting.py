"""How often somebody has asked: counts for the library of limits, in Redis and in our own memory."""

from __future__ import annotations

import ipaddress
import time
from collections import Counter
from math import ceil
from threading import Lock
from typing import TYPE_CHECKING

from limits.storage import RedisStorage
from limits.storage.base import Storage
from limits.strategies import SlidingWindowCounterRateLimiter

from bot.store.errors import reaching_redis

if TYPE_CHECKING:
    from collections.abc import Callable

    import redis
    from limits import RateLimitItem


class Counts(RedisStorage):
    """The library's counts in Redis, over a client that there is already, of a cluster or not.

    `key_prefix` begins every key; with a hash tag in it they all lie together, as the library's
    scripts want.
    """

    def __init__(self, client: redis.Redis, key_prefix: str) -> None:
        super().__init__("redis://", key_prefix=key_prefix)  # makes a client, and connects nowhere
        self.storage = client
        self.initialize_storage("")


class OwnCounts(Storage):
    """The library's counts in this process's memory, for windows of one length that begin together.

    All of them go when the window does, so a flood fills no memory. The library's own memory starts
    a thread every hundredth of a second to see what has lapsed, which a webhook would feel.
    `clock` gives seconds from any beginning.
    """

    STORAGE_SCHEME = None

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        super().__init__()
        self._clock = clock
        self._window = 0
        self._expiry = 1
        self._counts = Counter[str]()
        self._lock = Lock()

    @property
    def base_exceptions(self) -> tuple[type[Exception], ...]:
        """What storing may raise: nothing."""
        return ()

    def incr(self, key: str, expiry: int, amount: int = 1) -> int:
        """Count up in the window of `expiry` seconds that is open now; return the count."""
        with self._lock:
            self._open(expiry)
            self._counts[key] += amount
            return self._counts[key]

    def get(self, key: str) -> int:
        """Return a count of the window that is open now."""
        with self._lock:
            self._open(self._expiry)
            return self._counts[key]

    def get_expiry(self, key: str) -> float:  # noqa: ARG002 - all end together
        """Return when the window that is open now ends, in UTC epoch seconds."""
        return time.time() + self._expiry - self._clock() % self._expiry

    def check(self) -> bool:
        """Tell whether counts can be kept."""
        return True

    def reset(self) -> int:
        """Forget every count; return how many there were."""
        with self._lock:
            many = len(self._counts)
            self._counts.clear()
        return many

    def clear(self, key: str) -> None:
        """Forget one count."""
        with self._lock:
            self._counts.pop(key, None)

    def _open(self, expiry: int) -> None:
        window = int(self._clock() / expiry)
        if (window, expiry) != (self._window, self._expiry):
            self._window, self._expiry = window, expiry
            self._counts.clear()


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
    """Return where a request comes from: an IPv6 subscriber has a whole /64 of addresses.

    An IPv4 address that was written as one of IPv6, as a server that listens to both has it
    (RFC 4291, 2.5.5.2), is the IPv4 address: all of them lie in one /64.
    """
    if ":" not in address:
        return address
    try:
        parsed = ipaddress.IPv6Address(address)
    except ValueError:
        return address
    mapped = parsed.ipv4_mapped
    return str(mapped or ipaddress.ip_network((parsed, 64), strict=False))
