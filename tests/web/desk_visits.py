"""The desk in a browser, for the tests of its pages; the whole is real but the password's cost."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from html import unescape
from html.parser import HTMLParser
from typing import TYPE_CHECKING

from argon2 import PasswordHasher
from flask import Flask

from bot.dialogue.records import Grower, Operation, Plan
from bot.exchange import Exchange, dialogue_of
from bot.reminders.schedule import next_due
from bot.settings import Settings
from bot.store.groups import Groups
from bot.store.growers import Store
from bot.store.people import People
from bot.store.rounds import Rounds
from bot.web.desk import create_desk
from bot.web.sealing import sealed

if TYPE_CHECKING:
    import redis
    from flask.testing import FlaskClient
    from werkzeug.test import TestResponse

    from bot.store.people import Entry
    from bot.store.texts import Line

NINE = datetime(2026, 3, 2, 6, 0, tzinfo=UTC).timestamp()  # 09:00 in Dar es Salaam, a Monday
TODAY = date(2026, 3, 2)
QUICK = PasswordHasher(time_cost=1, memory_cost=8, parallelism=1)
OFFERED = Settings(secret="a secret of the operator")  # noqa: S106 - of these tests only
NORTH, LAKE = "Mirindi North", "Mirindi Lakeside"
ASHA, JUMA = "+255712000001", "+255712000002"
SEASON = [
    *("hello", "1", "1 acre", "yes", "none", "broad leaves", "40", "no", "yes", "yes", "10,000"),
    *("0", "15000", "10k", "no", "no", "no", "no", "no", "yes", "1", "15 l", "2", "1", "today"),
]
"""A season from hello to the plan: spray, wait, clear, plough, ridge, plant."""


class Clock:
    """A clock that stands until it is moved."""

    def __init__(self) -> None:
        self.now = NINE

    def __call__(self) -> float:
        return self.now


class Parser(HTMLParser):
    """What a page holds; a strict policy stops nothing on it, and every field has its label."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.ids: list[str] = []
        self.labelled: set[str] = set()
        self.fields: dict[str, dict[str, str]] = {}
        self.links: list[str] = []
        self.pointed: set[str] = set()
        self.feed(html)
        assert len(self.ids) == len(set(self.ids))
        assert set(self.fields) <= self.labelled
        assert self.pointed <= set(self.ids)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        found = {name: value or "" for name, value in attrs}
        assert tag != "script"
        assert not [name for name in found if name == "style" or name.startswith("on")]
        if "id" in found:
            self.ids.append(found["id"])
        if tag == "label":
            self.labelled.add(found["for"])
        if tag in {"input", "select", "textarea"} and found.get("type") != "hidden":
            self.fields[found["id"]] = found
        if tag == "a":
            self.links.append(found["href"])
            if found["href"].startswith("#"):
                self.pointed.add(found["href"][1:])
        self.pointed |= set(found.get("aria-describedby", "").split())


@dataclass
class Page:
    """An answer of the desk, as somebody reads it."""

    status: int
    html: str
    goal: str = ""
    parsed: Parser = field(init=False)

    def __post_init__(self) -> None:
        self.parsed = Parser(self.html)

    @property
    def said(self) -> str:
        main = self.html.partition("<main")[2].partition(">")[2]
        return " ".join(unescape(re.sub("<[^>]*>", " ", main)).split())

    @property
    def rows(self) -> list[list[str]]:
        """The rows of all tables, cell by cell."""
        rows = re.findall("<tr>(.*?)</tr>", self.html, re.DOTALL)
        cells = [re.findall("<t[hd][^>]*>(.*?)</t[hd]>", row, re.DOTALL) for row in rows]
        return [
            [" ".join(unescape(re.sub("<[^>]*>", " ", cell)).split()) for cell in row]
            for row in cells
        ]

    def value(self, ident: str) -> str:
        return self.parsed.fields[ident].get("value", "")

    def hidden(self, name: str) -> str:
        return unescape(re.findall(f'type="hidden" name="{name}" value="([^"]*)"', self.html)[-1])


class Desk:
    """A desk in a browser where somebody has signed in."""

    def __init__(self, client: redis.Redis, offered: Settings = OFFERED) -> None:
        self.clock = Clock()
        self.store = Store(client, self.clock)
        self.groups = Groups(client)
        self.people = People(client, self.clock, QUICK)
        self.app = Flask("bot.web", static_folder=None)
        self.app.wsgi_app = sealed(self.app.wsgi_app)  # as create_app does
        dialogue = dialogue_of(offered)
        self.exchange = Exchange(self.store, dialogue, offered, self.clock)
        self.app.extensions["exchange"] = self.exchange
        self.app.extensions["groups"] = self.groups
        self.app.extensions["rounds"] = Rounds(client)
        self.app.register_blueprint(create_desk(self.people, offered, self.clock))
        for name in (NORTH, LAKE):
            self.groups.named(name)
        self.browser: FlaskClient = self.app.test_client()

    def sign_in(self, name: str, *groups: str) -> Desk:
        """Begin a session: an agent's with these groups, an admin's without any."""
        self.people.add(name, "agent" if groups else "admin", groups)
        self.people.set_password(name, "three goats by the well")
        user = self.people.user(name)
        assert user is not None
        self.browser = self.app.test_client()
        with self.browser.session_transaction(path="/desk/") as session:
            now = int(self.clock())
            session.update(name=user.name, generation=user.generation, began=now, seen=now)
        return self

    def put(self, number: str, grower: Grower, *lines: Line) -> None:
        loaded = self.store.load(number)
        due = next_due(grower, OFFERED, self.clock())
        assert self.store.commit(number, loaded, grower, due=due, lines=lines)

    def grower(self, number: str = ASHA) -> Grower:
        return self.store.load(number).grower

    def open(self, address: str) -> Page:
        return self._page(self.browser.get(address))

    def post(self, address: str, **fields: str) -> Page:
        form = self.browser.get("/desk/password").get_data(as_text=True)
        token = re.findall('name="csrf_token" value="([^"]*)"', form)[0]
        return self._page(self.browser.post(address, data={"csrf_token": token, **fields}))

    def do(self, act: str, number: str = ASHA, **fields: str) -> Page:
        """Press a button on a grower's page, and follow to where it leads."""
        page = self.post(f"/desk/growers/{number}", do=act, **fields)
        return self.open(page.goal) if page.goal else page

    @staticmethod
    def _page(answer: TestResponse) -> Page:
        goal = answer.headers.get("Location", "") if answer.status_code == 303 else ""
        return Page(answer.status_code, answer.get_data(as_text=True), goal)

    @property
    def trail(self) -> list[Entry]:
        return [entry for _, entry in self.people.recent(20)]


def plan_due(in_days: int, name: str = "clear") -> Plan:
    due = TODAY + timedelta(days=in_days)
    return Plan((Operation(name, due, due, due + timedelta(days=7)),))


def of_group(group: str, name: str = "", plan: Plan | None = None, trouble: str = "") -> Grower:
    return Grower(language="en", name=name, group=group, plan=plan, trouble=trouble)
