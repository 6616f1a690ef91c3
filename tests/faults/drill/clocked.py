"""The commands as they are, on a clock that the drill can put forth and back, with short leases.

    python -m tests.faults.drill.clocked CLOCK send LEASE_S
    python -m tests.faults.drill.clocked CLOCK web PORT

CLOCK is a file with the seconds to add to the machine's clock, as eight bytes. A lease lasts
minutes and a first retry comes after one; here both take seconds, so that an hour of drills has
thousands of them. Nothing else differs from `fieldbell send` and from gunicorn.
"""

from __future__ import annotations

import mmap
import struct
import sys
import time
from pathlib import Path

LOCK_S = 5.0
FIRST_RETRY_S = 1
LONGEST_RETRY_S = 8
OUTAGE_S = 1.0

THREADS = 4


def put_clock(file: Path) -> None:
    """Let this process tell the time by the file's clock. Before anything of ours is imported."""
    with file.open("rb") as opened:
        shared = mmap.mmap(opened.fileno(), struct.calcsize("d"), access=mmap.ACCESS_READ)
    machine = time.time

    def told() -> float:
        (ahead,) = struct.unpack("d", shared[:])
        return machine() + float(ahead)

    time.time = told


def send(lease_s: float) -> None:
    """Be `fieldbell send`, with leases of so many seconds."""
    from bot import cli  # noqa: PLC0415 - the clock comes first
    from bot.reminders import schedule, sender, spreading  # noqa: PLC0415

    sender.LEASE_S = lease_s
    spreading.LOCK_S = LOCK_S
    sender.OUTAGE_S = OUTAGE_S
    schedule.FIRST_RETRY_S = FIRST_RETRY_S
    schedule.LONGEST_RETRY_S = LONGEST_RETRY_S
    cli.main(["send"])


def web(port: str) -> None:
    """Be gunicorn with our app."""
    from gunicorn.app.wsgiapp import run  # noqa: PLC0415 - the clock comes first

    options = ["--bind", f"127.0.0.1:{port}", "--threads", str(THREADS), "--timeout", "60"]
    sys.argv = ["gunicorn", *options, "bot.web:create_app()"]
    run()


if __name__ == "__main__":
    put_clock(Path(sys.argv[1]))
    if sys.argv[2] == "send":
        send(float(sys.argv[3]))
    else:
        web(sys.argv[3])
