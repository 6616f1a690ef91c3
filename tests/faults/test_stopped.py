"""A sender asked to stop, as by systemd: no text is lost, none sent twice, none kept waiting."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from bot.dialogue.records import Grower, enqueue
from bot.reminders.sender import LEASE_S
from bot.store import keys
from bot.store.growers import NEW, Commit, Store

if TYPE_CHECKING:
    from conftest import Gateway

    from bot.store.server import EmbeddedRedis

FIELDBELL = Path(sys.executable).with_name("fieldbell")
PATIENCE_S = 30.0
GROWERS = 40


@pytest.mark.parametrize("at_once", [1, 4])
@pytest.mark.parametrize("options", [(), ("--once",)])
def test_a_sender_stopped_in_a_batch_gives_back_what_it_has_not_come_to(  # noqa: PLR0913, PLR0917 - fixtures
    redis_server: EmbeddedRedis,
    store: Store,
    gateway: Gateway,
    profile: Path,
    processes: list[subprocess.Popen[bytes]],
    at_once: int,
    options: tuple[str, ...],
) -> None:
    profile.write_text(f"at_once = {at_once}\n{profile.read_text()}", encoding="utf-8")
    numbers = [f"+25565500{place:04d}" for place in range(GROWERS)]
    grower = enqueue(Grower(language="en"), ["One.", "Two."], "reply")
    began = time.time()
    assert store.commit_many([Commit(each, NEW, grower, began) for each in numbers]) == []
    expected = {f"{number}:{serial}" for number in numbers for serial in (1, 2)}

    def start(*options: str) -> subprocess.Popen[bytes]:
        process = subprocess.Popen(
            [FIELDBELL, "send", *options],
            env=os.environ | {"REDIS_URL": redis_server.url, "FIELDBELL_GATEWAY": str(profile)},
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        processes.append(process)
        return process

    sender = start(*options)

    def stopping() -> None:
        # With texts in the gateway's hands that it has yet to acknowledge.
        if len(gateway.ledger) >= 9:
            sender.terminate()

    gateway.holding = stopping
    gateway.wait_until(lambda: len(gateway.ledger) >= 9)
    assert sender.wait(PATIENCE_S) == 0
    gateway.holding = lambda: None
    assert len(gateway.ledger) < len(expected)

    # Nobody's lease keeps a second sender waiting, and everyone left is due at once.
    left = {each.rpartition(":")[0] for each in expected - gateway.ids().keys()}
    due = {}
    for shard in range(keys.SHARDS):
        assert store.redis.zcard(keys.lease_key(shard)) == 0
        due |= dict(store.redis.zrange(keys.due_key(shard), 0, -1, withscores=True))
    assert {number.decode() for number in due} == left
    assert max(due.values()) < began + LEASE_S / 2

    assert start("--once").wait(PATIENCE_S) == 0
    assert gateway.ids().keys() == expected
    assert gateway.repeats == 0
