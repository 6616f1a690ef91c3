"""`fieldbell send` with two gateways that are real servers, one of which may be down."""

from __future__ import annotations

import json
import socket
import threading
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import TYPE_CHECKING, Protocol

import pytest

from bot import cli
from bot.cli import main
from bot.dialogue.records import Grower, enqueue

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from click.testing import CliRunner

    from bot.store.growers import Store
    from bot.store.server import EmbeddedRedis


class Send(Protocol):
    def __call__(self, **profiles: tuple[str, str]) -> dict[str, str]: ...


COAST, INLAND = "+255751000001", "+255681000001"


@contextmanager
def gateway() -> Iterator[tuple[str, list[str]]]:
    """A server that takes every text; with its address, the numbers it was given."""
    taken: list[str] = []

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            taken.append(json.loads(self.rfile.read(int(self.headers["Content-Length"])))["to"])
            answer = json.dumps({"id": str(len(taken))}).encode()
            self.send_response(200)
            self.send_header("Content-Length", str(len(answer)))
            self.end_headers()
            self.wfile.write(answer)

        def log_message(self, *_: object) -> None:
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.01})
    thread.start()
    try:
        yield f"http://127.0.0.1:{server.server_port}/", taken
    finally:
        server.shutdown()
        thread.join()
        server.server_close()


@pytest.fixture
def nobody() -> Iterator[str]:
    """An address where a connection is refused: taken, but not listened at."""
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        yield f"http://127.0.0.1:{taken.getsockname()[1]}/"


@pytest.fixture
def send(
    runner: CliRunner,
    tmp_path: Path,
    store: Store,
    redis_server: EmbeddedRedis,
    monkeypatch: pytest.MonkeyPatch,
) -> Send:
    """Write the profiles, owe two growers a reply, and send once by them all."""
    # The command would keep the signals of the whole run.
    monkeypatch.setattr(cli.signal, "signal", lambda *_: None)
    monkeypatch.setenv("REDIS_URL", redis_server.url)

    def run(**profiles: tuple[str, str]) -> dict[str, str]:
        for number in (COAST, INLAND):
            grower = enqueue(Grower(), ["Thank you."], "reply")
            assert store.commit(number, store.load(number), grower, due=0)
        paths = []
        for name, (url, top) in profiles.items():
            path = tmp_path / f"{name}.toml"
            out = f'[sms_out]\nurl = "{url}"\nbody = "json"\nnumber = "to"\ntext = "text"\n'
            path.write_text(f'{top}\n{out}id = "id"\nreference = "id"\n')
            paths.append(str(path))
        monkeypatch.setenv("FIELDBELL_GATEWAY", ",".join(paths))
        result = runner.invoke(main, ["send", "--once"])
        assert result.exit_code == 0, result.output
        lines = {number: store.lines(number) for number in (COAST, INLAND)}
        return {number: each[-1].gateway for number, each in lines.items() if each}

    return run


def test_prefixes_choose_the_gateway(send: Send) -> None:
    with gateway() as (one, by_one), gateway() as (two, by_two):
        taken = send(one=(one, 'prefixes = ["+25568"]'), two=(two, "rate = 100"))
    assert taken == {COAST: "two", INLAND: "one"}
    assert (by_one, by_two) == ([INLAND], [COAST])


def test_when_the_first_is_down_the_second_takes_the_texts(send: Send, nobody: str) -> None:
    with gateway() as (two, by_two):
        taken = send(one=(nobody, ""), two=(two, ""))
    assert taken == {COAST: "two", INLAND: "two"}
    assert sorted(by_two) == [INLAND, COAST]


def test_with_one_that_is_down_texts_wait(send: Send, nobody: str, store: Store) -> None:
    assert send(one=(nobody, "")) == {}
    for number in (COAST, INLAND):
        (waiting,) = store.load(number).grower.waiting
        assert (waiting.attempts, waiting.gateway) == (0, "")


def test_two_gateways_of_one_name_are_an_error(
    runner: CliRunner, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("FIELDBELL_GATEWAY", "plain-json,plain-json")
    result = runner.invoke(main, ["send", "--once"])
    assert (result.exit_code, result.stdout) == (2, "")
    assert "two gateways are named plain-json" in result.stderr
