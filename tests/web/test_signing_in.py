"""Signing in to the desk: who gets in, for how long, and what a stranger learns."""

from __future__ import annotations

import re
from html import unescape
from html.parser import HTMLParser
from pathlib import Path
from types import SimpleNamespace
from typing import TYPE_CHECKING
from urllib.parse import parse_qs, urlsplit

import pytest
from argon2 import PasswordHasher
from flask import Blueprint, Flask, request
from hypothesis import HealthCheck, example, given
from hypothesis import settings as examples
from hypothesis import strategies as st

from bot.settings import Settings, SettingsError
from bot.store.errors import StoreUnavailable
from bot.store.people import People, User
from bot.web.desk import create_desk, guarding, second_factor, signing_in
from bot.web.desk.guarding import kept_form, local_address, may_see, must_see, takes
from bot.web.desk.signing_in import PER_ADDRESS, PER_NAME, WRONG
from bot.web.sealing import sealed

if TYPE_CHECKING:
    from collections.abc import Iterator

    import redis
    from flask.testing import FlaskClient
    from werkzeug.test import TestResponse

    from bot.store.people import Role

CSS = Path(__file__).resolve().parents[2] / "bot" / "web" / "static" / "desk.css"
NINE = 1_772_431_200  # 2 March 2026, 09:00 in Dar es Salaam
SECRET = "a secret of the operator"  # noqa: S105 - of this test only
GOOD = "three goats by the well"
BETTER = "four goats by the river"
QUICK = PasswordHasher(time_cost=1, memory_cost=8, parallelism=1)
ORIGIN = {"Origin": "http://localhost"}


class Clock:
    """A clock that stands until it is moved."""

    def __init__(self) -> None:
        self.now = float(NINE)

    def __call__(self) -> float:
        return self.now


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> Clock:
    """The desk's clock, and that of the throttle."""
    clock = Clock()
    monkeypatch.setattr("limits.storage.redis.time", SimpleNamespace(time=clock))
    monkeypatch.setattr(signing_in, "time", SimpleNamespace(time=clock))
    return clock


@pytest.fixture
def people(redis_client: redis.Redis, clock: Clock) -> People:
    return People(redis_client, clock, QUICK)


def app_of(people: People, clock: Clock, offered: Settings | None = None) -> Flask:
    """An app of the desk, with pages such as others add to it, and one page that is not of it."""
    app = Flask("bot.web", static_folder=None)
    app.wsgi_app = sealed(app.wsgi_app)  # as create_app does
    app.config["MAX_CONTENT_LENGTH"] = 64 * 1024
    desk = Blueprint(
        "desk", "bot.web", url_prefix="/desk", template_folder="templates", static_folder="static"
    )
    guarding.guard(desk, people, offered or Settings(secret=SECRET), clock)
    signing_in.register(desk)
    second_factor.register(desk)
    add_pages(desk)
    app.register_blueprint(desk)
    app.add_url_rule("/hooks/sms", "hook", lambda: "taken", methods=["POST"])
    return app


def add_pages(desk: Blueprint) -> None:
    @desk.get("/today")
    def today() -> str:
        return f"today for {guarding.me().name}"

    @desk.get("/groups/<group>")
    def group(group: str) -> str:
        must_see(group)
        return f"{group} {may_see('Kasele')}"

    @desk.post("/write")
    def write() -> str:
        return f"wrote {request.form['text']}"

    @desk.post("/upload")
    @takes(200 * 1024)
    def upload() -> str:
        return f"{len(request.files['file'].read())} bytes"


@pytest.fixture
def app(people: People, clock: Clock) -> Flask:
    return app_of(people, clock)


@pytest.fixture
def client(app: Flask) -> FlaskClient:
    return app.test_client()


class Page(HTMLParser):
    """What a page holds: its text, fields and labels; and nothing that a strict policy stops."""

    def __init__(self, answer: TestResponse) -> None:
        super().__init__()
        self.fields: list[dict[str, str]] = []
        self.ids: list[str] = []
        self.labelled: set[str] = set()
        self.current: list[str] = []
        self.links: list[str] = []
        self.html = answer.get_data(as_text=True)
        self.feed(self.html)
        self.title = unescape(re.findall("<title>(.*?)</title>", self.html)[0])
        main = self.html.partition("<main")[2]
        self.said = " ".join(unescape(re.sub("<[^>]*>", " ", main.partition(">")[2])).split())

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        found = {name: value or "" for name, value in attrs}
        assert tag != "script"
        assert not [name for name in found if name == "style" or name.startswith("on")]
        if tag in {"input", "select", "textarea"} and "hidden" not in {*found, found.get("type")}:
            self.fields.append(found)
        if "id" in found:
            self.ids.append(found["id"])
        if tag == "label":
            self.labelled.add(found["for"])
        if "aria-current" in found:
            self.current.append(found["href"])
        if tag == "a":
            self.links.append(found["href"])

    def assert_accessible(self) -> None:
        """Every field has a label, every id is one, and language and way in are there."""
        assert [field for field in self.fields if field.get("id") not in self.labelled] == []
        assert len(self.ids) == len(set(self.ids))
        assert '<html lang="en">' in self.html
        assert self.links[0] == "#main"
        assert self.html.count("<h1>") == 1
        assert self.title.endswith("Fieldbell desk")


