"""A round with its process killed at random: no grower missed, none told under two ids."""

from __future__ import annotations

import random
import subprocess
import sys
from collections import Counter
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from bot.dialogue.records import Grower
from bot.reminders.sender import LEASE_S
from bot.reminders.spreading import LOCK_S
from bot.store import keys
from bot.store.groups import Groups
from bot.store.growers import NEW, Commit, Store
from bot.store.rounds import Round, Rounds

if TYPE_CHECKING:
    from conftest import Gateway

    from bot.store.server import EmbeddedRedis

SENDING = Path(__file__).with_name("sending.py")
NINE = datetime(2026, 3, 2, 6, 0, tzinfo=UTC).timestamp()  # 09:00 in Dar es Salaam
GROUP = "Mirindi North"


@pytest.mark.parametrize(
    ("many", "kills"), [(300, 4), pytest.param(20_000, 100, marks=pytest.mark.slow)]
)
def test_a_round_killed_at_random_tells_everyone_once(  # noqa: PLR0913, PLR0917 - fixtures and a size
    redis_server: EmbeddedRedis,
    store: Store,
    gateway: Gateway,
    profile: Path,
    processes: list[subprocess.Popen[bytes]],
    many: int,
    kills: int,
) -> None:
    numbers = [f"+2557123{place:05d}" for place in range(many)]
    Groups(store.redis).named(GROUP)
    grower = Grower(language="sw", name="Neema", group=GROUP)
    assert store.commit_many([Commit(each, NEW, grower, None) for each in numbers]) == []
    rounds = Rounds(store.redis)
    text = {"sw": "Habari {name}, mkutano Jumamosi."}
    one = Round("r1", "Meeting", "x", 1, (GROUP,), texts=text, rate=60_000, state="running")
    rounds.shelf.add("r1", one)

    moments = random.Random(20260302)  # noqa: S311 - no secret
    now = NINE
    for _ in range(kills):
        process = subprocess.Popen(
            [sys.executable, SENDING, redis_server.url, profile, str(now)],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        processes.append(process)
        goal = len(gateway.ledger) + moments.randint(1, many // (kills + 2))
        gateway.wait_until(lambda goal=goal: len(gateway.ledger) >= goal)
        process.kill()
        process.wait()
        # The next one starts when the lease and the lock have lapsed.
        now += LEASE_S + LOCK_S + 1
        store.redis.delete(keys.spreader_key())
    processes.append(
        subprocess.Popen([sys.executable, SENDING, redis_server.url, profile, str(now)])
    )
    gateway.wait_until(lambda: len(gateway.ids()) >= many)

    # One id a grower: a gateway that knows ids texts nobody twice, any other at most once more
    # for each crash.
    told = Counter(each.to for each in {each.id: each for each in gateway.ledger}.values())
    assert told == Counter(numbers)
    assert gateway.repeats <= kills
    assert all(each.text == "Habari Neema, mkutano Jumamosi." for each in gateway.ledger)
