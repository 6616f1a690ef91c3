"""The USSD webhook under gunicorn, against a bare view under the same."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from contextlib import contextmanager
from pathlib import Path
from statistics import mean, median
from typing import TYPE_CHECKING

from bot.settings import PREFIX, REDIS_VARIABLE
from bot.store import codec
from bot.store.codec import Replay
from bot.store.connecting import connect
from bot.store.growers import Store
from tests.benchmarks.season import first_talk
from tests.benchmarks.table import Row

if TYPE_CHECKING:
    from collections.abc import Iterator

    from bot.dialogue.turn import Dialogue
    from tests.benchmarks.season import Heard

GOAL = 0.6
"""Share of the bare view's throughput that the webhook must reach."""

OURS, BARE = "+255", "+254"
"""Each server has growers of its own, told apart by their country."""

ROOT = Path(__file__).parents[2]
START_S = 20.0


def rows(dialogue: Dialogue, url: str, folder: Path, growers: int, rounds: int) -> list[Row]:
    """Let so many growers have their first talk at once in each round, both servers in turn."""
    talk = first_talk(dialogue, "ussd")
    record = mean(len(codec.encode(1, each.turn.grower)) for each in talk) - codec.VERSION_BYTES
    reply = mean(len(codec.encode_replay(Replay(each.turn.replies, True))) for each in talk)
    bare = f"tests.benchmarks.bare:create_app({url!r}, {record:.0f}, {reply:.0f})"
    rates: dict[str, list[float]] = {OURS: [], BARE: []}
    with (
        _gunicorn("bot.web:create_app()", folder / "ours.sock", url) as ours_socket,
        _gunicorn(bare, folder / "bare.sock", url) as bare_socket,
    ):
        sockets = {OURS: ours_socket, BARE: bare_socket}
        for country, socket in sockets.items():
            _throughput(socket, _bodies(talk, country, 0, 1))  # connects, and fills the caches
        _check_planned(url, _number(OURS, 0, 0))
        for place in range(1, rounds + 1):
            # Who goes first changes, so that neither always finds the machine warmer.
            for country in sorted(sockets, reverse=bool(place % 2)):
                bodies = _bodies(talk, country, place, growers)
                rates[country].append(_throughput(sockets[country], bodies))
    ratio = median(ours / bare for ours, bare in zip(rates[OURS], rates[BARE], strict=True))
    return [
        Row(
            "USSD webhook, 1 gunicorn worker",
            "a bare view, same round trips",
            median(rates[OURS]),
            median(rates[BARE]),
            ratio,
            "requests/s",
            f"at least {GOAL}",
            ratio / GOAL,
        )
    ]


def _number(country: str, place: int, grower: int) -> str:
    return f"{country}7{place:04d}{grower:04d}"


def _bodies(talk: list[Heard], country: str, place: int, growers: int) -> list[bytes]:
    """The steps of all growers, in plain JSON; each text of the talk by all, then the next."""
    return [
        json.dumps(
            {
                "session": f"{place}-{grower}",
                "from": _number(country, place, grower),
                "text": heard.text,
                "id": str(step),
            }
        ).encode()
        for step, heard in enumerate(talk)
        for grower in range(growers)
    ]


def _throughput(path: Path, bodies: list[bytes]) -> float:
    """Requests a second, as seen by another process."""
    told = subprocess.run(
        [sys.executable, "-m", "tests.benchmarks.load", str(path)],
        input=b"\n".join(bodies),
        stdout=subprocess.PIPE,
        cwd=ROOT,
        check=True,
        timeout=120,
    ).stdout
    return len(bodies) / float(told)


def _check_planned(url: str, number: str) -> None:
    """A webhook that refuses or misreads would be fast, so the talk must have led to a plan."""
    with connect(url) as client:
        if Store(client).load(number).grower.plan is None:
            raise RuntimeError("the talk over the webhook led to no plan; see bot.demo.ASHA")


@contextmanager
def _gunicorn(app: str, path: Path, url: str) -> Iterator[Path]:
    options = ["--workers=1", "--worker-class=sync", "--log-level=warning", "--no-control-socket"]
    # An operator's own settings must not lead the benchmark to an operator's own Redis.
    environ = {name: value for name, value in os.environ.items() if not name.startswith(PREFIX)}
    environ[REDIS_VARIABLE] = url
    # All comes from one address here; it is counted, and as much as can be is taken.
    environ[PREFIX + "MOST_REQUESTS"] = "1000000"
    server = subprocess.Popen(
        [sys.executable, "-m", "gunicorn", *options, f"--bind=unix:{path}", app],
        cwd=ROOT,
        env=environ,
    )
    try:
        deadline = time.monotonic() + START_S
        while not path.exists():
            if server.poll() is not None or time.monotonic() > deadline:
                raise RuntimeError(f"gunicorn did not come up with {app}; see its words above")
            time.sleep(0.02)
        yield path
    finally:
        server.terminate()
        server.wait(timeout=START_S)