def token_in(answer: TestResponse) -> str:
    return re.findall('name="csrf_token" value="([^"]+)"', answer.get_data(as_text=True))[0]


def hidden(answer: TestResponse, name: str) -> str:
    found = re.findall(f'name="{name}" value="([^"]*)"', answer.get_data(as_text=True))
    return unescape(found[0])


def token_of(client: FlaskClient) -> str:
    """The token of the forms that this browser has open."""
    return token_in(client.get("/desk/password", follow_redirects=True))


def sign_in(
    client: FlaskClient, name: str, password: str, *, address: str = "10.0.0.1", **more: str
) -> TestResponse:
    place = {"REMOTE_ADDR": address}
    token = token_in(client.get("/desk/sign-in"))
    data = {"name": name, "password": password, "csrf_token": token, **more}
    return client.post("/desk/sign-in", data=data, environ_base=place)


def add(people: People, name: str, role: Role = "agent", *groups: str) -> User:
    """Add somebody who has chosen their password."""
    people.add(name, role, groups)
    user = people.set_password(name, GOOD)
    assert isinstance(user, User)
    return user


@pytest.fixture
def amina(people: People, client: FlaskClient) -> FlaskClient:
    """The browser of an agent who has signed in."""
    add(people, "amina", "agent", "Mirindi North")
    assert sign_in(client, "amina", GOOD).status_code == 303
    return client


@pytest.fixture
def baraka(people: People, app: Flask) -> FlaskClient:
    """The browser of an admin who has signed in."""
    add(people, "baraka", "admin")
    client = app.test_client()
    assert sign_in(client, "baraka", GOOD).status_code == 303
    return client


def is_in(client: FlaskClient) -> bool:
    return client.get("/desk/today").status_code == 200


def trail(people: People) -> list[tuple[str, str, str, str]]:
    found = [entry for _, entry in people.recent(50)]
    return [(each.who, each.what, each.whom, each.detail) for each in reversed(found)]


# Signing in


def test_who_signs_in_goes_to_the_first_page(people: People, client: FlaskClient) -> None:
    add(people, "amina")
    answer = sign_in(client, "  AMINA ", GOOD)
    assert (answer.status_code, answer.location) == (303, "/desk/today")
    assert client.get("/desk/today").get_data(as_text=True) == "today for amina"
    assert trail(people) == [("amina", "signed in", "", "10.0.0.1")]
    assert people.users()[0].last_seen == NINE
    assert client.get("/desk/sign-in").location == "/desk/today"


@pytest.mark.parametrize(
    "page", ["/desk/today", "/desk/people", "/desk/trail", "/desk/password", "/desk/groups/Kasele"]
)
def test_a_page_asks_to_sign_in_and_is_gone_back_to(
    people: People, client: FlaskClient, page: str
) -> None:
    add(people, "baraka", "admin")
    answer = client.get(f"{page}?before=1-1")
    assert answer.status_code == 302
    assert urlsplit(answer.location).path == "/desk/sign-in"
    shown = client.get(answer.location)
    answer = sign_in(client, "baraka", GOOD, next=hidden(shown, "next"))
    assert (answer.status_code, answer.location) == (303, f"{page}?before=1-1")


def test_every_page_but_the_way_in_and_out_asks_to_sign_in(app: Flask) -> None:
    rules = [rule for rule in app.url_map.iter_rules() if rule.endpoint.startswith("desk.")]
    asked = set()
    for rule in rules:
        with app.test_client() as stranger:
            path = rule.rule.replace("<name>", "x").replace("<group>", "x")
            path = path.replace("<path:filename>", "desk.css")
            for method in rule.methods or ():
                if method == "OPTIONS":
                    continue
                with stranger.open(path, method=method) as answer:
                    if answer.status_code in {302, 403}:
                        asked.add(rule.endpoint)
    assert {rule.endpoint for rule in rules} - asked == {
        "desk.static",
        "desk.sign_in",
        "desk.signing_in",
        "desk.sign_out",
    }


@pytest.mark.parametrize(
    ("name", "password"),
    [("amina", "wrong password"), ("nobody", GOOD), ("", ""), ("x" * 5000, "y" * 5000)],
)
def test_a_stranger_does_not_learn_whether_a_name_is_there(
    people: People, client: FlaskClient, name: str, password: str
) -> None:
    add(people, "amina")
    answer = sign_in(client, name, password)
    assert answer.status_code == 403
    page = Page(answer)
    assert WRONG in page.said
    page.assert_accessible()
    assert not is_in(client)
    ours = sign_in(client, "amina", "wrong password", address="10.0.0.2")
    blanked = [re.sub('value="[^"]*"', "", each.get_data(as_text=True)) for each in (answer, ours)]
    assert blanked[0] == blanked[1]


def test_what_is_typed_as_a_name_is_written_down_only_if_it_is_one(
    people: People, client: FlaskClient
) -> None:
    add(people, "amina")
    sign_in(client, "amina", "wrong password")
    sign_in(client, GOOD, "amina")
    assert trail(people) == [
        ("", "could not sign in as", "amina", "10.0.0.1"),
        ("", "gave a name that nobody has", "", "10.0.0.1"),
    ]


def test_the_session_before_is_left_behind(people: People, client: FlaskClient) -> None:
    add(people, "amina")
    before = token_of(client)
    cookie = client.get_cookie("fieldbell_desk", path="/desk")
    sign_in(client, "amina", GOOD)
    after = client.get_cookie("fieldbell_desk", path="/desk")
    assert cookie is not None
    assert after is not None
    assert cookie.value != after.value
    answer = client.post("/desk/write", data={"text": "x", "csrf_token": before})
    assert answer.status_code == 400


