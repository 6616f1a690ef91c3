"""Redis as it is deployed: behind Sentinels, and as a cluster.

Real `redis-server` processes on the loopback interface, as many as there are in the smallest
production of the kind: a primary, a replica and three Sentinels; three primaries and three replicas.
They ask for passwords. Nothing is written to disk, unless it is asked for: a server that is killed
comes back empty, so that what is not lost has been on another one.
"""

from __future__ import annotations

import random
import socket
import subprocess
import time
from contextlib import ExitStack, suppress
from typing import TYPE_CHECKING, Any, Self

import redis
from redis.backoff import NoBackoff
from redis.crc import key_slot
from redis.retry import Retry

from bot.store.connecting import connect
from bot.store.server import find_server

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from tls import Certificates

PATIENCE_S = 60.0

FAILED_MS = 1500
"""After how long a server that says nothing counts as failed."""

SLOTS = 16384
BUS = 10_000
"""How far above its clients' port a node's port for other nodes lies. (Redis Cluster's default.)"""

PASSWORD = "of-the-servers"  # noqa: S105 - of servers that live as long as a test
SENTINELS_PASSWORD = "of-the-sentinels"  # noqa: S105
SERVICE = "fieldbell"


class Server:
    """One process of redis-server, with a folder of its own."""

    def __init__(
        self,
        folder: Path,
        *options: str,
        password: str = PASSWORD,
        certificates: Certificates | None = None,
    ) -> None:
        self.port = free_port()
        self.client = redis.Redis(
            host="127.0.0.1",
            port=self.port,
            password=password,
            retry=Retry(NoBackoff(), 0),
            socket_timeout=5,
            ssl=certificates is not None,
            ssl_ca_certs=str(certificates.authority) if certificates else None,
        )
        home = folder / str(self.port)
        home.mkdir()
        self.log = home / "redis.log"
        port = certificates.served(self.port) if certificates else ("--port", str(self.port))
        self._command = [find_server(), *options, *port, "--dir", home]
        self._command += ["--bind", "127.0.0.1", "--requirepass", password]
        self.start()

    def begin(self) -> subprocess.Popen[bytes]:
        """Start it, and do not wait until it answers. A process group of its own."""
        with self.log.open("ab") as log:
            self.process = subprocess.Popen(
                self._command, stdout=log, stderr=log, start_new_session=True
            )
        return self.process

    def start(self) -> None:
        self.begin()

        def answers() -> bool:
            assert self.process.poll() is None, self.log.read_text()
            with suppress(redis.ConnectionError, redis.TimeoutError):
                return bool(self.client.ping())
            return False

        wait_until(answers)

    def kill(self) -> None:
        """End it as a power cut does."""
        self.process.kill()
        self.process.wait()

    def close(self) -> None:
        self.kill()
        self.client.close()

    @property
    def alive(self) -> bool:
        return self.process.poll() is None

    def replication(self) -> dict[str, Any]:
        return self.client.info("replication")


