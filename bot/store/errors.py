"""The one error that Redis may cause elsewhere: the store cannot be reached or cannot write."""

from __future__ import annotations

from contextlib import contextmanager
from typing import TYPE_CHECKING

import redis
from redis.exceptions import ClusterError, RedisClusterException, SlotNotCoveredError

if TYPE_CHECKING:
    from collections.abc import Iterator

_OURS = (
    "Redis broke off: it may want a certificate of ours, ?ssl_certfile=FILE&ssl_keyfile=FILE behind "
    "REDIS_URL, by an authority that it trusts"
)

_DEMOTED = "this Redis has just become a replica; try again, and look at INFO replication"

_REMEDIES = {
    "READONLY": "this Redis is a replica; point REDIS_URL at the primary",
    "OOM": "Redis is at its memory limit; raise maxmemory (and keep the policy noeviction)",
    "BUSY": "a script keeps Redis busy; look at its log",
    "MISCONF": "Redis cannot write to its disk; free some space and look at its log",
    "LOADING": "Redis is still reading its data; wait and try again",
    "WRONGPASS": "Redis refuses the password; correct it in REDIS_URL or FIELDBELL_REDIS_PASSWORD",
    "NOAUTH": "Redis wants a password; put it in REDIS_URL or FIELDBELL_REDIS_PASSWORD",
    "NOREPLICAS": "too few replicas keep up for min-replicas-to-write; look at INFO replication",
    "WAIT": _DEMOTED,
    "UNBLOCKED": _DEMOTED,
    "MASTERDOWN": "this Redis is a replica that has lost its primary; look at INFO replication",
    "NOPERM": "its user lacks a right; compare it with bot/operating/redis-users.acl",
    "CLUSTERDOWN": "the Redis cluster has a slot nobody serves; look at CLUSTER INFO",
    "TRYAGAIN": "the Redis cluster is moving this slot to another node; wait until it is done",
    "MOVED": "the nodes of the Redis cluster disagree; look at CLUSTER NODES on each",
}
_OF_TLS = {
    "certificate is not valid for": "name Redis in REDIS_URL as its certificate names it",
    "certificate has expired": "give Redis a new certificate, and see that the clock here is right",
    "certificate is not yet valid": "see that the clock here is right",
    "CERTIFICATE_VERIFY_FAILED": (
        "name the authority that signed Redis's certificate, a file in PEM, behind REDIS_URL: "
        "?ssl_ca_certs=FILE"
    ),
    "WRONG_VERSION_NUMBER": "this Redis speaks no TLS there; write its TLS port, or redis://",
    "RECORD_LAYER_FAILURE": "this Redis speaks no TLS there; write its TLS port, or redis://",
    "CERTIFICATE_REQUIRED": _OURS,
    "ALERT_UNKNOWN_CA": _OURS,
    "EOF occurred in violation of protocol": _OURS,  # what Redis does for want of one
}
"""By what is said of a failure (OpenSSL's and Python's words), the more exact before the general."""

_SAFELY = "(rediss:// speaks TLS, redis:// does not)"
_UNREACHABLE = f"check that Redis runs and that REDIS_URL is right {_SAFELY}"
_OF_NODES = (
    f"check that REDIS_URL names nodes of a cluster that run {_SAFELY}, and look at CLUSTER INFO"
)

_OF_THE_CLUSTER = (
    "Redis Cluster cannot be connected",
    "All slots are not covered",
    "startup_nodes could not agree",
)
"""How a client of a cluster begins to say that the cluster is not there, rather than that it was
asked for what no cluster can do."""


class StoreUnavailable(RuntimeError):  # noqa: N818 - a condition that passes, not a mistake
    """Redis cannot be reached or will not write now, or too few replicas have what was written.

    Nothing half done is left behind. The same call may be made again later: commits compare
    versions, so one that got through although its answer was lost is found out and not done twice.
    """


class RightMissingError(StoreUnavailable):
    """Redis does not let our user do this; other things it may."""


@contextmanager
def reaching_redis() -> Iterator[None]:
    """Turn what Redis may throw when it is down, full or read-only into `StoreUnavailable`."""
    try:
        yield
    except RedisClusterException as error:
        if not isinstance(error, SlotNotCoveredError) and not str(error).startswith(
            _OF_THE_CLUSTER
        ):
            raise
        # The reason why its nodes cannot be used is another error.
        raise StoreUnavailable(f"{error}: {_remedy(error.__cause__) or _OF_NODES}") from error
    except (
        redis.ConnectionError,
        redis.TimeoutError,
        redis.ResponseError,
        ClusterError,
    ) as error:
        remedy = _remedy(error)
        if remedy is None and not isinstance(error, redis.ConnectionError | redis.TimeoutError):
            raise
        kind = RightMissingError if remedy == _REMEDIES["NOPERM"] else StoreUnavailable
        raise kind(f"{error}: {remedy or _UNREACHABLE}") from error


def _remedy(error: BaseException | None) -> str | None:
    # A script's failure hides the reason in its text (Redis 6.2), so the text is searched.
    words = {word.strip("-:'\"") for word in f"{type(error).__name__} {error}".split()}
    codes = words | {code for name, code in _NAMED.items() if name in words}
    told = next((say for code, say in _REMEDIES.items() if code in codes), None)
    return told or next((say for what, say in _OF_TLS.items() if what in str(error)), None)


_NAMED = {
    "ReadOnlyError": "READONLY",
    "OutOfMemoryError": "OOM",
    "BusyLoadingError": "LOADING",
    "AuthenticationError": "NOAUTH",
    "username-password": "WRONGPASS",  # as the server says it; the client takes its code away
    "NoPermissionError": "NOPERM",
    "ClusterDownError": "CLUSTERDOWN",
    "MasterDownError": "MASTERDOWN",
    "TryAgainError": "TRYAGAIN",
    "AskError": "TRYAGAIN",
    "MovedError": "MOVED",
    "ClusterError": "MOVED",  # redirected from node to node without end
}
