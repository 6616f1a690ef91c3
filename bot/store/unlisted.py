"""Keys that no list leads to, sought among the names of all.

Whatever is to be found for one number is listed where it is kept, as to read every key's name takes
the longer the more growers there are. Versions before kept replies and uploads without a list, each
for a few days at most; so for as long after the first time anybody looks, names are read as well.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, cast

from bot.store import keys

if TYPE_CHECKING:
    import redis

SCAN_BATCH = 1000


def names_like(client: redis.Redis, pattern: str) -> list[str]:
    """Return the keys of a pattern. Reads every key's name: for rare use."""
    return [key.decode() for key in client.scan_iter(match=pattern, count=SCAN_BATCH)]


def unlisted(client: redis.Redis, pattern: str, kept_s: int, now: float) -> list[str]:
    """Return the keys of a pattern that a version before may have kept, for `kept_s` at most.

    No process of such a version may run any more. `now` is UTC epoch seconds.
    """
    since = cast("bytes | None", client.get(keys.lists_since_key()))
    if since is None:
        client.set(keys.lists_since_key(), int(now), nx=True)
    elif now - int(since) > kept_s:
        return []
    return names_like(client, pattern)
