"""What is done to the world: each fault is a function of the world, the gateway and a choice.

They come at random in four lanes at once: the web, the senders, the store, and what lies around
them. Each lane draws from the seed, so that a run can be repeated in what it does, if not to the
millisecond.
"""

from __future__ import annotations

import time
from contextlib import suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING

import redis

from bot.store import keys

from .stores import OneRedis, Several, Stored

if TYPE_CHECKING:
    import random
    from collections.abc import Callable, Mapping, Sequence

    from .gateway import Outward
    from .ledger import Ledger
    from .services import Service
    from .stores import Node
    from .world import World

NOBODY = "127.0.0.1 1"
"""Where no primary is: a replica of it keeps what it has, and takes no writes."""


@dataclass
class Scene:
    """What a fault works with."""

    world: World
    gateway: Outward
    ledger: Ledger
    choices: random.Random
    tell: Callable[[str], None]
    longest_s: float
    """The longest that a fault may last; none lasts less than half a second."""

    def lasts(self, most_s: float) -> float:
        return self.choices.uniform(0.5, max(0.5, min(most_s, self.longest_s)))


# Processes


def kill_web(scene: Scene) -> str:
    return _kill(scene.choices.choice(scene.world.webs), scene.choices.uniform(0, 1))


def kill_sender(scene: Scene) -> str:
    return _kill(scene.choices.choice(scene.world.senders), scene.choices.uniform(0, 1))


def kill_all_senders(scene: Scene) -> str:
    for sender in scene.world.senders:
        _kill(sender, 0)
    return "both"


def stop_sender(scene: Scene) -> str:
    sender = scene.choices.choice(scene.world.senders)
    sender.stop_for(scene.choices.choice((1.0, scene.world.lease_s + 2)))
    return sender.name


def stop_web(scene: Scene) -> str:
    web = scene.choices.choice(scene.world.webs)
    web.stop_for(scene.lasts(3))
    return web.name


def _kill(service: Service, down_s: float) -> str:
    service.kill(down_s)
    return service.life


# A store that is one Redis


def one_of(scene: Scene) -> OneRedis:
    stored = scene.world.stored
    assert isinstance(stored, OneRedis)
    return stored


def kill_redis(scene: Scene) -> str:
    one = one_of(scene)
    one.redis.kill(scene.choices.choice((0.0, 0.0, scene.lasts(5))))
    one.wait()
    return one.redis.life


def redis_gone(scene: Scene) -> str:
    one = one_of(scene)
    one.redis.kill(60)
    time.sleep(59)
    one.wait()
    return "a minute"


def tear_append_only_file(scene: Scene) -> str:
    one = one_of(scene)
    one.redis.kill(1)
    one.tear_append_only_file()
    one.wait()
    one.write_append_only_file_anew()
    return one.redis.life


def stop_redis(scene: Scene) -> str:
    one = one_of(scene)
    one.redis.stop_for(scene.lasts(5))
    return one.redis.life


def out_of_memory(scene: Scene) -> str:
    return _configured(scene, {"maxmemory": "1"}, {"maxmemory": "0"})


def no_replica(scene: Scene) -> str:
    return _configured(scene, {"min-replicas-to-write": "1"}, {"min-replicas-to-write": "0"})


def read_only(scene: Scene) -> str:
    with one_of(scene).client() as client:
        client.execute_command("REPLICAOF", *NOBODY.split())
        time.sleep(scene.lasts(4))
        client.execute_command("REPLICAOF", "NO", "ONE")
    return ""


def cut_connections(scene: Scene) -> str:
    with one_of(scene).client() as client:
        _cut(client)
    return ""


def disk_full(scene: Scene) -> str:
    """With `appendfsync always` Redis ends at the first write it cannot make, again and again."""
    return _filled(scene)


def disk_full_everysec(scene: Scene) -> str:
    """With `everysec` Redis lives on and refuses writes (MISCONF) until there is room."""
    one = one_of(scene)
    with one.client() as client:
        client.config_set("appendfsync", "everysec")
    try:
        return _filled(scene)
    finally:
        one.wait()
        with one.client() as client, suppress(redis.RedisError):
            client.config_set("appendfsync", one.fsync)


