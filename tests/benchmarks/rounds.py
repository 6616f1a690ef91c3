"""A round sent by one sender process, against two bare round trips for each text."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path
from time import perf_counter
from typing import TYPE_CHECKING

from bot.dialogue.records import Grower
from bot.store import keys
from bot.store.connecting import connect
from bot.store.groups import Groups
from bot.store.growers import NEW, Commit, Store
from bot.store.rounds import Round, Rounds
from tests.benchmarks.table import Row

if TYPE_CHECKING:
    import redis

RATE_GOAL = 3000
"""Texts a second."""

GROWTH_GOAL_MB = 8
"""How much the process may grow from the first quarter of a round to its end: not with its size."""

ROOT = Path(__file__).parents[2]
BATCH = 5000
GROUP = "Mirindi North"
TEXT = "{name}, the rains are late. Wait with planting until the soil is wet a hand deep."
BARE = 2000


def rows(url: str, texts: int) -> list[Row]:
    """Send a round to so many growers by a process of its own, as `fieldbell send` is one."""
    with connect(url) as client:
        client.flushdb()
        numbers = fill(client, texts)
        rate, began_mb, ended_mb = sent(url, texts)
        floor = _bare(client, numbers[:BARE])
        client.flushdb()
    growth = max(ended_mb - began_mb, 0.01)
    return [
        Row(
            f"a round of {texts:,} texts, 1 sender",
            "2 bare round trips a text",
            rate,
            floor,
            rate / floor,
            "texts/s",
            f"at least {RATE_GOAL:,}/s",
            rate / RATE_GOAL,
        ),
        Row(
            "the sender's memory at its end",
            "at a quarter of it",
            ended_mb,
            began_mb,
            ended_mb / began_mb,
            "MB",
            f"at most {GROWTH_GOAL_MB} MB more",
            GROWTH_GOAL_MB / growth,
        ),
    ]


def sent(url: str, texts: int, port: int = 0) -> tuple[float, float, float]:
    """Let a process of its own send a round; see `sending`. Texts a second, and megabytes twice."""
    told = subprocess.run(
        [sys.executable, "-m", "tests.benchmarks.sending", url, str(texts), str(port)],
        stdout=subprocess.PIPE,
        cwd=ROOT,
        check=True,
        timeout=300,
    ).stdout
    rate, began_mb, ended_mb = map(float, told.split())
    return rate, began_mb, ended_mb


def fill(client: redis.Redis, growers: int) -> list[str]:
    """Put growers in a group, and a round to all of them that is to begin at once."""
    store, rounds = Store(client), Rounds(client)
    Groups(client).named(GROUP)
    grower = Grower(language="en", name="Neema Kato", village="Kanoro", group=GROUP)
    numbers = [f"+2557{place:08d}" for place in range(growers)]
    for start in range(0, growers, BATCH):
        part = numbers[start : start + BATCH]
        store.commit_many([Commit(number, NEW, grower, None) for number in part])
    one = Round("r1", "Rains", "amina", 0, (GROUP,), texts={"en": TEXT}, rate=60_000)
    rounds.shelf.add(one.id, one)
    rounds.change_state(one.id, ("draft",), "running")
    return numbers


def _bare(client: redis.Redis, numbers: list[str]) -> float:
    """Read and write so many records one by one; how many a second."""
    began = perf_counter()
    for number in numbers:
        record = client.get(keys.grower_key(number))
        client.set(keys.grower_key(number), record)
    return len(numbers) / (perf_counter() - began)
