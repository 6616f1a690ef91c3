"""A backup is the same of one Redis and of a cluster of them, and moves from one to the other."""

from __future__ import annotations

import socket
import subprocess
import time
from contextlib import ExitStack, suppress
from typing import TYPE_CHECKING, cast

import pytest
import redis
from redis.cluster import RedisCluster

from bot.operating.backups import backup, restore
from bot.operating.servers import servers
from bot.store.server import find_server

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from bot.store.growers import Store

PATIENCE_S = 60.0
SLOTS = 16384  # Redis Cluster specification, "Key distribution model"
BUS = 10_000  # what a node adds to its port for the others


def free_port() -> int:
    while True:
        with socket.socket() as one, socket.socket() as other:
            one.bind(("127.0.0.1", 0))
            port = int(one.getsockname()[1])
            with suppress(OSError, OverflowError):
                other.bind(("127.0.0.1", port + BUS if port + BUS < 2**16 else port - BUS))
                return min(port, int(other.getsockname()[1]))


@pytest.fixture
def cluster(tmp_path: Path) -> Iterator[RedisCluster]:
    """Two empty nodes that share the slots."""
    ports = [free_port() for _ in range(2)]
    with ExitStack() as stack:
        for port in ports:
            (tmp_path / str(port)).mkdir()
            node = subprocess.Popen(
                [find_server(), "--port", str(port), "--bind", "127.0.0.1", "--save", "",
                 "--cluster-enabled", "yes", "--dir", tmp_path / str(port)],
                stdout=subprocess.DEVNULL,
            )  # fmt: skip
            stack.callback(node.wait)
            stack.callback(node.kill)
        nodes = [stack.enter_context(redis.Redis(port=port)) for port in ports]
        wait_until(lambda: all(answers(node) for node in nodes))
        for place, node in enumerate(nodes):
            half = range(place * SLOTS // 2, (place + 1) * SLOTS // 2)
            node.execute_command("CLUSTER", "ADDSLOTS", *half)
            node.execute_command("CLUSTER", "SET-CONFIG-EPOCH", place + 1)
        nodes[0].execute_command("CLUSTER", "MEET", "127.0.0.1", ports[1])
        wait_until(lambda: all(settled(node) for node in nodes))
        with RedisCluster(host="127.0.0.1", port=ports[0]) as client:
            yield client


def settled(node: redis.Redis) -> bool:
    """Whether a node knows who has every slot."""
    return "ok" in str(node.execute_command("CLUSTER INFO")).partition("cluster_state")[2][:8]


def answers(node: redis.Redis) -> bool:
    try:
        return bool(node.ping())
    except redis.ConnectionError:
        return False


def wait_until(ready: Callable[[], bool]) -> None:
    deadline = time.monotonic() + PATIENCE_S
    while not ready():
        assert time.monotonic() < deadline
        time.sleep(0.05)


def test_a_backup_of_one_redis_is_put_back_into_a_cluster_and_is_the_same_there(
    lived_in: Store, cluster: RedisCluster, tmp_path: Path
) -> None:
    client = cast("redis.Redis", cluster)
    one, two = tmp_path / "one", tmp_path / "two"
    at = 1_772_500_000.0
    backup(lived_in.redis, one, [], lambda: at)
    restore(client, one, [], as_it_was=True)
    backup(client, two, [], lambda: at)
    assert two.read_bytes() == one.read_bytes()
    # Both nodes have some.
    assert all(node.dbsize() > 50 for _, node in servers(client))
