"""How often somebody has asked, counted in our Redis: what the limits on attempts and calls use."""

from __future__ import annotations

from typing import TYPE_CHECKING

from limits.storage import RedisStorage

if TYPE_CHECKING:
    import redis


class Counts(RedisStorage):
    """The library's counts in Redis, over a client that there is already, of a cluster or not.

    `key_prefix` begins every key; with a hash tag in it they all lie together, as the library's
    scripts want.
    """

    def __init__(self, client: redis.Redis, key_prefix: str) -> None:
        super().__init__("redis://", key_prefix=key_prefix)  # makes a client, and connects nowhere
        self.storage = client
        self.initialize_storage("")
