"""Many commands in one round trip, on one Redis or on each node of a cluster that they concern.

Written here once, because a cluster's own pipelines take neither scripts nor a wait for replicas,
and try a command again somewhere else without it.

`copies` is how many replicas must have what is written before it counts. Redis hands its answer
out before its replicas have the write; WAIT, sent behind the writes over the same connection, holds
until so many have. (Redis documentation, "WAIT".)
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import redis
from redis.cluster import RedisCluster
from redis.exceptions import (
    ClusterDownError,
    MovedError,
    NoScriptError,
    ReadOnlyError,
    ResponseError,
)

from bot.store.errors import StoreUnavailable

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from redis.client import Pipeline
    from redis.commands.core import Script

Command = tuple[Any, ...]
"""A Redis command: its name, its key, its values; or EVALSHA, digest, how many keys, the keys ..."""

Call = tuple["Sequence[str]", "Sequence[Any]"]
"""The keys of a script, all of one shard, and its arguments."""

WAIT_MS = 1000
"""How long replicas have to confirm a write: well within the time a client waits for an answer."""

TRIES = 3
"""Tries at the nodes of a cluster, each after asking anew which node serves what."""

_ELSEWHERE = (redis.ConnectionError, redis.TimeoutError, MovedError, ClusterDownError)
"""What a node answers, or fails to, when another serves the slot by now or soon may."""

_WRITES = frozenset({"EVALSHA", "EVAL", "SET"})


def together(client: redis.Redis, commands: Sequence[Command], copies: int = 0) -> list[Any]:
    """Send commands in one round trip (to each node concerned); return their answers in order.

    What is refused, or cannot be sent to its node, has an exception among the answers, and so has
    what fewer replicas than `copies` confirm (`StoreUnavailable`); the others are done all the
    same. Raises what the client raises when there is no answer to any. What has no answer may be
    done all the same, or half of it: call only with what may be done twice.
    """
    if len(commands) == 1 and not copies:
        try:
            return [client.execute_command(*commands[0])]  # type: ignore[no-untyped-call]
        except ResponseError as error:
            return [error]
    cluster = _cluster(client)
    if cluster is None:
        return _over_one(client, commands, copies)
    return _over_nodes(cluster, commands, copies)


def call_many(
    client: redis.Redis, script: Script, calls: Sequence[Call], copies: int = 0
) -> list[Any]:
    """Call a script many times in one round trip; raises what any of the calls failed for."""
    return heeded(call_each(client, script, calls, copies))


def call_each(
    client: redis.Redis, script: Script, calls: Sequence[Call], copies: int = 0
) -> list[Any]:
    """Call a script many times in one round trip; one more where Redis does not know it.

    Calling the registered script on a pipeline would first ask whether Redis knows it, which is a
    round trip more; so it is called by its digest, and by its text where that is unknown. What
    fails is among the answers, as with `together`.
    """
    answers = together(client, [evalsha(script, call) for call in calls], copies)
    missed = [place for place, each in enumerate(answers) if isinstance(each, NoScriptError)]
    if missed:
        text = [("EVAL", script.script, *evalsha(script, calls[place])[2:]) for place in missed]
        for place, answer in zip(missed, together(client, text, copies), strict=True):
            answers[place] = answer
    return answers


def transaction(client: redis.Redis, put: Callable[[Pipeline], None], key: str) -> None:
    """Do a transaction on one key, as `redis.Redis.transaction` does; `put` may be called again.

    A cluster's own client sends one whose answer was lost again without looking at the key, so
    that what counts up would count twice. So it is done by the client of the node.
    """
    cluster = _cluster(client)
    if cluster is None:
        client.transaction(put, key)
        return
    for attempt in range(1, TRIES + 1):
        try:
            _node(cluster, key).transaction(put, key)
        except _ELSEWHERE:
            if attempt == TRIES:
                raise
            cluster.nodes_manager.initialize()
        else:
            return


def evalsha(script: Script, call: Call) -> Command:
    """Return the command that calls a script by its digest."""
    names, args = call
    return ("EVALSHA", script.sha, len(names), *names, *args)


def heeded(answers: list[Any]) -> list[Any]:
    """Return the answers if none of them is an exception; else raise the first."""
    for answer in answers:
        if isinstance(answer, Exception):
            raise answer
    return answers


def _over_one(client: redis.Redis, commands: Sequence[Command], copies: int) -> list[Any]:
    pipe = client.pipeline(transaction=False)
    for command in commands:
        pipe.execute_command(*command)  # type: ignore[no-untyped-call]
    waits = copies > 0 and any(command[0] in _WRITES for command in commands)
    if waits:
        pipe.execute_command("WAIT", copies, WAIT_MS)  # type: ignore[no-untyped-call]
    answers = pipe.execute(raise_on_error=False)
    if any(map(_read_only, answers)):
        # The primary has become a replica; Sentinel is asked when a connection is made anew.
        client.connection_pool.disconnect()
    elif waits and (unsure := _unsure(answers[-1], copies)):
        # Of what was refused the caller must still hear why: a script not known as yet, or a slot
        # that is another node's by now, so that this one, a replica, cannot wait for others.
        for place, command in enumerate(commands):
            if command[0] in _WRITES and not isinstance(answers[place], Exception):
                answers[place] = unsure
    return answers[: len(commands)]


def _unsure(confirmed: int | Exception, copies: int) -> Exception | None:
    """Say why what was written may not count, by what WAIT answered; None where it does."""
    if isinstance(confirmed, Exception):
        return confirmed
    if confirmed < copies:
        return StoreUnavailable(
            f"{confirmed} of {copies} replicas have the write; look at INFO replication"
        )
    return None


def _over_nodes(cluster: RedisCluster, commands: Sequence[Command], copies: int) -> list[Any]:
    answers: list[Any] = [None] * len(commands)
    left: Sequence[int] = range(len(commands))
    for attempt in range(TRIES):
        if attempt:
            cluster.nodes_manager.initialize()
        nodes: dict[redis.Redis, list[int]] = {}
        for place in left:
            nodes.setdefault(_node(cluster, _key(commands[place])), []).append(place)
        for node, places in nodes.items():
            theirs = [commands[place] for place in places]
            try:
                found = _over_one(node, theirs, copies)
            except (redis.ConnectionError, redis.TimeoutError) as error:
                found = [error] * len(places)
            for place, answer in zip(places, found, strict=True):
                answers[place] = answer
        left = [place for place in left if isinstance(answers[place], _ELSEWHERE)]
        if not left:
            break
    return answers


def _cluster(client: object) -> RedisCluster | None:
    return client if isinstance(client, RedisCluster) else None


def _node(cluster: RedisCluster, key: str) -> redis.Redis:
    """The client of the node that serves a key, as far as is known."""
    return cluster.get_redis_connection(cluster.get_node_from_key(key))  # type: ignore[no-untyped-call]


def _key(command: Command) -> str:
    return str(command[3] if command[0] in {"EVALSHA", "EVAL"} else command[1])


def _read_only(answer: object) -> bool:
    # A script's failure hides the reason in its text (Redis 6.2).
    return isinstance(answer, ReadOnlyError) or (
        isinstance(answer, ResponseError) and "READONLY" in str(answer)
    )
