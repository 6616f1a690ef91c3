"""Every route there is, and every error, has the headers that browsers go by.

The routes are those of the app's own map, so that one to come cannot be forgotten. What the
headers do is the business of browsers; their names are of RFC 6797 (Strict-Transport-Security),
W3C's CSP Level 3 and the Fetch and HTML standards of WHATWG.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from conftest import NINE
from desk_visits import QUICK
from msgspec.structs import replace

from bot.settings import Settings
from bot.store.errors import StoreUnavailable
from bot.store.people import People
from bot.web import create_app

if TYPE_CHECKING:
    from collections.abc import Iterator

    import redis
    from flask import Flask
    from werkzeug.datastructures import Headers

    from bot.store.growers import Store

EVERYTHING = Settings(
    desk_pages=True,
    api=True,
    try_pages=True,
    most_requests=0,
    secret="a secret of the operator",  # noqa: S106 - of these tests only
)
PARTS = {
    "number": "+255655512345",
    "id": "r1",
    "name": "x",
    "lang": "sw",
    "context": "menu.menu",
    "kind": "csv",
}


@pytest.fixture
def app(store: Store) -> Flask:
    """The app with all that it can serve."""
    made = create_app(EVERYTHING, store, lambda: NINE)

    @made.get("/breaks")
    def breaks() -> str:
        raise RuntimeError("a mistake of ours")

    return made


def addresses(app: Flask) -> Iterator[tuple[str, str]]:
    """Every method and address of the app's map, with something in the place of what varies."""
    with app.test_request_context():
        for rule in app.url_map.iter_rules():
            parts = {name: PARTS.get(name, "x") for name in rule.arguments}
            address = app.url_for(rule.endpoint, **parts)
            for method in sorted(rule.methods or ()):
                yield method, address


def check(headers: Headers, where: str) -> None:
    policy = headers.get("Content-Security-Policy", "")
    assert policy, where
    assert "frame-ancestors 'none'" in policy, where
    assert "base-uri 'none'" in policy, where
    assert "script-src 'none'" in policy or "default-src 'none'" in policy, where
    assert "unsafe" not in policy, where
    assert headers["X-Content-Type-Options"] == "nosniff", where
    assert headers["X-Frame-Options"] == "DENY", where
    assert headers["Referrer-Policy"] in {"no-referrer", "same-origin"}, where
    assert headers["Cross-Origin-Opener-Policy"] == "same-origin", where
    assert headers["Cross-Origin-Resource-Policy"] == "same-origin", where
    assert "camera=()" in headers["Permissions-Policy"], where
    assert headers["Cache-Control"] == "no-store" or "/static/" in where, where
    for name in ("Content-Security-Policy", "Cache-Control", "Referrer-Policy"):
        assert len(headers.getlist(name)) == 1, where


def test_every_route_has_its_headers_by_every_method(app: Flask) -> None:
    client, seen = app.test_client(), set()
    for method, address in addresses(app):
        with client.open(address, method=method) as answer:
            check(answer.headers, f"{method} {address}: {answer.status}")
        seen.add(address.split("/")[1])
    assert seen >= {"hooks", "desk", "api", "try"}


def test_every_page_of_who_is_signed_in_has_them(app: Flask, redis_client: redis.Redis) -> None:
    people = People(redis_client, lambda: NINE, QUICK)
    people.add("amina", "admin")
    people.set_password("amina", "a long enough one")
    user = people.user("amina")
    assert user is not None
    client, shown = app.test_client(), 0
    with client.session_transaction(path="/desk") as session:
        session.update(name="amina", generation=user.generation, began=int(NINE), seen=int(NINE))
    for method, address in addresses(app):
        if method == "GET" and address.startswith("/desk"):
            with client.get(address) as answer:
                check(answer.headers, f"{address}: {answer.status}")
            shown += answer.status_code == 200
    assert shown > 8


@pytest.mark.parametrize(
    ("method", "address", "status"),
    [
        ("GET", "/", 404),
        ("GET", "/nothing", 404),
        ("GET", "/desk/nothing", 404),
        ("GET", "/api/nothing", 404),
        ("GET", "/try/nothing", 404),
        ("DELETE", "/hooks/sms", 405),
        ("POST", "/hooks/sms", 413),
        ("GET", "/breaks", 500),
    ],
)
def test_every_error_has_them(app: Flask, method: str, address: str, status: int) -> None:
    body = b"x" * 100_000 if status == 413 else b""
    answer = app.test_client().open(address, method=method, data=body)
    assert answer.status_code == status
    check(answer.headers, address)


def test_a_store_out_of_reach_is_answered_with_them(
    app: Flask, monkeypatch: pytest.MonkeyPatch
) -> None:
    def away(*_: object, **__: object) -> None:
        raise StoreUnavailable("away")

    monkeypatch.setattr(app.extensions["exchange"], "answer", away)
    answer = app.test_client().post("/hooks/sms", json={"from": "+255655512345", "text": "x"})
    assert answer.status_code == 503
    check(answer.headers, "/hooks/sms")


def test_browsers_are_told_to_stay_with_https_by_https_alone(app: Flask, store: Store) -> None:
    plain = app.test_client().get("/desk/sign-in")
    assert "Strict-Transport-Security" not in plain.headers
    safe = app.test_client().get("/desk/sign-in", base_url="https://fieldbell.example")
    assert safe.headers["Strict-Transport-Security"].startswith("max-age=31536000")
    behind = create_app(replace(EVERYTHING, proxies=1), store, lambda: NINE).test_client()
    told = behind.get("/hooks/sms", headers={"X-Forwarded-Proto": "https"})
    assert "Strict-Transport-Security" in told.headers


def test_a_proxy_that_is_not_the_operators_cannot_say_https(app: Flask) -> None:
    told = app.test_client().get("/hooks/sms", headers={"X-Forwarded-Proto": "https"})
    assert "Strict-Transport-Security" not in told.headers


def test_a_session_is_kept_from_scripts_other_sites_and_plain_http(app: Flask) -> None:
    answer = app.test_client().get("/desk/sign-in", base_url="https://fieldbell.example")
    (cookie,) = answer.headers.getlist("Set-Cookie")
    # A browser keeps a cookie of that name only if it came by https (RFC 6265bis, "__Secure-").
    assert cookie.startswith("__Secure-fieldbell_desk=")
    flags = {part.strip() for part in cookie.split(";")[1:]}
    assert flags == {"Secure", "HttpOnly", "Path=/desk", "SameSite=Lax"}


def test_no_answer_says_what_serves_it(app: Flask) -> None:
    answer = app.test_client().get("/breaks")
    assert "Server" not in answer.headers
    assert "X-Powered-By" not in answer.headers
    assert b"a mistake of ours" not in answer.data