def _filled(scene: Scene) -> str:
    one = one_of(scene)
    one.disk.fill(one.redis.pid)
    try:
        time.sleep(scene.lasts(5))
    finally:
        one.disk.free(one.redis.pid)
    one.wait()
    return "tmpfs" if one.disk.mounted else "RLIMIT_FSIZE"


def _configured(scene: Scene, fault: Mapping[str, str], mended: Mapping[str, str]) -> str:
    with one_of(scene).client() as client:
        for name, value in fault.items():
            client.config_set(name, value)
        time.sleep(scene.lasts(4))
        for name, value in mended.items():
            client.config_set(name, value)
    return ""


def _cut(client: redis.Redis) -> None:
    for _ in range(5):
        client.execute_command("CLIENT", "KILL", "TYPE", "normal", "SKIPME", "yes")
        time.sleep(0.05)


# A store of several servers. Each fault is over when every primary has its replica again: a
# second one before that may lose what only the first one's server had, and nobody promises more.


def several_of(scene: Scene) -> Several:
    stored = scene.world.stored
    assert isinstance(stored, Several)
    return stored


def whose(scene: Scene) -> str:
    """A key of growers or, as often as any shard's, of the desk."""
    shard = scene.choices.randrange(-1, keys.SHARDS)
    return keys.rounds_key() if shard < 0 else keys.due_key(shard)


def kill_primary(scene: Scene) -> str:
    return _down(scene, several_of(scene).primary_of(whose(scene)))


def kill_replica(scene: Scene) -> str:
    return _down(scene, several_of(scene).replica_of(whose(scene)))


def _down(scene: Scene, node: Node) -> str:
    """Kill a server that comes back at once, or when another has long taken over, or may have."""
    life = node.life
    node.kill(scene.choices.choice((0.0, scene.lasts(3), scene.lasts(8))))
    several_of(scene).wait()
    return life


def stop_primary(scene: Scene) -> str:
    """It wakes as a primary that others have given up, with what it was sent meanwhile to do."""
    node = several_of(scene).primary_of(whose(scene))
    node.stop_for(scene.lasts(6))
    several_of(scene).wait()
    return node.life


def kill_both(scene: Scene) -> str:
    """What a power cut does: only what is on disk is left."""
    key = whose(scene)
    both = several_of(scene).replica_of(key), several_of(scene).primary_of(key)
    for node in both:
        node.kill()
    several_of(scene).wait()
    return " and ".join(each.name for each in both)


def fail_over(scene: Scene) -> str:
    key = whose(scene)
    node = several_of(scene).primary_of(key)
    several_of(scene).deployment.fail_over(key)
    several_of(scene).wait()
    return node.life


def kill_sentinel(scene: Scene) -> str:
    node = scene.choices.choice(several_of(scene).sentinels)
    life = node.life
    node.kill(scene.lasts(3))
    several_of(scene).wait()
    return life


def cut_all_connections(scene: Scene) -> str:
    for node in several_of(scene).nodes:
        _cut(node.server.client)
    several_of(scene).wait()
    return ""


def primary_out_of_memory(scene: Scene) -> str:
    node = several_of(scene).primary_of(whose(scene))
    node.server.client.config_set("maxmemory", "1")
    time.sleep(scene.lasts(4))
    node.server.client.config_set("maxmemory", "0")
    several_of(scene).wait()
    return node.life


# What lies around


def gateway_down(scene: Scene) -> str:
    scene.gateway.close()
    time.sleep(scene.lasts(5))
    scene.gateway.open()
    return ""


def gateway_failing(scene: Scene) -> str:
    return _mood(scene, "failing")


def gateway_slow(scene: Scene) -> str:
    return _mood(scene, "slow")


def _mood(scene: Scene, mood: str) -> str:
    scene.gateway.mood = mood
    time.sleep(scene.lasts(5))
    scene.gateway.mood = "usual"
    return mood


