"""The API: who may ask, what is refused, and the trail of what was done."""

from __future__ import annotations

from typing import TYPE_CHECKING

import msgspec
import pytest
from api_calls import (
    ASHA,
    GROWER,
    HER,
    HIM,
    JUMA,
    LAKE,
    NORTH,
    ROUND,
    SHEET,
    UNKNOWN,
    Union,
    failed,
    grower_of,
    put,
    report,
)
from limits import RateLimitItemPerDay

from bot.dialogue.records import Grower
from bot.store.errors import StoreUnavailable
from bot.store.people import SCOPES
from bot.web.api import ROUTES, document

if TYPE_CHECKING:
    import redis

    from bot.web.api.routes import Route


@pytest.fixture
def union(redis_client: redis.Redis) -> Union:
    return Union(redis_client)


@pytest.fixture
def asha(union: Union) -> Union:
    """A union with one grower, who has a plan."""
    union.enrol(GROWER)
    assert union.plan().status_code == 200
    return union


@pytest.fixture
def lake(asha: Union) -> str:
    """A token that reaches only the other group."""
    asha.enrol(GROWER | {"number": JUMA, "group": LAKE})
    return asha.token("lake office", groups=(LAKE,))


# Who may ask


@pytest.mark.parametrize("given", [None, "", "Bearer", "Bearer fb_none", "Basic YTpi", "bearer x"])
def test_without_a_token_nothing_is_told(union: Union, given: str | None) -> None:
    headers = {} if given is None else {"Authorization": given}
    answer = union.app.test_client().get("/api/groups", headers=headers)
    failed(answer, 401)
    assert answer.headers["WWW-Authenticate"].startswith("Bearer")
    assert answer.headers["Cache-Control"] == "no-store"


def test_a_token_that_is_revoked_is_none(union: Union) -> None:
    secret = union.token("field office")
    assert union.ask("GET", "/groups", secret=secret).status_code == 200
    union.people.revoke("field office")
    failed(union.ask("GET", "/groups", secret=secret), 401)


GUARDED = [route for route in ROUTES if route.scope]


@pytest.mark.parametrize("route", GUARDED, ids=lambda route: f"{route.method} {route.path}")
def test_each_route_asks_for_its_scope(asha: Union, route: Route) -> None:
    path = route.path.format(number=ASHA, name=NORTH, id="k7hmw2xp")
    others = tuple(scope for scope in SCOPES if scope != route.scope)
    answer = asha.ask(route.method, path, route.example or None, asha.token("others", others))
    failed(answer, 403)
    assert str(route.scope) in answer.get_json()["detail"]
    assert f'scope="{route.scope}"' in answer.headers["WWW-Authenticate"]
    own = asha.ask(route.method, path, route.example or None, asha.token("own", (route.scope,)))
    assert own.status_code in {route.status, 404}
    assert (own.status_code == 404) == ("{id}" in route.path)


def test_the_description_is_for_everyone_and_of_all_routes(union: Union) -> None:
    answer = union.app.test_client().get("/api/openapi.json")
    described = answer.get_json()
    assert described == msgspec.json.decode(msgspec.json.encode(document()))
    served = {
        (method, rule.rule)
        for rule in union.app.url_map.iter_rules()
        for method in (rule.methods or set()) - {"HEAD"}
    }
    written = {
        (method.upper(), "/api" + path.replace("{", "<").replace("}", ">"))
        for path, methods in described["paths"].items()
        for method in methods
    }
    assert {(method, rule.replace("path:", "")) for method, rule in served} == written


def test_the_examples_are_what_the_types_say() -> None:
    for route in ROUTES:
        if route.body:
            msgspec.convert(route.example, route.body)


def test_a_token_may_ask_only_so_much(redis_client: redis.Redis) -> None:
    union = Union(redis_client, limit=RateLimitItemPerDay(3))
    other = union.token("other")
    for _ in range(3):
        assert union.ask("GET", "/groups").status_code == 200
    answer = union.ask("GET", "/groups")
    failed(answer, 429)
    assert 0 < int(answer.headers["Retry-After"]) <= 2 * 24 * 3600
    assert union.ask("GET", "/groups", secret=other).status_code == 200


# A token limited to groups


@pytest.mark.parametrize(
    ("method", "path", "body"),
    [
        ("GET", "", None),
        ("PATCH", "", {"name": "Else"}),
        ("DELETE", "", None),
        ("GET", "/plan", None),
        ("PUT", "/plan", {"sheet": SHEET}),
        ("POST", "/reports", {"operation": "spray_fallow", "done": "2026-03-02"}),
    ],
)
def test_others_growers_are_as_good_as_unknown(
    asha: Union, lake: str, method: str, path: str, body: object
) -> None:
    before = grower_of(asha)
    theirs = asha.ask(method, HER + path, body, lake)
    unknown = asha.ask(method, UNKNOWN + path, body, lake)
    failed(theirs, 404)
    assert theirs.data == unknown.data
    assert grower_of(asha) == before
    assert asha.store.load("+255655999999").known is None


