"""/health, /ready and /metrics, as a watcher and a scraper see them."""

from __future__ import annotations

import re
import time
from typing import TYPE_CHECKING

import pytest
from conftest import NORTH
from prometheus_client.openmetrics.parser import text_string_to_metric_families

from bot.dialogue.records import Grower
from bot.gateways.base import Accepted, Deferred, Outcome, Outgoing, Refused
from bot.operating.beating import Counted, beating
from bot.settings import Settings
from bot.store import beats as beats_module
from bot.store import keys
from bot.store.backlog import Backlog, backlog
from bot.store.beats import SILENT_S, Beats
from bot.store.connecting import connect
from bot.store.growers import NEW, Store
from bot.store.rounds import Round, Rounds
from bot.store.texts import Line
from bot.web import create_app

if TYPE_CHECKING:
    from collections.abc import Callable

    import redis
    from flask.testing import FlaskClient
    from prometheus_client import Metric

KEY = "a-key-of-the-scraper"
GIVEN = {"Authorization": f"Bearer {KEY}"}
NOW = 1_772_431_200.0  # 2 March 2026, 06:00 UTC
DOWN = "redis://127.0.0.1:1"


def client_of(store: Store, now: float = NOW) -> FlaskClient:
    return create_app(Settings(metrics_key=KEY), store, lambda: now).test_client()


class TestReady:
    def test_alive_and_ready(self, store: Store) -> None:
        client = client_of(store)
        assert (client.get("/health").status_code, client.get("/health").text) == (200, "ok\n")
        ready = client.get("/ready")
        assert (ready.status_code, ready.json) == (200, {"ready": True, "missing": []})

    def test_without_redis_it_is_alive_and_not_ready(
        self, caplog: pytest.LogCaptureFixture
    ) -> None:
        client = client_of(Store(connect(DOWN)))
        assert client.get("/health").status_code == 200
        ready = client.get("/ready")
        assert (ready.status_code, ready.json) == (503, {"ready": False, "missing": ["redis"]})
        assert int(ready.headers["Retry-After"]) > 0
        assert "127.0.0.1" not in ready.text
        assert "127.0.0.1" in caplog.text  # that is for the operator

    def test_a_redis_that_takes_no_writes_is_not_ready(self, store: Store) -> None:
        client = client_of(store)
        store.redis.config_set("maxmemory", "1")
        try:
            ready = client.get("/ready")
        finally:
            store.redis.config_set("maxmemory", "0")
        assert (ready.status_code, ready.json) == (503, {"ready": False, "missing": ["writes"]})

    def test_without_the_replicas_that_texts_wait_for_it_is_not_ready(self, store: Store) -> None:
        waiting = Store(store.redis, copies=1)
        app = create_app(Settings(replicas=1), waiting, lambda: NOW)
        ready = app.test_client().get("/ready")
        assert (ready.status_code, ready.json) == (503, {"ready": False, "missing": ["writes"]})

    def test_while_a_backup_is_put_back_it_is_not_ready(self, store: Store) -> None:
        store.redis.set(keys.restoring_key(), "1")
        assert client_of(store).get("/ready").json == {"ready": False, "missing": ["restore"]}


