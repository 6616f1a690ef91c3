"""Processes killed with SIGKILL at random moments: nothing is lost, and little is said twice."""

from __future__ import annotations

import os
import random
import signal
import socket
import subprocess
import sys
import time
from contextlib import suppress
from datetime import UTC, date, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
import redis
import requests
from redis.backoff import NoBackoff
from redis.retry import Retry

from bot import data
from bot.exchange import Exchange
from bot.reminders.schedule import next_due
from bot.reminders.sender import LEASE_S
from bot.settings import Settings
from bot.store import keys
from bot.store.growers import NEW, Store
from bot.store.server import EmbeddedRedis

if TYPE_CHECKING:
    from collections.abc import Iterator

    from conftest import Gateway

    from bot.dialogue.records import Grower

FIELDBELL = Path(sys.executable).with_name("fieldbell")
SENDING = Path(__file__).with_name("sending.py")
SETTINGS = Settings()
PLANNED = datetime(2026, 3, 2, 6, 0, tzinfo=UTC).timestamp()
DUE_DAY = date(2026, 3, 3)
DUE = datetime(2026, 3, 3, 4, 0, tzinfo=UTC).timestamp()  # 07:00 in Dar es Salaam
PATIENCE_S = 30.0

# Low green grass and a sprayer: the plan begins with a spray, whose reminder is several texts.
ANSWERS = (
    "hello", "1", "1.5 ac", "yes", "none", "grass", "40", "no", "yes", "yes", "180000", "0",
    "60000", "50000", "yes", "no", "yes", "2", "16", "3", "1", "today",
)  # fmt: skip


def planned(store: Store) -> Grower:
    """A grower who has just been told a plan, as the engine makes one."""
    exchange = Exchange(store, data.dialogue(), SETTINGS, lambda: PLANNED)
    for text in ANSWERS:
        exchange.answer("+255655999999", text)
    grower = store.load("+255655999999").grower
    store.forget("+255655999999")
    assert grower.plan is not None
    return grower


