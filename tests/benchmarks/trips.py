"""Redis: a turn made true, against the same two commands sent bare."""

from __future__ import annotations

from contextlib import contextmanager
from statistics import median
from typing import TYPE_CHECKING, Any

from bot.demo import BEGIN
from bot.exchange import Exchange
from bot.settings import Settings
from bot.store import keys
from bot.store.connecting import connect
from bot.store.growers import Store
from tests.benchmarks.season import first_talk
from tests.benchmarks.table import Row, micros, no_collection

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    import redis

    from bot.dialogue.turn import Dialogue
    from tests.benchmarks.season import Heard

NOW = BEGIN.timestamp()
BARE = "+254700000000"
"""The number of the recorded talk; the exchange answers others afterwards."""


def rows(dialogue: Dialogue, url: str, rounds: int) -> list[Row]:
    """Hold a first talk in each round, with the exchange and with bare commands in turn.

    The bare commands are those of the exchange, recorded beforehand, byte for byte.
    """
    talk = first_talk(dialogue, "sms")
    with connect(url) as client:
        exchange = Exchange(Store(client, lambda: NOW), dialogue, Settings(), lambda: NOW)
        # The first rounds connect, send the script and are recorded.
        _answer_all(exchange, "+255710000000", talk)
        with _recorded(client) as commands:
            _answer_all(exchange, BARE, talk)
        ours, floors, trips = [], [], []
        with no_collection():
            for place in range(1, rounds + 1):
                before = _reads(client)
                ours.append(_answer_all(exchange, f"+2557{place:08d}", talk))
                trips.append((_reads(client) - before - 1) / len(talk))
                floors.append(_send_bare(client, commands))
    counted = median(trips)
    exact = 1.0 if set(trips) == {2.0} else 0.0
    against = "two, counted by the server"
    ratio = median(one / floor for one, floor in zip(ours, floors, strict=True))
    return [
        Row("Redis round trips a turn", against, counted, 2, counted / 2, "", "exactly 2", exact),
        Row(
            "a turn made true in Redis",
            "its two commands bare",
            median(ours),
            median(floors),
            ratio,
            "us",
        ),
    ]


def _answer_all(exchange: Exchange, number: str, talk: list[Heard]) -> float:
    """Answer a talk's texts; microseconds a turn."""
    texts = enumerate(talk)

    def turn() -> None:
        place, heard = next(texts)
        exchange.answer(number, heard.text, channel=heard.channel, message_id=str(place))

    return micros(turn, len(talk))


def _send_bare(client: redis.Redis, commands: Sequence[tuple[Any, ...]]) -> float:
    """Send the recorded commands of a talk's turns again; microseconds a turn."""
    shard = keys.shard_of(BARE)
    client.delete(*client.scan_iter(match=f"*{BARE}*"))
    client.zrem(keys.members_key(shard, ""), BARE)
    turns = list(zip(commands[::2], commands[1::2], strict=True))
    sent = iter(turns)

    def turn() -> None:
        read, commit = next(sent)
        client.execute_command(*read)
        if client.execute_command(*commit) != [1]:
            raise RuntimeError("a bare commit changed nothing; its version no longer fits")

    return micros(turn, len(turns))


@contextmanager
def _recorded(client: redis.Redis) -> Iterator[list[tuple[Any, ...]]]:
    """Record every command that a client sends meanwhile."""
    commands: list[tuple[Any, ...]] = []
    execute = client.execute_command

    def recording(*args: Any, **options: Any) -> Any:  # noqa: ANN401 - whatever redis-py passes
        commands.append(args)
        return execute(*args, **options)

    client.execute_command = recording  # type: ignore[method-assign]
    try:
        yield commands
    finally:
        client.execute_command = execute  # type: ignore[method-assign]


def _reads(client: redis.Redis) -> int:
    """How often the server has read from a client: once a round trip, whatever it carried."""
    stats: dict[str, int] = client.info("stats")
    return stats["total_reads_processed"]
