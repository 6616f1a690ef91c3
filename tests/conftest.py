from __future__ import annotations

import os
from typing import TYPE_CHECKING

import pytest
from deployments import Cluster, Sentinels
from hypothesis import settings

from bot.store.growers import Store
from bot.store.server import EmbeddedRedis

if TYPE_CHECKING:
    from collections.abc import Iterator

    import redis
    from deployments import Deployment


# How long one example takes is for the benchmarks; a busy machine must not fail a property.
settings.register_profile("fieldbell", deadline=None)
settings.load_profile("fieldbell")


@pytest.fixture(scope="session")
def redis_server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[EmbeddedRedis]:
    """One real Redis for the whole run."""
    with EmbeddedRedis(tmp_path_factory.mktemp("redis")) as server:
        yield server


@pytest.fixture(scope="session")
def sentinels(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Sentinels]:
    """A primary and a replica behind Sentinels for the whole run."""
    with Sentinels(tmp_path_factory.mktemp("sentinels")) as deployment:
        yield deployment


@pytest.fixture(scope="session")
def cluster(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Cluster]:
    """A Redis Cluster for the whole run."""
    with Cluster(tmp_path_factory.mktemp("cluster")) as deployment:
        yield deployment


@pytest.fixture
def redis_kind() -> str:
    """How Redis is deployed: TEST_REDIS=sentinels or =cluster tries any test with another."""
    return os.environ.get("TEST_REDIS", "redis_server")


@pytest.fixture
def deployment(redis_kind: str, request: pytest.FixtureRequest) -> EmbeddedRedis | Deployment:
    """The Redis that a test has; its `client()` makes one more client."""
    return request.getfixturevalue(redis_kind)


@pytest.fixture
def redis_client(deployment: EmbeddedRedis | Deployment) -> Iterator[redis.Redis]:
    """A client of an empty Redis."""
    with deployment.client() as client:
        client.flushall()
        yield client


@pytest.fixture
def store(redis_client: redis.Redis) -> Store:
    """A store in an empty Redis."""
    return Store(redis_client)
