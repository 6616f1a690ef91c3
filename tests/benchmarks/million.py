"""What a million growers take: memory, time to restart, and whether anything slows down on the way.

    python -m tests.benchmarks.million [--growers 10000,100000,1000000] [--out bot/operating]

A Redis of its own is filled with a made-up union (`tests.benchmarks.union`) at each size, and every
operation is measured in it. `scale.json` gets the figures, `scale.svg` the plot of them, and the
table in `scale.md` is written anew, which says what they mean. Sizes that are in `scale.json`
already are kept, unless they are measured again.
A million growers take some twenty minutes, 2 GB of memory and 2 GB of disk.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import random
import subprocess
import sys
import tempfile
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from time import perf_counter, process_time, sleep
from typing import TYPE_CHECKING, Any

import redis

from bot import data
from bot.dialogue.records import Turn
from bot.enrolment.exporting import exporting
from bot.exchange import Exchange
from bot.gateways.base import Accepted
from bot.growers_cli import LIST_HEADER, listed
from bot.reminders.sender import BATCH as CLAIMED
from bot.reminders.sender import LEASE_S, Sender
from bot.reminders.spreading import Spreader
from bot.store import keys
from bot.store.forgetting import forget
from bot.store.groups import Groups
from bot.store.growers import NEW, Commit, Store
from bot.store.rounds import Round, Rounds
from bot.store.server import EmbeddedRedis, find_server, server_version
from bot.store.texts import Line
from tests.benchmarks import growth, union
from tests.benchmarks.season import seasons
from tests.benchmarks.union import TODAY

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from bot.dialogue.turn import Dialogue
    from bot.gateways.base import Outgoing

SIZES = (10_000, 100_000, 1_000_000)
SEASONS = 100
"""Seasons lived through for the growers to be made of."""

DAY_S = 24 * 3600
KEPT_TEXTS = 40
OPERATIONS = 1000
"""Growers served one by one, at most, where an operation on one grower is measured."""

SERVED = 5000
"""Growers claimed, sent a reminder or told of a round, at most."""

SEEN_GROUPS = 10
FORGOTTEN = 5

BEGINS, ENDS = "<!-- figures -->\n", "<!-- end of figures -->\n"
"""What stands between them in scale.md is written anew."""

Figures = dict[str, float]


def main() -> None:
    """Measure at each size, and write the figures and the plot."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.million")
    parser.add_argument("--growers", default=",".join(map(str, SIZES)), help="sizes, with commas")
    parser.add_argument("--out", type=Path, default=Path("bot/operating"), help="a folder")
    options = parser.parse_args()
    sizes = [int(each) for each in options.growers.split(",")]
    dialogue = data.dialogue()
    made = union.templates(dialogue, min(SEASONS, max(sizes) // 100))
    measured: list[dict[str, Any]] = []
    for size in sizes:
        measured.append({})
        # Written in between, as the largest takes long.
        for found in _measured(dialogue, made, size):
            measured[-1] = found
            _write(options.out, measured)


def _write(folder: Path, measured: Sequence[dict[str, Any]]) -> None:
    file = folder / "scale.json"
    before = json.loads(file.read_text(encoding="utf-8"))["sizes"] if file.exists() else []
    sizes = {one["growers"]: one for one in [*before, *measured]}
    every = [sizes[growers] for growers in sorted(sizes)]
    folder.mkdir(parents=True, exist_ok=True)
    file.write_text(json.dumps({"sizes": every}, indent=1) + "\n", encoding="utf-8")
    (folder / "scale.svg").write_text(growth.drawn(every), encoding="utf-8")
    page = folder / "scale.md"
    if page.exists():
        before_it, _, rest = page.read_text(encoding="utf-8").partition(BEGINS)
        _, _, behind_it = rest.partition(ENDS)
        text = "".join((before_it, BEGINS, growth.tables(every), ENDS, behind_it))
        page.write_text(text, encoding="utf-8")


def _measured(dialogue: Dialogue, made: union.Templates, size: int) -> Iterator[dict[str, Any]]:
    found: dict[str, Any] = {
        "growers": size,
        "machine": f"Python {platform.python_version()}, {os.cpu_count()} CPUs",
        "redis": "{}.{}".format(*server_version(find_server())),
        "measured": datetime.now(UTC).date().isoformat(),
        "load average before": os.getloadavg()[0],
    }
    with tempfile.TemporaryDirectory(prefix="fieldbell-") as name:
        folder = Path(name)
        with EmbeddedRedis(folder) as server, _patient(server) as client:
            store, meter = Store(client, lambda: union.NOW), _Meter(client)
            empty = _used(client)
            _filling(meter, store, made, size)
            found["bytes a grower"] = _memory(client, size, empty)
            _told(found, "bytes a grower")
            _one_by_one(meter, dialogue, store, size)
            _of_the_shell(meter, dialogue, client, size)
            found |= {"seconds": meter.seconds, "seconds by the clock": meter.by_the_clock}
            _told(found, "seconds")
            found["bytes of texts"] = _kept_texts(dialogue, store, min(size, OPERATIONS))
            found["disk"] = _saved(client, folder) | _restarted_from_snapshot(folder)
        began = perf_counter()
        with EmbeddedRedis(folder) as server, _patient(server) as client:
            found["disk"] |= _came_up(client, "append-only file", began)
            found["load average after"] = os.getloadavg()[0]
            _told(found, "disk")
            yield found
            again = _Meter(client)
            _of_all(again, Store(client, lambda: union.NOW), size)
            found["seconds"] |= again.seconds
            found["seconds by the clock"] |= again.by_the_clock
            _told(found, "seconds")
            yield found


def _patient(server: EmbeddedRedis) -> redis.Redis:
    """A client that waits as long as it takes: a snapshot of a million is written in one go."""
    return redis.Redis(unix_socket_path=str(server.socket), socket_timeout=None)


def _told(found: dict[str, Any], what: str) -> None:
    told = ", ".join(f"{name} {figure:.3g}" for name, figure in found[what].items())
    sys.stderr.write(f"{found['growers']:,} growers: {what}: {told}\n")


# Time


class _Meter:
    """Seconds of the processors, ours and Redis's together, that operations take.

    What else a busy machine does disturbs them less than the time by the clock; where one waits
    for the other, as here, the two are the same on a machine that does nothing else.
    """

    def __init__(self, client: redis.Redis) -> None:
        self._client = client
        self.seconds: Figures = {}
        self.by_the_clock: Figures = {}

    @contextmanager
    def over(self, name: str, count: Callable[[], float] = lambda: 1) -> Iterator[None]:
        """Note what each of so many takes; nothing where there are none."""
        cpu, began = self._cpu(), perf_counter()
        yield
        took, cpu = perf_counter() - began, self._cpu() - cpu
        if many := count():
            self.seconds[name] = self.seconds.get(name, 0) + cpu / many
            self.by_the_clock[name] = self.by_the_clock.get(name, 0) + took / many

    def each(self, name: str, work: Callable[[Any], object], on: Sequence[Any]) -> None:
        """Note what one of these takes, one after the other."""
        with self.over(name, lambda: len(on)):
            for one in on:
                work(one)

    def _cpu(self) -> float:
        return process_time() + _redis_cpu(self._client)


def _filling(meter: _Meter, store: Store, made: union.Templates, size: int) -> None:
    """Fill the store; the growers are made before the clock runs."""
    groups = Groups(store.redis)
    for place in range(0, size, union.PER_GROUP):
        groups.named(union.group_of(place))
    for start in range(0, size, union.BATCH):
        changes = list(union.commits(made, start, min(start + union.BATCH, size)))
        with meter.over("a grower enrolled", lambda: size):
            store.commit_many(changes)


def _one_by_one(meter: _Meter, dialogue: Dialogue, store: Store, size: int) -> None:
    """What concerns one grower, and what an agent sees of their groups."""
    chance = random.Random(3)  # noqa: S311 - any will do
    some = [union.number_of(place) for place in chance.sample(range(size), min(size, OPERATIONS))]
    exchange = Exchange(store, dialogue, union.SETTINGS, lambda: union.NOW)
    names = [union.group_of(place) for place in range(0, size, union.PER_GROUP)]
    groups, few = Groups(store.redis), names[:SEEN_GROUPS]
    meter.each("a record read", store.load, some)
    meter.each("a text answered", lambda number: exchange.answer(number, "plan"), some)
    meter.each(
        f"{SEEN_GROUPS} groups seen, first time",
        lambda _: Groups(store.redis).overviews(few, TODAY),
        range(5),
    )
    meter.each("all groups together, first time", lambda day: groups.together(names, day), [TODAY])
    meter.each("all groups together again", lambda day: groups.together(names, day), [TODAY] * 3)
    # Nothing is left of a version that kept no lists, for whose sake every name would be read.
    store.redis.set(keys.lists_since_key(), 0)
    meter.each("a number forgotten", lambda number: forget(store, number), some[-FORGOTTEN:])


class _Null:
    """A gateway that takes every text."""

    def send(self, text: Outgoing) -> Accepted:
        return Accepted(text.id)


def _of_the_shell(meter: _Meter, dialogue: Dialogue, client: redis.Redis, size: int) -> None:
    """Reminders sent, growers claimed and a round spread, each on some growers of all."""
    most = min(SERVED, size // 4)
    # In the morning ten days on, when a third of the plans have had a reminder fall due.
    morning = union.NOW + 10 * DAY_S
    store = Store(client, lambda: morning)
    sender = Sender(store, _Null(), dialogue.remind, union.SETTINGS, lambda: morning)
    sent = 0
    with meter.over("a reminder sent", lambda: sent):
        while sent < most and (now_sent := sender.tick()):
            sent += now_sent
    claimed = 0
    with meter.over("a grower claimed", lambda: claimed):
        while claimed < most:
            numbers = store.claim(union.NOW + 40 * DAY_S, LEASE_S, CLAIMED)
            if not numbers:
                break
            claimed += len(numbers)
    groups, rounds = Groups(client), Rounds(client)
    names = tuple(union.group_of(place) for place in range(0, most, union.PER_GROUP))
    one = Round("r2345678", "Rains", "amina", 0, names, texts={"sw": "Mvua", "en": "Rain"})
    rounds.shelf.add(one.id, one)
    rounds.change_state(one.id, ("draft",), "running")
    began = perf_counter()

    def hasty() -> float:
        """A clock so fast that the round's own rate does not hold it back."""
        return morning + 1000 * (perf_counter() - began)

    spreader = Spreader(store, groups, rounds, dialogue, union.SETTINGS, hasty)
    members = sum(groups.size(name) for name in names)
    with meter.over("a grower told of a round", lambda: members):
        while getattr(rounds.shelf.find(one.id), "state", "") == "running":
            spreader.tick()
    spreader.release()


def _of_all(meter: _Meter, store: Store, size: int) -> None:
    """What goes through every grower, by grower."""
    groups = Groups(store.redis)
    with (
        meter.over("a grower exported", lambda: size),
        Path(os.devnull).open("wb") as stream,
        exporting(stream, "csv", LIST_HEADER) as write,
    ):
        for row in listed(store, groups, ("", *groups.shelf.all())):
            write(row)
    with meter.over("a grower recounted", lambda: size):
        store.recount()


# Memory


def _used(client: redis.Redis) -> float:
    return float(client.info("memory")["used_memory"])


def _memory(client: redis.Redis, size: int, empty: float) -> Figures:
    """Bytes a grower by what they are for; the rest is the table of keys and unused room."""
    info = client.info("memory")
    shards, groups = range(keys.SHARDS), range(0, size, union.PER_GROUP)
    some = range(0, size, max(size // 20_000, 1))
    parts = {
        "record": [keys.grower_key(union.number_of(place)) for place in some],
        "due index": [keys.due_key(shard) for shard in shards],
        "group members": [
            keys.members_key(shard, union.group_of(place)) for shard in shards for place in groups
        ],
        "group counts": [
            keys.sums_key(shard, union.group_of(place)) for shard in shards for place in groups
        ],
    }
    found = {
        name: _usage(client, names) / (len(names) if name == "record" else size)
        for name, names in parts.items()
    }
    total = (info["used_memory"] - empty) / size
    found["the rest"] = total - sum(found.values())
    return found | {"in all": total, "resident": info["used_memory_rss"] / size}


def _usage(client: redis.Redis, names: Sequence[str]) -> float:
    total = 0
    for start in range(0, len(names), 1000):
        pipe = client.pipeline(transaction=False)
        for name in names[start : start + 1000]:
            pipe.memory_usage(name, samples=0)
        total += sum(each or 0 for each in pipe.execute())
    return total


def _kept_texts(dialogue: Dialogue, store: Store, many: int) -> Figures:
    """What the texts kept of a grower take, and the reply kept to each for its repetition."""
    heard = [each for each in seasons(dialogue) if each.text]
    at = int(union.NOW)
    lines = [
        line
        for each in heard
        for line in (
            Line(at, "heard", each.channel, each.text),
            *(Line(at, "sent", "reply", reply, segments=1) for reply in each.turn.replies),
        )
    ]
    growers = [f"+2558{place:08d}" for place in range(many)]
    plain = [Commit(number, NEW, heard[-1].turn.grower, None) for number in growers]
    store.commit_many(plain)
    before = _used(store.redis)
    again = [
        Commit(
            each.number,
            store.load(each.number),
            each.grower,
            None,
            lines=[lines[(start + place) % len(lines)] for place in range(KEPT_TEXTS)],
        )
        for start, each in enumerate(plain)
    ]
    store.commit_many(again)
    texts = _used(store.redis)
    replied = [
        Commit(
            each.number,
            store.load(each.number),
            Turn(heard[place % len(heard)].turn.replies, each.grower),
            None,
            message_id=f"m{place}",
        )
        for place, each in enumerate(plain)
    ]
    store.commit_many(replied)
    replies = _used(store.redis)
    return {
        f"{KEPT_TEXTS} texts of a grower": (texts - before) / many,
        "a text": (texts - before) / many / KEPT_TEXTS,
        "a reply kept three days": (replies - texts) / many,
    }


# Disk, and coming up again: sizes in bytes, and seconds of Redis's processor


def _saved(client: redis.Redis, folder: Path) -> Figures:
    """Rewrite the append-only file, and write a snapshot beside it."""
    found: Figures = {"append-only file as it grew": _appended(folder)}
    # A rewrite that Redis began by itself ends first.
    _wait_for_rewrite(client)
    before = _redis_cpu(client, "_children")
    client.bgrewriteaof()
    sleep(0.01)
    _wait_for_rewrite(client)
    found["seconds to rewrite it"] = _redis_cpu(client, "_children") - before
    found["append-only file rewritten"] = _appended(folder)
    before = _redis_cpu(client)
    client.save()
    found["seconds to save a snapshot"] = _redis_cpu(client) - before
    found["snapshot"] = (folder / "dump.rdb").stat().st_size
    return found


def _redis_cpu(client: redis.Redis, whose: str = "") -> float:
    info = client.info("cpu")
    return float(info[f"used_cpu_user{whose}"] + info[f"used_cpu_sys{whose}"])


def _wait_for_rewrite(client: redis.Redis) -> None:
    while (now := client.info("persistence")) and (
        now["aof_rewrite_in_progress"] or now["aof_rewrite_scheduled"]
    ):
        sleep(0.02)


def _appended(folder: Path) -> float:
    """Bytes of the append-only file, which is one file before Redis 7 and several since."""
    return sum(each.stat().st_size for each in folder.rglob("*.aof*"))


def _restarted_from_snapshot(folder: Path) -> Figures:
    """Start another server beside the one that runs, on the snapshot it has saved."""
    socket = folder / "snapshot.sock"
    options = ["--port", "0", "--dir", str(folder), "--unixsocket", str(socket), "--save", ""]
    began = perf_counter()
    process = subprocess.Popen([find_server(), *options], stdout=subprocess.DEVNULL)
    with redis.Redis(unix_socket_path=str(socket)) as client:
        while not _answers(client):
            sleep(0.005)
        found = _came_up(client, "snapshot", began)
        client.shutdown(nosave=True)
    process.wait()
    return found


def _came_up(client: redis.Redis, source: str, began: float) -> Figures:
    """What a server that has just come up has taken for it."""
    return {
        f"seconds to start from the {source}": _redis_cpu(client),
        f"seconds to start from the {source}, by the clock": perf_counter() - began,
    }


def _answers(client: redis.Redis) -> bool:
    try:
        return bool(client.ping())
    except redis.RedisError:
        return False


if __name__ == "__main__":
    main()
