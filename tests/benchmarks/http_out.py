"""Texts handed over by HTTP with connections kept open, against a bare loop of `requests`."""

from __future__ import annotations

import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path
from statistics import median
from time import perf_counter
from typing import TYPE_CHECKING

import requests

from bot.gateways.base import Accepted, Outgoing
from bot.gateways.http import HttpGateway
from bot.gateways.profiles import Profile, SmsOut
from tests.benchmarks.answerer import REFERENCE
from tests.benchmarks.table import Row

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

GOAL = 0.8
"""Share of a bare loop's throughput that the gateway must reach."""

THREADS = 8
"""Texts under way together, by either side."""

BODY = "Shamba la kaskazini: palilia leo. Jibu 1 ukimaliza."
TIMEOUT_S = 10
ROOT = Path(__file__).parents[2]


def rows(texts: int, rounds: int) -> list[Row]:
    """Hand over so many texts in each round, by the gateway and bare, in turn."""
    queue = [Outgoing(f"+2557{place:08}:1", f"+2557{place:08}", BODY) for place in range(texts)]
    with _provider() as url:
        gateway = HttpGateway(
            Profile(sms_out=SmsOut(url, "json", "to", "text", "id", reference="id"))
        )
        ours: list[float] = []
        bare: list[float] = []
        # Each side's threads live through all rounds, and their connections with them.
        sides: list[tuple[Callable[[Sequence[Outgoing]], None], list[float]]]
        sides = [(lambda share: _by_gateway(gateway, share), ours), (_Bare(url), bare)]
        with ThreadPoolExecutor(THREADS) as first, ThreadPoolExecutor(THREADS) as second:
            pools = [first, second]
            for place in range(rounds + 1):
                # Who goes first changes, so that neither always finds the machine warmer.
                for side in (0, 1) if place % 2 else (1, 0):
                    hand_over, rates = sides[side]
                    rates.append(texts / _seconds(pools[side], hand_over, queue))
        gateway.close()
    # The first round opens the connections.
    ratio = median(one / other for one, other in zip(ours[1:], bare[1:], strict=True))
    return [
        Row(
            f"HTTP, {THREADS} threads, kept open",
            "a bare loop of requests",
            median(ours[1:]),
            median(bare[1:]),
            ratio,
            "texts/s",
            f"at least {GOAL}",
            ratio / GOAL,
        )
    ]


def _seconds(
    pool: ThreadPoolExecutor,
    hand_over: Callable[[Sequence[Outgoing]], None],
    queue: Sequence[Outgoing],
) -> float:
    began = perf_counter()
    list(pool.map(hand_over, [queue[place::THREADS] for place in range(THREADS)]))
    return perf_counter() - began


def _by_gateway(gateway: HttpGateway, texts: Sequence[Outgoing]) -> None:
    for text in texts:
        if (outcome := gateway.send(text)) != Accepted(REFERENCE):
            raise RuntimeError(f"a text was not taken, and speed means nothing: {outcome}")


class _Bare:
    """The least that `requests` does: posts, reads the answer, and the id in it."""

    def __init__(self, url: str) -> None:
        self._url = url
        self._sessions: list[requests.Session] = []

    def __call__(self, texts: Sequence[Outgoing]) -> None:
        session = self._sessions.pop() if len(self._sessions) else requests.Session()
        for text in texts:
            fields = {"to": text.to, "text": text.body, "id": text.id}
            answer = session.post(self._url, json=fields, timeout=TIMEOUT_S)
            if not answer.ok or answer.json()["id"] != REFERENCE:
                raise RuntimeError(f"a text was not taken, and speed means nothing: {answer}")
        self._sessions.append(session)


@contextmanager
def _provider() -> Iterator[str]:
    with subprocess.Popen(
        [sys.executable, "-m", "tests.benchmarks.answerer"],
        cwd=ROOT,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    ) as provider:
        if provider.stdin is None or provider.stdout is None:
            raise RuntimeError("the provider has no pipes")
        try:
            yield f"http://127.0.0.1:{int(provider.stdout.readline())}/texts"
        finally:
            provider.stdin.close()
            provider.wait(TIMEOUT_S)
