"""The store: one round trip reads a grower, one makes a turn true.

Between the two nothing is locked. A commit says which record it read; if another commit came
first it changes nothing and returns False, and the caller loads and works the turn again.
"""

from __future__ import annotations

import logging
import time
from collections import Counter
from collections.abc import Sequence
from datetime import UTC
from typing import TYPE_CHECKING, Any, TypeVar, cast

import msgspec
from msgspec import Struct
from redis.exceptions import NoScriptError, RedisError

from bot.dialogue.records import Grower, Turn
from bot.store import codec, indexes, keys
from bot.store.codec import Replay
from bot.store.errors import StoreUnavailable, reaching_redis
from bot.store.indexes import raw
from bot.store.scripts import script
from bot.store.texts import ROUND, Line, decode_failure, decode_line, joined
from bot.store.trips import call_each, call_many, evalsha, heeded, together
from bot.store.unlisted import SCAN_BATCH, names_like, unlisted

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator
    from datetime import tzinfo

    import redis

    from bot.store.indexes import Count, Write
    from bot.store.trips import Call, Command

log = logging.getLogger(__name__)

Read = TypeVar("Read")

REPLAY_S = 3 * 24 * 3600
"""How long a text's reply is kept for a gateway that delivers it again, in seconds."""

MOST_LISTED = 1000
"""Replies that the list of one number holds at most. Where it is as long as that some may be left
out, and forgetting that number reads every key's name."""

TRIMMED_EVERY = 64
"""Commits of one grower from one look at the length of their list to the next."""

SCRIPT_BATCH = 200
"""Growers committed by one call of the script, so that Redis serves others between the calls.

At most some 3,000: the script gives the members of an index to one command, and Lua's stack has
room for about 8,000 values.
"""


class Loaded(Struct, frozen=True, gc=False):
    """A grower as read: the version to commit against (0: not known yet), and the record.

    `replay` is the answer already given to the text asked about, if it was answered before.
    """

    version: int
    grower: Grower
    replay: Replay | None = None

    @property
    def known(self) -> Grower | None:
        """The record, if there is one."""
        return self.grower if self.version else None

    @property
    def commits(self) -> int:
        """How often the record has been committed."""
        return codec.commits(self.version)


NEW = Loaded(0, Grower())
"""A number not known yet."""


class Commit(Struct, frozen=True, gc=False):
    """What is to become true of one grower, if the record still is the one that was loaded.

    `due` is when the sender should next look at the grower, None for never. With `message_id` the
    turn's replies are kept for `REPLAY_S`, and `load` returns them; `keep_s` keeps them for another
    time, longer only those of a round (`ROUND` and its id). `lease` is the end of the lease that a
    sender gives up by this commit. `lines` are what happened to the grower's texts.
    """

    number: str
    loaded: Loaded
    outcome: Turn | Grower
    due: float | None
    message_id: str | None = None
    lease: float | None = None
    lines: Sequence[Line] = ()
    keep_s: int = REPLAY_S

    @property
    def grower(self) -> Grower:
        """The grower as they are to become."""
        return self.outcome.grower if isinstance(self.outcome, Turn) else self.outcome


