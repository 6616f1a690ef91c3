"""The doctor's checks of Redis itself: is it new enough, does it keep what it is given."""

from __future__ import annotations

import re
import shutil
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

import redis

from bot.operating.findings import Finding, ok, warning, wrong
from bot.operating.servers import info, servers
from bot.store.errors import RightMissingError, reaching_redis
from bot.store.server import OLDEST
from bot.store.trips import WAIT_MS

if TYPE_CHECKING:
    from collections.abc import Iterator

    from bot.operating.findings import Patient

FULL_WARNING, FULL_WRONG = 0.75, 0.9
"""Shares of the memory that may be used at which there is cause to act."""

DISK_WARNING, DISK_WRONG = 3, 1.2
"""The free disk in sizes of what is kept. A rewrite of the append-only file needs the size again,
beside the old one."""

SKEW_WARNING_S, SKEW_WRONG_S = 2.0, 60.0
"""Seconds by which clocks may differ. Leases last 300."""


def reached(patient: Patient) -> Iterator[Finding]:
    """See that Redis answers. Raises StoreUnavailable where it does not."""
    with reaching_redis():
        patient.redis.ping()
    names = [name for name, _ in servers(patient.redis)]
    yield ok("redis", "answers" if len(names) == 1 else f"a cluster of {len(names)} answers")


def version(patient: Patient) -> Iterator[Finding]:
    """See that every server is new enough."""
    for name, server in servers(patient.redis):
        said = str(info(server)["redis_version"])
        found = re.match(r"(\d+)\.(\d+)", said)
        if found and (int(found[1]), int(found[2])) >= OLDEST:
            yield ok("redis", f"{name} is version {said}")
        else:
            yield wrong("redis", f"{name} is version {said}", "install 6.2 or newer")


def role(patient: Patient) -> Iterator[Finding]:
    """See that we write to a primary, and whether it has a replica."""
    for name, server in servers(patient.redis):
        said = info(server)
        if said["role"] != "master":
            yield wrong(
                "redis",
                f"{name} is a replica, and takes no writes",
                "point REDIS_URL at the primary",
            )
        elif said["connected_slaves"]:
            yield ok("redis", f"{name} has {said['connected_slaves']} replicas")
        else:
            yield ok("redis", f"{name} has no replica: its disk and your backups are all there is")


def copies(patient: Patient) -> Iterator[Finding]:
    """See that texts that wait for replicas do not wait in vain."""
    wanted = patient.settings.replicas
    for name, server in servers(patient.redis) if wanted else ():
        try:
            with reaching_redis():
                there: int = server.execute_command("WAIT", wanted, WAIT_MS)  # type: ignore[no-untyped-call]
        except RightMissingError:
            yield wrong(
                "redis",
                f"{name} does not let WAIT be called, so no text is acknowledged",
                "give its user that right, as redis-users.acl does",
            )
            continue
        if there >= wanted:
            yield ok("redis", f"{name} has the {wanted} replicas that texts wait for")
        else:
            yield wrong(
                "redis",
                f"{name} has {there} of {wanted} replicas, so no text is acknowledged",
                "bring the replicas back (redis-cli info replication), or till then set "
                "FIELDBELL_REPLICAS lower and accept what a failover then may lose",
            )


def memory(patient: Patient) -> Iterator[Finding]:
    """See that nothing is thrown out for want of memory, and that there is enough."""
    for name, server in servers(patient.redis):
        said = info(server)
        if (policy := said["maxmemory_policy"]) != "noeviction":
            yield wrong(
                "redis",
                f"{name} has maxmemory-policy {policy}: when memory is short it drops growers",
                f"redis-cli CONFIG SET maxmemory-policy noeviction, and in redis.conf; {THEN}",
            )
        used, most = said["used_memory"], said["maxmemory"]
        limit, what = (most, "maxmemory") if most else (said["total_system_memory"], "the machine")
        share = used / limit if limit else 0.0
        found = f"{name} uses {_bytes(used)}, {share:.0%} of {_bytes(limit)} ({what})"
        if share < FULL_WARNING:
            yield ok("redis", found)
        else:
            finding = wrong if share >= FULL_WRONG else warning
            yield finding(
                "redis",
                found,
                "give it more (CONFIG SET maxmemory, or a larger machine); FIELDBELL_KEEP_TEXTS "
                "lower frees some as growers text",
            )


