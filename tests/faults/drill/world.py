"""The world of a drill: a store, web processes and senders, each a process that can be killed.

A watchman starts again whatever has ended, as systemd does in production. What ends without
having been killed is written down, for nothing may end by itself, whatever its store does.
"""

from __future__ import annotations

import os
import re
import struct
import sys
import threading
from typing import TYPE_CHECKING, Self

from tests.deployments import free_port

from .services import ROOT, Service

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path
    from types import TracebackType

    from .stores import Stored

LOOK_S = 0.05


class World:
    """All processes of a drill, on one folder. `stored` has been entered already.

    `ahead_s` is how far the drill's clock is ahead of the machine's, `lease_s` how long a sender's
    claim lasts.
    """

    def __init__(  # noqa: PLR0913, PLR0917 - what a world is made of
        self,
        folder: Path,
        profile: Path,
        stored: Stored,
        ahead_s: float = 0.0,
        lease_s: float = 12.0,
        webs: int = 2,
        senders: int = 2,
    ) -> None:
        self.folder = folder
        self.stored = stored
        self.lease_s = lease_s
        self.clock = folder / "clock"
        self.clock.write_bytes(bytes(8))
        self.ahead_s = ahead_s
        self.set_clock(0)
        self.ports = [free_port() for _ in range(webs)]
        environment = {
            "PATH": os.environ["PATH"],
            "PYTHONPATH": str(ROOT),
            "PYTHONUTF8": "1",
            "REDIS_URL": stored.url,
            "FIELDBELL_REPLICAS": str(stored.copies),
            "FIELDBELL_GATEWAY": str(profile),
            # What piled up while all was down comes at once, and all from one address.
            "FIELDBELL_MOST_REQUESTS": "0",
        }
        clocked = [sys.executable, "-m", "tests.faults.drill.clocked", str(self.clock)]
        self.webs = [
            self._service(f"web-{each}", [*clocked, "web", str(port)], environment)
            for each, port in enumerate(self.ports, start=1)
        ]
        self.senders = [
            self._service(f"sender-{each}", [*clocked, "send", str(lease_s)], environment)
            for each in range(1, senders + 1)
        ]
        self._stop = threading.Event()
        self._watchman = threading.Thread(target=self._watch, name="watchman")

    @property
    def services(self) -> list[Service]:
        return [*self.stored.services, *self.webs, *self.senders]

    def __enter__(self) -> Self:
        self._watchman.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._stop.set()
        self._watchman.join()
        for service in [*self.senders, *self.webs, *self.stored.services]:
            service.end()

    def set_clock(self, ahead_s: float) -> None:
        """Put the clock of all commands so far ahead of the drill's own, or behind it."""
        with self.clock.open("r+b") as file:
            file.write(struct.pack("d", self.ahead_s + ahead_s))

    def tracebacks(self) -> list[str]:
        """The errors nobody has caught, or that were logged as never meant to be."""
        found = []
        for service in self.services:
            text = service.log.read_text(errors="replace") if service.log.exists() else ""
            found += [
                f"{service.name}: {part.strip()}"
                for part in re.findall(r"Traceback \(most recent.*?\n(\S[^\n]*)", text, re.DOTALL)
            ]
        return found

    def _service(self, name: str, command: list[str], environment: Mapping[str, str]) -> Service:
        return Service(name, command, self.folder / f"{name}.log", environment)

    def _watch(self) -> None:
        while not self._stop.wait(LOOK_S):
            for service in self.services:
                service.watch()
            self.stored.watch()