class TestMetrics:
    @pytest.fixture
    def scraped(self, store: Store) -> Callable[[], dict[str, Metric]]:
        client = client_of(store)

        def scrape() -> dict[str, Metric]:
            answer = client.get("/metrics", headers=GIVEN)
            assert answer.status_code == 200
            assert answer.content_type.startswith("application/openmetrics-text")
            # The client library's own strict parser of OpenMetrics.
            return {each.name: each for each in text_string_to_metric_families(answer.text)}

        return scrape

    def test_the_stores_figures(
        self, store: Store, scraped: Callable[[], dict[str, Metric]]
    ) -> None:
        numbers = [f"+25571234567{place}" for place in range(5)]
        lines = [Line(int(NOW), "sent", "reminder", "Habari.", segments=2)]
        for place, number in enumerate(numbers):
            grower = Grower(group=NORTH, trouble="asked for help" if place else "")
            due = NOW - 100 * place if place < 4 else NOW + 50
            store.commit(number, NEW, grower, due=due, lines=lines)
        store.redis.zadd(keys.lease_key(keys.shard_of(numbers[0])), {numbers[0]: NOW + 9})
        rounds = Rounds(store.redis)
        rounds.shelf.add("r1", Round("r1", "Meeting", "x", 1, (NORTH,), state="paused"))
        rounds.shelf.add("r2", Round("r2", "Meeting", "x", 1, (NORTH,)))
        rounds.advance("r1", "count", NORTH, ((0, ""), (64, "")), {"chosen": 9})
        rounds.advance("r1", "send", NORTH, ((0, ""), (3, "")), {"chosen": 4})
        store.redis.hset(keys.told_key(3, "r1"), mapping={"sent": 3, "withdrawn": 1, "failed": 1})
        Beats(store.redis, lambda: NOW).beat("a:1", {"accepted": 7})
        Beats(store.redis, lambda: NOW - SILENT_S - 1).beat("b:1", {"accepted": 2, "refused": 1})
        store.redis.set(keys.backed_up_key(), str(NOW - 3600))

        found = scraped()

        def value(name: str, **labels: str) -> float:
            (sample,) = (
                each
                for family in found.values()
                for each in family.samples
                if each.name == f"fieldbell_{name}" and labels.items() <= each.labels.items()
            )
            return sample.value

        assert value("redis_up") == 1
        assert value("texts_today", what="sent", kind="reminder") == 5
        assert value("texts_today", what="segments", kind="reminder") == 10
        assert value("due_growers") == 4
        assert value("due_oldest_seconds") == 300
        assert value("leased_growers") == 1
        assert value("calls_waiting") == 4
        assert value("rounds", state="paused") == value("rounds", state="draft") == 1
        assert value("rounds", state="running") == 0
        assert value("round_texts_left") == 5
        assert value("senders") == 1
        assert value("backup_age_seconds") == 3600
        assert value("handed_total", outcome="accepted") == 9
        assert value("handed_total", outcome="refused") == 1
        assert value("redis_memory_bytes") > 100_000
        assert value("redis_memory_most_bytes") == 0

    def test_a_redis_that_may_not_be_asked_of_its_memory_is_up_all_the_same(
        self, redis_client: redis.Redis
    ) -> None:
        redis_client.execute_command(
            "ACL", "SETUSER", "limited", "on", ">pass", "~*", "&*", "+@all", "-info"
        )
        place = redis_client.connection_pool.connection_kwargs["path"]
        try:
            with connect(f"unix://limited:pass@{place}") as limited:
                text = client_of(Store(limited)).get("/metrics", headers=GIVEN).text
        finally:
            redis_client.execute_command("ACL", "DELUSER", "limited")
        families = {each.name: each for each in text_string_to_metric_families(text)}
        assert families["fieldbell_redis_up"].samples[0].value == 1
        assert families["fieldbell_senders"].samples
        assert not families["fieldbell_redis_memory_bytes"].samples

    def test_requests_are_counted_by_page_and_status(self, store: Store) -> None:
        client = client_of(store)
        body = {"from": "+255712345678", "text": "hello", "id": "m1"}
        assert client.post("/hooks/sms", json=body).status_code == 200
        client.post("/hooks/sms", data="nonsense", content_type="application/json")
        client.get("/desk/growers/+255712345678")
        text = client.get("/metrics", headers=GIVEN).text
        families = {each.name: each for each in text_string_to_metric_families(text)}
        counts = {
            (each.labels["page"], each.labels["status"]): each.value
            for each in families["fieldbell_request_seconds"].samples
            if each.name.endswith("_count")
        }
        assert counts == {
            ("hooks.sms", "200"): 1, ("hooks.sms", "400"): 1, ("none", "404"): 1,
        }  # fmt: skip

    def test_no_number_group_or_name_is_among_them(self, lived_in: Store) -> None:
        client = client_of(lived_in, time.time())
        client.get("/desk/growers/+255712345678")
        text = client.get("/metrics", headers=GIVEN).text
        assert "2557" not in text
        assert NORTH not in text
        assert "Meeting" not in text

    def test_without_redis_the_processs_own_are_given(self) -> None:
        client = client_of(Store(connect(DOWN)))
        client.get("/ready")
        text = client.get("/metrics", headers=GIVEN).text
        families = {each.name: each for each in text_string_to_metric_families(text)}
        assert families.keys() == {"fieldbell_request_seconds", "fieldbell_redis_up"}
        assert families["fieldbell_redis_up"].samples[0].value == 0

    @pytest.mark.parametrize(
        "header",
        ["", "Bearer", "Bearer wrong", f"Basic {KEY}", f"Bearer {KEY}x", f"Bearer {KEY[:-1]}"],
    )
    def test_nobody_else_reads_them(self, store: Store, header: str) -> None:
        answer = client_of(store).get("/metrics", headers={"Authorization": header})
        assert (answer.status_code, answer.headers["WWW-Authenticate"]) == (401, "Bearer")
        assert "fieldbell" not in answer.text

    def test_without_a_key_there_are_none(self, store: Store) -> None:
        assert create_app(Settings(), store).test_client().get("/metrics").status_code == 404


