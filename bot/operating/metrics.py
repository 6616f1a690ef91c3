"""Figures for an operator's graphs and alarms, at /metrics in OpenMetrics text.

Most are read from the store when they are asked for, so that every web process gives the same, and
what the senders did is in them: those are the figures to watch. How long requests took is counted
by the processes themselves. Where several serve on one machine, gunicorn.conf.py lets them count
together (prometheus_client's multiprocess mode), and any of them gives the sum.

No figure names a grower, a group or a round. (OpenMetrics, specification 1.0.)
"""

from __future__ import annotations

import hmac
import logging
import os
import time
from collections import Counter
from datetime import UTC, datetime
from typing import TYPE_CHECKING, get_args

import redis
from flask import Blueprint, Response, g, request
from prometheus_client import CollectorRegistry, Histogram, multiprocess
from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily
from prometheus_client.openmetrics.exposition import CONTENT_TYPE_LATEST, generate_latest
from prometheus_client.registry import Collector

from bot.operating.backups import last_backup
from bot.operating.servers import info, servers
from bot.store.backlog import backlog
from bot.store.beats import Beats
from bot.store.errors import RightMissingError, StoreUnavailable
from bot.store.groups import Groups
from bot.store.rounds import Rounds, State

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from prometheus_client import Metric

log = logging.getLogger(__name__)

TOGETHER = "PROMETHEUS_MULTIPROC_DIR"
"""The environment variable that names the folder in which processes count together."""

BUCKETS = (0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1, 2.5, 5, 10)
"""Seconds a request took. A gateway gives up after five to ten (from memory)."""


def create_metrics(client: redis.Redis, key: str, clock: Callable[[], float]) -> Blueprint:
    """Make /metrics, which asks for `key` as a bearer token, and count every request of the app."""
    pages = Blueprint("metrics", __name__)
    together = bool(os.environ.get(TOGETHER))
    registry = CollectorRegistry()
    took = Histogram(
        "fieldbell_request_seconds",
        "How long a web request took, by what was asked and the answer's status.",
        ("page", "status"),
        buckets=BUCKETS,
        registry=None if together else registry,
    )
    if together:
        multiprocess.MultiProcessCollector(registry)  # type: ignore[no-untyped-call]
    registry.register(_OfTheStore(client, clock))

    @pages.before_app_request
    def begin() -> None:
        g.metrics_began = time.perf_counter()

    @pages.after_app_request
    def count(answer: Response) -> Response:
        seconds = time.perf_counter() - g.pop("metrics_began", time.perf_counter())
        took.labels(_page(), str(answer.status_code)).observe(seconds)
        return answer

    @pages.get("/metrics")
    def metrics() -> Response:
        if not _allowed(request.headers.get("Authorization", ""), key):
            answer = Response("a bearer token is needed\n", 401, content_type="text/plain")
            answer.headers["WWW-Authenticate"] = "Bearer"
            return answer
        text: bytes = generate_latest(registry)  # type: ignore[no-untyped-call]
        return Response(text, content_type=CONTENT_TYPE_LATEST)

    return pages


def _allowed(header: str, key: str) -> bool:
    scheme, _, token = header.partition(" ")
    given = token.strip().encode("utf-8", "surrogatepass")
    # In a time that does not tell how much of it was right.
    return hmac.compare_digest(given, key.encode()) and scheme.lower() == "bearer"


def _page() -> str:
    """What was asked for, as one of few names: a webhook by its own, other pages by their part."""
    blueprint = request.blueprint or "none"
    return request.endpoint or "none" if blueprint == "hooks" else blueprint


class _OfTheStore(Collector):
    """What the store says when it is asked. Where it does not answer, only that is said."""

    def __init__(self, client: redis.Redis, clock: Callable[[], float]) -> None:
        self._client = client
        self._clock = clock

    def describe(self) -> list[Metric]:
        """Say that nothing is known in advance, so that making the registry asks no Redis."""
        return []

    def collect(self) -> Iterator[Metric]:
        """Read every figure, or none."""
        try:
            found = [
                *self._texts(),
                *self._growers(),
                *self._rounds(),
                *self._senders(),
                *self._backups(),
                *self._servers(),
            ]
        except StoreUnavailable as error:
            log.warning("the store's figures cannot be had: %s", error)
            found = []
        yield _gauge("redis_up", "Whether Redis answered when this was asked: 1 or 0.", bool(found))
        yield from found

    def _texts(self) -> Iterator[Metric]:
        today = datetime.fromtimestamp(self._clock(), UTC).date()
        tally = Groups(self._client).tallies([today])[today]
        sums: Counter[tuple[str, str]] = Counter()
        for (what, kind, _), count in tally.items():
            sums[what, kind] += count
        texts = GaugeMetricFamily(
            "fieldbell_texts_today",
            "Texts of this day (UTC) by what became of them and their kind; also their segments.",
            labels=("what", "kind"),
        )
        for (what, kind), count in sorted(sums.items()):
            texts.add_metric((what, kind), count)
        yield texts

    def _growers(self) -> Iterator[Metric]:
        owed = backlog(self._client, self._clock())
        yield _gauge("due_growers", "Growers who are owed something now.", owed.due)
        yield _gauge("due_oldest_seconds", "How long the longest of them has waited.", owed.late_s)
        yield _gauge("leased_growers", "Growers in the hands of a sender.", owed.leased)
        yield _gauge("calls_waiting", "Growers whom a person should ring.", owed.calls)

    def _rounds(self) -> Iterator[Metric]:
        rounds = Rounds(self._client)
        every = rounds.shelf.all().values()
        states = Counter(one.state for one in every)
        counted = GaugeMetricFamily(
            "fieldbell_rounds", "Rounds by the state they are in.", labels=("state",)
        )
        for state in get_args(State):
            counted.add_metric((state,), states[state])
        yield counted
        left = sum(rounds.left(one) for one in every if one.state in {"running", "paused"})
        yield _gauge("round_texts_left", "Texts of running and paused rounds still to go.", left)

    def _senders(self) -> Iterator[Metric]:
        beats = Beats(self._client, self._clock)
        yield _gauge(
            "senders", "Senders that said they are at work a moment ago.", len(beats.alive())
        )
        handed = CounterMetricFamily(
            "fieldbell_handed", "Texts handed to a gateway, by its answer.", labels=("outcome",)
        )
        outcomes = beats.handed()
        for outcome in ("accepted", "deferred", "refused"):
            handed.add_metric((outcome,), outcomes[outcome])
        yield handed

    def _backups(self) -> Iterator[Metric]:
        if (last := last_backup(self._client)) is not None:
            age = max(self._clock() - last, 0.0)
            yield _gauge("backup_age_seconds", "How long ago the last backup was taken.", age)

    def _servers(self) -> Iterator[Metric]:
        used = GaugeMetricFamily(
            "fieldbell_redis_memory_bytes", "Memory a Redis server uses.", labels=("server",)
        )
        most = GaugeMetricFamily(
            "fieldbell_redis_memory_most_bytes",
            "Memory it may use; 0 where none is set.",
            labels=("server",),
        )
        for name, server in servers(self._client):
            try:
                said = info(server)
            except (redis.ResponseError, RightMissingError):  # this user of Redis may not ask
                continue
            used.add_metric((name,), said["used_memory"])
            most.add_metric((name,), said["maxmemory"])
        yield used
        yield most


def _gauge(name: str, meaning: str, value: float) -> GaugeMetricFamily:
    return GaugeMetricFamily(f"fieldbell_{name}", meaning, value=float(value))