@pytest.mark.parametrize(
    ("base", "secure"), [("http://localhost", False), ("https://desk.example", True)]
)
def test_the_cookie_is_for_the_desk_and_for_nothing_that_runs(
    people: People, app: Flask, base: str, *, secure: bool
) -> None:
    add(people, "amina")
    client = app.test_client()
    shown = client.get("/desk/sign-in", base_url=base)
    data = {"name": "amina", "password": GOOD, "csrf_token": token_in(shown)}
    headers = {"Referer": f"{base}/desk/sign-in"}
    answer = client.post("/desk/sign-in", base_url=base, data=data, headers=headers)
    assert answer.status_code == 303
    parts = {part.strip() for part in answer.headers["Set-Cookie"].split(";")}
    assert {"HttpOnly", "SameSite=Lax", "Path=/desk"} <= parts
    assert ("Secure" in parts) == secure
    assert not [part for part in parts if part.startswith(("Expires", "Max-Age"))]


def test_a_cookie_signed_with_another_secret_is_nobodys(
    people: People, clock: Clock, amina: FlaskClient
) -> None:
    cookie = amina.get_cookie("fieldbell_desk", path="/desk")
    assert cookie is not None
    for secret, expected in ((SECRET, True), ("another secret, as long", False), ("", False)):
        other = app_of(people, clock, Settings(secret=secret)).test_client()
        other.set_cookie("fieldbell_desk", cookie.value, path="/desk")
        assert is_in(other) == expected


def test_a_secret_that_could_be_guessed_is_refused(people: People, clock: Clock) -> None:
    with pytest.raises(SettingsError, match="16 characters"):
        create_desk(people, Settings(secret="x" * 15), clock)


# Sessions end


def test_a_session_ends_after_half_an_hour_of_nothing(amina: FlaskClient, clock: Clock) -> None:
    clock.now += 1799
    assert is_in(amina)
    clock.now += 1799
    assert is_in(amina)
    clock.now += 1800
    assert not is_in(amina)
    clock.now -= 1800
    assert not is_in(amina)


@pytest.mark.parametrize("ahead_s", [30 * 60, 365 * 86400])
def test_a_session_begun_by_a_clock_that_was_ahead_does_not_last_until_then(
    amina: FlaskClient, clock: Clock, ahead_s: int
) -> None:
    clock.now -= 29 * 60
    assert is_in(amina)
    clock.now += 29 * 60 - ahead_s
    assert not is_in(amina)


def test_a_session_ends_after_ten_hours_whatever_is_done(amina: FlaskClient, clock: Clock) -> None:
    for _ in range(20):
        assert is_in(amina)
        clock.now += 1799
    assert clock.now < NINE + 36_000
    assert is_in(amina)
    clock.now = NINE + 36_000
    assert not is_in(amina)


def test_being_seen_is_written_once_a_minute(
    people: People, amina: FlaskClient, clock: Clock
) -> None:
    clock.now += 59
    assert "Set-Cookie" not in amina.get("/desk/today").headers
    assert people.users()[0].last_seen == NINE
    clock.now += 1
    assert "Set-Cookie" in amina.get("/desk/today").headers
    assert people.users()[0].last_seen == NINE + 60


@pytest.mark.parametrize("ended", ["remove", "sign_out", "reset_password"])
def test_who_is_removed_or_signed_out_is_out_at_once(
    people: People, amina: FlaskClient, ended: str
) -> None:
    assert is_in(amina)
    getattr(people, ended)("amina")
    assert not is_in(amina)
    if ended == "remove":
        add(people, "amina")
        assert not is_in(amina)


def test_signing_out_ends_the_sessions_of_all_devices(
    people: People, app: Flask, amina: FlaskClient
) -> None:
    other = app.test_client()
    sign_in(other, "amina", GOOD)
    assert is_in(other)
    cookie = amina.get_cookie("fieldbell_desk", path="/desk")
    answer = amina.post("/desk/sign-out", data={"csrf_token": token_of(amina)})
    assert (answer.status_code, answer.location) == (303, "/desk/sign-in")
    assert not is_in(amina)
    assert not is_in(other)
    assert cookie is not None
    amina.set_cookie("fieldbell_desk", cookie.value, path="/desk")
    assert not is_in(amina)
    assert trail(people)[-1] == ("amina", "signed out", "", "")


def test_a_role_that_changes_counts_at_once(people: People, baraka: FlaskClient) -> None:
    assert baraka.get("/desk/people").status_code == 200
    people.change("baraka", role="agent")
    assert baraka.get("/desk/people").status_code == 404
    assert is_in(baraka)


# Where to go after signing in


