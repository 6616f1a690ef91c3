"""How fast Fieldbell is, as ratios to a floor measured in the same run.

    python -m tests.benchmarks [--quick] [--full] [--strict]

`--quick` only shows that everything runs: its figures mean little. `--full` measures what is said
of a whole union with one of 100,000 growers, in a few minutes. `--strict` exits with 1
where a goal is missed widely. Rounds are short and many, and the two sides of a ratio take turns
in them, so that what else the machine does meets both; still, believe a ratio only from a run
whose load average is low.
"""

from __future__ import annotations

import argparse
import os
import platform
import sys
import tempfile
from pathlib import Path

from bot import data
from bot.store.server import EmbeddedRedis
from tests.benchmarks import enrolling, pages, rounds, trips, turns, webhook
from tests.benchmarks.table import render

QUICK = (1, 1, 1, 1, 200, 200)
USUAL = (30, 21, 6, 5, 20_000, 10_000)
"""Repeats of a turn, pairs of both sides, callers of the webhook at once, pairs of imports and
repeats of a page, growers, and texts of a round."""

UNION = 100_000
"""Growers of a large union."""


def main() -> int:
    """Measure, print the table and return the exit status."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks")
    parser.add_argument("--quick", action="store_true", help="small counts: does it run at all?")
    parser.add_argument("--strict", action="store_true", help="exit 1 on a goal missed widely")
    parser.add_argument("--full", action="store_true", help="100,000 growers throughout: minutes")
    options = parser.parse_args()
    repeats, pairs, callers, imports, growers, texts = QUICK if options.quick else USUAL
    if options.full:
        growers = texts = UNION
    load_before = os.getloadavg()[0]
    dialogue = data.dialogue()
    rows = turns.rows(dialogue, repeats)
    with (
        tempfile.TemporaryDirectory(prefix="fieldbell-") as folder,
        EmbeddedRedis(Path(folder)) as server,
    ):
        rows += trips.rows(dialogue, server.url, pairs)
        rows += webhook.rows(dialogue, server.url, Path(folder), callers, pairs)
        rows += enrolling.rows(dialogue, server.url, Path(folder), growers, imports)
        rows += rounds.rows(server.url, texts)
        rows += pages.rows(dialogue, server.url, growers, imports)
    machine = (
        f"Python {platform.python_version()}, {os.cpu_count()} CPUs, load average "
        f"{load_before:.1f} before and {os.getloadavg()[0]:.1f} after"
    )
    sys.stdout.write(f"{render(rows)}\n\n{machine}\n")
    return int(options.strict and any(row.verdict == "MISSED" for row in rows))


if __name__ == "__main__":
    sys.exit(main())
