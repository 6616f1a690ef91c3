"""Whether this process is alive, and whether it can do its work: for whatever watches over it.

Being alive asks nothing of Redis: to start a process anew because Redis is down would help
nobody. Being ready does: while it is not, texts are better taken by another process, or delivered
again.
"""

from __future__ import annotations

import logging
from typing import TYPE_CHECKING

from flask import Blueprint, Response, jsonify

from bot.operating.backups import being_restored
from bot.store import keys
from bot.store.errors import StoreUnavailable, reaching_redis
from bot.store.trips import heeded, together

if TYPE_CHECKING:
    import redis

log = logging.getLogger(__name__)

RETRY_S = "10"
"""Seconds after which it is worth asking again."""

PROBE_S = 60
"""How long what was written to see whether Redis writes stays there."""


def create_health(client: redis.Redis, copies: int = 0) -> Blueprint:
    """Make /health and /ready. What they say is for anyone to read, so it names no address.

    `copies` is how many replicas must have a text before it is acknowledged.
    """
    pages = Blueprint("health", __name__)

    @pages.get("/health")
    def health() -> Response:
        """Say that the process answers."""
        return Response("ok\n", content_type="text/plain")

    @pages.get("/ready")
    def ready() -> tuple[Response, int, dict[str, str]]:
        """Say whether texts can be taken, and if not, what keeps them."""
        missing = lacking(client, copies)
        headers = {"Cache-Control": "no-store"}
        if missing:
            headers["Retry-After"] = RETRY_S
        return jsonify(ready=not missing, missing=missing), 503 if missing else 200, headers

    return pages


def lacking(client: redis.Redis, copies: int = 0) -> list[str]:
    """Name what keeps texts from being taken: "redis", "writes", "restore"; empty if nothing does.

    Too few replicas are among "writes", as texts wait for them in vain.
    The flows and the settings were read, or there would be no app to ask.
    """
    try:
        restoring = being_restored(client)
    except StoreUnavailable as error:
        log.warning("not ready: %s", error)
        return ["redis"]
    try:
        with reaching_redis():
            heeded(together(client, [("SET", keys.probe_key(), "1", "EX", PROBE_S)], copies))
    except StoreUnavailable as error:
        log.warning("not ready: %s", error)
        return ["writes"]
    return ["restore"] if restoring else []
