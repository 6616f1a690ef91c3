"""What is wrong with an installation, and how to mend it, found out without sending a text.

A check is a function that returns findings. One that needs Redis is left out where Redis does not
answer: that is said once.
"""

from __future__ import annotations

import time
from typing import TYPE_CHECKING

import redis

from bot.operating import checking_redis, checking_setup, checking_work
from bot.operating.findings import Finding, Patient, warning, wrong
from bot.store.codec import RecordError
from bot.store.errors import RightMissingError, StoreUnavailable

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping

    from bot.settings import Settings

ANYWAY = (
    checking_setup.settings,
    checking_setup.languages,
    checking_setup.gateway,
)
"""Checks that ask nothing of Redis."""

WITH_REDIS = (
    checking_redis.version,
    checking_redis.role,
    checking_redis.copies,
    checking_redis.memory,
    checking_redis.persistence,
    checking_redis.disk,
    checking_redis.clock,
    checking_work.restoring,
    checking_work.backed_up,
    checking_work.records,
    checking_work.senders,
    checking_work.spending,
    checking_work.rounds,
    checking_work.desk,
)


def examined(
    settings: Settings,
    client: redis.Redis | None,
    environ: Mapping[str, str],
    clock: Callable[[], float] = time.time,
) -> Iterator[Finding]:
    """Make every check, and give its findings as they come; `client` None where there is none."""
    patient = Patient(settings, environ, clock, client)
    for check in ANYWAY:
        yield from check(patient)
    if client is None:
        return
    try:
        yield from checking_redis.reached(patient)
        for check in WITH_REDIS:
            yield from _looked(check, patient)
    except StoreUnavailable as error:
        yield unanswered(error)


def unanswered(error: StoreUnavailable) -> Finding:
    """Make the finding that Redis does not answer."""
    return wrong("redis", f"Redis does not answer: {error}", REACH)


def _looked(check: Callable[[Patient], Iterator[Finding]], patient: Patient) -> Iterator[Finding]:
    try:
        yield from check(patient)
    except RecordError as error:
        yield wrong("store", str(error), "see the operator's page on restoring a backup")
    except (redis.ResponseError, RightMissingError) as error:
        yield warning(
            "redis",
            f"Redis does not let its {check.__name__} be looked at: {error}",
            "see that its user may run INFO, TIME and CONFIG GET; or look at it there",
        )


REACH = (
    "see that redis-server runs (systemctl status redis-server), that REDIS_URL is its address, "
    "with rediss:// just where it speaks TLS, and that its password is right; what follows from it could not be looked at"
)