@pytest.mark.parametrize(
    "address",
    [
        "https://elsewhere.example/desk/today",
        "//elsewhere.example/desk/today",
        "/\\elsewhere.example",
        "/desk/..//elsewhere.example",
        "/desk/../hooks/sms",
        "/desk//elsewhere.example",
        "/desk/\\elsewhere.example",
        "/desk.elsewhere.example",
        "/desktop",
        "/hooks/sms",
        "javascript:alert(1)",
        "desk/today",
        "/desk/today\r\nSet-Cookie: a=b",
        "/desk/\tx",
        # Dots to a browser, however they are written: WHATWG, URL, "double-dot path segment".
        "/desk/%2e%2E/try",
        "/desk/.%2e/hooks/sms?text=hello",
        "http://[",
        "",
    ],
)
def test_addresses_elsewhere_are_not_gone_to(
    people: People, client: FlaskClient, address: str
) -> None:
    add(people, "amina")
    assert hidden(client.get("/desk/sign-in", query_string={"next": address}), "next") == ""
    answer = sign_in(client, "amina", GOOD, next=address)
    assert (answer.status_code, answer.location) == (303, "/desk/today")


@pytest.mark.parametrize("address", ["/desk", "/desk/today", "/desk/groups/Mirindi%20N?a=1&b=//"])
def test_addresses_of_the_desk_are_gone_to(app: Flask, address: str) -> None:
    with app.test_request_context("/desk/today"):
        assert local_address(address) == address


