"""A process that can be killed, and is started again; what ends by itself is written down."""

from __future__ import annotations

import os
import signal
import subprocess
import threading
import time
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

ROOT = Path(__file__).parents[3]
PATIENCE_S = 60.0


@dataclass(frozen=True)
class Killed:
    """A process that was killed, and when (`time.monotonic`)."""

    name: str
    at: float


class Service:
    """One process, started again whenever it has ended. A group of its own, so that all of it goes.

    Each life has a name of its own ("sender-1.17"), which a command finds in `DRILL_LIFE`.
    """

    def __init__(
        self,
        name: str,
        command: list[str],
        log: Path,
        environment: Mapping[str, str],
        before: Callable[[], None] = lambda: None,
    ) -> None:
        self.name = name
        self.lives = 0
        self.kills: list[Killed] = []
        self.stops: list[tuple[str, float, float]] = []
        """Lives that were stopped for a while, from when until when."""
        self.ended: list[tuple[str, int, float]] = []
        """Lives that ended by themselves, with the exit status and when."""
        self.down_until = 0.0
        self.log = log
        self._command = command
        self._environment = environment
        self._before = before
        self._process: subprocess.Popen[bytes] | None = None
        self._lock = threading.RLock()

    @property
    def life(self) -> str:
        return f"{self.name}.{self.lives}"

    @property
    def pid(self) -> int | None:
        with self._lock:
            running = self._process is not None and self._process.poll() is None
            return self._process.pid if running and self._process else None

    def watch(self) -> None:
        """Start it, if it is not running and may."""
        with self._lock:
            if self._process is not None and self._process.poll() is not None:
                self.ended.append((self.life, self._process.returncode, time.monotonic()))
                self._process = None
            if self._process is None and time.monotonic() >= self.down_until:
                self.lives += 1
                self._process = self._begin()

    def _begin(self) -> subprocess.Popen[bytes]:
        self._before()
        with self.log.open("ab") as log:
            return subprocess.Popen(
                self._command,
                cwd=ROOT,
                env={**self._environment, "DRILL_LIFE": self.life},
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=log,
                start_new_session=True,
                # Else SIGXFSZ, which Python ignores, would kill Redis at a full disk.
                restore_signals=False,
            )

    def kill(self, down_s: float = 0.0) -> None:
        """Kill it with SIGKILL, and keep it down for so long."""
        with self._lock:
            if self._process is None or self._process.poll() is not None:
                return
            self.down_until = time.monotonic() + down_s
            os.killpg(self._process.pid, signal.SIGKILL)
            self._process.wait()
            self._process = None
            self.kills.append(Killed(self.life, time.monotonic()))

    def stop_for(self, seconds: float) -> None:
        """Stop it for so long, as a machine does that has run out of memory."""
        life, began = self.life, time.monotonic()
        if self.pause():
            time.sleep(seconds)
            self.wake()
            self.stops.append((life, began, time.monotonic()))

    def pause(self) -> bool:
        """Stop it (SIGSTOP); False if it does not run."""
        return self._signal(signal.SIGSTOP)

    def wake(self) -> bool:
        """Let it go on."""
        return self._signal(signal.SIGCONT)

    def _signal(self, which: signal.Signals) -> bool:
        with self._lock:
            if self._process is None or self._process.poll() is not None:
                return False
            os.killpg(self._process.pid, which)
            return True

    def end(self) -> int | None:
        """End it as an operator does; return its exit status."""
        with self._lock:
            self.down_until = float("inf")
            process, self._process = self._process, None
        if process is None:
            return None
        with suppress(ProcessLookupError):
            os.killpg(process.pid, signal.SIGCONT)  # it may be stopped
        process.terminate()
        try:
            return process.wait(PATIENCE_S)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
            return None