def test_a_limited_token_sees_only_its_groups(asha: Union, lake: str) -> None:
    groups = asha.ask("GET", "/groups", secret=lake).get_json()["groups"]
    assert [each["name"] for each in groups] == [LAKE]
    failed(asha.ask("GET", f"/groups/{NORTH}/growers", secret=lake), 404)
    failed(asha.ask("GET", f"/reports/season?group={NORTH}", secret=lake), 404)
    failed(asha.ask("GET", f"/reports/deliveries?group={NORTH}", secret=lake), 404)
    season = asha.ask("GET", "/reports/season", secret=lake).get_json()
    assert (season["groups"], season["growers"]) == ([LAKE], 1)


def test_a_limited_token_takes_growers_from_no_other_group(asha: Union, lake: str) -> None:
    put(asha, "+255655000003", lambda _: Grower(language="sw"))  # came by themselves
    said = asha.enrol(
        {"number": ASHA, "group": LAKE},
        {"number": "+255655000003", "group": LAKE},
        {"number": "+255655000004", "group": NORTH},
        secret=lake,
    )
    assert [each["outcome"] for each in said["growers"]] == ["refused", "changed", "refused"]
    assert "does not reach" in said["growers"][0]["reason"]
    assert "there is no group 'Mirindi North'" in said["growers"][2]["reason"]
    assert grower_of(asha).group == NORTH
    assert grower_of(asha, "+255655000003").group == LAKE
    assert "group" in failed(asha.ask("PATCH", HIM, {"group": NORTH}, lake), 422)


# What cannot be read


def test_every_fault_of_a_body_is_listed(union: Union) -> None:
    body = {
        "growers": [
            GROWER,
            {"number": 655512345, "group": "", "name": None, "vilage": "Kasele"},
            "Asha",
        ],
        "more": 1,
    }
    assert set(failed(union.ask("POST", "/growers", body), 400)) == {
        "growers[1].number",
        "growers[1].name",
        "growers[1].vilage",
        "growers[1].consent",
        "growers[2]",
        "more",
    }


def test_faults_deep_in_a_round_are_listed(union: Union) -> None:
    body = ROUND | {
        "groups": [],
        "texts": {"en": "Hello", "sw": 3},
        "conditions": {"within": -1, "not_planted": "yes"},
        "start": "2026-03-02T06:00:00",
    }
    assert set(failed(union.ask("POST", "/rounds", body), 400)) == {
        "groups",
        "texts.sw",
        "conditions.within",
        "conditions.not_planted",
        "start",
    }


def test_every_fault_of_a_query_is_listed(union: Union) -> None:
    path = f"/groups/{NORTH}/growers?limit=0&due=soon&order=name&offset=1&offset=2"
    assert set(failed(union.ask("GET", path), 400)) == {"limit", "due", "order", "offset"}
    assert set(failed(union.ask("GET", "/groups?all=1"), 400)) == {"all"}


@pytest.mark.parametrize(
    "body", [b"", b"{", b"\xff", b"[" * 30_000, b'{"growers": [{"number": "\\ud800"}]}']
)
def test_what_is_no_json_is_refused(union: Union, body: bytes) -> None:
    answer = union.ask("POST", "/rounds", data=body, content_type="application/json")
    assert "" in failed(answer, 400)


def test_only_json_is_taken_and_only_so_much(union: Union) -> None:
    failed(union.ask("POST", "/rounds", data=b"{}", content_type="text/plain"), 415)
    long = b'{"name": "' + b"a" * 70_000 + b'"}'
    failed(union.ask("POST", "/rounds", data=long, content_type="application/json"), 413)
    many = b'{"growers": "' + b"a" * 1_100_000 + b'"}'
    failed(union.ask("POST", "/growers", data=many, content_type="application/json"), 413)


def test_addresses_and_methods_that_are_not_there(union: Union) -> None:
    failed(union.ask("GET", "/nothing"), 404)
    answer = union.ask("DELETE", "/groups")
    failed(answer, 405)
    assert answer.headers["Allow"] == "GET, HEAD"
    # What is not of the API is answered as before.
    assert union.app.test_client().get("/apiary").content_type.startswith("text/html")


@pytest.mark.parametrize("whose", ["people", "store"])
def test_a_store_out_of_reach_is_said(
    asha: Union, whose: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    def down(*_: object) -> None:
        raise StoreUnavailable("no connection")

    name = {"people": "token", "store": "load"}[whose]
    monkeypatch.setattr(getattr(asha, whose), name, down)
    answer = asha.ask("GET", HER)
    failed(answer, 503)
    assert int(answer.headers["Retry-After"]) > 0


# The trail


def test_the_trail_says_what_was_done_and_shows_no_number(asha: Union) -> None:
    report(asha, operation="spray_fallow", done="2026-03-02")
    asha.ask("PATCH", HER, {"village": "Upper Kasele"})
    asha.ask("DELETE", HER)
    entries = [entry for _, entry in asha.people.recent(10)]
    assert [entry.what for entry in entries] == [
        "forgot",
        "changed",
        "reported",
        "made a plan for",
        "enrolled growers in",
    ]
    assert {entry.who for entry in entries} == {"(token office)"}
    assert {entry.whom for entry in entries} == {"+255*******45", NORTH}
    assert not [entry for entry in entries if ASHA in f"{entry.whom}{entry.detail}"]
