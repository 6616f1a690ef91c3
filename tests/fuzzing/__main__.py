"""Feed the readers of strangers' bytes with a million strange inputs.

    nice python -m tests.fuzzing --inputs 1000000
    python -m tests.fuzzing --target profiles --inputs 50000 --seed 7
    python -m tests.fuzzing --target profiles --atheris 600    # seconds; needs atheris

Inputs are made of good ones (`mutating`), the same for the same seed. One that crashes a target, or
takes it more than `--patience` seconds of the processor, is kept in a file and named; the run goes on, and
ends with status 1. With atheris, which is no dependency of ours, inputs are led by what they cover.
"""

from __future__ import annotations

import argparse
import gc
import logging
import signal
import sys
import tempfile
import time
import traceback
import warnings
from pathlib import Path
from random import Random
from types import FunctionType
from typing import TYPE_CHECKING

from bot.settings import Settings
from bot.store.growers import Store
from bot.store.server import EmbeddedRedis
from tests.fuzzing.mutating import mutated
from tests.fuzzing.targets import TARGETS, WEBHOOK_SHARE, Target, webhook_seeds, webhooks

if TYPE_CHECKING:
    from types import FrameType

LED_THROUGH = ("bot.", "babel.messages", "openpyxl.worksheet", "csv", "tomllib")
"""Modules in which atheris looks at what an input covers."""

ENOUGH = 20
"""Crashes of one target after which it is left alone."""


class TooLongError(BaseException):
    """An input that holds its reader up. No reader catches it with its own errors."""


def main() -> int:
    """Run what the command line asks for; return the exit status."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--inputs", type=int, default=10_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--target", choices=[*TARGETS, "webhooks"], action="append")
    parser.add_argument("--patience", type=float, default=10.0)
    parser.add_argument("--atheris", type=float, metavar="SECONDS", default=0)
    parser.add_argument("--keep", type=Path, default=Path(tempfile.gettempdir()))
    given = parser.parse_args()
    logging.disable()
    warnings.simplefilter("ignore")
    with tempfile.TemporaryDirectory() as folder, EmbeddedRedis(Path(folder)) as server:
        post = webhooks(Store(server.client()), Settings())
        targets = TARGETS | {"webhooks": Target(webhook_seeds(), post, WEBHOOK_SHARE)}
        chosen = {name: targets[name] for name in given.target or targets}
        if given.atheris:
            return _led(*chosen.popitem(), given.atheris)
        whole, found = sum(each.share for each in chosen.values()), 0
        for name, target in chosen.items():
            count = round(given.inputs * target.share / whole)
            found += _fuzz(name, target, count, given)
    return 1 if found else 0


def _fuzz(name: str, target: Target, count: int, given: argparse.Namespace) -> int:
    """Feed one target, and return how many inputs it did not bear."""
    random = Random(f"{name}{given.seed}")  # noqa: S311 - the same for the same seed
    began, found, slowest = time.monotonic(), 0, 0.0
    signal.signal(signal.SIGPROF, _too_long)
    done = taken = 0
    for seed in target.seeds:
        target.run(seed)
    for done in range(1, count + 1):
        put = mutated(target.seeds, random)
        start = time.process_time()
        signal.setitimer(signal.ITIMER_PROF, given.patience)
        try:
            taken += target.run(put)
        except (Exception, TooLongError) as error:  # noqa: BLE001 - whatever it is, it is a crash
            signal.setitimer(signal.ITIMER_PROF, 0)
            found += 1
            file = given.keep / f"crash-{name}-{given.seed}-{done}"
            file.write_bytes(put)
            frame = traceback.extract_tb(error.__traceback__)[-1]
            where = f"{frame.filename}:{frame.lineno}"
            _say(f"{name}: {type(error).__name__}: {error!s:.100} at {where}; {file}")
            if found >= ENOUGH:
                break
        signal.setitimer(signal.ITIMER_PROF, 0)
        slowest = max(slowest, time.process_time() - start)
    took = time.monotonic() - began
    _say(
        f"{name}: {done:,} inputs, {taken:,} of use, {found} crashes, {took:,.0f} s, "
        f"slowest {slowest:.2f} s"
    )
    return found


def _say(line: str) -> None:
    sys.stdout.write(f"{line}\n")
    sys.stdout.flush()


def _too_long(_number: int, _frame: FrameType | None) -> None:
    raise TooLongError


def _led(name: str, target: Target, seconds: float) -> int:
    """Let atheris look for inputs that reach what no other has."""
    import atheris  # noqa: PLC0415 - not ours to install

    def feed(put: bytes) -> None:
        target.run(put)

    with tempfile.TemporaryDirectory() as corpus:
        for place, seed in enumerate(target.seeds):
            Path(corpus, f"{name}-{place}").write_bytes(seed)
        for each in gc.get_objects():
            if isinstance(each, FunctionType) and str(each.__module__).startswith(LED_THROUGH):
                atheris.instrument_func(each)
        options = [f"-max_total_time={seconds:.0f}", "-max_len=4096", corpus]
        atheris.Setup([sys.argv[0], *options], feed)
        atheris.Fuzz()  # ends the process
    return 0


if __name__ == "__main__":
    sys.exit(main())
