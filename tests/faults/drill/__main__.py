"""Hundreds of kills under load, with a checker that keeps its own ledger.

    python -m tests.faults.drill [--minutes 60] [--seed N] [--everysec]
    python -m tests.faults.drill --store cluster        or sentinels

Prints each fault as it is done, then the ledger; exits with 1 where a text was lost or answered
wrongly, where one was sent again for no reason known, or where a process ended by itself. The same
seed draws the same faults in the same order.
"""

from __future__ import annotations

import argparse
import secrets
import shutil
import sys
import tempfile
from pathlib import Path

from .drilling import Drill, Plan
from .stores import KINDS


def main() -> int:
    """Run a drill, print its ledger and return the exit status."""
    parser = argparse.ArgumentParser(prog="python -m tests.faults.drill")
    parser.add_argument("--minutes", type=float, default=60)
    parser.add_argument("--seed", type=int, default=secrets.randbelow(1_000_000))
    parser.add_argument("--pause", type=float, default=3.0, help="seconds between faults")
    parser.add_argument("--texts", type=float, default=15, help="texts in, each second")
    parser.add_argument("--reminders", type=float, default=1, help="growers reminded, each second")
    parser.add_argument("--store", choices=KINDS, default="single")
    parser.add_argument("--everysec", action="store_true", help="appendfsync everysec, not always")
    options = parser.parse_args()
    plan = Plan(
        seconds=options.minutes * 60,
        seed=options.seed,
        texts_a_second=options.texts,
        reminders_a_second=options.reminders,
        pause_s=options.pause,
        kind=options.store,
        fsync="everysec" if options.everysec else "always",
        mount=True,
    )
    folder = Path(tempfile.mkdtemp(prefix="fieldbell-drill-"))
    outcome = Drill(plan, folder, lambda line: print(line, flush=True)).run()  # noqa: T201
    print("\n".join(["", *outcome.figures]))  # noqa: T201
    if outcome.faults:
        print("\n".join(["", *outcome.faults[:200]]))  # noqa: T201
        print(f"{len(outcome.faults)} faults; the logs are in {folder}")  # noqa: T201
        return 1
    print("no faults")  # noqa: T201
    shutil.rmtree(folder)
    return 0


if __name__ == "__main__":
    sys.exit(main())
