"""The floor of the webhook: a Flask view that makes a turn's two round trips and no turn."""

from __future__ import annotations

from typing import Any, cast

import msgspec
from flask import Flask, request

from bot.store import codec, keys
from bot.store.connecting import connect
from bot.store.growers import REPLAY_S
from bot.store.indexes import raw
from bot.store.scripts import script


def commit_script() -> str:
    """The script by which the store commits a turn."""
    return script("commit.lua")


def create_app(url: str, record_bytes: int, reply_bytes: int) -> Flask:
    """Make an app that writes records and gives replies of these sizes, whatever it is sent.

    It reads the number and the id, without which it would not know what to read from Redis.
    """
    app = Flask("bare", static_folder=None)
    client = connect(url)
    digest = client.script_load(commit_script())
    record, reply = bytes(record_bytes), "." * reply_bytes

    @app.post("/hooks/ussd")
    def ussd() -> dict[str, Any]:
        step = request.get_json()
        number, shard = step["from"], keys.shard_of(step["from"])
        grower, seen = keys.grower_key(number), keys.seen_key(number, step["id"])
        due = keys.due_key(shard)
        names = (grower, due, seen)
        stored, _ = cast("list[bytes | None]", client.mget([grower, seen]))
        read = stored[: codec.VERSION_BYTES] if stored else b""
        written = codec.version_bytes(int.from_bytes(read, "big") + 1) + record
        # A turn as the script reads it, in its simplest form: record, due index, reply.
        writes = [
            ("ZREM", due, number),
            ("SET", seen, reply, "EX", REPLAY_S),
        ]
        turns = msgspec.msgpack.encode(([(grower, raw(read), raw(written), writes, 0)], (), 0))
        client.evalsha(digest, len(names), *names, turns)
        return {"text": reply, "continue": True}

    return app
