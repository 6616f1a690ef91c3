"""Rounds in Redis: what each is, and how far it has come.

A round's record is changed by agents (start, pause, stop) and read by whoever spreads it. How
far it has come is kept apart: for each of its groups the place reached, and what was counted up to
it, both written in one transaction that does nothing where somebody else has moved the place. So
nothing is counted twice, and a round goes on from its place however long it was paused.
"""

from __future__ import annotations

import secrets
from collections import Counter
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Literal, cast

import msgspec
from msgspec import Struct

from bot.store import keys
from bot.store.errors import reaching_redis
from bot.store.indexes import TALLY_S
from bot.store.shelf import Shelf
from bot.store.trips import heeded, together, transaction

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import redis

State = Literal["draft", "counting", "counted", "running", "paused", "stopped", "finished"]

PausedFor = Literal["", "ceiling"]
"""Why a round is paused, where no agent did it: the month's spend has reached its ceiling."""

Pass = Literal["count", "send"]
"""A round goes through its groups twice: to say what it would do, and to do it."""

EXAMPLES = 3

Place = tuple[int, str]
"""How far a pass has come in a group: shards done, and the last number done in the next one."""


class Conditions(Struct, array_like=True, frozen=True):
    """Whom a round is for, among the growers of its groups; what is left as it is asks nothing.

    `languages` are codes. `operation` is what comes next for the grower, and `within` the days
    in which it is due (overdue work is due). `behind` is the least days their next work is
    overdue. `not_planted` and `no_plan` ask for growers who have not planted, or have no plan
    that is under way.
    """

    languages: tuple[str, ...] = ()
    operation: str = ""
    within: int | None = None
    behind: int | None = None
    not_planted: bool = False
    no_plan: bool = False


class Round(Struct, array_like=True, frozen=True):
    """A text, or a flow's first question, for all growers of some groups who meet conditions.

    `texts` are by language; with `flow` the round asks that flow's first question instead.
    `start` is UTC epoch seconds, and `rate` texts a minute. `by` is who made it. `paused_for` is
    said of a paused round only (`moved`).
    """

    id: str
    name: str
    by: str
    made: int
    groups: tuple[str, ...]
    conditions: Conditions = Conditions()
    texts: dict[str, str] = msgspec.field(default_factory=dict)
    flow: str = ""
    start: int = 0
    rate: int = 600
    state: State = "draft"
    paused_for: PausedFor = ""


def moved(one: Round, state: State, why: PausedFor = "") -> Round:
    """Return a round in another state; `why` says why it is paused, if no agent did it."""
    return msgspec.structs.replace(one, state=state, paused_for=why)


def new_id() -> str:
    """Make an id for a round, easy to read out."""
    return "".join(secrets.choice("23456789abcdefghjkmnpqrstuvwxyz") for _ in range(8))


@dataclass(frozen=True, slots=True)
class Progress:
    """How far a pass has come: shards done of each group, and what was counted.

    `last` is the last number done of a shard that is being gone through. `counts` by name:
    `chosen`, `language:sw`, `segments:sw`, and `left_out:stopped` with the reason. `examples` are
    numbers chosen, the first of each language first.
    """

    done: Mapping[str, int] = field(default_factory=dict)
    last: Mapping[str, str] = field(default_factory=dict)
    counts: Counter[str] = field(default_factory=Counter)
    examples: tuple[str, ...] = ()