@given(st.text(alphabet="/\\.:?#@desk\t \n%5c\u2028", max_size=30))
@example("/desk/@//")
@examples(suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_no_address_leads_out_of_the_desk(app: Flask, written: str) -> None:
    with app.test_request_context("/desk/today"):
        address = local_address(written)
    if address:
        parts = urlsplit(address)
        assert (parts.scheme, parts.netloc) == ("", "")
        assert re.match(r"/desk($|[/?#])", address)
        assert "\\" not in address


# The proof that a form is ours


def test_a_form_needs_its_token(amina: FlaskClient) -> None:
    token = token_of(amina)
    answer = amina.post("/desk/write", data={"text": "rain", "csrf_token": token})
    assert answer.get_data(as_text=True) == "wrote rain"
    for wrong in ("", "x", token + "x", token[:-2]):
        data = {"text": "rain", "csrf_token": wrong}
        assert amina.post("/desk/write", data=data).status_code == 400
    assert amina.post("/desk/write", data={"text": "rain"}).status_code == 400
    assert amina.post("/desk/sign-out").status_code == 400
    assert is_in(amina)


def test_a_token_of_another_session_is_not_taken(app: Flask, amina: FlaskClient) -> None:
    stranger = token_of(app.test_client())
    data = {"text": "rain", "csrf_token": stranger}
    assert amina.post("/desk/write", data=data).status_code == 400


def test_an_old_form_is_shown_again_and_can_be_sent(amina: FlaskClient) -> None:
    data = {"text": "Rain <b>comes</b>\nat Kasele", "to": "", "csrf_token": "old"}
    answer = amina.post("/desk/write?group=1", data=data, headers=ORIGIN)
    assert answer.status_code == 400
    page = Page(answer)
    page.assert_accessible()
    assert "Nothing was done" in page.said
    assert "Rain <b>comes</b> at Kasele" in page.said
    assert 'action="/desk/write?group=1"' in page.html
    assert hidden(answer, "to") == ""
    sent = {"text": hidden(answer, "text"), "csrf_token": token_in(answer)}
    answer = amina.post("/desk/write?group=1", data=sent)
    assert answer.get_data(as_text=True) == "wrote Rain <b>comes</b>\nat Kasele"


@pytest.mark.parametrize("origin", [None, "null", "https://elsewhere.example"])
def test_a_form_from_elsewhere_is_not_shown_again(amina: FlaskClient, origin: str | None) -> None:
    headers = {} if origin is None else {"Origin": origin}
    for _ in range(2):
        answer = amina.post("/desk/write", data={"text": "rain"}, headers=headers)
        assert answer.status_code in {400, 403}
        assert "rain" not in answer.get_data(as_text=True)
        amina.delete_cookie("fieldbell_desk", path="/desk")  # as SameSite has it


def test_an_old_form_with_a_file_asks_for_the_file_again(amina: FlaskClient) -> None:
    data = {"group": "Kasele", "csrf_token": "old", "file": (CSS.open("rb"), "growers.csv")}
    answer = amina.post("/desk/upload", data=data, headers=ORIGIN)
    page = Page(answer)
    page.assert_accessible()
    assert 'enctype="multipart/form-data"' in page.html
    assert page.fields == [{"id": "file-1", "name": "file", "type": "file"}]


def test_what_was_written_outlives_the_session(amina: FlaskClient, clock: Clock) -> None:
    token = token_of(amina)
    clock.now += 1800
    data = {"text": "Rain & wind", "my_password": "hidden away", "csrf_token": token}
    shown = amina.post("/desk/write?group=1", data=data, headers=ORIGIN)
    assert shown.status_code == 403
    page = Page(shown)
    page.assert_accessible()
    assert "signed out" in page.said
    assert "is kept" in page.said
    assert "hidden away" not in page.html
    assert hidden(shown, "next") == "/desk/write?group=1"
    kept = {name: hidden(shown, name) for name in ("next", "kept")}
    # A slip in between loses nothing either.
    shown = sign_in(amina, "amina", "wrong password", **kept)
    assert {name: hidden(shown, name) for name in ("next", "kept")} == kept
    shown = sign_in(amina, "amina", GOOD, **kept)
    assert shown.status_code == 200
    assert "Rain & wind" in Page(shown).said
    sent = {"text": hidden(shown, "text"), "csrf_token": token_in(shown)}
    answer = amina.post("/desk/write?group=1", data=sent)
    assert answer.get_data(as_text=True) == "wrote Rain & wind"


def test_an_old_page_of_signing_in_keeps_the_name(people: People, client: FlaskClient) -> None:
    add(people, "amina")
    data = {"name": "amina", "password": GOOD, "csrf_token": "old", "next": "/desk/groups/x"}
    shown = client.post("/desk/sign-in", data=data)
    assert shown.status_code == 400
    assert (hidden(shown, "next"), GOOD in shown.get_data(as_text=True)) == (
        "/desk/groups/x",
        False,
    )
    assert 'name="name" value="amina"' in shown.get_data(as_text=True)
    sent = {"name": "amina", "password": GOOD, "csrf_token": token_in(shown)}
    assert client.post("/desk/sign-in", data=sent).status_code == 303


def test_only_the_desk_asks_for_tokens(client: FlaskClient) -> None:
    answer = client.post("/hooks/sms", data={"text": "done"})
    assert answer.get_data(as_text=True) == "taken"
    assert "Set-Cookie" not in answer.headers
    assert "style-src" not in answer.headers["Content-Security-Policy"]


@given(
    st.lists(
        st.tuples(st.sampled_from(["text", "csrf_token", "old_password", "to"]), st.text()),
        max_size=5,
    )
)
def test_kept_fields_are_read_back_but_for_passwords(fields: list[tuple[str, str]]) -> None:
    clean = [(name, value.encode("utf-8", "replace").decode()) for name, value in fields]
    expected: dict[str, list[str]] = {}
    for name, value in clean:
        if name in {"text", "to"}:
            expected.setdefault(name, []).append(value)
    assert parse_qs(kept_form(clean), keep_blank_values=True) == expected


def test_a_form_too_long_to_keep_is_not_kept() -> None:
    assert kept_form([("text", "x" * 19_000)]) != ""
    assert kept_form([("text", "x" * 20_000)]) == ""


# Too many attempts


def test_too_many_wrong_passwords_make_one_wait(
    people: People, client: FlaskClient, clock: Clock
) -> None:
    add(people, "amina")
    for _ in range(PER_NAME.amount):
        assert sign_in(client, "amina", "wrong password").status_code == 403
        clock.now += 60
    answer = sign_in(client, "Amina", GOOD)  # even the right one
    assert answer.status_code == 429
    # The first attempt was five minutes ago, and counts for fifteen.
    assert 600 <= int(answer.headers["Retry-After"]) <= 601
    assert re.search(r"Try again in 1[01] minutes\.", Page(answer).said)
    assert not is_in(client)
    clock.now += 601
    assert sign_in(client, "amina", GOOD).status_code == 303


def test_the_wait_is_the_same_for_a_name_that_is_not_there(
    people: People, client: FlaskClient
) -> None:
    add(people, "amina")
    answers = []
    for name, address in (("amina", "10.0.0.1"), ("nobody", "10.0.0.2")):
        for _ in range(PER_NAME.amount):
            sign_in(client, name, "wrong password", address=address)
        answers.append(sign_in(client, name, "wrong password", address=address))
    assert [each.status_code for each in answers] == [429, 429]
    assert answers[0].headers["Retry-After"] == answers[1].headers["Retry-After"]


def test_others_need_not_wait(people: People, client: FlaskClient) -> None:
    add(people, "amina")
    add(people, "zuhura")
    for _ in range(PER_NAME.amount + 1):
        answer = sign_in(client, "amina", "wrong password")
    assert answer.status_code == 429
    assert sign_in(client, "zuhura", GOOD).status_code == 303
    client.delete_cookie("fieldbell_desk", path="/desk")
    assert sign_in(client, "amina", GOOD, address="10.0.0.9").status_code == 303


def test_a_right_password_clears_the_wrong_ones(people: People, app: Flask) -> None:
    add(people, "amina")
    for _ in range(3):
        client = app.test_client()
        for _ in range(PER_NAME.amount - 1):
            assert sign_in(client, "amina", "wrong password").status_code == 403
        assert sign_in(client, "amina", GOOD).status_code == 303


def test_one_address_cannot_try_many_names(people: People, client: FlaskClient) -> None:
    add(people, "amina")
    for count in range(PER_ADDRESS.amount):
        address = f"2001:db8::{count:x}"  # all of one subscriber
        assert sign_in(client, f"x{count}", GOOD, address=address).status_code == 403
    assert sign_in(client, "amina", GOOD, address="2001:db8::ffff").status_code == 429
    assert sign_in(client, "amina", GOOD, address="2001:db8:0:1::1").status_code == 303


def test_the_throttle_opens_no_connections_of_its_own(
    people: People, client: FlaskClient, redis_client: redis.Redis
) -> None:
    add(people, "amina")
    sign_in(client, "amina", "wrong password")
    before = redis_client.info("stats")["total_connections_received"]
    for _ in range(3):
        sign_in(client, "amina", "wrong password")
    assert redis_client.info("stats")["total_connections_received"] == before
    found = redis_client.keys()
    assert all(key.startswith(b"{desk}:") for key in found)
    assert not any(b"amina" in key for key in found)


# Passwords


def test_a_temporary_password_opens_only_the_page_that_changes_it(
    people: People, client: FlaskClient
) -> None:
    password = people.add("amina", "admin")
    assert isinstance(password, str)
    answer = sign_in(client, "amina", password, next="/desk/people")
    assert (answer.status_code, answer.location) == (303, "/desk/password?next=/desk/people")
    for page in ("/desk/today", "/desk/people", "/desk/groups/x"):
        assert client.get(page).location == "/desk/password"
    shown = client.get(answer.location)
    page = Page(shown)
    page.assert_accessible()
    assert "first time only" in page.said
    assert page.links == ["#main", "/desk/password"]
    data = {
        "csrf_token": token_in(shown),
        "next": hidden(shown, "next"),
        "password": password,
        "new_password": BETTER,
        "new_password_again": BETTER,
    }
    answer = client.post("/desk/password", data=data)
    assert (answer.status_code, answer.location) == (303, "/desk/people")
    assert client.get("/desk/people").status_code == 200


def changed(client: FlaskClient, now: str, new: str, again: str | None = None) -> TestResponse:
    data = {
        "csrf_token": token_of(client),
        "password": now,
        "new_password": new,
        "new_password_again": new if again is None else again,
    }
    return client.post("/desk/password", data=data)


def test_a_new_password_signs_out_all_other_devices(
    people: People, app: Flask, amina: FlaskClient
) -> None:
    other = app.test_client()
    sign_in(other, "amina", GOOD)
    answer = changed(amina, GOOD, BETTER)
    assert answer.status_code == 303
    assert "is changed" in Page(amina.get(answer.location)).said
    assert is_in(amina)
    assert not is_in(other)
    assert people.check("amina", BETTER) is not None
    assert trail(people)[-1] == ("amina", "changed their password", "", "")


@pytest.mark.parametrize(
    ("now", "new", "again", "status", "said"),
    [
        ("wrong password", BETTER, None, 403, "present password is not right"),
        (GOOD, BETTER, BETTER + "x", 400, "are not the same"),
        (GOOD, GOOD, None, 400, "is the present one"),
        (GOOD, "tooshort1", None, 400, "A password has at least 10 characters."),
        (GOOD, "Password123", None, 400, "first that anybody tries"),
        (GOOD, "amina2026!", None, 400, "must not be the name"),
    ],
)
def test_a_password_that_will_not_do_changes_nothing(  # noqa: PLR0913, PLR0917 - a column each
    people: People,
    amina: FlaskClient,
    now: str,
    new: str,
    again: str | None,
    status: int,
    said: str,
) -> None:
    before = people.users()
    answer = changed(amina, now, new, again)
    assert answer.status_code == status
    page = Page(answer)
    page.assert_accessible()
    assert said in page.said
    assert new not in page.html
    assert people.users() == before
    assert is_in(amina)


def test_a_present_password_cannot_be_tried_for_ever_nor_unseen(
    people: People, amina: FlaskClient
) -> None:
    for _ in range(PER_NAME.amount):
        assert changed(amina, "wrong password", BETTER).status_code == 403
        assert trail(people)[-1][:3] == ("", "gave a wrong password as", "amina")
    assert changed(amina, GOOD, BETTER).status_code == 429


# People


def test_agents_do_not_see_what_is_for_admins(people: People, amina: FlaskClient) -> None:
    token = token_of(amina)
    for page in ("/desk/people", "/desk/trail"):
        assert amina.get(page).status_code == 404
    for page in ("/desk/people", "/desk/people/amina"):
        data = {"csrf_token": token, "name": "eve", "role": "admin", "do": "change"}
        assert amina.post(page, data=data).status_code == 404
    assert [(each.name, each.role) for each in people.users()] == [("amina", "agent")]
    assert Page(amina.get("/desk/password")).links == [
        "#main",
        "/desk/today",
        "/desk/password",
        "/desk/second-factor",
    ]


def test_agents_see_their_own_groups_only(amina: FlaskClient, baraka: FlaskClient) -> None:
    assert amina.get("/desk/groups/Mirindi North").get_data(as_text=True) == "Mirindi North False"
    assert amina.get("/desk/groups/Kasele").status_code == 404
    assert baraka.get("/desk/groups/Kasele").get_data(as_text=True) == "Kasele True"


def test_an_admin_adds_somebody_and_sees_their_password_once(
    people: People, app: Flask, baraka: FlaskClient
) -> None:
    page = Page(baraka.get("/desk/people"))
    page.assert_accessible()
    assert page.current == ["/desk/people"]
    data = {
        "csrf_token": token_of(baraka),
        "name": "Amina  Juma",
        "role": "agent",
        "groups": "Mirindi North\r\n\r\n Kasele ",
    }
    answer = baraka.post("/desk/people", data=data)
    Page(answer).assert_accessible()
    password = re.findall('class="secret">([^<]+)<', answer.get_data(as_text=True))[0]
    assert password not in baraka.get("/desk/people").get_data(as_text=True)
    user = people.check("amina juma", password)
    assert user is not None
    assert (user.role, user.groups, user.temporary) == ("agent", ("Mirindi North", "Kasele"), True)
    assert sign_in(app.test_client(), "amina juma", password).status_code == 303
    added = ("baraka", "added", "amina juma", "agent; Mirindi North; Kasele")
    assert added in trail(people)


def test_a_name_that_is_taken_or_none_is_told_and_what_was_typed_is_kept(
    people: People, baraka: FlaskClient
) -> None:
    for name in ("BARAKA", "<b>x</b>", ""):
        data = {
            "csrf_token": token_of(baraka),
            "name": name,
            "role": "admin",
            "groups": "Mirindi North",
        }
        answer = baraka.post("/desk/people", data=data)
        assert answer.status_code == 400
        page = Page(answer)
        page.assert_accessible()
        assert "Nobody was added" in page.said
        assert "Mirindi North" in page.said
        assert page.fields[-3]["value"] == name
    assert len(people.users()) == 1


def do(client: FlaskClient, name: str, what: str, **more: str) -> TestResponse:
    data = {"csrf_token": token_of(client), "do": what, **more}
    return client.post(f"/desk/people/{name}", data=data)


def test_an_admin_changes_somebody(people: People, amina: FlaskClient, baraka: FlaskClient) -> None:
    answer = do(baraka, "amina", "change", role="admin", groups="Kasele\nMirindi South")
    assert (answer.status_code, answer.location) == (303, "/desk/people")
    assert (people.users()[0].role, people.users()[0].groups) == (
        "admin",
        ("Kasele", "Mirindi South"),
    )
    assert is_in(amina)
    assert do(baraka, "amina", "sign-out").status_code == 303
    assert not is_in(amina)
    answer = do(baraka, "amina", "password")
    password = re.findall('class="secret">([^<]+)<', answer.get_data(as_text=True))[0]
    assert people.check("amina", GOOD) is None
    assert people.check("amina", password) is not None
    assert do(baraka, "amina", "remove").status_code == 303
    assert [each.name for each in people.users()] == ["baraka"]
    assert [what for who, what, whom, _ in trail(people) if (who, whom) == ("baraka", "amina")] == [
        "changed",
        "ended the sessions of",
        "gave a new password to",
        "removed",
    ]


def test_there_is_always_an_admin_left(people: People, baraka: FlaskClient) -> None:
    for what in ("remove", "password", "sign-out"):
        answer = do(baraka, "baraka", what)
        assert answer.status_code == 400
        assert "Another admin" in Page(answer).said
    do(baraka, "baraka", "change", role="agent", groups="Kasele")
    (user,) = people.users()
    assert (user.role, user.groups) == ("admin", ("Kasele",))
    assert is_in(baraka)


def test_what_cannot_be_done_to_anybody_is_told(people: People, baraka: FlaskClient) -> None:
    assert do(baraka, "nobody", "remove").status_code == 404
    add(people, "amina")
    assert do(baraka, "amina", "promote").status_code == 400
    assert people.users()[0].role == "agent"


def test_hostile_groups_are_only_text(people: People, baraka: FlaskClient) -> None:
    people.add("amina", "agent", ('"><script>alert(1)</script>',))
    Page(baraka.get("/desk/people")).assert_accessible()


# The trail


def test_the_trail_is_shown_the_latest_first_and_by_pages(
    people: People, baraka: FlaskClient
) -> None:
    for count in range(60):
        people.record("amina", f"did <{count}>", "+255712345678")
    page = Page(baraka.get("/desk/trail"))
    page.assert_accessible()
    assert re.findall(r"did <(\d+)>", page.said) == [str(each) for each in range(59, 9, -1)]
    assert "2 Mar 2026, 09:00" in page.said
    assert page.links[-1].startswith("/desk/trail?before=")
    page = Page(baraka.get(page.links[-1]))
    assert re.findall(r"did <(\d+)>", page.said) == [str(each) for each in range(9, -1, -1)]
    assert "signed in" in page.said
    assert page.links[-1] == "/desk/trail"
    assert baraka.get("/desk/trail?before=nonsense").status_code == 200


# What every page has


def test_every_answer_has_its_headers(amina: FlaskClient, app: Flask) -> None:
    for answer in (
        amina.get("/desk/today"),
        amina.get("/desk/password"),
        amina.get("/desk/people"),
        amina.post("/desk/write"),
        app.test_client().get("/desk/sign-in"),
        app.test_client().get("/desk/today"),
    ):
        headers = answer.headers
        policy = dict(
            part.strip().split(" ", 1) for part in headers["Content-Security-Policy"].split(";")
        )
        assert policy == {
            "default-src": "'none'",
            "style-src": "'self'",
            "img-src": "'self' data:",
            "form-action": "'self'",
            "frame-ancestors": "'none'",
            "base-uri": "'none'",
        }
        assert headers["X-Content-Type-Options"] == "nosniff"
        assert headers["Referrer-Policy"] == "same-origin"
        assert headers["Cache-Control"] == "no-store"


def test_the_style_sheet_is_kept_by_browsers_and_needs_no_session(
    client: FlaskClient, amina: FlaskClient
) -> None:
    html = client.get("/desk/password").get_data(as_text=True)
    (sheet,) = re.findall('href="(/desk/static/[^"]+)"', html)
    with amina.get(sheet) as answer:
        assert answer.get_data() == CSS.read_bytes()
    assert answer.headers["Cache-Control"] == "public, max-age=604800"
    assert "Set-Cookie" not in answer.headers
    assert "Cookie" not in answer.headers.get("Vary", "")


def test_the_page_one_is_on_is_marked(baraka: FlaskClient) -> None:
    assert Page(baraka.get("/desk/trail")).current == ["/desk/trail"]
    assert Page(baraka.get("/desk/password")).current == ["/desk/password"]


def test_only_pages_that_are_there_are_linked(baraka: FlaskClient) -> None:
    links = Page(baraka.get("/desk/password")).links
    own = ["/desk/password", "/desk/second-factor"]
    assert links == ["#main", "/desk/today", "/desk/people", "/desk/trail", *own]


def test_a_page_may_take_a_large_form(amina: FlaskClient) -> None:
    def sent(page: str, size: int) -> TestResponse:
        from io import BytesIO  # noqa: PLC0415 - here only

        file = (BytesIO(b"x" * size), "growers.csv")
        data = {"csrf_token": token_of(amina), "text": "a", "file": file}
        return amina.post(page, data=data)

    assert sent("/desk/upload", 150 * 1024).get_data(as_text=True) == "153600 bytes"
    for page, size in (("/desk/upload", 250 * 1024), ("/desk/write", 150 * 1024)):
        answer = sent(page, size)
        assert answer.status_code == 413
        Page(answer).assert_accessible()


@pytest.fixture
def broken(monkeypatch: pytest.MonkeyPatch, amina: FlaskClient) -> Iterator[FlaskClient]:
    """A browser whose desk has lost its Redis."""

    def away(*_: object) -> None:
        raise StoreUnavailable("connection refused")

    monkeypatch.setattr(People, "user", away)
    return amina


def test_redis_out_of_reach_is_a_page_that_says_so(broken: FlaskClient) -> None:
    for answer in (broken.get("/desk/today"), broken.post("/desk/write", data={"text": "x"})):
        assert (answer.status_code, answer.headers["Retry-After"]) == (503, "60")
        page = Page(answer)
        page.assert_accessible()
        assert "connection refused" not in page.html


# The style sheet


def luminance(colour: str) -> float:
    """Relative luminance of "#rrggbb" (WCAG 2.1, "relative luminance")."""
    parts = [int(colour[place : place + 2], 16) / 255 for place in (1, 3, 5)]
    red, green, blue = (
        part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts
    )
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    """Contrast ratio of two colours (WCAG 2.1, "contrast ratio"), 1 to 21."""
    dark, light = sorted((luminance(one), luminance(other)))
    return (light + 0.05) / (dark + 0.05)


def declared() -> dict[str, dict[str, str]]:
    """The style sheet's declarations by selector, those for print left out."""
    css = re.sub(r"/\*.*?\*/", "", CSS.read_text(encoding="utf-8"), flags=re.DOTALL)
    css = css.partition("@media print")[0]
    found: dict[str, dict[str, str]] = {}
    for selectors, body in re.findall(r"([^{}]+)\{([^{}]*)\}", css):
        for selector in selectors.split(","):
            for line in filter(str.strip, body.split(";")):
                name, _, value = line.partition(":")
                value = re.sub(r"#(.)(.)(.)(?![0-9a-f])", r"#\1\1\2\2\3\3", value.strip())
                found.setdefault(selector.strip(), {})[name.strip()] = value
    return found


def colour_of(selector: str, name: str) -> str:
    (colour,) = re.findall("#[0-9a-f]{6}", declared()[selector][name])
    return colour


def test_contrast_is_reckoned_right() -> None:
    assert contrast("#000000", "#ffffff") == pytest.approx(21)  # WCAG 2.1's own extremes
    assert contrast("#777777", "#ffffff") == pytest.approx(4.48, abs=0.005)  # just fails AA


@pytest.mark.parametrize(
    ("text", "ground"),
    [
        ("body", "body"),
        ("a", "body"),
        ("a:hover", "body"),
        (".home", "body"),
        (".muted", "body"),
        (".facts dt", "body"),
        ("summary", "body"),
        (".link", "body"),
        (".top [aria-current]", "body"),
        ("button", "button"),
        ("button", "button:hover"),
        ("[disabled]", "button"),
        (".go", ".go"),
        (".go:hover", ".go:hover"),
        (".stop", ".stop"),
        (".stop:hover", ".stop:hover"),
        ("body", ".note"),
        ("body", ".warn"),
        ("body", ".ok"),
        ("a", ".note"),
        ("a", ".warn"),
        ("a", ".ok"),
        (".muted", ".note"),
    ],
)
def test_text_stands_out_from_its_ground(text: str, ground: str) -> None:
    # WCAG 2.1, 1.4.3 (AA)
    assert contrast(colour_of(text, "color"), colour_of(ground, "background")) >= 4.5


@pytest.mark.parametrize(
    ("line", "name", "ground"),
    [
        ("input", "border", "body"),
        ("input", "border", "input"),
        ("button", "border", "body"),
        (".go", "background", "body"),
        (".stop", "border-color", "body"),
        (":focus", "outline", "body"),
        (":focus", "outline", ".note"),
        (".note", "border-left", "body"),
        (".warn", "border-color", ".warn"),
        (".ok", "border-color", ".ok"),
    ],
)
def test_lines_that_mean_something_stand_out(line: str, name: str, ground: str) -> None:
    # WCAG 2.1, 1.4.11 (AA)
    assert contrast(colour_of(line, name), colour_of(ground, "background")) >= 3


def test_the_style_sheet_is_small_and_fetches_nothing() -> None:
    css = CSS.read_text(encoding="utf-8")
    assert len(css.encode()) < 8 * 1024
    assert "url(" not in css
    assert "@import" not in css
    selectors = declared()
    for name in ("ledger", "note", "warn", "ok", "muted", "figure", "facts", "actions", "two"):
        assert any(re.search(rf"\.{name}\b", selector) for selector in selectors), name
