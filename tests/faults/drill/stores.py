"""What a drill's texts are kept in: one Redis, or several behind Sentinels or as a cluster."""

from __future__ import annotations

import os
import resource
import subprocess
import time
from contextlib import ExitStack, suppress
from typing import TYPE_CHECKING, Self

import redis
from redis.backoff import NoBackoff
from redis.retry import Retry

from bot.store.server import find_server
from tests.deployments import Cluster, Sentinels

from .services import PATIENCE_S, Service

if TYPE_CHECKING:
    from pathlib import Path

    from tests.deployments import Deployment, Server

LOOK_S = 0.05

HALF = "{s00}:half"
TORN = (
    b"*1\r\n$5\r\nMULTI\r\n*3\r\n$3\r\nSET\r\n$10\r\n{s00}:half\r\n$3\r\nyes\r\n"
    b"*3\r\n$3\r\nSET\r\n$32\r\n{s00}:grower:+2556"
)
"""The first write of a script, `HALF`, and a part of the second; it must never come true."""


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


class Stored:
    """Where a drill's texts are kept. `url` leads there, `copies` is how many must have a write."""

    url: str
    copies = 0
    said: str
    """What it is, in words."""
    services: list[Service]

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        """Free what is held, once the services have ended."""

    def is_up(self) -> bool:
        raise NotImplementedError

    def watch(self) -> None:
        """Look after the services just started."""

    def mend(self) -> None:
        """Undo what a fault met by another may have left."""

    def wait(self) -> None:
        """Wait until all of it serves again."""
        until = time.monotonic() + PATIENCE_S
        while not self.is_up():
            if time.monotonic() > until:
                raise RuntimeError(f"the store does not come up; see {self.services[0].log.parent}")
            time.sleep(LOOK_S)


class OneRedis(Stored):
    """One server, which writes to a disk of its own. `fsync` is its `appendfsync`."""

    def __init__(
        self,
        folder: Path,
        fsync: str = "always",
        mount: bool = False,  # noqa: FBT001, FBT002 - one of two kinds
    ) -> None:
        self.fsync = fsync
        self.disk = Disk(folder / "redis", mount)
        self.socket = folder / "redis.sock"
        self.url = f"unix://{self.socket}"
        self.redis = Service(
            "redis", self._command(), folder / "redis.log", os.environ, self._clear_socket
        )
        self.services = [self.redis]
        self.said = f"{'tmpfs' if self.disk.mounted else 'RLIMIT_FSIZE'}, appendfsync {fsync}"

    def __exit__(self, *_: object) -> None:
        self.disk.close()

    def client(self) -> redis.Redis:
        """Return a client that does not try again. The caller closes it."""
        return redis.Redis(
            unix_socket_path=str(self.socket), retry=Retry(NoBackoff(), 0), socket_timeout=10
        )

    def is_up(self) -> bool:
        with self.client() as client:
            try:
                return bool(client.ping())
            except redis.RedisError:
                return False

    def watch(self) -> None:
        self.disk.limit(self.redis.pid)

    def mend(self) -> None:
        self.disk.free(self.redis.pid)
        self.wait()
        with self.client() as client:
            client.execute_command("REPLICAOF", "NO", "ONE")
            client.config_set("maxmemory", "0")
            client.config_set("min-replicas-to-write", "0")
            client.config_set("appendfsync", self.fsync)

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

    def _command(self) -> list[str]:
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


class Node(Service):
    """A server of a deployment."""

    def __init__(self, name: str, server: Server) -> None:
        super().__init__(name, [], server.log, {})
        self.server = server
        # It was started when the deployment was.
        self.lives = 1
        self._process = server.process

    def _begin(self) -> subprocess.Popen[bytes]:
        return self.server.begin()


class Several(Stored):
    """Servers that take over from one another, each with what it has on disk.

    A text counts once a replica has it: what bot/operating/scaling.md promises is with that.
    """

    copies = 1

    def __init__(self, kind: type[Deployment], folder: Path) -> None:
        home = folder / "redis"
        home.mkdir()
        self.deployment = kind(home, on_disk=True)
        self.said = f"{kind.__name__}, {self.copies} copy of each write"
        self._held = ExitStack()

    def __enter__(self) -> Self:
        self._held.enter_context(self.deployment)
        self.url = self.deployment.url
        self.nodes = [
            Node(f"redis-{place}", server)
            for place, server in enumerate(self.deployment.servers, start=1)
        ]
        self.sentinels = [
            Node(f"sentinel-{place}", server)
            for place, server in enumerate(self.deployment.watching, start=1)
        ]
        self.services = [*self.nodes, *self.sentinels]
        return self

    def __exit__(self, *_: object) -> None:
        self._held.close()

    def is_up(self) -> bool:
        """Whether every server has its replica, with all of it on the disk of both."""
        with suppress(redis.RedisError):
            return self.deployment.whole() and not any(map(self._is_writing, self.nodes))
        return False

    def mend(self) -> None:
        self.wait()
        for node in self.nodes:
            node.server.client.config_set("maxmemory", "0")

    def primary_of(self, key: str) -> Node:
        server = self.deployment.primary_of(key)
        return next(each for each in self.nodes if each.server is server)

    def replica_of(self, key: str) -> Node:
        port = self.primary_of(key).server.port
        return next(
            each for each in self.nodes if each.server.replication().get("master_port") == port
        )

    @staticmethod
    def _is_writing(node: Node) -> bool:
        """A server that has just copied all from another writes its file anew."""
        told = node.server.client.info("persistence")
        return bool(told["aof_rewrite_in_progress"] or told["aof_rewrite_scheduled"])


KINDS = ("single", "sentinels", "cluster")


def stored(kind: str, folder: Path, fsync: str, mount: bool) -> Stored:  # noqa: FBT001 - as OneRedis
    """Return the store of a kind, which is one of `KINDS`."""
    if kind == "single":
        return OneRedis(folder, fsync, mount)
    return Several({"sentinels": Sentinels, "cluster": Cluster}[kind], folder)
