"""The limits on attempts and calls, on each way to deploy Redis."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING

import pytest
from limits import RateLimitItemPerMinute, RateLimitItemPerSecond
from limits.strategies import FixedWindowRateLimiter

from bot.store import keys
from bot.web.counting import Counts, OwnCounts, Throttle, place_of
from bot.web.desk.signing_in import PER_NAME
from bot.web.desk.signing_in import Throttle as OfAttempts

if TYPE_CHECKING:
    import redis


@pytest.fixture(params=["redis_server", "sentinels", "cluster"])
def redis_kind(request: pytest.FixtureRequest) -> str:
    return str(request.param)


def test_attempts_are_counted_and_cleared(redis_client: redis.Redis) -> None:
    throttle = OfAttempts(redis_client)
    tries = [throttle.wait_s("amina", "10.0.0.1") for _ in range(PER_NAME.amount + 1)]
    assert tries[:-1] == [0] * PER_NAME.amount
    assert 0 < tries[-1] <= PER_NAME.get_expiry()
    assert throttle.wait_s("baraka", "10.0.0.1") == 0
    throttle.clear("amina", "10.0.0.1")
    assert throttle.wait_s("amina", "10.0.0.1") == 0
    assert all(each.startswith(b"{desk}:attempts") for each in redis_client.scan_iter())


def test_calls_are_counted(redis_client: redis.Redis) -> None:
    throttle = Throttle(Counts(redis_client, keys.requests_key()), RateLimitItemPerMinute(3))
    assert [throttle.wait_s("union") for _ in range(3)] == [0, 0, 0]
    assert 0 < throttle.wait_s("union") <= 60
    assert throttle.wait_s("another") == 0
    assert all(each.startswith(b"{desk}:requests") for each in redis_client.scan_iter())


def test_what_is_counted_in_our_own_memory_is_told_as_the_library_tells_it() -> None:
    now = 100.0
    counts = OwnCounts(lambda: now)
    limiter, limit = FixedWindowRateLimiter(counts), RateLimitItemPerSecond(2, 10)
    assert [limiter.hit(limit, "a") for _ in range(3)] == [True, True, False]
    assert limiter.hit(limit, "b")
    now = 109.0
    assert not limiter.test(limit, "a")
    left = limiter.get_window_stats(limit, "b")
    assert left.remaining == 1
    assert left.reset_time == pytest.approx(time.time() + 1, abs=0.5)
    limiter.clear(limit, "a")
    assert limiter.test(limit, "a")
    now = 110.0
    assert limiter.get_window_stats(limit, "b").remaining == 2
    assert limiter.hit(limit, "b")
    assert counts.check()
    assert counts.reset() >= 1
    assert limiter.get_window_stats(limit, "b").remaining == 2


# RFC 4291, 2.5.5.2: where a server listens to both, an IPv4 address comes in the clothes of IPv6.
@pytest.mark.parametrize(
    ("address", "place"),
    [
        ("192.0.2.7", "192.0.2.7"),
        ("::ffff:192.0.2.7", "192.0.2.7"),
        ("::ffff:c000:207", "192.0.2.7"),
        ("2001:db8:1:2:3:4:5:6", "2001:db8:1:2::/64"),
        ("", ""),
        ("a socket's file", "a socket's file"),
    ],
)
def test_where_somebody_is_is_an_address_or_the_network_of_a_subscriber(
    address: str, place: str
) -> None:
    assert place_of(address) == place
