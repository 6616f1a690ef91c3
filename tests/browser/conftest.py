"""The desk in a real browser: the app served from a thread, a sender and a loopback gateway.

The browser is Debian's Chromium. Where there is none the tests are skipped, unless
REQUIRE_BROWSER=required says that there must be one.
"""

from __future__ import annotations

import os
import shutil
import threading
import time
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from typing import TYPE_CHECKING

import pytest
from playwright.sync_api import expect, sync_playwright
from werkzeug.serving import make_server

from bot.exchange import dialogue_of
from bot.gateways.loopback import LoopbackGateway
from bot.reminders import sender as sender_module
from bot.reminders import spreading
from bot.reminders.sender import Sender
from bot.reminders.spreading import Permission, Spreader
from bot.settings import Settings
from bot.store.groups import Groups
from bot.store.growers import Store
from bot.store.people import People
from bot.store.rounds import Rounds
from bot.web import create_app
from bot.web.desk import rounds as rounds_pages

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    import redis
    from playwright.sync_api import Browser, Page

CHROMIUM = shutil.which("chromium")
PATIENCE_S = 30.0
NINE = datetime(2026, 3, 2, 6, 0, tzinfo=UTC).timestamp()  # 09:00 in Dar es Salaam
TODAY = date(2026, 3, 2)
SETTINGS = Settings(desk_pages=True, secret="a secret for the browser", segment_price=30)  # noqa: S106
PASSWORD = "kanoro luhembe 7"  # noqa: S105 - of made-up people
NORTH = "Mirindi North"
expect.set_options(timeout=PATIENCE_S * 1000)


@dataclass
class Clock:
    """A clock that a test moves on; the sender goes by it, and so does the desk."""

    now: float = NINE
    _began: float = field(default_factory=time.monotonic)

    def __call__(self) -> float:
        return self.now + time.monotonic() - self._began


@dataclass
class Union:
    """A union at work: its store, its gateway, its desk's address."""

    store: Store
    gateway: LoopbackGateway
    clock: Clock
    url: str

    def wait_until(self, true: Callable[[], bool]) -> None:
        deadline = time.monotonic() + PATIENCE_S
        while not true():
            assert time.monotonic() < deadline, "it did not come about"
            time.sleep(0.05)


@pytest.fixture
def union(redis_client: redis.Redis, monkeypatch: pytest.MonkeyPatch) -> Iterator[Union]:
    # All that goes on by itself goes on sooner; tests/web looks at the true pace of a page.
    monkeypatch.setattr(rounds_pages, "REFRESH_S", 1)
    monkeypatch.setattr(sender_module, "POLL_S", 0.1)
    monkeypatch.setattr(spreading, "IDLE_S", 0.1)
    clock, stop = Clock(), threading.Event()
    store = Store(redis_client, clock)
    people, groups, rounds = People(redis_client, clock), Groups(redis_client), Rounds(redis_client)
    groups.named(NORTH)
    groups.change(NORTH, language="sw")
    for name, role in (("amina", "agent"), ("zawadi", "admin")):
        assert isinstance(people.add(name, "agent" if role == "agent" else "admin", (NORTH,)), str)
        people.set_password(name, PASSWORD)
    gateway = LoopbackGateway(clock)
    dialogue = dialogue_of(SETTINGS)
    permit = Permission(rounds, clock)
    sender = Sender(store, gateway, dialogue.remind, SETTINGS, clock, permit)
    spreader = Spreader(store, groups, rounds, dialogue, SETTINGS, clock)
    server = make_server("127.0.0.1", 0, create_app(SETTINGS, store, clock), threaded=True)
    threads = [
        threading.Thread(target=sender.run, args=(stop,)),
        threading.Thread(target=spreader.run, args=(stop,)),
        threading.Thread(target=server.serve_forever),
    ]
    for thread in threads:
        thread.start()
    yield Union(store, gateway, clock, f"http://127.0.0.1:{server.server_port}")
    stop.set()
    server.shutdown()
    for thread in threads:
        thread.join()
    server.server_close()


# For a module only: while it is open, an event loop runs in this thread, and other tests want one.
@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    if CHROMIUM is None:
        if os.environ.get("REQUIRE_BROWSER") == "required":
            pytest.fail("no chromium on PATH, and REQUIRE_BROWSER says there must be one")
        pytest.skip("no chromium on PATH (Debian's package chromium)")
    quiet = ("no-sandbox", "disable-gpu", "disable-quic", "no-first-run")
    silent = ("disable-background-networking", "disable-component-update", "disable-sync")
    with sync_playwright() as playwright:
        chromium = playwright.chromium.launch(
            executable_path=CHROMIUM, args=[f"--{each}" for each in (*quiet, *silent)]
        )
        yield chromium
        chromium.close()


@pytest.fixture(params=["on", "off"], ids=["with scripts", "without scripts"])
def page(browser: Browser, request: pytest.FixtureRequest) -> Iterator[Page]:
    """A page of a phone's width; the desk must do the same with JavaScript off."""
    yield from opened(browser, scripts=request.param == "on")


@pytest.fixture
def scripted(browser: Browser) -> Iterator[Page]:
    """A page of a phone's width that a checker's script can look over."""
    yield from opened(browser, scripts=True)


def opened(browser: Browser, *, scripts: bool) -> Iterator[Page]:
    # The checker puts its script into the page, which the desk's policy forbids.
    context = browser.new_context(
        viewport={"width": 390, "height": 800}, java_script_enabled=scripts, bypass_csp=scripts
    )
    context.set_default_timeout(PATIENCE_S * 1000)
    yield context.new_page()
    context.close()