class Store:
    """Growers in Redis. `number` is E.164 ("+255712345678") and times are UTC epoch seconds.

    The client must not decode responses. `keep_texts` is how many texts are kept of each
    grower, and `zone` the operator's, whose months their spend is counted by. `copies` is how many
    replicas must have a commit before it counts: with fewer it raises `StoreUnavailable`, and is
    found done when it is tried again. Every method raises `StoreUnavailable` when Redis is down,
    full or read-only, and `RecordError` for a record it cannot read.
    """

    def __init__(
        self,
        client: redis.Redis,
        clock: Callable[[], float] = time.time,
        keep_texts: int = 40,
        zone: tzinfo = UTC,
        copies: int = 0,
    ) -> None:
        self.redis = client
        self._clock = clock
        self._keep_texts = keep_texts
        self._zone = zone
        self._copies = copies
        # Registering costs no round trip: a script is sent only when Redis does not know it.
        self._commit = client.register_script(script("commit.lua"))
        self._claim = client.register_script(script("claim.lua"))
        self._first = client.register_script(script("first.lua"))
        self._release = client.register_script(script("release.lua"))
        self._first_shard = 0

    # Reading

    def load(self, number: str, message_id: str | None = None) -> Loaded:
        """Read a grower, and the reply to this message id if it was answered. One round trip."""
        wanted = [keys.grower_key(number)]
        if message_id is not None:
            wanted.append(keys.seen_key(number, message_id))
        with reaching_redis():
            # Both keys are in the grower's shard, so MGET is one trip on Redis Cluster as well.
            (values,) = heeded(together(self.redis, [("MGET", *wanted)]))
            if any(values[1:]):
                self._confirm([keys.shard_of(number)])
        return _loaded(*values)

    def load_many(self, numbers: Sequence[str], message_id: str | None = None) -> list[Loaded]:
        """Read many growers in one pipelined round trip, in the order asked."""
        shards: dict[int, list[str]] = {}
        for number in numbers:
            shards.setdefault(keys.shard_of(number), []).append(number)
        asked: list[Command] = []
        for theirs in shards.values():
            wanted = [keys.grower_key(number) for number in theirs]
            if message_id is not None:
                wanted += [keys.seen_key(number, message_id) for number in theirs]
            asked.append(("MGET", *wanted))
        with reaching_redis():
            answers = heeded(together(self.redis, asked))
            self._confirm(
                shard
                for (shard, theirs), values in zip(shards.items(), answers, strict=True)
                if any(values[len(theirs) :])
            )
        found: dict[str, Loaded] = {}
        for theirs, values in zip(shards.values(), answers, strict=True):
            seen = values[len(theirs) :] or [None] * len(theirs)
            for number, record, replay in zip(theirs, values, seen, strict=False):
                found[number] = _loaded(record, replay)
        return [found[number] for number in numbers]

    def load_with_lines(self, asked: Sequence[tuple[str, str]]) -> list[tuple[Loaded, list[Line]]]:
        """Read growers, each with a message id, and then their lines, in one pipelined round trip.

        In the order asked; see `load` and `lines`. Who commits on such a record has worked from
        all its lines, as a line is only ever added by a commit.
        """
        wanted: list[Command] = []
        for number, message_id in asked:
            wanted.append(("MGET", keys.grower_key(number), keys.seen_key(number, message_id)))
            wanted.append(("LRANGE", keys.texts_key(number), 0, -1))
        with reaching_redis():
            answers = heeded(together(self.redis, wanted))
            self._confirm(
                {
                    keys.shard_of(number)
                    for (number, _), (_, seen) in zip(asked, answers[::2], strict=True)
                    if seen
                }
            )
        return [
            (_loaded(*record), [decode_line(each) for each in lines])
            for record, lines in zip(answers[::2], answers[1::2], strict=True)
        ]

    def texts(self, number: str) -> list[Line]:
        """Return what was heard from a grower and sent to them, each with its last report."""
        return joined(self.lines(number))

    def lines(self, number: str) -> list[Line]:
        """Return the same as it was kept: each report a line of its own."""
        with reaching_redis():
            stored = cast("list[bytes]", self.redis.lrange(keys.texts_key(number), 0, -1))
        return [decode_line(each) for each in stored]

    # Making true

    def commit(  # noqa: PLR0913 - one write makes all of them true, so they are given together
        self,
        number: str,
        loaded: Loaded,
        outcome: Turn | Grower,
        *,
        due: float | None,
        message_id: str | None = None,
        lease: float | None = None,
        lines: Sequence[Line] = (),
    ) -> bool:
        """Make a turn, or a changed grower, true in one round trip; False if it lost a race.

        See `Commit`. A grower with a `trouble` is put among those to ring, and taken from them
        when it has none.
        """
        change = Commit(number, loaded, outcome, due, message_id, lease, lines)
        batch = _Batch()
        self._put(batch, change)
        with reaching_redis():
            return bool(self._run(batch)[0])

    def commit_and_load(self, change: Commit, following: str) -> tuple[bool, Loaded]:
        """Make a change true, and then read another grower, in one round trip for both."""
        batch = _Batch()
        self._put(batch, change)
        with reaching_redis():
            answers, record = together(
                self.redis,
                [evalsha(self._commit, batch.call), ("GET", keys.grower_key(following))],
                self._copies,
            )
            if isinstance(answers, NoScriptError):
                answers = self._run(batch)
            heeded([answers, record])
        return bool(answers[0]), _loaded(record)

    def commit_and_load_many(
        self, changes: Sequence[Commit], numbers: Sequence[str]
    ) -> tuple[list[bool | Exception], list[Loaded | Exception]]:
        """Make changes true, each by itself, and then read other growers, in one trip for all.

        Where one fails, its error stands in its place; the others are as they would be without
        it. Of a cluster a part may be out of reach: `StoreUnavailable` is raised only where
        nothing could be asked.
        """
        batches = []
        for change in changes:
            batches.append(batch := _Batch())
            self._put(batch, change)
        wanted = [("GET", keys.grower_key(number)) for number in numbers]
        with reaching_redis():
            commits = [evalsha(self._commit, batch.call) for batch in batches]
            answers = together(self.redis, [*commits, *wanted], self._copies)
            for place, batch in enumerate(batches):
                if isinstance(answers[place], NoScriptError):
                    (answers[place],) = call_each(
                        self.redis, self._commit, [batch.call], self._copies
                    )
        return (
            [_or_error(each, lambda done: bool(done[0])) for each in answers[: len(batches)]],
            [_or_error(each, _loaded) for each in answers[len(batches) :]],
        )

    def commit_many(self, changes: Iterable[Commit]) -> list[str]:
        """Make many changes true in one pipelined round trip; return the numbers that lost.

        Each is all or nothing; the others become true whatever becomes of one. No number may
        come twice.
        """
        shards: dict[int, list[_Batch]] = {}
        for change in changes:
            batches = shards.setdefault(keys.shard_of(change.number), [])
            if not batches or len(batches[-1].numbers) >= SCRIPT_BATCH:
                batches.append(_Batch())
            self._put(batches[-1], change)
        every = [batch for batches in shards.values() for batch in batches]
        if not every:
            return []
        calls = [batch.call for batch in every]
        lost: list[str] = []
        with reaching_redis():
            done = call_many(self.redis, self._commit, calls, self._copies)
            for batch, answers in zip(every, done, strict=True):
                lost += [
                    number for number, done in zip(batch.numbers, answers, strict=True) if not done
                ]
        return lost

    def forget(self, number: str) -> None:
        """Delete everything kept of a number, however many growers there are.

        Reads every key's name only where the record is damaged, where `MOST_LISTED` texts or more
        came without a pause of `REPLAY_S`, and for so long after the first call since the upgrade
        from a version that kept no lists of replies.
        """
        shard = keys.shard_of(number)
        with reaching_redis():
            while True:
                stored, known = self._as_stored(number)
                # After the record, so that no reply of a turn made true meanwhile is overlooked.
                own = (keys.texts_key(number), keys.replies_key(number), *self._seen(number))
                batch = _Batch()
                writes: list[Write] = [("DEL", key) for key in own]
                writes += [
                    ("ZREM", key, number)
                    for key in (keys.due_key(shard), keys.calls_key(shard), keys.lease_key(shard))
                ]
                writes += indexes.of_groups(number, known, None, 0)
                writes += indexes.of_withdrawn(number, known, None, ())
                counts = indexes.counted(number, known, None)
                if stored and known is None:
                    log.warning("a damaged record is forgotten; `fieldbell growers recount` is due")
                    writes += [
                        ("ZREM", key, number)
                        for pattern in keys.of_groups_patterns(shard)
                        for key in names_like(self.redis, pattern)
                    ]
                failures = cast("list[bytes]", self.redis.lrange(keys.failures_key(shard), 0, -1))
                writes += [
                    ("LREM", keys.failures_key(shard), 0, raw(each))
                    for each in failures
                    if decode_failure(each).number == number
                ]
                version = stored[: codec.VERSION_BYTES]
                batch.add(number, version, b"", writes, counts)
                if self._run(batch)[0]:
                    return

    def _seen(self, number: str) -> set[str]:
        """Find the keys of all replies kept of a number, and some that are gone already."""
        listed = cast("list[bytes]", self.redis.lrange(keys.replies_key(number), 0, -1))
        rounds = cast("list[bytes]", self.redis.hkeys(keys.rounds_key()))
        found = {keys.listed_key(number, digest) for digest in listed}
        found |= {keys.seen_key(number, f"{ROUND}{each.decode()}") for each in rounds}
        pattern = keys.seen_pattern(number)
        if len(listed) >= MOST_LISTED:
            return found.union(names_like(self.redis, pattern))
        return found.union(unlisted(self.redis, pattern, REPLAY_S, self._clock()))

    def _as_stored(self, number: str) -> tuple[bytes, Grower | None]:
        """Read a record, and the grower if there is one that can be read."""
        stored = cast("bytes | None", self.redis.get(keys.grower_key(number))) or b""
        try:
            return stored, codec.decode(stored)[1] if stored else None
        except codec.RecordError:
            return stored, None

    def _put(self, batch: _Batch, change: Commit) -> None:
        number, loaded, grower = change.number, change.loaded, change.grower
        shard = keys.shard_of(number)
        following = codec.following(loaded.version)
        record = codec.encode(following, grower)
        writes: list[Write] = []
        if change.due is not None:
            writes.append(("ZADD", keys.due_key(shard), change.due, number))
        elif loaded.version:
            writes.append(("ZREM", keys.due_key(shard), number))
        writes += indexes.of_groups(number, loaded.known, grower, self._clock())
        counts = indexes.counted(number, loaded.known, grower)
        if change.lines:
            writes += indexes.of_lines(number, grower, change.lines, self._keep_texts, self._zone)
        writes += indexes.of_withdrawn(number, loaded.known, grower, change.lines)
        if change.message_id is not None:
            turn = change.outcome
            said = Replay(turn.replies, turn.more) if isinstance(turn, Turn) else Replay(())
            replay = raw(codec.encode_replay(said))
            digest = keys.digest_of(change.message_id)
            seen = keys.listed_key(number, digest)
            writes.append(("SET", seen, replay, "EX", change.keep_s))
            if change.keep_s <= REPLAY_S:
                listed = keys.replies_key(number)
                writes.append(("RPUSH", listed, raw(digest)))
                writes.append(("EXPIRE", listed, REPLAY_S))
            elif not change.message_id.startswith(ROUND):
                raise ValueError("a reply is kept so long of a round only: no list would have it")
        if codec.commits(following) % TRIMMED_EVERY == 0:
            writes.append(("LTRIM", keys.replies_key(number), -MOST_LISTED, -1))
        lease = None if change.lease is None else (keys.lease_key(shard), number, change.lease)
        batch.add(number, codec.version_bytes(loaded.version), record, writes, counts, lease)

    # Claiming what is due

    def claim(self, now: float, lease_s: float, limit: int) -> list[str]:
        """Claim up to `limit` growers whose due time has come, until `now + lease_s`.

        One pipelined round trip. Each shard gives its share of the limit; a limit below the
        number of shards asks that many of them, and the next call goes on from there. Where some
        nodes of a cluster cannot be reached the others give what they have.
        """
        asked = min(limit, keys.SHARDS)
        shards = [(self._first_shard + each) % keys.SHARDS for each in range(asked)]
        self._first_shard = (self._first_shard + max(asked, 1)) % keys.SHARDS
        share = limit // asked if asked else 0
        args = [now, now + lease_s, share]
        calls = [([keys.due_key(shard), keys.lease_key(shard)], args) for shard in shards]
        with reaching_redis():
            answers = call_each(self.redis, self._claim, calls)
            claimed = [each for each in answers if not isinstance(each, Exception)]
            numbers = [number.decode() for answer in claimed for number in answer]
            if not numbers:
                heeded(answers)
        return numbers

    def release(self, numbers: Sequence[str], lease: float, now: float) -> int:
        """Give back those of these numbers that are still claimed until `lease`; due `now` again.

        Returns how many that were. One pipelined round trip.
        """
        shards: dict[int, list[str]] = {}
        for number in numbers:
            shards.setdefault(keys.shard_of(number), []).append(number)
        calls: list[tuple[list[str], list[Any]]] = [
            ([keys.due_key(shard), keys.lease_key(shard)], [now, lease, *theirs])
            for shard, theirs in shards.items()
        ]
        with reaching_redis():
            return sum(call_many(self.redis, self._release, calls))

    def calls(self) -> list[tuple[str, float]]:
        """Return the numbers a person should ring, and since when; the longest wait first."""
        every = [([keys.calls_key(shard)], ["-inf", "+inf", -1]) for shard in range(keys.SHARDS)]
        with reaching_redis():
            answers = call_many(self.redis, self._first, every)
        found = [pair for each in answers for pair in zip(each[::2], each[1::2], strict=True)]
        return sorted(
            ((number.decode(), float(since)) for number, since in found), key=lambda it: it[1]
        )

    def growers(self) -> Iterator[str]:
        """Go through every number, in no order; one may come twice while the store grows."""
        with reaching_redis():
            for key in self.redis.scan_iter(match=keys.GROWERS, count=SCAN_BATCH):
                yield keys.number_in(key)

    def recount(self) -> int:
        """Make the indexes of groups and calls anew from the records; return how many there are.

        For records of a version that kept no groups. Who is to be rung waits since when they
        did, and a record that cannot be read is left out and told in the log. What is committed
        meanwhile is counted wrongly, so nothing else may run.
        """
        count = 0
        since = dict(self.calls())
        with reaching_redis():
            for pattern in (*keys.INDEXES, keys.MARKS):
                for name in self.redis.scan_iter(match=pattern, count=SCAN_BATCH):
                    self.redis.delete(name)
            numbers = list(dict.fromkeys(self.growers()))
            for start in range(0, len(numbers), SCAN_BATCH):
                part = numbers[start : start + SCAN_BATCH]
                writes: list[Write] = []
                counts = Counter[tuple[str, str]]()
                for number, grower in self._readable(part):
                    count += 1
                    waits = since.get(number, self._clock())
                    writes += indexes.of_groups(number, None, grower, waits)
                    mark = indexes.mark()
                    for key, name, added, *other in indexes.counted(number, None, grower):
                        for each in (key, *other):
                            counts[each, name] += added or mark
                writes += [("HINCRBY", *each, added) for each, added in counts.items()]
                heeded(together(self.redis, writes))
        return count

    def _readable(self, numbers: Sequence[str]) -> list[tuple[str, Grower]]:
        """Read the growers whose records can be read."""
        try:
            loads = self.load_many(numbers)
            return [(n, each.grower) for n, each in zip(numbers, loads, strict=True)]
        except codec.RecordError:
            found = []
            for number in numbers:
                try:
                    found.append((number, self.load(number).grower))
                except codec.RecordError as error:
                    log.warning("a number ending in %s is left out: %s", number[-2:], error)
            return found

    def _run(self, batch: _Batch) -> list[int]:
        """Commit a batch: a 1 for each turn, a 0 for each that lost."""
        answers = call_many(self.redis, self._commit, [batch.call], self._copies)
        return cast("list[int]", answers[0])

    def confirm(self, *numbers: str, desk: bool = False) -> None:
        """Make sure that enough replicas have what was written of these numbers, and at the desk.

        Raises `StoreUnavailable` where they do not: it may be of no account, as where the server
        that took it was a primary once and does not know yet that another has taken over.
        """
        others = [keys.desk_copied_key()] if desk else []
        with reaching_redis():
            self._confirm(map(keys.shard_of, numbers), *others)

    def _confirm(self, shards: Iterable[int], *others: str) -> None:
        """Make sure that what was read in shards is on as many replicas as a commit must be.

        A commit that too few replicas had was refused, but it is there, and found when the same
        text comes again. To say then that all is well, a write behind it must be confirmed.
        """
        if self._copies:
            written = dict.fromkeys([*map(keys.copied_key, shards), *others])
            marks: list[Command] = [("SET", key, 1) for key in written]
            heeded(together(self.redis, marks, self._copies))


