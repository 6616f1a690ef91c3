"""How fast Fieldbell is, as ratios to a floor measured in the same run; README.md says more.

    python -m tests.benchmarks [--quick] [--full] [--strict] [--accept] [--picture FILE.svg]

Rounds are short and many, and the two sides of a ratio take turns in them, so that what else the
machine does meets both; still, believe a ratio only from a run whose load average is low.
"""

from __future__ import annotations

import argparse
import os
import platform
import sys
import tempfile
from dataclasses import dataclass, replace
from pathlib import Path

from bot import data
from bot.store.server import EmbeddedRedis
from tests.benchmarks import (
    changes,
    enrolling,
    http_out,
    pages,
    picture,
    rounds,
    smpp,
    trips,
    turns,
    webhook,
)
from tests.benchmarks.table import Row, render
from tests.gateways.smpp_peer.peer import REQUIRED, NoPeerError


@dataclass(frozen=True, slots=True)
class Counts:
    """How much is measured: the more, the steadier."""

    repeats: int
    """Of each turn."""
    pairs: int
    """Of both sides of a ratio."""
    callers: int
    """Of the webhook, at once."""
    imports: int
    """Pairs of imports, and repeats of a page."""
    growers: int
    round: int
    """Texts of a round."""
    handed: int
    """Texts handed over, by SMPP and by HTTP, in each of some rounds."""
    rounds: int


QUICK = Counts(1, 1, 1, 1, 200, 200, 50, 1)
USUAL = Counts(30, 21, 6, 5, 20_000, 10_000, 1500, 3)

UNION = 100_000
"""Growers of a large union."""


def main() -> int:
    """Measure, print the table and return the exit status."""
    options = _options()
    counts = QUICK if options.quick else USUAL
    if options.full:
        counts = replace(counts, growers=UNION, round=UNION, handed=10_000)
    load_before = os.getloadavg()[0]
    rows, notes = _measured(counts)
    # What small counts come to is compared with nothing.
    expected = {} if options.quick else changes.read()
    worse = changes.regressions(rows, expected)
    machine = (
        f"Python {platform.python_version()}, {os.cpu_count()} CPUs, load average "
        f"{load_before:.1f} before and {os.getloadavg()[0]:.1f} after"
    )
    shown = {row.name: changes.change(row, expected) for row in rows}
    sys.stdout.write("\n".join([render(rows, shown), "", *worse, *notes, machine, ""]))
    if options.picture:
        options.picture.write_text(picture.draw(rows, machine), "utf-8")
    if options.accept:
        changes.accept(rows)
    return int(options.strict and bool(worse or any(row.verdict == "MISSED" for row in rows)))


def _options() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks")
    parser.add_argument("--quick", action="store_true", help="small counts: does it run at all?")
    parser.add_argument("--full", action="store_true", help="100,000 growers throughout: minutes")
    parser.add_argument(
        "--strict", action="store_true", help="exit 1 on a goal missed widely, or a regression"
    )
    parser.add_argument(
        "--accept", action="store_true", help="write these ratios into expected.toml"
    )
    parser.add_argument("--picture", type=Path, metavar="FILE.svg", help="draw the ratios")
    options = parser.parse_args()
    if options.quick and options.accept:
        parser.error("--quick measures nothing that could be accepted; leave it out")
    return options


def _measured(counts: Counts) -> tuple[list[Row], list[str]]:
    """Measure everything; return the rows, and what is to be said of those left out."""
    dialogue, notes = data.dialogue(), []
    rows = turns.rows(dialogue, counts.repeats)
    with (
        tempfile.TemporaryDirectory(prefix="fieldbell-") as folder,
        EmbeddedRedis(Path(folder)) as server,
    ):
        url = server.url
        rows += trips.rows(dialogue, url, counts.pairs)
        rows += webhook.rows(dialogue, url, Path(folder), counts.callers, counts.pairs)
        rows += enrolling.rows(dialogue, url, Path(folder), counts.growers, counts.imports)
        rows += rounds.rows(url, counts.round)
        rows += http_out.rows(counts.handed, counts.rounds)
        try:
            rows += smpp.rows(url, counts.handed, counts.rounds)
        except NoPeerError as error:
            if REQUIRED:
                raise
            notes.append(f"SMPP is left out, as there is no peer: {error}")
        rows += pages.rows(dialogue, url, counts.growers, counts.imports)
    return rows, notes


if __name__ == "__main__":
    sys.exit(main())
