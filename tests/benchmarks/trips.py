"""Redis: a turn made true, against the same two commands sent bare."""

from __future__ import annotations

from statistics import median
from typing import TYPE_CHECKING

from bot.demo import BEGIN
from bot.exchange import Exchange
from bot.reminders.schedule import next_due
from bot.settings import Settings
from bot.store import codec, keys
from bot.store.codec import Replay
from bot.store.connecting import connect
from bot.store.growers import REPLAY_S, Store
from tests.benchmarks.bare import commit_script
from tests.benchmarks.season import first_talk
from tests.benchmarks.table import Row, micros, no_collection

if TYPE_CHECKING:
    import redis

    from bot.dialogue.turn import Dialogue
    from tests.benchmarks.season import Heard

NOW = BEGIN.timestamp()
BARE = "+254700000000"
"""The number of the bare commands; the exchange answers others."""


def rows(dialogue: Dialogue, url: str, rounds: int) -> list[Row]:
    """Hold a first talk in each round, with the exchange and with bare commands in turn.

    The bare commands carry the same records and replies, worked out beforehand.
    """
    talk = first_talk(dialogue, "sms")
    with connect(url) as client:
        exchange = Exchange(Store(client, lambda: NOW), dialogue, Settings(), lambda: NOW)
        # The first round connects and sends the script.
        _answer_all(exchange, "+255710000000", talk)
        ours, floors, trips = [], [], []
        with no_collection():
            for place in range(1, rounds + 1):
                before = _reads(client)
                ours.append(_answer_all(exchange, f"+2557{place:08d}", talk))
                trips.append((_reads(client) - before - 1) / len(talk))
                floors.append(_send_bare(client, talk))
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


def _send_bare(client: redis.Redis, talk: list[Heard]) -> float:
    """Send what a talk's turns read and commit; microseconds a turn."""
    shard = keys.shard_of(BARE)
    grower, due = keys.grower_key(BARE), keys.due_key(shard)
    indexes = (due, keys.calls_key(shard), keys.lease_key(shard))
    seen = [keys.seen_key(BARE, str(place)) for place in range(len(talk))]
    client.delete(grower, *indexes, *seen)
    digest = client.script_load(commit_script())
    settings = Settings()
    commits = [
        (
            codec.version_bytes(version),
            codec.encode(version + 1, heard.turn.grower),
            BARE,
            "" if (when := next_due(heard.turn.grower, settings, NOW)) is None else when,
            "",
            "",
            codec.encode_replay(Replay(heard.turn.replies, heard.turn.more)),
            REPLAY_S,
        )
        for version, heard in enumerate(talk)
    ]
    sent = zip(seen, commits, strict=True)

    def turn() -> None:
        replay, commit = next(sent)
        client.mget([grower, replay])
        if client.evalsha(digest, 5, grower, *indexes, replay, *commit) != 1:
            raise RuntimeError("a bare commit changed nothing; its version no longer fits")

    return micros(turn, len(talk))


def _reads(client: redis.Redis) -> int:
    """How often the server has read from a client: once a round trip, whatever it carried."""
    stats: dict[str, int] = client.info("stats")
    return stats["total_reads_processed"]