class Deployment:
    """Servers that belong together. `url` leads to them.

    With `on_disk` each of them writes down what it has before it answers, and its role as well. With
    `certificates` they speak TLS alone.
    """

    url: str

    def __init__(
        self, folder: Path, certificates: Certificates | None = None, *, on_disk: bool = False
    ) -> None:
        self._folder = folder
        self._certificates = certificates
        self._on_disk = on_disk
        self._held = ExitStack()
        self.servers: list[Server] = []
        """Those that keep data."""
        self.watching: list[Server] = []
        """Sentinels, where there are any."""

    def __enter__(self) -> Self:
        with ExitStack() as undo:
            undo.push(self._held)
            self._start()
            undo.pop_all()
        return self

    def __exit__(self, *_: object) -> None:
        self._held.close()

    def _start(self) -> None:
        raise NotImplementedError

    def _server(self, *options: str, password: str = PASSWORD) -> Server:
        server = Server(self._folder, *options, password=password, certificates=self._certificates)
        self._held.callback(server.close)
        return server

    def _keeping(self, *options: str) -> Server:
        """A server that keeps data."""
        quick = ("--save", "", "--repl-diskless-sync", "yes", "--repl-diskless-sync-delay", "0")
        kept: tuple[str, ...] = ()
        if self._on_disk:
            # Sentinel has a server write its new role into the file it was started with.
            file = self._folder / f"redis-{len(self.servers)}.conf"
            file.touch()
            kept = (str(file), "--appendonly", "yes", "--appendfsync", "always")
        server = self._server(*kept, "--masterauth", PASSWORD, *quick, *options)
        self.servers.append(server)
        return server

    def _safely(self, url: str) -> str:
        """The URL, speaking TLS where the servers do."""
        if self._certificates is None:
            return url
        ask = "&" if "?" in url else "?"
        return f"{url}{ask}ssl_ca_certs={self._certificates.authority}".replace(
            "redis", "rediss", 1
        )

    def client(self) -> redis.Redis:
        return connect(self.url)

    def primary_of(self, key: str) -> Server:
        """The server that serves a key now."""
        raise NotImplementedError

    def mend(self) -> None:
        """Start what was killed, and wait until every primary has its replica again."""
        for server in self.servers:
            if not server.alive:
                server.start()
        wait_until(self.whole)

    def fail_over(self, key: str = "") -> None:
        """Let a replica take over from the healthy primary of a key, as before maintenance."""
        raise NotImplementedError

    def whole(self) -> bool:
        """Whether every server is there, and every primary has its replica."""
        raise NotImplementedError


class Sentinels(Deployment):
    """A primary and a replica, watched by three Sentinels."""

    def _start(self) -> None:
        primary, replica = self._keeping(), self._keeping()
        replica.client.replicaof("127.0.0.1", primary.port)
        if self._on_disk:
            replica.client.config_rewrite()
        self.watching = [self._sentinel(each, primary.port) for each in range(3)]
        hosts = ",".join(f"127.0.0.1:{each.port}" for each in self.watching)
        self.url = (
            f"redis+sentinel://:{PASSWORD}@{hosts}/{SERVICE}?sentinel_password={SENTINELS_PASSWORD}"
        )
        self.url = self._safely(self.url)
        wait_until(self.whole)

    def _sentinel(self, place: int, port: int) -> Server:
        file = self._folder / f"sentinel-{place}.conf"
        file.write_text(
            f"sentinel monitor {SERVICE} 127.0.0.1 {port} 2\n"
            f"sentinel auth-pass {SERVICE} {PASSWORD}\n"
            f"sentinel down-after-milliseconds {SERVICE} {FAILED_MS}\n"
            f"sentinel failover-timeout {SERVICE} 5000\n"
            f"sentinel sentinel-pass {SENTINELS_PASSWORD}\n"
        )
        return self._server(str(file), "--sentinel", password=SENTINELS_PASSWORD)

    def _state(self, sentinel: Server) -> dict[str, Any]:
        return sentinel.client.sentinel_masters()[SERVICE]

    def primary_of(self, key: str) -> Server:  # noqa: ARG002 - the one primary has every key
        port = self._state(self.watching[0])["port"]
        return next(each for each in self.servers if each.port == port)

    def fail_over(self, key: str = "") -> None:
        was = self.primary_of(key)

        def begun() -> bool:
            # A Sentinel that has not looked at the replica for a while wants to look again first.
            with suppress(redis.ResponseError):
                self.watching[0].client.execute_command("SENTINEL", "FAILOVER", SERVICE)
                return True
            return False

        wait_until(begun)
        wait_until(lambda: self.primary_of("") is not was)

    def whole(self) -> bool:
        states = [self._state(each) for each in self.watching]
        return (
            len({each["port"] for each in states}) == 1
            and all(each["num-other-sentinels"] == 2 for each in states)
            and all(each["num-slaves"] == 1 and not each["is_sdown"] for each in states)
            and _has_replica(self.primary_of(""))
        )


