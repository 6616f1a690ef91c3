"""The API as a union's own system meets it; all is real but the clock."""

from __future__ import annotations

from datetime import UTC, date, datetime
from typing import TYPE_CHECKING, Any

from flask import Flask
from limits import RateLimitItemPerMinute

from bot.exchange import Exchange, dialogue_of
from bot.reminders.schedule import next_due
from bot.settings import Settings
from bot.store.groups import Groups
from bot.store.growers import Store
from bot.store.people import SCOPES, People
from bot.store.rounds import Rounds
from bot.web.api import create_api, growers, plans, rounds
from bot.web.sealing import sealed

if TYPE_CHECKING:
    from collections.abc import Callable

    import redis
    from limits import RateLimitItem
    from werkzeug.test import TestResponse

    from bot.dialogue.records import Grower
    from bot.store.people import Scope

NINE = datetime(2026, 3, 2, 6, 0, tzinfo=UTC).timestamp()  # 09:00 in Dar es Salaam, a Monday
NORTH, LAKE = "Mirindi North", "Mirindi Lakeside"
ASHA, JUMA = "+255655512345", "+255655512346"
HER, HIM, UNKNOWN = f"/growers/{ASHA}", f"/growers/{JUMA}", "/growers/+255655999999"
TODAY = date(2026, 3, 2)
MUCH = RateLimitItemPerMinute(1_000_000)

GROWER = growers.ROUTES[0].example["growers"][0]
SHEET = next(each for each in plans.ROUTES if each.method == "PUT").example["sheet"]
ROUND = rounds.ROUTES[0].example


class Union:
    """A union's own system, with a token for all it may do; `now` is the app's clock."""

    def __init__(
        self, client: redis.Redis, offered: Settings | None = None, limit: RateLimitItem = MUCH
    ) -> None:
        self.now = NINE
        self.settings = offered or Settings()
        self.store = Store(client, lambda: self.now)
        self.people = People(client, lambda: self.now)
        self.groups = Groups(client)
        self.rounds = Rounds(client)
        self.dialogue = dialogue_of(self.settings)
        exchange = Exchange(self.store, self.dialogue, self.settings, lambda: self.now)
        self.exchange = exchange
        self.app = Flask("bot.web", static_folder=None)
        self.app.wsgi_app = sealed(self.app.wsgi_app)  # as create_app does
        self.app.config["MAX_CONTENT_LENGTH"] = 64 * 1024
        api = create_api(exchange, self.groups, self.rounds, self.people, limit)
        self.app.register_blueprint(api)
        self.groups.named(NORTH)
        self.groups.named(LAKE)
        self.secret = self.token("office")

    def token(
        self, name: str, scopes: tuple[Scope, ...] = SCOPES, groups: tuple[str, ...] = ()
    ) -> str:
        secret = self.people.add_token(name, scopes, groups)
        assert isinstance(secret, str)
        return secret

    def ask(
        self,
        method: str,
        path: str,
        body: object = None,
        secret: str = "",
        **more: Any,  # noqa: ANN401 - werkzeug's
    ) -> TestResponse:
        headers = {"Authorization": f"Bearer {secret or self.secret}"}
        if body is not None:
            more["json"] = body
        return self.app.test_client().open(f"/api{path}", method=method, headers=headers, **more)

    def enrol(self, *growers: dict[str, Any], secret: str = "") -> dict[str, Any]:
        answer = self.ask(
            "POST", "/growers", {"growers": [GROWER | each for each in growers]}, secret
        )
        assert answer.status_code == 200, answer.json
        return answer.get_json()

    def plan(self, number: str = ASHA, **changed: object) -> TestResponse:
        sheet = SHEET | changed
        return self.ask("PUT", f"/growers/{number}/plan", {"sheet": sheet})


def grower_of(union: Union, number: str = ASHA) -> Grower:
    return union.store.load(number).grower


def put(union: Union, number: str, change: Callable[[Grower], Grower]) -> Grower:
    """Change a record as others do."""
    loaded = union.store.load(number)
    grower = change(loaded.grower)
    due = next_due(grower, union.settings, union.now)
    assert union.store.commit(number, loaded, grower, due=due)
    return grower


def failed(answer: TestResponse, status: int) -> dict[str, str]:
    """Check that an answer is a problem as of RFC 9457, and return the faults by field."""
    assert answer.status_code == status, answer.get_data(as_text=True)
    assert answer.content_type == "application/problem+json"
    said = answer.get_json()
    assert (said["type"], said["status"]) == ("about:blank", status)
    assert said["title"]
    assert said["detail"]
    return {each["field"]: each["reason"] for each in said["errors"]}


def report(union: Union, **body: object) -> TestResponse:
    return union.ask("POST", f"{HER}/reports", body)
