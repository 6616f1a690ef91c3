"""Reaching Redis: the one of REDIS_URL, or the embedded one.

REDIS_URL says how Redis is deployed by its scheme, spelt as the `limits` library and others do:

    redis://HOST:PORT/DB              one server; unix:///PATH is one too
    redis+sentinel://HOST:PORT,HOST:PORT/SERVICE/DB
                                      the primary that these Sentinels name
    redis+cluster://HOST:PORT,HOST:PORT
                                      a Redis Cluster, of which these are some nodes

`rediss` in the place of `redis` speaks TLS. USER:PASSWORD@ may stand before the hosts, and options
of redis-py behind a question mark (`?ssl_ca_certs=/etc/ca.pem`). Sentinels that want a password
have one of their own: `?sentinel_password=...`, with `sentinel_username` where they have users.
"""

from __future__ import annotations

from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, cast
from urllib.parse import urlsplit

import redis
from redis.backoff import ExponentialBackoff
from redis.cluster import ClusterNode, RedisCluster
from redis.connection import parse_url
from redis.retry import Retry
from redis.sentinel import Sentinel

from bot.settings import SettingsError
from bot.store.errors import reaching_redis
from bot.store.server import EmbeddedRedis

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

TIMEOUT_S = 2.0
"""A webhook must answer while the phone waits: better a quick "deliver again" than a late reply."""

RETRIES = 2

PORTS = {"sentinel": 26379, "cluster": 6379}
"""Where Sentinels and nodes of a cluster listen unless the URL says so. (Redis's defaults.)"""

_FORMS = (
    "write redis://HOST:PORT, redis+sentinel://HOST:PORT,HOST:PORT/SERVICE or "
    "redis+cluster://HOST:PORT,HOST:PORT"
)


def connect(url: str, password: str = "") -> redis.Redis:
    """Make a client that gives up on an unreachable Redis within a few seconds.

    `password` is for a URL that holds none. A client of a cluster learns at once which node serves
    what, the others connect when they are first used. Raises `SettingsError` for a URL that is none
    of the forms above (its text is not in the message: it may hold a password), and
    `StoreUnavailable` where no node of a cluster answers.
    """
    scheme, _, kind = url.partition("://")[0].lower().partition("+")
    if scheme not in {"redis", "rediss", "unix"} or (
        kind and (kind not in PORTS or scheme == "unix")
    ):
        raise SettingsError(f"REDIS_URL begins with {_said(url)}; {_FORMS}")
    if not kind:
        _options(url)  # only to see that it can be read
        given = {"password": password} if password else {}
        return redis.Redis.from_url(url, **_patience(), **given)
    hosts, options = _hosts_and_options(url, scheme, kind)
    path = urlsplit(url).path.strip("/")
    if password:
        options.setdefault("password", password)
    if kind == "cluster":
        return _cluster(hosts, options, path)
    return _primary(hosts, options, path)


@contextmanager
def reached(url: str, data: Path, password: str = "") -> Iterator[redis.Redis]:
    """Reach the Redis of `url`, or where that is empty one embedded in the folder `data`.

    Raises EmbeddedRedisError when there is no server to embed, and what `connect` raises.
    """
    if url:
        yield connect(url, password)
    else:
        with EmbeddedRedis(data) as server:
            yield connect(server.url)


def _primary(hosts: list[tuple[str, int]], options: dict[str, Any], path: str) -> redis.Redis:
    service, _, db = path.partition("/")
    if not service:
        raise SettingsError(
            "REDIS_URL names Sentinels but not what they watch; write the service's name behind "
            "them: redis+sentinel://HOST:PORT,HOST:PORT/SERVICE"
        )
    if db and not db.isdecimal():
        raise SettingsError(f"REDIS_URL has the database {db!r}; write a number, or leave it out")
    theirs = {name: value for name, value in options.items() if name.startswith(("ssl", "socket"))}
    for name in ("username", "password"):
        if given := options.pop(f"sentinel_{name}", None):
            theirs[name] = given
    options["db"] = int(db or options.get("db", 0))
    sentinels: Any = Sentinel(hosts, sentinel_kwargs=_patience() | theirs)  # type: ignore[no-untyped-call]
    return cast("redis.Redis", sentinels.master_for(service, **(_patience() | options)))


def _cluster(hosts: list[tuple[str, int]], options: dict[str, Any], path: str) -> redis.Redis:
    if options.pop("db", 0) or path not in {"", "0"}:
        raise SettingsError("REDIS_URL has a database, and a Redis Cluster has none but 0")
    nodes = [ClusterNode(host, port) for host, port in hosts]  # type: ignore[no-untyped-call]
    with reaching_redis():
        client = RedisCluster(startup_nodes=nodes, **(_patience() | options))
    # All that the store asks of a client, this one does, or bot/store/trips.py does it.
    return cast("redis.Redis", client)


def _hosts_and_options(
    url: str, scheme: str, kind: str
) -> tuple[list[tuple[str, int]], dict[str, Any]]:
    split = urlsplit(url)
    who, _, hosts = split.netloc.rpartition("@")
    found = []
    for each in hosts.split(","):
        try:
            one = urlsplit(f"//{each}")
            found.append((one.hostname or "", one.port or PORTS[kind]))
        except ValueError:
            found.append(("", 0))
        if not found[-1][0]:
            raise SettingsError(f"REDIS_URL has a host that cannot be read, {each!r}; {_FORMS}")
    # What is the same for every form is read by redis-py itself, from a URL with one host.
    options = _options(f"{scheme}://{who and who + '@'}localhost?{split.query}")
    del options["host"]
    if options.pop("connection_class", None) is not None:
        options["ssl"] = True
    return found, options


def _options(url: str) -> dict[str, Any]:
    try:
        return dict(parse_url(url))  # type: ignore[no-untyped-call]
    except ValueError:
        # What the library says of it may repeat it, and with it a password.
        raise SettingsError(f"REDIS_URL cannot be read; {_FORMS}") from None


def _patience() -> dict[str, Any]:
    return {
        "socket_timeout": TIMEOUT_S,
        "socket_connect_timeout": TIMEOUT_S,
        "retry": Retry(ExponentialBackoff(cap=0.2, base=0.02), RETRIES),
    }


def _said(url: str) -> str:
    scheme, found, _ = url.partition("://")
    return repr(f"{scheme}://") if found else "no scheme"