class Cluster(Deployment):
    """A Redis Cluster of three primaries, each with a replica."""

    def _start(self) -> None:
        options = ("--cluster-enabled", "yes", "--cluster-node-timeout", str(FAILED_MS))
        if self._certificates:
            options += ("--tls-cluster", "yes")
        options += ("--cluster-require-full-coverage", "no")
        nodes = [self._keeping(*options) for _ in range(6)]
        primaries, replicas = nodes[:3], nodes[3:]
        share = SLOTS // len(primaries) + 1
        for place, node in enumerate(primaries):
            slots = range(place * share, min((place + 1) * share, SLOTS))
            node.client.execute_command("CLUSTER ADDSLOTS", *slots)
        for place, node in enumerate(nodes):
            node.client.execute_command("CLUSTER SET-CONFIG-EPOCH", place + 1)
            node.client.execute_command("CLUSTER MEET", "127.0.0.1", nodes[0].port)
        wait_until(lambda: all(_info(each)["cluster_known_nodes"] == "6" for each in nodes))
        for primary, replica in zip(primaries, replicas, strict=True):
            theirs = primary.client.execute_command("CLUSTER MYID")
            replica.client.execute_command("CLUSTER REPLICATE", theirs)
        # A replica is not listed before it has heard a write, or the ping of every ten seconds.
        wait_until(lambda: all(map(_has_replica, primaries)))
        for primary in primaries:
            primary.client.flushall()
        hosts = ",".join(f"127.0.0.1:{each.port}" for each in nodes)
        self.url = self._safely(f"redis+cluster://:{PASSWORD}@{hosts}")
        wait_until(self.whole)

    def primary_of(self, key: str) -> Server:
        slot = key_slot(key.encode())
        for server in self.servers:
            if server.alive:
                for first, last, (_, port, *_), *_ in _slots(server):
                    if first <= slot <= last:
                        return next(each for each in self.servers if each.port == port)
        raise AssertionError(f"nobody serves the slot of {key}")

    def fail_over(self, key: str = "") -> None:
        was = self.primary_of(key)
        (replica,) = (
            each for each in self.servers if each.replication().get("master_port") == was.port
        )
        replica.client.execute_command("CLUSTER FAILOVER")
        wait_until(lambda: self.primary_of(key) is replica)

    def whole(self) -> bool:
        views = [sorted(map(str, _slots(each))) for each in self.servers]
        return (
            all(_info(each)["cluster_state"] == "ok" for each in self.servers)
            and all(view == views[0] for view in views)
            and all(len(each) == 4 for each in _slots(self.servers[0]))
            and all(
                _has_replica(each)
                for each in self.servers
                if each.replication()["role"] == "master"
            )
        )


def _info(node: Server) -> dict[str, str]:
    return node.client.execute_command("CLUSTER INFO")


def _slots(node: Server) -> Any:  # noqa: ANN401
    """As Redis answers: first slot, last slot, then the primary and its replicas."""
    connection = node.client.connection_pool.get_connection()
    try:
        connection.send_command("CLUSTER", "SLOTS")
        return connection.read_response()
    finally:
        node.client.connection_pool.release(connection)


def _has_replica(primary: Server) -> bool:
    told = primary.replication()
    # One that has only just come is counted, but not listed yet.
    listed = (told.get(f"slave{each}") for each in range(told["connected_slaves"]))
    return told["role"] == "master" and any(each and each["state"] == "online" for each in listed)


def serving(client: redis.Redis, key: str) -> redis.Redis:
    """A client of the one server that serves a key."""
    if isinstance(client, redis.RedisCluster):
        return client.get_redis_connection(client.get_node_from_key(key))
    return client


def wait_until(true: Callable[[], bool], patience: float = PATIENCE_S) -> None:
    deadline = time.monotonic() + patience
    while not true():
        assert time.monotonic() < deadline, "it did not come true in time"
        time.sleep(0.02)


def free_port() -> int:
    """A port that is free, and so is the one for other nodes; below those given out at random."""
    while True:
        port = random.SystemRandom().randrange(10_100, 22_000)
        with suppress(OSError), ExitStack() as probes:
            for each in (port, port + BUS):
                probes.enter_context(socket.socket()).bind(("127.0.0.1", each))
            return port
