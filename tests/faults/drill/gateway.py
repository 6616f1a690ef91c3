"""A gateway that behaves as gateways do on a bad day, and writes down what it is handed.

It takes a text, or fails before or after taking it, or is too slow to say so. What it brings in
it brings at least once: until it is told 2xx, and now and then once more.
"""

from __future__ import annotations

import json
import math
import random
import threading
import time
from collections import defaultdict
from contextlib import suppress
from dataclasses import dataclass
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import TYPE_CHECKING, Any, Literal

import requests

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

TIMEOUT_S = 2.0
"""Seconds after which the sender takes the gateway for silent."""

SLOW_S = TIMEOUT_S + 0.5

Way = Literal["taken", "error", "busy", "closed_before", "closed_after", "slow"]

WAYS: Mapping[str, Mapping[Way, float]] = {
    "usual": {
        "taken": 93, "error": 2, "busy": 1, "closed_before": 1, "closed_after": 2, "slow": 1,
    },
    "failing": {"taken": 30, "error": 30, "busy": 10, "closed_before": 15, "closed_after": 15},
    "slow": {"taken": 50, "slow": 50},
    "well": {"taken": 100},
}  # fmt: skip
"""What it does with a text in each of its moods, by weight."""

TAKES: frozenset[Way] = frozenset({"taken", "closed_after", "slow"})

PROFILE = """
[sms_in]
body = "json"
number = "from"
text = "text"
id = "id"
reply = "queue"

[sms_out]
url = "http://127.0.0.1:{port}/texts"
body = "json"
number = "to"
text = "text"
id = "id"
timeout_s = {timeout}
token = "DRILL_LIFE"
# Its ids are how it drops a text that it has had.
repeats_dropped = true

[ussd]
body = "json"
session = "session"
number = "from"
text = "text"
id = "id"

[ussd.answer]
body = "json"
text = "text"
more = "more"
"""


@dataclass
class Handed:
    """A text as it was handed over: by which life of which sender, when, and what came of it."""

    id: str
    to: str
    text: str
    by: str
    at: float
    way: Way
    answered: float = math.inf
    """When the sender was told."""

    @property
    def taken(self) -> bool:
        return self.way in TAKES

    @property
    def told(self) -> bool:
        """Whether the sender was told in time that it was taken, and not kept waiting."""
        return self.way == "taken" and self.answered - self.at < TIMEOUT_S / 2


class Outward:
    """The gateway's side that takes texts. `mood` is one of `WAYS`."""

    def __init__(self, seed: int) -> None:
        self.mood = "usual"
        self.handed: list[Handed] = []
        self.by_id: dict[str, list[Handed]] = defaultdict(list)
        self._ways = random.Random(f"{seed} gateway")  # noqa: S311 - no secret
        self._lock = threading.Lock()
        self._server: ThreadingHTTPServer | None = None
        self._thread: threading.Thread | None = None
        self.port = 0
        self.up = False

    def open(self) -> None:
        """Listen; again on the same port when it has been down."""
        gateway = self

        class Handler(BaseHTTPRequestHandler):
            protocol_version = "HTTP/1.1"
            disable_nagle_algorithm = True

            def do_POST(self) -> None:
                fields = json.loads(self.rfile.read(int(self.headers["Content-Length"])))
                if not gateway.up:
                    self.close_connection = True
                    return
                by = self.headers["Authorization"].removeprefix("Bearer ")
                text = gateway.take(fields, by)
                way = text.way
                if way in {"closed_before", "closed_after"}:
                    self.close_connection = True
                    return
                if way == "slow":
                    time.sleep(SLOW_S)
                self.send_response({"error": 500, "busy": 429}.get(way, 202))
                if way == "busy":
                    self.send_header("Retry-After", "1")
                self.send_header("Content-Length", "0")
                self.end_headers()
                text.answered = time.monotonic()

            def log_message(self, *_: object) -> None:
                """Keep the output clean."""

        class Server(ThreadingHTTPServer):
            daemon_threads = True
            request_queue_size = 64

            def handle_error(self, *_: object) -> None:
                """A sender that was killed reads no answer."""

        self._server = Server(("127.0.0.1", self.port), Handler)
        self.port = self._server.server_port
        self.up = True
        self._thread = threading.Thread(
            target=self._server.serve_forever, kwargs={"poll_interval": 0.02}, daemon=True
        )
        self._thread.start()

    def close(self) -> None:
        """Be gone: refuse connections, and cut those there are at their next text."""
        self.up = False
        if self._server is not None and self._thread is not None:
            self._server.shutdown()
            self._thread.join()
            self._server.server_close()
            self._server = None

    def take(self, fields: Mapping[str, str], by: str) -> Handed:
        ways = WAYS[self.mood]
        with self._lock:
            (way,) = self._ways.choices(list(ways), list(ways.values()))
            text = Handed(fields["id"], fields["to"], fields["text"], by, time.monotonic(), way)
            self.handed.append(text)
            self.by_id[text.id].append(text)
        return text

    def has_taken(self, text_id: str) -> bool:
        with self._lock:
            return any(each.taken for each in self.by_id.get(text_id, ()))

    def profile(self, folder: Path) -> Path:
        file = folder / "gateway.toml"
        file.write_text(PROFILE.format(port=self.port, timeout=TIMEOUT_S), encoding="utf-8")
        return file


@dataclass(frozen=True)
class Answer:
    """The web's answer to one delivery. Status 0: there was none."""

    status: int
    body: dict[str, Any] | None = None
    said: str = ""


class Inward:
    """The gateway's side that brings texts to the web processes, whichever is chosen."""

    def __init__(self, ports: Sequence[int]) -> None:
        self._ports = ports
        self._local = threading.local()

    def deliver(self, path: str, fields: Mapping[str, str], chosen: int) -> Answer:
        session: requests.Session | None = getattr(self._local, "session", None)
        if session is None:
            session = self._local.session = requests.Session()
        url = f"http://127.0.0.1:{self._ports[chosen % len(self._ports)]}{path}"
        try:
            answer = session.post(url, json=fields, timeout=30)
        except requests.RequestException:
            return Answer(0)
        body = None
        with suppress(ValueError):
            body = answer.json()
        return Answer(answer.status_code, body, answer.text[:200])
