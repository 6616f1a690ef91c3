from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from hypothesis import settings

from bot.store.growers import Store
from bot.store.server import EmbeddedRedis

if TYPE_CHECKING:
    from collections.abc import Iterator

    import redis


# How long one example takes is for the benchmarks; a busy machine must not fail a property.
settings.register_profile("fieldbell", deadline=None)
settings.load_profile("fieldbell")


@pytest.fixture(scope="session")
def redis_server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[EmbeddedRedis]:
    """One real Redis for the whole run."""
    with EmbeddedRedis(tmp_path_factory.mktemp("redis")) as server:
        yield server


@pytest.fixture
def redis_client(redis_server: EmbeddedRedis) -> Iterator[redis.Redis]:
    """A client of an empty Redis."""
    with redis_server.client() as client:
        client.flushall()
        yield client


@pytest.fixture
def store(redis_client: redis.Redis) -> Store:
    """A store in an empty Redis."""
    return Store(redis_client)