def test_a_backlog_of_nothing_is_nothing(store: Store) -> None:
    assert backlog(store.redis, NOW) == Backlog()
    store.commit("+255712345678", NEW, Grower(), due=NOW + 10)
    assert backlog(store.redis, NOW) == Backlog()
    assert backlog(store.redis, NOW + 15) == Backlog(due=1, late_s=5)


class TestBeating:
    class Answering:
        def __init__(self) -> None:
            self.next: list[Outcome] = [Accepted(), Deferred("busy"), Refused("no"), Accepted()]

        def send(self, text: Outgoing) -> Outcome:
            assert re.match(r"\+255", text.to)
            return self.next.pop(0)

    def test_a_sender_killed_before_the_clock_was_put_back_is_not_at_work(
        self, redis_client: redis.Redis
    ) -> None:
        Beats(redis_client, lambda: NOW + 3600).beat("killed:1", {})
        Beats(redis_client, lambda: NOW + SILENT_S / 2).beat("clock-differs:1", {})
        beats = Beats(redis_client, lambda: NOW)
        assert set(beats.alive()) == {"clock-differs:1"}
        assert set(beats.last()) == {"killed:1", "clock-differs:1"}

    def test_a_sender_is_alive_while_it_is_and_its_outcomes_are_kept(
        self, redis_client: redis.Redis, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setattr(beats_module, "REMEMBERED_S", 100)
        beats = Beats(redis_client, lambda: NOW)
        Beats(redis_client, lambda: NOW - 101).beat("long-gone:1", {})
        gateway = Counted(self.Answering())
        with beating(beats, gateway):
            for place in range(4):
                gateway.send(Outgoing(f"+255712345678:{place}", "+255712345678", "Habari."))
            deadline = time.monotonic() + 30
            while not beats.alive():
                assert time.monotonic() < deadline
            (name,) = beats.alive()
            assert name.endswith(tuple("0123456789"))
        assert beats.last() == {}
        assert beats.handed() == {"accepted": 2, "deferred": 1, "refused": 1}

    def test_outcomes_that_could_not_be_told_are_told_later(
        self,
    ) -> None:
        gateway = Counted(self.Answering())
        with beating(Beats(connect(DOWN)), gateway):
            gateway.send(Outgoing("+255712345678:1", "+255712345678", "Habari."))
        assert gateway.taken() == {"accepted": 1}

    def test_who_is_silent_is_not_alive(self, redis_client: redis.Redis) -> None:
        Beats(redis_client, lambda: NOW).beat("a:1", {})
        later = Beats(redis_client, lambda: NOW + SILENT_S + 1)
        assert later.alive() == {}
        assert later.last() == {"a:1": NOW}
