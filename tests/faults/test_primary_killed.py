"""A primary killed in the middle of a round, with texts coming in, and nobody there to help.

Two web servers and two senders, on a Redis that has a replica of everything and is set to wait for
it (FIELDBELL_REPLICAS=1). What must hold is what bot/operating/scaling.md promises: every text
that was acknowledged has been answered and is kept, everyone of the round is told under one id,
and a failover repeats at most the one text that each sender had in hand.
"""

from __future__ import annotations

import os
import random
import subprocess
import sys
import threading
import time
from collections import Counter
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
import requests
from deployments import Cluster, Sentinels, free_port, wait_until
from sending import workers

from bot.dialogue.records import Grower
from bot.reminders.sender import LEASE_S
from bot.reminders.spreading import LOCK_S
from bot.store import keys
from bot.store.errors import StoreUnavailable
from bot.store.groups import Groups
from bot.store.growers import NEW, Commit, Store
from bot.store.rounds import Round, Rounds

if TYPE_CHECKING:
    from collections.abc import Callable

    from conftest import Gateway
    from deployments import Deployment

FIELDBELL = Path(sys.executable).with_name("fieldbell")
SENDING = Path(__file__).with_name("sending.py")
GROUP = "Mirindi North"
TEXT = {"sw": "Habari {name}, mkutano Jumamosi."}
ALWAYS = {
    "FIELDBELL_WAKING_FROM": "0",
    "FIELDBELL_WAKING_UNTIL": "24",
    "FIELDBELL_REPLICAS": "1",
}
SENDERS = 2


class Gateways(threading.Thread):
    """Someone's gateway: it delivers texts to the web servers in turn, and each until it is taken.

    `taken` are the numbers whose text was acknowledged.
    """

    def __init__(self, ports: list[int]) -> None:
        super().__init__(daemon=True)
        self.taken: list[str] = []
        self.refused = 0
        self.enough = threading.Event()
        self._ports = ports

    def run(self) -> None:
        while not self.enough.is_set():
            number = f"+25565500{len(self.taken):04d}"
            while not self._delivered(number):
                self.refused += 1
                if self.enough.wait(0.05):
                    return
            self.taken.append(number)
            self.enough.wait(0.02)

    def _delivered(self, number: str) -> bool:
        port = self._ports[(len(self.taken) + self.refused) % len(self._ports)]
        with suppress(requests.RequestException):
            body = {"from": number, "text": "hello", "id": "m-1"}
            url = f"http://127.0.0.1:{port}/hooks/sms"
            return requests.post(url, data=body, timeout=20).status_code == 200
        return False


def of_the_desk(_: random.Random) -> str:
    return keys.rounds_key()


def of_a_shard(moments: random.Random) -> str:
    return keys.due_key(moments.randrange(keys.SHARDS))