@pytest.mark.parametrize(
    ("growers", "kills"), [(30, 4), pytest.param(1000, 60, marks=pytest.mark.slow)]
)
def test_a_sender_killed_at_random_loses_no_reminder(  # noqa: PLR0913, PLR0917 - fixtures and a size
    redis_server: EmbeddedRedis,
    store: Store,
    gateway: Gateway,
    profile: Path,
    processes: list[subprocess.Popen[bytes]],
    growers: int,
    kills: int,
) -> None:
    grower = planned(store)
    reminder = data.dialogue().remind(grower, DUE_DAY).waiting
    assert len(reminder) > 1
    numbers = [f"+25565500{place:04d}" for place in range(growers)]
    for number in numbers:
        assert store.commit(number, NEW, grower, due=next_due(grower, SETTINGS))
    expected = {
        f"{number}:{text.serial}": (number, text.body) for number in numbers for text in reminder
    }

    def start(now: float) -> subprocess.Popen[bytes]:
        process = subprocess.Popen(
            [sys.executable, SENDING, redis_server.url, profile, str(now)],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        processes.append(process)
        return process

    moments = random.Random(20260303)  # noqa: S311 - no secret
    share = len(expected) // (kills + 2)
    now, held = DUE, 0
    for turn in range(kills):
        sender = start(now)
        goal = len(gateway.ledger) + moments.randint(1, share)
        if turn % 2:
            # With a text in the gateway's hands, not yet acknowledged: it must come again.
            def killing(sender: subprocess.Popen[bytes] = sender, goal: int = goal) -> None:
                if len(gateway.ledger) == goal:
                    sender.kill()
                    sender.wait()

            gateway.holding = killing
            assert sender.wait(PATIENCE_S) < 0
            gateway.holding = lambda: None
            held += 1
        else:
            # Wherever it is by the time the signal comes.
            gateway.wait_until(lambda goal=goal: len(gateway.ledger) >= goal)
            sender.kill()
            sender.wait()
        now += LEASE_S + 1  # the next one starts when the lease has lapsed
    start(now)
    gateway.wait_until(lambda: gateway.ids().keys() >= expected.keys())

    assert gateway.ids().keys() == expected.keys()
    assert held <= gateway.repeats <= kills
    assert all((each.to, each.text) == expected[each.id] for each in gateway.ledger)
    for number in numbers[:60]:
        first = list(dict.fromkeys(each.id for each in gateway.ledger if each.to == number))
        assert first == [f"{number}:{text.serial}" for text in reminder]  # in their order


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


class Commands:
    """`fieldbell serve` and `fieldbell send` as real processes on one data folder."""

    def __init__(
        self, folder: Path, profile: Path, processes: list[subprocess.Popen[bytes]]
    ) -> None:
        self.redis = EmbeddedRedis(folder)  # for its address only: the commands start it
        self.port = free_port()
        self._processes = processes
        self._environment = {
            "PATH": "",
            "PYTHONPATH": os.environ.get("PYTHONPATH", ""),
            "PYTHONUTF8": "1",
            "FIELDBELL_DATA": str(folder),
            "FIELDBELL_GATEWAY": str(profile),
        }

    def start(self, *arguments: str) -> subprocess.Popen[bytes]:
        process = subprocess.Popen(
            [FIELDBELL, *arguments],
            env=self._environment,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        self._processes.append(process)
        return process

    def serve(self) -> subprocess.Popen[bytes]:
        server = self.start("serve", "--port", str(self.port))
        waiting = requests.adapters.Retry(total=300, backoff_factor=0.1, backoff_max=0.1)
        with requests.Session() as session:
            session.mount("http://", requests.adapters.HTTPAdapter(max_retries=waiting))
            session.get(f"http://127.0.0.1:{self.port}/hooks/sms", timeout=PATIENCE_S)
        return server

    def text(self, number: str, text: str, message_id: str) -> None:
        answer = requests.post(
            f"http://127.0.0.1:{self.port}/hooks/sms",
            data={"from": number, "text": text, "id": message_id},
            timeout=PATIENCE_S,
        )
        assert answer.status_code == 200

    def asked_once(self) -> redis.Redis:
        """A client to which a refused connection is an answer, so that it does not try again."""
        return redis.Redis(unix_socket_path=str(self.redis.socket), retry=Retry(NoBackoff(), 0))

    def let_leases_lapse(self) -> None:
        """What waiting for five minutes does."""
        with self.redis.client() as client:
            for shard in range(keys.SHARDS):
                client.delete(keys.lease_key(shard))
                for number in client.zrange(keys.due_key(shard), 0, -1):
                    client.zadd(keys.due_key(shard), {number: 0})


@pytest.fixture
def commands(
    tmp_path: Path, profile: Path, processes: list[subprocess.Popen[bytes]]
) -> Iterator[Commands]:
    commands = Commands(tmp_path / "data", profile, processes)
    yield commands
    # Only a test that failed half-way leaves a Redis running.
    with commands.asked_once() as client, suppress(redis.ConnectionError):
        client.shutdown()


def test_the_commands_lose_nothing_when_killed(commands: Commands, gateway: Gateway) -> None:
    numbers = [f"+25565500{place:04d}" for place in range(20)]
    server = commands.serve()
    for number in numbers:
        commands.text(number, "hello", "m-1")

    sender = commands.start("send")
    gateway.wait_until(lambda: len(gateway.ledger) >= 5)
    sender.kill()
    sender.wait()

    # The process that had started Redis goes too; Redis lives on and the next one has it.
    for number in numbers[:10]:
        commands.text(number, "1", "m-2")
    server.kill()
    server.wait()
    with pytest.raises(requests.ConnectionError):
        commands.text(numbers[10], "1", "m-2")
    server = commands.serve()
    for number in numbers:  # the gateway delivers again what it got no answer for, and more
        commands.text(number, "1", "m-2")

    commands.let_leases_lapse()
    sender = commands.start("send")
    expected = {f"{number}:{serial}" for number in numbers for serial in (1, 2)}
    gateway.wait_until(lambda: gateway.ids().keys() >= expected)
    assert gateway.ids().keys() == expected
    assert gateway.repeats <= 1
    welcomes = [each.text for each in gateway.ledger if each.id.endswith(":1")]
    assert all("1 English" in text for text in welcomes)
    areas = [each.text for each in gateway.ledger if each.id.endswith(":2")]
    assert all(text.startswith("How big is the field?") for text in areas)

    for process in (sender, server):
        process.terminate()
        assert process.wait(PATIENCE_S) == 0
    with commands.asked_once() as client, pytest.raises(redis.ConnectionError):
        client.ping()  # whoever started it has ended it


def test_the_commands_go_on_when_their_redis_is_killed(
    commands: Commands, gateway: Gateway
) -> None:
    server, sender = commands.serve(), commands.start("send")
    commands.text("+255655000001", "hello", "m-1")
    with commands.redis.client() as client:
        os.kill(client.info("server")["process_id"], signal.SIGKILL)
    until = time.monotonic() + PATIENCE_S
    for message_id in ("m-2", "m-1"):  # the second one is delivered again
        while True:
            with suppress(AssertionError):
                commands.text("+255655000001", "1", message_id)
                break
            assert time.monotonic() < until, "nobody has started it again"
            time.sleep(0.1)
    gateway.wait_until(lambda: len(gateway.ids()) == 2)
    assert gateway.ids().keys() == {"+255655000001:1", "+255655000001:2"}
    for process in (sender, server):
        process.terminate()
        assert process.wait(PATIENCE_S) == 0
