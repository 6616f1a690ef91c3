"""The store: one round trip reads a grower, one makes a turn true.

Between the two nothing is locked. A commit says which version it read; if another commit came
first it changes nothing and returns False, and the caller loads and works the turn again.
"""

from __future__ import annotations

import time
from dataclasses import dataclass
from importlib import resources
from typing import TYPE_CHECKING, Any, cast

import redis

from bot.dialogue.records import Grower, Turn
from bot.store import codec, keys
from bot.store.codec import Replay
from bot.store.errors import reaching_redis

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Sequence

REPLAY_S = 3 * 24 * 3600
"""How long a text's reply is kept for a gateway that delivers it again, in seconds."""

SCAN_BATCH = 1000


@dataclass(frozen=True, slots=True)
class Loaded:
    """A grower as read: the version to commit against (0: not known yet), and the record.

    `replay` is the answer already given to the text asked about, if it was answered before.
    """

    version: int
    grower: Grower
    replay: Replay | None = None


class Store:
    """Growers in Redis. `number` is E.164 ("+255712345678") and times are UTC epoch seconds.

    The client must not decode responses. Every method raises `StoreUnavailable` when Redis is
    down, full or read-only, and `RecordError` for a record it cannot read.
    """

    def __init__(self, client: redis.Redis, clock: Callable[[], float] = time.time) -> None:
        self._redis = client
        self._clock = clock
        # Registering costs no round trip: a script is sent only when Redis does not know it.
        self._commit = client.register_script(_script("commit.lua"))
        self._claim = client.register_script(_script("claim.lua"))
        self._first_shard = 0

    def load(self, number: str, message_id: str | None = None) -> Loaded:
        """Read a grower, and the reply to this message id if it was answered. One round trip."""
        wanted = [keys.grower_key(number)]
        if message_id is not None:
            wanted.append(keys.seen_key(number, message_id))
        with reaching_redis():
            # Both keys are in the grower's shard, so MGET is one trip on Redis Cluster as well.
            record, *seen = cast("list[bytes | None]", self._redis.mget(wanted))
        replay = codec.decode_replay(seen[0]) if seen and seen[0] is not None else None
        return _loaded(record, replay)

    def load_many(self, numbers: Sequence[str]) -> list[Loaded]:
        """Read many growers in one pipelined round trip, in the order asked."""
        pipe = self._redis.pipeline(transaction=False)
        for number in numbers:
            pipe.get(keys.grower_key(number))
        with reaching_redis():
            return [_loaded(record) for record in pipe.execute()]

    def commit(  # noqa: PLR0913 - one write makes all of them true, so they are given together
        self,
        number: str,
        loaded_version: int,
        outcome: Turn | Grower,
        *,
        due: float | None,
        message_id: str | None = None,
        lease: float | None = None,
    ) -> bool:
        """Make a turn, or a changed grower, true in one round trip; False if it lost a race.

        `due` is when the sender should next look at the grower, None for never. With
        `message_id`, the turn's replies are kept for `REPLAY_S` and `load` returns them.
        `lease` is the end of the lease that a sender gives up by this commit. A grower with a
        `trouble` is put among those to ring, and taken from them when it has none.
        """
        turn = outcome if isinstance(outcome, Turn) else Turn((), outcome)
        shard = keys.shard_of(number)
        names = [
            keys.grower_key(number),
            keys.due_key(shard),
            keys.calls_key(shard),
            keys.lease_key(shard),
        ]
        args: list[bytes | str | float] = [
            codec.version_bytes(loaded_version),
            codec.encode(loaded_version + 1, turn.grower),
            number,
            "" if due is None else due,
            self._clock() if turn.grower.trouble else "",
            "" if lease is None else lease,
        ]
        if message_id is not None:
            names.append(keys.seen_key(number, message_id))
            args += [codec.encode_replay(Replay(turn.replies, turn.more)), REPLAY_S]
        with reaching_redis():
            return bool(self._commit(keys=names, args=args))

    def claim(self, now: float, lease_s: float, limit: int) -> list[str]:
        """Claim up to `limit` growers whose due time has come, until `now + lease_s`.

        One pipelined round trip. Each shard gives its share of the limit; a limit below the
        number of shards asks that many of them, and the next call goes on from there.
        """
        asked = min(limit, keys.SHARDS)
        shards = [(self._first_shard + each) % keys.SHARDS for each in range(asked)]
        self._first_shard = (self._first_shard + max(asked, 1)) % keys.SHARDS
        share = limit // asked if asked else 0
        args = (now, now + lease_s, share)
        with reaching_redis():
            answers = self._claim_in(shards, args)
            if any(isinstance(each, redis.exceptions.NoScriptError) for each in answers):
                self._redis.script_load(self._claim.script)
                missed = [
                    shard
                    for shard, answer in zip(shards, answers, strict=True)
                    if isinstance(answer, redis.exceptions.NoScriptError)
                ]
                answers += self._claim_in(missed, args)
            numbers: list[str] = []
            for answer in answers:
                if isinstance(answer, list):
                    numbers += [number.decode() for number in answer]
                elif not isinstance(answer, redis.exceptions.NoScriptError):
                    raise answer
        return numbers

    def calls(self) -> list[tuple[str, float]]:
        """Return the numbers a person should ring, and since when; the longest wait first."""
        pipe = self._redis.pipeline(transaction=False)
        for shard in range(keys.SHARDS):
            pipe.zrange(keys.calls_key(shard), 0, -1, withscores=True)
        with reaching_redis():
            found = [pair for pairs in pipe.execute() for pair in pairs]
        return sorted(((number.decode(), since) for number, since in found), key=lambda it: it[1])

    def growers(self) -> Iterator[str]:
        """Go through every number, in no order; one may come twice while the store grows."""
        with reaching_redis():
            for key in self._redis.scan_iter(match=keys.GROWERS, count=SCAN_BATCH):
                yield keys.number_in(key)

    def forget(self, number: str) -> None:
        """Delete everything kept of a number. Reads every key's name: for rare use."""
        shard = keys.shard_of(number)
        with reaching_redis():
            seen = list(self._redis.scan_iter(match=keys.seen_pattern(number), count=SCAN_BATCH))
            pipe = self._redis.pipeline(transaction=True)
            pipe.delete(keys.grower_key(number), *seen)
            for index in (keys.due_key(shard), keys.calls_key(shard), keys.lease_key(shard)):
                pipe.zrem(index, number)
            pipe.execute()

    def _claim_in(self, shards: Iterable[int], args: tuple[float, float, int]) -> list[Any]:
        # Calling the registered script on a pipeline would first ask whether Redis knows it,
        # which is a round trip more; so it is called by its digest, and sent if it is unknown.
        pipe = self._redis.pipeline(transaction=False)
        for shard in shards:
            pipe.evalsha(self._claim.sha, 2, keys.due_key(shard), keys.lease_key(shard), *args)
        return pipe.execute(raise_on_error=False)


def _script(name: str) -> str:
    return resources.files("bot.store").joinpath(name).read_text(encoding="utf-8")


def _loaded(record: bytes | None, replay: Replay | None = None) -> Loaded:
    version, grower = (0, Grower()) if record is None else codec.decode(record)
    return Loaded(version, grower, replay)