def put_clock(scene: Scene) -> str:
    """Put every clock forth or back, and right again after a while."""
    ahead_s = scene.choices.choice((3600.0, 300.0, -300.0, -3600.0))
    scene.world.set_clock(ahead_s)
    time.sleep(scene.lasts(5))
    scene.world.set_clock(0)
    return f"{ahead_s:+.0f} s"


@dataclass(frozen=True)
class Kind:
    name: str
    does: Callable[[Scene], str]
    weight: float
    takes_s: float = 0
    """How long it lasts at least; in a short drill there is no time for the longest."""


LANES: Mapping[str, tuple[Kind, ...]] = {
    "web": (
        Kind("web killed", kill_web, 6),
        Kind("web stopped", stop_web, 1),
    ),
    "senders": (
        Kind("sender killed", kill_sender, 10),
        Kind("both senders killed", kill_all_senders, 1),
        Kind("sender stopped", stop_sender, 1, 14),
    ),
    "around": (
        Kind("gateway down", gateway_down, 2),
        Kind("gateway failing", gateway_failing, 2),
        Kind("gateway slow", gateway_slow, 1),
        Kind("clock put", put_clock, 2),
    ),
}


STORE_LANES: Mapping[type[Stored], tuple[Kind, ...]] = {
    OneRedis: (
        Kind("redis killed", kill_redis, 10),
        Kind("append-only file torn", tear_append_only_file, 2),
        Kind("redis stopped", stop_redis, 2),
        Kind("out of memory", out_of_memory, 1),
        Kind("no replica", no_replica, 1),
        Kind("read-only", read_only, 1),
        Kind("connections cut", cut_connections, 1),
        Kind("disk full", disk_full, 1),
        Kind("disk full, everysec", disk_full_everysec, 1),
        Kind("redis gone for long", redis_gone, 0.1, 60),
    ),
    Several: (
        Kind("primary killed", kill_primary, 10),
        Kind("replica killed", kill_replica, 3),
        Kind("primary stopped", stop_primary, 4),
        Kind("primary and replica killed", kill_both, 2),
        Kind("failed over by hand", fail_over, 3),
        Kind("connections cut", cut_all_connections, 1),
        Kind("primary out of memory", primary_out_of_memory, 1),
        Kind("sentinel killed", kill_sentinel, 2),
    ),
}


def lanes_of(stored: Stored) -> Mapping[str, Sequence[Kind]]:
    """Return what is done to a world with this store, by lane."""
    kinds = STORE_LANES[type(stored)]
    if isinstance(stored, Several) and not stored.sentinels:
        kinds = tuple(kind for kind in kinds if kind.does is not kill_sentinel)
    return {**LANES, "store": kinds}


def run_lane(every: Sequence[Kind], scene: Scene, until: float, least: int, pause_s: float) -> None:
    """Do one fault after the other until the time is over, with pauses of about `pause_s`.

    At least so many are done, however long they take on a busy machine.
    """
    kinds = [kind for kind in every if kind.takes_s <= scene.longest_s]
    weights = [kind.weight for kind in kinds]
    done = 0
    while True:
        time.sleep(scene.choices.uniform(0.2, 2) * pause_s)
        left = until - time.monotonic()
        if left <= 0 and done >= least:
            return
        (kind,) = scene.choices.choices(kinds, weights)
        if kind.takes_s > left and done >= least:
            continue
        done += 1
        began = time.monotonic()
        try:
            target = kind.does(scene)
        except redis.RedisError as error:
            # What a fault that failed half-way leaves is mended at the end.
            target = f"half-way: {type(error).__name__}"
        except Exception as error:  # noqa: BLE001 - the drill's own, and nothing may hide it
            target = f"could not be done: {error!r}"
            scene.ledger.wrong.append(f"{kind.name} {target}")
        scene.ledger.did(kind.name, target, began)
        scene.tell(f"{kind.name} {target}".rstrip())
