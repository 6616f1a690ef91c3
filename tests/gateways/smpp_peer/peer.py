"""The peer as a process of its own: `server.js`, on the npm package `smpp`.

The package comes from the npm registry once, by `npm ci`, into a folder for temporary files.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import subprocess
import tempfile
import threading
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Callable

HERE = Path(__file__).parent
REQUIRED = os.environ.get("REQUIRE_SMPP") == "required"
PATIENCE_S = 20.0
INSTALL_S = 120.0


class NoPeerError(Exception):
    """There is no node here, or no npm registry; the message says which."""


def modules() -> Path:
    """Return the folder of npm packages, installed if need be. Raises `NoPeerError`."""
    for program in ("node", "npm"):
        if shutil.which(program) is None:
            raise NoPeerError(f"{program} is not installed")
    lock = (HERE / "package-lock.json").read_bytes()
    name = f"fieldbell-smpp-peer-{os.getuid()}-{hashlib.sha256(lock).hexdigest()[:16]}"
    kept = Path(tempfile.gettempdir()) / name
    if not kept.exists():
        made = Path(tempfile.mkdtemp(prefix=f"{name}-"))
        for file in ("package.json", "package-lock.json"):
            shutil.copy(HERE / file, made)
        told = subprocess.run(
            ["npm", "ci", "--silent", "--no-audit", "--no-fund", "--ignore-scripts"],  # noqa: S607
            cwd=made,
            capture_output=True,
            text=True,
            check=False,
            timeout=INSTALL_S,
        )
        if told.returncode:
            shutil.rmtree(made)
            raise NoPeerError(f"npm ci failed: {told.stderr.strip()[-200:]}")
        try:
            made.rename(kept)
        except OSError:  # another test process was quicker
            shutil.rmtree(made)
    return kept / "node_modules"


class Peer:
    """A running peer. `events` are what it told, in order."""

    def __init__(self, *tls: Path) -> None:
        self.events: list[dict[str, Any]] = []
        self._changed = threading.Condition(threading.RLock())
        self._process = subprocess.Popen(
            ["node", str(HERE / "server.js"), *map(str, tls)],  # noqa: S607
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            env={**os.environ, "NODE_PATH": str(modules())},
            text=True,
        )
        self._reader = threading.Thread(target=self._read, name="peer", daemon=True)
        self._reader.start()
        self.port: int = self.wait("listening")["port"]

    def tell(self, what: str, **rest: object) -> None:
        """Give a command, and wait until it has been carried out."""
        assert self._process.stdin is not None
        done = len(self._seen("done"))
        self._process.stdin.write(json.dumps({"do": what, **rest}) + "\n")
        self._process.stdin.flush()
        self.wait("done", done + 1)

    def behave(self, **rest: object) -> None:
        """Change what the peer does from now on."""
        self.tell("behave", **rest)

    def reset(self) -> None:
        """Begin anew: no faults, no texts, nothing told yet."""
        self.tell("reset")
        with self._changed:
            self.events.clear()

    def all(self, event: str) -> list[dict[str, Any]]:
        """Return all events of a kind, up to now."""
        self.behave()  # what it told before has been read when this is done
        return self._seen(event)

    def count(self, event: str) -> int:
        return len(self.all(event))

    def wait(self, event: str, at_least: int = 1) -> dict[str, Any]:
        """Wait for so many events of a kind, and return the last of them."""
        self.until(lambda: len(self._seen(event)) >= at_least, f"{at_least} x {event}")
        return self._seen(event)[at_least - 1]

    def _seen(self, event: str) -> list[dict[str, Any]]:
        with self._changed:
            return [each for each in self.events if each["event"] == event]

    def until(self, true: Callable[[], bool], what: str) -> None:
        deadline = time.monotonic() + PATIENCE_S
        with self._changed:
            while not true():
                left = deadline - time.monotonic()
                assert left > 0, f"the peer did not tell {what}: {self.events[-20:]}"
                self._changed.wait(left)

    def close(self) -> None:
        """End the process."""
        assert self._process.stdin is not None
        self._process.stdin.close()
        self._process.wait(PATIENCE_S)
        self._reader.join()
        assert self._process.stdout is not None
        self._process.stdout.close()

    def _read(self) -> None:
        assert self._process.stdout is not None
        for line in self._process.stdout:
            with self._changed:
                self.events.append(json.loads(line))
                self._changed.notify_all()
