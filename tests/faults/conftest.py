"""A gateway of our own: it takes every text over HTTP and writes it down."""

from __future__ import annotations

import json
import threading
from collections import Counter
from dataclasses import dataclass
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    import subprocess
    from collections.abc import Callable, Iterator
    from pathlib import Path

PATIENCE_S = 60.0
"""Longer than anything here takes; only a fault makes a test wait so long."""


@dataclass(frozen=True)
class Taken:
    id: str
    to: str
    text: str


class Gateway:
    """What has arrived. `holding` is called with a text in hand, before it is acknowledged."""

    def __init__(self) -> None:
        self.ledger: list[Taken] = []
        self.holding: Callable[[], None] = lambda: None
        self._news = threading.Condition()

    def take(self, text: Taken) -> None:
        with self._news:
            self.ledger.append(text)
            self._news.notify_all()
        self.holding()

    def wait_until(self, arrived: Callable[[], bool]) -> None:
        with self._news:
            assert self._news.wait_for(arrived, PATIENCE_S), f"{len(self.ledger)} texts, no more"

    def ids(self) -> Counter[str]:
        return Counter(each.id for each in self.ledger)

    @property
    def repeats(self) -> int:
        return len(self.ledger) - len(self.ids())


@pytest.fixture
def gateway() -> Gateway:
    return Gateway()


@pytest.fixture
def profile(gateway: Gateway, tmp_path: Path) -> Iterator[Path]:
    """The gateway in service, and the profile that leads to it."""

    class Handler(BaseHTTPRequestHandler):
        protocol_version = "HTTP/1.1"

        def do_POST(self) -> None:
            fields = json.loads(self.rfile.read(int(self.headers["Content-Length"])))
            gateway.take(Taken(fields["id"], fields["to"], fields["text"]))
            self.send_response(202)
            self.send_header("Content-Length", "0")
            self.end_headers()

        def log_message(self, *_: object) -> None:
            """Keep the test's output clean."""

    class Server(ThreadingHTTPServer):
        def handle_error(self, *_: object) -> None:
            """A sender that was killed reads no answer."""

    with Server(("127.0.0.1", 0), Handler) as server:
        thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.01})
        thread.start()
        file = tmp_path / "gateway.toml"
        file.write_text(
            f"""
            [sms_in]
            body = "form"
            number = "from"
            text = "text"
            id = "id"
            reply = "queue"

            [sms_out]
            url = "http://127.0.0.1:{server.server_port}/texts"
            body = "json"
            number = "to"
            text = "text"
            id = "id"
            """,
            encoding="utf-8",
        )
        yield file
        server.shutdown()
        thread.join()


@pytest.fixture
def processes() -> Iterator[list[subprocess.Popen[bytes]]]:
    """What a test has started, ended with it."""
    started: list[subprocess.Popen[bytes]] = []
    yield started
    for process in started:
        process.kill()
        process.wait()
