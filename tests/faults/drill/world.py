"""The world of a drill: a Redis, web processes and senders, each a process that can be killed.

A watchman starts again whatever has ended, as systemd does in production. What ends without
having been killed is written down, for nothing may end by itself, whatever its store does.
"""

from __future__ import annotations

import os
import re
import resource
import signal
import socket
import struct
import subprocess
import sys
import threading
import time
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Self

import redis
from redis.backoff import NoBackoff
from redis.retry import Retry

from bot.store.server import find_server

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from types import TracebackType

ROOT = Path(__file__).parents[3]
LOOK_S = 0.05
PATIENCE_S = 60.0

HALF = "{s00}:half"
TORN = (
    b"*1\r\n$5\r\nMULTI\r\n*3\r\n$3\r\nSET\r\n$10\r\n{s00}:half\r\n$3\r\nyes\r\n"
    b"*3\r\n$3\r\nSET\r\n$32\r\n{s00}:grower:+2556"
)
"""The first write of a script, `HALF`, and a part of the second; it must never come true."""


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
        self._command = command
        self._log = log
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
                self._before()
                self.lives += 1
                with self._log.open("ab") as log:
                    self._process = subprocess.Popen(
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


class Disk:
    """Where Redis writes: a small file system of its own if we may mount one, else a limit.

    Without the right to mount, the size of any file that Redis writes is limited to what its
    append-only file has now (RLIMIT_FSIZE): a write beyond fails with EFBIG instead of ENOSPC.
    """

    SIZE = "1g"

    def __init__(self, folder: Path, mount: bool) -> None:  # noqa: FBT001 - one of two kinds
        self.folder = folder
        folder.mkdir(parents=True)
        self.mounted = mount and self._mount("-t", "tmpfs", "-o", f"size={self.SIZE}", "tmpfs")
        self.full = False

    def _mount(self, *arguments: str) -> bool:
        command = ["mount", *arguments, str(self.folder)]
        try:
            return subprocess.run(command, capture_output=True, check=False).returncode == 0
        except OSError:
            return False

    def fill(self, redis_pid: int | None) -> None:
        self.full = True
        if self.mounted:
            used = os.statvfs(self.folder)
            kept = (used.f_blocks - used.f_bfree) * used.f_frsize // 1024 + 8
            if not self._mount("-o", f"remount,size={kept}k"):
                raise RuntimeError("the disk could not be filled")
        else:
            self.limit(redis_pid)

    def limit(self, redis_pid: int | None) -> None:
        """Keep a limit on a Redis that has just been started."""
        if self.full and not self.mounted and redis_pid is not None:
            most = max(file.stat().st_size for file in append_only_files(self.folder))
            self._limit(redis_pid, most)

    def free(self, redis_pid: int | None) -> None:
        self.full = False
        if self.mounted:
            self._mount("-o", f"remount,size={self.SIZE}")
        elif redis_pid is not None:
            self._limit(redis_pid, resource.RLIM_INFINITY)

    @staticmethod
    def _limit(pid: int, most: int) -> None:
        with suppress(ProcessLookupError):
            _, hard = resource.prlimit(pid, resource.RLIMIT_FSIZE)
            resource.prlimit(pid, resource.RLIMIT_FSIZE, (most, hard))

    def close(self) -> None:
        if self.mounted:
            subprocess.run(["umount", "-l", str(self.folder)], check=False)  # noqa: S607


def append_only_files(folder: Path) -> list[Path]:
    """Return the files that Redis appends to: one up to Redis 6.2, a folder of them from 7.0."""
    return [file for file in folder.glob("**/appendonly.aof*") if file.suffix != ".manifest"]


class World:
    """All processes of a drill, on one folder.

    `ahead_s` is how far the drill's clock is ahead of the machine's, `lease_s` how long a sender's
    claim lasts, `fsync` Redis's `appendfsync`.
    """

    def __init__(  # noqa: PLR0913, PLR0917 - what a world is made of
        self,
        folder: Path,
        profile: Path,
        ahead_s: float = 0.0,
        lease_s: float = 12.0,
        fsync: str = "always",
        mount: bool = False,  # noqa: FBT001, FBT002 - one of two kinds
        webs: int = 2,
        senders: int = 2,
    ) -> None:
        self.folder = folder
        self.lease_s = lease_s
        self.fsync = fsync
        self.disk = Disk(folder / "redis", mount)
        self.socket = folder / "redis.sock"
        self.url = f"unix://{self.socket}"
        self.clock = folder / "clock"
        self.clock.write_bytes(bytes(8))
        self.ahead_s = ahead_s
        self.set_clock(0)
        self.ports = [free_port() for _ in range(webs)]
        environment = {
            "PATH": os.environ["PATH"],
            "PYTHONPATH": str(ROOT),
            "PYTHONUTF8": "1",
            "REDIS_URL": self.url,
            "FIELDBELL_GATEWAY": str(profile),
            # What piled up while all was down comes at once, and all from one address.
            "FIELDBELL_MOST_REQUESTS": "0",
        }
        clocked = [sys.executable, "-m", "tests.faults.drill.clocked", str(self.clock)]
        self.redis = Service(
            "redis", self._redis_command(), self._log("redis"), environment, self._clear_socket
        )
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
        return [self.redis, *self.webs, *self.senders]

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
        for service in [*self.senders, *self.webs, self.redis]:
            service.end()
        self.disk.close()

    def set_clock(self, ahead_s: float) -> None:
        """Put the clock of all commands so far ahead of the drill's own, or behind it."""
        with self.clock.open("r+b") as file:
            file.write(struct.pack("d", self.ahead_s + ahead_s))

    def client(self) -> redis.Redis:
        """Return a client that does not try again. The caller closes it."""
        return redis.Redis(
            unix_socket_path=str(self.socket), retry=Retry(NoBackoff(), 0), socket_timeout=10
        )

    def redis_is_up(self) -> bool:
        with self.client() as client:
            try:
                return bool(client.ping())
            except redis.RedisError:
                return False

    def wait_for_redis(self) -> None:
        until = time.monotonic() + PATIENCE_S
        while not self.redis_is_up():
            if time.monotonic() > until:
                raise RuntimeError(f"Redis does not come up; see {self._log('redis')}")
            time.sleep(LOOK_S)

    def tear_append_only_file(self) -> None:
        """Leave the beginning of a script's writes at the end of the file, as a power cut does."""
        files = append_only_files(self.disk.folder)
        if files:
            newest = max(files, key=lambda file: file.stat().st_mtime_ns)
            with newest.open("ab") as file:
                file.write(TORN)

    def write_append_only_file_anew(self) -> None:
        """Do what the embedded server does, and an operator must, when it was cut off."""
        with self.client() as client:
            client.bgrewriteaof()
            while client.info("persistence")["aof_rewrite_in_progress"]:
                time.sleep(LOOK_S)

    def tracebacks(self) -> list[str]:
        """The errors nobody has caught, or that were logged as never meant to be."""
        found = []
        for service in self.services:
            log = self._log(service.name)
            text = log.read_text(errors="replace") if log.exists() else ""
            found += [
                f"{service.name}: {part.strip()}"
                for part in re.findall(r"Traceback \(most recent.*?\n(\S[^\n]*)", text, re.DOTALL)
            ]
        return found

    def _service(self, name: str, command: list[str], environment: Mapping[str, str]) -> Service:
        return Service(name, command, self._log(name), environment)

    def _log(self, name: str) -> Path:
        return self.folder / f"{name}.log"

    def _redis_command(self) -> list[str]:
        options = {
            "--port": "0",
            "--unixsocket": str(self.socket),
            "--dir": str(self.disk.folder),
            "--appendonly": "yes",
            "--appendfsync": self.fsync,
            # Small, so that rewrites of the file are among what is interrupted.
            "--auto-aof-rewrite-min-size": "4mb",
            "--save": "",
        }
        return [str(find_server()), *(word for option in options.items() for word in option)]

    def _clear_socket(self) -> None:
        self.socket.unlink(missing_ok=True)

    def _watch(self) -> None:
        while not self._stop.wait(LOOK_S):
            for service in self.services:
                service.watch()
            self.disk.limit(self.redis.pid)


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])