class _Batch:
    """Turns for one call of the commit script, with the keys and the values it uses."""

    def __init__(self) -> None:
        self.numbers: list[str] = []
        self.keys: dict[str, None] = {}
        self._turns: list[msgspec.Raw] = []
        self._sums: dict[tuple[Count, ...], int] = {}

    def add(  # noqa: PLR0913, PLR0917 - the parts of a turn, as the script reads them
        self,
        number: str,
        version: bytes,
        record: bytes,
        writes: Sequence[Write],
        counts: tuple[Count, ...],
        lease: tuple[str, str, float] | None = None,
    ) -> None:
        """Add a turn: what to write where this version of the record stands."""
        # Counted alike by many turns, and so sent once for all of them.
        place = self._sums.get(counts, 0)
        if counts and not place:
            place = self._sums[counts] = len(self._sums) + 1
            for key, _, _, *other in counts:
                self.keys.update(dict.fromkeys((key, *other)))
        key = keys.grower_key(number)
        self.keys[key] = None
        turn: tuple[Any, ...] = (key, raw(version), raw(record), writes, place)
        for write in writes:
            self.keys[write[1]] = None
        if lease is not None:
            turn += (lease,)
            self.keys[lease[0]] = None
        # As bytes at once: thousands of small lists would keep the garbage collector busy.
        self._turns.append(msgspec.Raw(_encoder.encode(turn)))
        self.numbers.append(number)

    @property
    def call(self) -> Call:
        """The keys and the turns as the script reads them."""
        sums = tuple(self._sums)
        return list(self.keys), [_encoder.encode((self._turns, sums, indexes.mark()))]


_encoder = msgspec.msgpack.Encoder()


def _or_error(answer: Any, read: Callable[[Any], Read]) -> Read | Exception:  # noqa: ANN401
    """Read one answer of many, or return why there is none."""
    try:
        with reaching_redis():
            if isinstance(answer, Exception):
                raise answer
        return read(answer)
    except (StoreUnavailable, RedisError, codec.RecordError) as error:
        return error


def _loaded(record: bytes | None, replay: bytes | None = None) -> Loaded:
    if record is None and replay is None:
        return NEW
    version, grower = (0, NEW.grower) if record is None else codec.decode(record)
    return Loaded(version, grower, None if replay is None else codec.decode_replay(replay))
