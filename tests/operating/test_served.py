"""gunicorn as the units start it: several processes, one log, one count, and a graceful end."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
import threading
import time
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
import requests
from prometheus_client.openmetrics.parser import text_string_to_metric_families

import bot.operating

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    import redis

    from bot.store.server import EmbeddedRedis

GUNICORN = Path(sys.executable).with_name("gunicorn")
CONFIGURED = Path(bot.operating.__file__).with_name("gunicorn.conf.py")
PATIENCE_S = 60.0
KEY = "a-key-of-the-scraper"
NUMBER = "+255712345678"


def wait_until(ready: Callable[[], bool]) -> None:
    deadline = time.monotonic() + PATIENCE_S
    while not ready():
        assert time.monotonic() < deadline
        time.sleep(0.02)


class Served:
    def __init__(self, process: subprocess.Popen[str], port: int, log: Path) -> None:
        self.process = process
        self.url = f"http://127.0.0.1:{port}"
        self._log = log

    def answers(self) -> bool:
        assert self.process.poll() is None, self._log.read_text()
        try:
            return requests.get(f"{self.url}/ready", timeout=PATIENCE_S).ok
        except requests.ConnectionError:
            return False

    def text(self, text: str) -> requests.Response:
        body = {"from": NUMBER, "text": text, "id": text}
        return requests.post(f"{self.url}/hooks/sms", json=body, timeout=PATIENCE_S)

    def log(self) -> list[dict[str, str]]:
        return [json.loads(line) for line in self._log.read_text().splitlines()]


@pytest.fixture
def served(
    redis_server: EmbeddedRedis, redis_client: redis.Redis, tmp_path: Path
) -> Iterator[Served]:
    assert redis_client.dbsize() == 0
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    log = tmp_path / "log"
    counts = tmp_path / "tmp"
    counts.mkdir()
    with log.open("w") as stream:
        process = subprocess.Popen(
            [GUNICORN, "--config", CONFIGURED, "--bind", f"127.0.0.1:{port}"],
            env=os.environ
            | {
                "REDIS_URL": redis_server.url,
                "FIELDBELL_METRICS_KEY": KEY,
                "FIELDBELL_LOG_FORMAT": "json",
                "TMPDIR": str(counts),
                "HOME": str(tmp_path),
                "XDG_RUNTIME_DIR": "",
            },
            stderr=stream,
            stdout=stream,
            text=True,
        )
    try:
        found = Served(process, port, log)
        wait_until(found.answers)
        yield found
    finally:
        if process.poll() is None:
            process.send_signal(signal.SIGKILL)
        process.wait()


def test_processes_count_and_log_together_and_end_what_is_under_way(
    served: Served, redis_client: redis.Redis, tmp_path: Path
) -> None:
    # Connections of their own, so that both processes get some.
    for place in range(20):
        assert served.text(f"hello {place}").ok
    requests.get(f"{served.url}/desk/growers/{NUMBER}?text=secret", timeout=PATIENCE_S)
    scraped = requests.get(
        f"{served.url}/metrics", headers={"Authorization": f"Bearer {KEY}"}, timeout=PATIENCE_S
    ).text
    families = {each.name: each for each in text_string_to_metric_families(scraped)}
    (count,) = (
        each.value
        for each in families["fieldbell_request_seconds"].samples
        if each.name.endswith("_count") and each.labels["page"] == "hooks.sms"
    )
    assert count == 20

    # A text whose write Redis puts off, and the server asked to stop in the middle of it.
    redis_client.client_pause(int(PATIENCE_S * 1000), all=False)
    answers: list[requests.Response] = []
    caller = threading.Thread(target=lambda: answers.append(served.text("the last one")))
    caller.start()
    try:
        wait_until(lambda: redis_client.info("clients")["blocked_clients"] > 0)
        served.process.terminate()
        wait_until(lambda: any("Handling signal" in each["message"] for each in served.log()))
    finally:
        redis_client.client_unpause()
    caller.join(PATIENCE_S)
    assert served.process.wait(PATIENCE_S) == 0
    (answer,) = answers
    assert answer.ok
    assert answer.json()

    log = served.log()  # every line of it is JSON
    assert {each["logger"] for each in log} >= {"gunicorn.error", "gunicorn.access"}
    asked = [each["message"] for each in log if "/desk/growers/" in each["message"]]
    assert len(asked) == 1
    for each in log:
        assert "712345678" not in json.dumps(each)
        assert "secret" not in json.dumps(each)
    assert not any("ontrol socket" in each["message"] for each in log)  # nobody else commands it
    assert list((tmp_path / "tmp").iterdir()) == []  # what was counted is cleared away