def persistence(patient: Patient) -> Iterator[Finding]:
    """See that what is written is on the disk within a second, and that writing works."""
    for name, server in servers(patient.redis):
        said = info(server)
        if not said["aof_enabled"]:
            yield wrong(
                "redis",
                f"{name} has no append-only file: what was told since the last snapshot is lost "
                "when it ends",
                f"redis-cli CONFIG SET appendonly yes, and in redis.conf; {THEN}",
            )
        elif said["aof_last_write_status"] != "ok" or said["aof_last_bgrewrite_status"] != "ok":
            yield wrong(
                "redis",
                f"{name} could not write its append-only file",
                "free some disk, see its log, then redis-cli BGREWRITEAOF",
            )
        else:
            yield from _synced(name, server)
        if said["rdb_last_bgsave_status"] != "ok":
            yield wrong("redis", f"{name} could not save its last snapshot", "free some disk")


def _synced(name: str, server: redis.Redis) -> Iterator[Finding]:
    policy = _setting(server, "appendfsync")
    if policy is None:
        yield warning(
            "redis",
            f"{name} has an append-only file, and does not tell how it is synced",
            "ask whoever runs it for appendfsync everysec or always",
        )
    elif policy == "no":
        yield wrong(
            "redis",
            f"{name} never syncs its append-only file: half a minute is lost with the power",
            f"redis-cli CONFIG SET appendfsync everysec, and in redis.conf; {THEN}",
        )
    else:
        yield ok("redis", f"{name} has an append-only file, synced {policy}")


def disk(patient: Patient) -> Iterator[Finding]:
    """See that there is room for the append-only file, where Redis's disk is this machine's."""
    for name, server in servers(patient.redis):
        place = server.connection_pool.connection_kwargs
        folder = _setting(server, "dir")
        local = "path" in place or place.get("host") in {"localhost", "127.0.0.1", "::1"}
        if not local or not folder or not Path(folder).is_dir():
            continue
        free, size = shutil.disk_usage(folder).free, info(server)["used_memory"]
        found = f"{_bytes(free)} are free in {folder}, and {name} holds {_bytes(size)}"
        if free > DISK_WARNING * size:
            yield ok("redis", found)
        else:
            finding = wrong if free < DISK_WRONG * size else warning
            yield finding("redis", found, "free some disk, or Redis will stop taking texts")


def clock(patient: Patient) -> Iterator[Finding]:
    """See that the clock here and those of the servers agree."""
    for name, server in servers(patient.redis):
        with reaching_redis():
            seconds, micros = server.time()
        skew = abs(seconds + micros / 1e6 - patient.clock())
        if skew <= SKEW_WARNING_S:
            yield ok("clock", f"this machine and {name} agree on the time")
        else:
            finding = wrong if skew > SKEW_WRONG_S else warning
            yield finding(
                "clock",
                f"the clocks of this machine and {name} differ by {skew:.0f} s",
                "let both set their clocks by NTP (timedatectl set-ntp true); till then reminders "
                "come at wrong hours and leases lapse too soon",
            )


THEN = "CONFIG REWRITE writes what is set to its file"


def _setting(server: redis.Redis, name: str) -> str | None:
    """What a server has set; None where it does not tell, as services often do not."""
    try:
        with reaching_redis():
            found = cast("dict[Any, Any]", server.config_get(name))
    except (redis.ResponseError, RightMissingError):
        return None
    for key, value in found.items():
        if (key.decode() if isinstance(key, bytes) else key) == name:
            return value.decode() if isinstance(value, bytes) else str(value)
    return None


def _bytes(count: float) -> str:
    for unit in ("bytes", "KiB", "MiB"):
        if count < 1024:  # noqa: PLR2004 - binary units
            return f"{count:.0f} {unit}"
        count /= 1024
    return f"{count:.1f} GiB"
