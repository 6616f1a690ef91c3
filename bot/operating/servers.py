"""The servers behind a client, each by itself: what is set and told of them is told by each."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from bot.store.errors import reaching_redis

if TYPE_CHECKING:
    from collections.abc import Iterator

    import redis


def servers(client: redis.Redis) -> Iterator[tuple[str, redis.Redis]]:
    """Go through the servers that hold our keys, each with its name; one, unless it is a cluster.

    Raises StoreUnavailable.
    """
    primaries = getattr(client, "get_primaries", None)
    if primaries is None:
        yield "Redis", client
        return
    with reaching_redis():
        nodes = primaries()
    for node in nodes:
        yield node.name, getattr(client, "get_redis_connection")(node)  # noqa: B009 - a cluster's


def info(server: redis.Redis) -> dict[str, Any]:
    """Return what a server says of itself. Raises StoreUnavailable."""
    with reaching_redis():
        return server.info()