class Rounds:
    """The rounds in Redis. The client must not decode responses.

    None is ever taken from the shelf: by the rounds there are `Store.forget` finds what is kept of
    who was told.
    """

    def __init__(self, client: redis.Redis) -> None:
        self.redis = client
        self.shelf = Shelf(client, keys.rounds_key(), Round)

    def change_state(
        self, round_id: str, allowed: Sequence[State], state: State, why: PausedFor = ""
    ) -> Round | None:
        """Put a round into another state if it is in one of those; return it as it then is."""

        def change(one: Round) -> Round:
            return moved(one, state, why) if one.state in allowed else one

        return self.shelf.change(round_id, change)

    def progress(self, round_id: str, which: Pass) -> Progress:
        """Return how far a pass has come."""
        with reaching_redis():
            stored = cast(
                "dict[bytes, bytes]", self.redis.hgetall(keys.round_work_key(f"{round_id}:{which}"))
            )
        done: dict[str, int] = {}
        last: dict[str, str] = {}
        counts: Counter[str] = Counter()
        examples: tuple[str, ...] = ()
        for name, value in stored.items():
            kind, _, rest = name.decode().partition(" ")
            if kind == "done":
                done[rest] = int(value)
            elif kind == "last":
                last[rest] = value.decode()
            elif kind == "examples":
                examples = tuple(number for _, number in _examples(value))
            else:
                counts[rest] = int(value)
        return Progress(done, last, counts, examples)

    def advance(  # noqa: PLR0913, PLR0917 - written in one transaction, so given together
        self,
        round_id: str,
        which: Pass,
        group: str,
        places: tuple[Place, Place],
        counts: Mapping[str, int],
        examples: Sequence[tuple[str, str]] = (),
    ) -> bool:
        """Go on from one place of a group to another, with what was counted in between.

        `examples` are languages and numbers chosen there. False where the pass is not at the
        first place any more, because another went on from there or it was begun again: then
        nothing is written.
        """
        key = keys.round_work_key(f"{round_id}:{which}")
        done, last = f"done {group}", f"last {group}"
        before, (shards, number) = places
        written = False

        def put(pipe: redis.client.Pipeline) -> None:
            nonlocal written
            at_shard, at_number, kept = cast(
                "list[bytes | None]", pipe.hmget(key, [done, last, "examples"])
            )
            pipe.multi()
            written = (int(at_shard or 0), (at_number or b"").decode()) == before
            if not written:
                return
            pipe.hset(key, mapping={done: shards, last: number})
            for name, count in counts.items():
                pipe.hincrby(key, f"count {name}", count)
            if examples:
                pipe.hset(key, "examples", _written(best_examples([*_examples(kept), *examples])))
            pipe.expire(key, TALLY_S)

        with reaching_redis():
            transaction(self.redis, put, key)
        return written

    def begin_again(self, round_id: str, which: Pass) -> None:
        """Forget how far a pass has come, so that it begins anew."""
        with reaching_redis():
            self.redis.delete(keys.round_work_key(f"{round_id}:{which}"))

    def fared(self, round_id: str) -> Counter[str]:
        """Count what became of a round's texts: sent, refused, delivered, failed, withdrawn.

        What was spread is sent, refused or withdrawn, or waits still.
        """
        asked = [("HGETALL", keys.told_key(shard, round_id)) for shard in range(keys.SHARDS)]
        counts: Counter[str] = Counter()
        with reaching_redis():
            answers: list[dict[bytes, Any]] = heeded(together(self.redis, asked))
        for answer in answers:
            for what, count in answer.items():
                counts[what.decode()] += int(count)
        return counts

    def left(self, one: Round) -> int:
        """Count the texts of a round that are still to be handed over, as far as is known yet.

        Who was counted may be left out in the end; once it is finished, who was chosen is known.
        """
        told = self.fared(one.id)
        passes: tuple[Pass, Pass] = ("count", "send")
        counted, spread = (self.progress(one.id, which).counts["chosen"] for which in passes)
        expected = spread if one.state == "finished" else max(counted, spread)
        return max(expected - told["sent"] - told["refused"] - told["withdrawn"], 0)

    def forget(self, number: str) -> None:
        """Take a number out of how far every round has come.

        For good only once its record is gone, as a round may come to it again.
        """
        with reaching_redis():
            names = cast("list[bytes]", self.redis.hkeys(keys.rounds_key()))
            works = [
                keys.round_work_key(f"{name.decode()}:{which}")
                for name in names
                for which in ("count", "send")
            ]
            found = heeded(together(self.redis, [("HGETALL", key) for key in works]))
            for key, stored in zip(works, found, strict=True):
                # A number is a whole value, or follows a language (`_written`).
                if any(number.encode() in value for value in stored.values()):
                    self._forget(key, number)

    def _forget(self, key: str, number: str) -> None:
        def put(pipe: redis.client.Pipeline) -> None:
            stored = cast("dict[bytes, bytes]", pipe.hgetall(key))
            changes = {
                name: self._one_before(name.decode().removeprefix("last "), number)
                for name, value in stored.items()
                if name.startswith(b"last ") and value.decode() == number
            }
            examples = _examples(stored.get(b"examples"))
            if others := [each for each in examples if each[1] != number]:
                changes[b"examples"] = _written(others)
            pipe.multi()
            if examples and not others:
                pipe.hdel(key, "examples")
            if changes:
                pipe.hset(key, mapping=cast("Any", changes))

        transaction(self.redis, put, key)

    def _one_before(self, group: str, number: str) -> str:
        """The number of a group that stands before another in its shard; empty for the first."""
        members: Any = self.redis.zrange(keys.members_key(keys.shard_of(number), group), 0, -1)
        return max((each for each in map(bytes.decode, members) if each < number), default="")


def best_examples(examples: Sequence[tuple[str, str]]) -> list[tuple[str, str]]:
    """Choose as many as are kept, the first of each language before the others."""
    firsts = dict(reversed(examples))
    return sorted(examples, key=lambda each: firsts[each[0]] != each[1])[:EXAMPLES]


# Examples, as they are kept: "sw:+255712345678 en:+255712345679"


def _examples(stored: bytes | None) -> list[tuple[str, str]]:
    found = (each.rpartition(":") for each in (stored or b"").decode().split())
    return [(language, number) for language, _, number in found]


def _written(examples: Sequence[tuple[str, str]]) -> str:
    return " ".join(f"{language}:{number}" for language, number in examples)