@pytest.mark.parametrize(
    ("kind", "whose", "many", "kills"),
    [
        (Cluster, of_the_desk, 300, 1),
        pytest.param(Cluster, of_a_shard, 400, 1, marks=pytest.mark.slow),
        pytest.param(Cluster, of_a_shard, 20_000, 8, marks=pytest.mark.slow),
        pytest.param(Sentinels, of_the_desk, 400, 1, marks=pytest.mark.slow),
        pytest.param(Sentinels, of_the_desk, 20_000, 4, marks=pytest.mark.slow),
    ],
)
def test_a_primary_killed_in_mid_round_loses_nothing(  # noqa: PLR0913, PLR0915, PLR0917 - a world
    kind: type[Deployment],
    whose: Callable[[random.Random], str],
    many: int,
    kills: int,
    gateway: Gateway,
    profile: Path,
    processes: list[subprocess.Popen[bytes]],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    moments = random.Random(20260302)  # noqa: S311 - no secret
    for name, value in ALWAYS.items():
        monkeypatch.setenv(name, value)
    with kind(tmp_path) as deployment, deployment.client() as client:
        environment = os.environ | {
            "REDIS_URL": deployment.url,
            "FIELDBELL_GATEWAY": str(profile),
        }

        def start(*command: str | Path) -> subprocess.Popen[bytes]:
            quiet = subprocess.DEVNULL
            processes.append(subprocess.Popen(command, env=environment, stdout=quiet, stderr=quiet))
            return processes[-1]

        def start_senders() -> list[subprocess.Popen[bytes]]:
            command = sys.executable, SENDING, deployment.url, profile, str(now)
            return [start(*command) for _ in range(SENDERS)]

        now = time.time() + 60  # the clock of senders begins when they do, and is not to lag
        ports = [free_port() for _ in range(2)]
        for port in ports:
            start(FIELDBELL, "serve", "--port", str(port))
        senders = start_senders()
        texting = Gateways(ports)
        texting.start()

        store, rounds = Store(client, copies=1), Rounds(client)
        numbers = [f"+2557123{place:05d}" for place in range(many)]
        Groups(client).named(GROUP)
        grower = Grower(language="sw", name="Neema", group=GROUP)
        assert store.commit_many([Commit(each, NEW, grower, None) for each in numbers]) == []
        rounds.shelf.add("r1", Round("r1", "Meeting", "x", 1, (GROUP,), texts=TEXT, rate=60_000))
        # Once every process is at work, which the replies show, the round begins.
        gateway.wait_until(lambda: len(gateway.ledger) > 3)
        rounds.change_state("r1", ("draft",), "running")

        for kill in range(kills):
            if kill:
                deployment.mend()
                senders = start_senders()
            goal = len(gateway.ledger) + moments.randint(many // 10, many // 3) // kills
            gateway.wait_until(lambda goal=goal: len(gateway.ledger) >= goal)
            name = whose(moments)
            killed = deployment.primary_of(name)
            killed.kill()
            texts = len(texting.taken)
            wait_until(lambda name=name, killed=killed: deployment.primary_of(name) is not killed)
            # The new primary has no replica now, and refuses, until the old one is back as one.
            killed.start()
            wait_until(lambda texts=texts: len(texting.taken) > texts + 20)
            for sender in senders:
                sender.terminate()
                assert sender.wait(30) == 0
            # What was in hand when the store went waits for its lease; the clock goes on instead. The
            # spreader's lock goes by the clock of Redis, and is taken away.
            now += LEASE_S + LOCK_S + 1
            store.redis.delete(keys.spreader_key())
        texting.enough.set()
        texting.join()
        spreader, sender = workers(deployment.url, str(profile), now)
        expected = {f"{each}:1" for each in numbers + texting.taken}

        def told_all() -> bool:
            spreader.tick()
            sender.tick()
            return gateway.ids().keys() >= expected

        wait_until(told_all, patience=60 + many / 20)

        assert texting.refused > 0  # the kill was felt
        for number in texting.taken:
            assert store.load(number, "m-1").replay is not None
            assert "heard" in [each.what for each in store.lines(number)]
        told = Counter(each.to for each in {each.id: each for each in gateway.ledger}.values())
        assert Counter({each: told[each] for each in numbers}) == Counter(numbers)
        assert all(told[each] == 1 for each in texting.taken)
        assert gateway.repeats <= SENDERS * kills


def test_while_one_primary_is_down_the_growers_of_the_others_are_served(tmp_path: Path) -> None:
    numbers = [f"+2557123{place:05d}" for place in range(300)]
    with Cluster(tmp_path) as deployment, deployment.client() as client:
        store = Store(client)
        assert store.commit_many([Commit(each, NEW, Grower(), 1) for each in numbers]) == []
        loaded = dict(zip(numbers, store.load_many(numbers), strict=True))
        dead = deployment.primary_of(keys.grower_key(numbers[0]))
        served = [
            each for each in numbers if deployment.primary_of(keys.grower_key(each)) is not dead
        ]
        dead.kill()
        (deployment.servers[3 + deployment.servers.index(dead)]).kill()  # its replica as well

        assert sorted(store.claim(10, 60, 6400)) == served
        with pytest.raises(StoreUnavailable, match=r"REDIS_URL|CLUSTER"):
            store.claim(10, 60, 6400)
        with pytest.raises(StoreUnavailable, match=r"REDIS_URL|CLUSTER"):
            store.commit_many([Commit(n, loaded[n], Grower(name="x"), 1) for n in numbers])
        assert all(store.load(each).grower.name == "x" for each in served)
        with pytest.raises(StoreUnavailable, match=r"REDIS_URL|CLUSTER"):
            store.load(numbers[0])
