"""Rounds in Redis: what each is, and how far it has come.

A round's record is changed by agents (start, pause, stop) and read by whoever spreads it. How
far it has come is kept apart: for each of its groups the shards done, and what was counted,
both written in one transaction, so that a count is of whole shards and nothing is counted twice.
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

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import redis

State = Literal["draft", "counting", "counted", "running", "paused", "stopped", "finished"]

Pass = Literal["count", "send"]
"""A round goes through its groups twice: to say what it would do, and to do it."""

EXAMPLES = 3


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
    `start` is UTC epoch seconds, and `rate` texts a minute. `by` is who made it.
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


def new_id() -> str:
    """Make an id for a round, easy to read out."""
    return "".join(secrets.choice("23456789abcdefghjkmnpqrstuvwxyz") for _ in range(8))


@dataclass(frozen=True, slots=True)
class Progress:
    """How far a pass has come: shards done of each group, and what was counted.

    `counts` by name: `chosen`, `language:sw`, `segments:sw`, and `left_out:stopped` with the
    reason. `examples` are numbers chosen, the first of each language first.
    """

    done: Mapping[str, int] = field(default_factory=dict)
    counts: Counter[str] = field(default_factory=Counter)
    examples: tuple[str, ...] = ()


class Rounds:
    """The rounds in Redis. The client must not decode responses."""

    def __init__(self, client: redis.Redis) -> None:
        self.redis = client
        self.shelf = Shelf(client, keys.rounds_key(), Round)

    def change_state(self, round_id: str, allowed: Sequence[State], state: State) -> Round | None:
        """Put a round into another state if it is in one of those; return it as it then is."""

        def change(one: Round) -> Round:
            return msgspec.structs.replace(one, state=state) if one.state in allowed else one

        return self.shelf.change(round_id, change)

    def progress(self, round_id: str, which: Pass) -> Progress:
        """Return how far a pass has come."""
        with reaching_redis():
            stored = cast(
                "dict[bytes, bytes]", self.redis.hgetall(keys.round_work_key(f"{round_id}:{which}"))
            )
        done: dict[str, int] = {}
        counts: Counter[str] = Counter()
        examples: tuple[str, ...] = ()
        for name, value in stored.items():
            kind, _, rest = name.decode().partition(" ")
            if kind == "done":
                done[rest] = int(value)
            elif kind == "examples":
                examples = tuple(value.decode().split())
            else:
                counts[rest] = int(value)
        return Progress(done, counts, examples)

    def advance(  # noqa: PLR0913, PLR0917 - written in one transaction, so given together
        self,
        round_id: str,
        which: Pass,
        group: str,
        shards: int,
        counts: Mapping[str, int],
        examples: Sequence[str],
    ) -> None:
        """Write down that so many shards of a group are done, with what was counted in the last."""
        key = keys.round_work_key(f"{round_id}:{which}")
        pipe = self.redis.pipeline(transaction=True)
        pipe.hset(key, f"done {group}", shards)
        for name, count in counts.items():
            pipe.hincrby(key, f"count {name}", count)
        if examples:
            pipe.hset(key, "examples", " ".join(examples))
        pipe.expire(key, TALLY_S)
        with reaching_redis():
            pipe.execute()

    def begin_again(self, round_id: str, which: Pass) -> None:
        """Forget how far a pass has come, so that it begins anew."""
        with reaching_redis():
            self.redis.delete(keys.round_work_key(f"{round_id}:{which}"))

    def fared(self, round_id: str) -> Counter[str]:
        """Count what became of a round's texts: sent, refused, delivered, failed."""
        pipe = self.redis.pipeline(transaction=False)
        for shard in range(keys.SHARDS):
            pipe.hgetall(keys.told_key(shard, round_id))
        counts: Counter[str] = Counter()
        with reaching_redis():
            answers: list[dict[bytes, Any]] = pipe.execute()
        for answer in answers:
            for what, count in answer.items():
                counts[what.decode()] += int(count)
        return counts

    def forget(self, number: str) -> None:
        """Take a number out of the examples of every round."""
        for round_id in self.shelf.all():
            for which in ("count", "send"):
                key = keys.round_work_key(f"{round_id}:{which}")
                with reaching_redis():
                    kept = cast("bytes | None", self.redis.hget(key, "examples"))
                    if kept and number in kept.decode().split():
                        others = [each for each in kept.decode().split() if each != number]
                        self.redis.hset(key, "examples", " ".join(others))
