"""Reaching Redis: the one of REDIS_URL, or the embedded one.

REDIS_URL says how Redis is deployed by its scheme, spelt as the `limits` library and others do:

    redis://HOST:PORT/DB              one server; unix:///PATH is one too
    redis+sentinel://HOST:PORT,HOST:PORT/SERVICE/DB
                                      the primary that these Sentinels name
    redis+cluster://HOST:PORT,HOST:PORT
                                      a Redis Cluster, of which these are some nodes

`rediss` in the place of `redis` speaks TLS, with Sentinels and all nodes of a cluster too.
USER:PASSWORD@ may stand before the hosts, and options of redis-py behind a question mark
(`?ssl_ca_certs=/etc/ca.pem`), those of `OPTIONS` and `TLS`. Sentinels that want a password have
one of their own: `?sentinel_password=...`, with `sentinel_username` where they have users.
"""

from __future__ import annotations

import os
import ssl
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, cast
from urllib.parse import parse_qs, urlsplit

import redis
from redis.backoff import ExponentialBackoff
from redis.cluster import ClusterNode, RedisCluster
from redis.connection import parse_url
from redis.retry import Retry
from redis.sentinel import MasterNotFoundError, Sentinel

from bot.settings import SettingsError, nearest
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

OPTIONS = frozenset(
    {
        *("client_name", "db", "health_check_interval", "max_connections", "password", "protocol"),
        *("socket_connect_timeout", "socket_keepalive", "socket_timeout", "username"),
    }
)
"""What may stand behind the question mark."""

TLS = frozenset(
    {
        *("ssl_ca_certs", "ssl_ca_path", "ssl_cert_reqs", "ssl_certfile", "ssl_check_hostname"),
        *("ssl_keyfile", "ssl_password"),
    }
)
"""And what may with `rediss`. Which versions and ciphers there are, the server says."""

_OF_SENTINELS = frozenset({"sentinel_password", "sentinel_username"})

_NOT_OF_CLUSTERS = frozenset({"health_check_interval"})
"""What redis-py's client of a cluster leaves aside without a word. (redis-py 8.1,
`redis.cluster.REDIS_ALLOWED_KEYS`.)"""

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
        options = _options(url)
        _look_over(url, options, scheme, kind)
        given = {"password": password} if password else {}
        return redis.Redis.from_url(url, **_patience(), **given)
    hosts, options = _hosts_and_options(url, scheme, kind)
    _look_over(url, options, scheme, kind)
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
    sentinels: Any = _Sentinels(hosts, sentinel_kwargs=_patience() | theirs)  # type: ignore[no-untyped-call]
    return cast("redis.Redis", sentinels.master_for(service, **(_patience() | options)))


class _Sentinels(Sentinel):
    """redis-py's, but for what it says where none of them helps.

    Its own message shows every client inside out, and not why it failed.
    """

    def discover_master(self, service_name: str) -> tuple[str, int]:
        """Return where the primary of a service is. Raises MasterNotFoundError, a ConnectionError."""
        reasons = []
        for place, sentinel in enumerate(self.sentinels):
            try:
                known: Any = sentinel.sentinel_masters()
            except (redis.ConnectionError, redis.TimeoutError) as error:
                where = sentinel.connection_pool.connection_kwargs
                reasons.append(f"{where['host']}:{where['port']}: {error}")
                continue
            state = known.get(service_name)
            if state and self.check_master_state(state, service_name):  # type: ignore[no-untyped-call]
                # The next to ask is asked the one that knew.
                self.sentinels[0], self.sentinels[place] = sentinel, self.sentinels[0]
                return state["ip"], state["port"]
        reasons = reasons or ["all that were asked know none that is up"]
        raise MasterNotFoundError(f"no primary of {service_name!r}; {'; '.join(reasons)}")


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


def _look_over(url: str, options: dict[str, Any], scheme: str, kind: str) -> None:
    """Raise `SettingsError` for an option that is none, or that cannot be used.

    redis-py would fail at it when it first connects, or, in a cluster, leave it aside and go on
    less safely than it was told to. What stands in the rest of the URL is no option, either.
    """
    known = OPTIONS
    if scheme == "rediss":
        known |= TLS
    if kind == "sentinel":
        known |= _OF_SENTINELS
    if kind == "cluster":
        known -= _NOT_OF_CLUSTERS
    for name in sorted(parse_qs(urlsplit(url).query).keys() - known):
        if name == "ssl" or name in TLS:
            raise SettingsError(f"REDIS_URL has the option {name!r}, but TLS needs rediss://")
        raise SettingsError(f"REDIS_URL has the option {name!r}; {nearest(name, known)}")
    if scheme == "rediss":
        _look_over_certificates(options)


def _look_over_certificates(options: dict[str, Any]) -> None:
    if (wanted := options.get("ssl_cert_reqs", "required")) not in {"none", "optional", "required"}:
        raise SettingsError(f"REDIS_URL has ssl_cert_reqs={wanted}; write required or none")
    for name in ("ssl_ca_certs", "ssl_ca_path", "ssl_certfile", "ssl_keyfile"):
        if name in options and not os.access(options[name], os.R_OK):
            raise SettingsError(
                f"REDIS_URL has {name}={options[name]}, which is not there or may not be read"
            )
    trial = ssl.create_default_context()
    authority, ours = options.get("ssl_ca_certs"), options.get("ssl_certfile")
    try:
        if authority:
            trial.load_verify_locations(authority)
    except OSError:
        raise SettingsError(
            f"REDIS_URL has ssl_ca_certs={authority}, which holds no certificate in PEM"
        ) from None
    key = options.get("ssl_keyfile", ours)
    try:
        if key:
            trial.load_cert_chain(ours or key, key, options.get("ssl_password", ""))
    except OSError:
        raise SettingsError(
            f"REDIS_URL has ssl_certfile={ours}, which with the key in {key} makes no pair; both "
            "are wanted, in PEM, and ssl_password where the key is locked"
        ) from None


def _patience() -> dict[str, Any]:
    return {
        "socket_timeout": TIMEOUT_S,
        "socket_connect_timeout": TIMEOUT_S,
        "retry": Retry(ExponentialBackoff(cap=0.2, base=0.02), RETRIES),
    }


def _said(url: str) -> str:
    scheme, found, _ = url.partition("://")
    return repr(f"{scheme}://") if found else "no scheme"
