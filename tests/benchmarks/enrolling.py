"""Enrolling a union's growers from a file, against the bare write of what is then stored."""

from __future__ import annotations

import random
from statistics import median
from time import perf_counter
from typing import TYPE_CHECKING

from bot.enrolment import importing
from bot.enrolment.files import open_sheet
from bot.enrolment.rows import read_rows
from bot.settings import Settings
from bot.store import keys
from bot.store.connecting import connect
from bot.store.groups import Group
from bot.store.growers import Store
from tests.benchmarks.table import Row

if TYPE_CHECKING:
    from pathlib import Path

    import redis

    from bot.dialogue.turn import Dialogue

GOAL = 3.0
"""How many times as long as the bare write the whole may take: reading, judging, counting."""

GROUP = Group("Mirindi North", zone="Africa/Dar_es_Salaam", language="sw")
NAMES = ("Neema Kato", "Baraka Mwita", "Asha Lema", "Juma Nyembe")
VILLAGES = ("Kanoro", "Luhembe", "Kasele")


def rows(dialogue: Dialogue, url: str, folder: Path, growers: int, rounds: int) -> list[Row]:
    """Take a file into an empty store, and write the same records bare, in turn."""
    file = folder / "growers.csv"
    _write(file, growers)
    ours, floors = [], []
    with connect(url) as client:
        for _ in range(rounds + 1):
            client.flushdb()
            ours.append(_take_in(dialogue, Store(client), file, growers))
            records = _records(client, growers)
            client.flushdb()
            floors.append(_write_bare(client, records))
        client.flushdb()
    # The first round sends the script and fills the caches.
    pairs = list(zip(ours, floors, strict=True))[1:]
    ratio = median(one / floor for one, floor in pairs)
    ours_us, floor_us = (median(pair[side] for pair in pairs) / growers * 1e6 for side in (0, 1))
    return [
        Row(
            f"a grower enrolled, of {growers:,}",
            "a bare pipelined SET",
            ours_us,
            floor_us,
            ratio,
            "us",
            f"at most {GOAL:.0f}",
            GOAL / ratio,
        )
    ]


def _write(file: Path, growers: int) -> None:
    chance = random.Random(7)  # noqa: S311 - any will do
    with file.open("w", encoding="utf-8") as lines:
        lines.write("Phone,Name,Village,Language,Consent\n")
        for place in range(growers):
            name, village = chance.choice(NAMES), chance.choice(VILLAGES)
            lines.write(f"07{place:08d},{name},{village},Kiswahili,yes\n")


def _take_in(dialogue: Dialogue, store: Store, file: Path, growers: int) -> float:
    """Enrol a file; seconds."""
    began = perf_counter()
    with file.open("rb") as stream, open_sheet(stream) as sheet:
        found = read_rows(sheet, "TZ", dialogue.languages)
        report = importing.take_in(found, GROUP, store, Settings(), 0, asks_consent=True)
    took = perf_counter() - began
    if report.growers != {"added": growers}:
        raise RuntimeError(f"not every grower was enrolled: {report}")
    return took


def _records(client: redis.Redis, growers: int) -> list[tuple[str, bytes]]:
    names = [keys.grower_key(f"+2557{place:08d}") for place in range(growers)]
    return list(zip(names, client.mget(names), strict=True))


def _write_bare(client: redis.Redis, records: list[tuple[str, bytes]]) -> float:
    """Write records in batches of the same size; seconds."""
    began = perf_counter()
    for start in range(0, len(records), importing.BATCH):
        pipe = client.pipeline(transaction=False)
        for name, record in records[start : start + importing.BATCH]:
            pipe.set(name, record)
        pipe.execute()
    return perf_counter() - began
