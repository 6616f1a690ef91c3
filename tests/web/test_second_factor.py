"""A second factor at the desk: set up, asked for, taken once, and ways back in without the phone."""

from __future__ import annotations

import re
from html import unescape
from types import SimpleNamespace
from typing import TYPE_CHECKING

import pyotp
import pytest
import segno

from bot.settings import Settings, SettingsError
from bot.store.people import People
from bot.store.second_factor import RECOVERY_CODES, STEP_S, address_of, new_salt, secret_of
from bot.web.desk import signing_in
from bot.web.desk.guarding import HALF_S, POLICY
from bot.web.desk.signing_in import PER_CODE, PER_NAME, WRONG, WRONG_CODE
from tests.web.test_signing_in import (
    GOOD,
    ORIGIN,
    QUICK,
    SECRET,
    Clock,
    Page,
    add,
    app_of,
    hidden,
    is_in,
    sign_in,
    token_in,
    token_of,
    trail,
)

if TYPE_CHECKING:
    import redis
    from flask import Flask
    from flask.testing import FlaskClient
    from werkzeug.test import TestResponse

PAGE = "/desk/second-factor"
BAD = "wrong password"
REQUIRED = Settings(secret=SECRET, second_factor="required")


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


@pytest.fixture
def app(people: People, clock: Clock) -> Flask:
    return app_of(people, clock)


@pytest.fixture
def client(app: Flask, people: People) -> FlaskClient:
    """The browser of an agent who has not signed in."""
    add(people, "amina", "agent", "Mirindi North")
    return app.test_client()


@pytest.fixture
def amina(client: FlaskClient) -> FlaskClient:
    """The browser of the agent, signed in."""
    assert sign_in(client, "amina", GOOD).status_code == 303
    return client


def do(client: FlaskClient, act: str, **fields: str) -> TestResponse:
    data = {"csrf_token": token_of(client), "do": act, **fields}
    return client.post(PAGE, data=data)


def secret_in(answer: TestResponse) -> str:
    found = re.search(r'<p class="secret">([A-Z2-7 ]+)</p>', answer.get_data(as_text=True))
    assert found is not None
    return found[1].replace(" ", "")


def codes_in(answer: TestResponse) -> list[str]:
    return re.findall('<li class="secret">([^<]+)</li>', answer.get_data(as_text=True))


def code(secret: str, clock: Clock) -> str:
    """What the app shows now; the library's own way to it."""
    return pyotp.TOTP(secret).generate_otp(int(clock.now) // STEP_S)


def wrong(secret: str, clock: Clock) -> str:
    return f"{(int(code(secret, clock)) + 1) % 10**6:06}"


@pytest.fixture
def secret(people: People, client: FlaskClient) -> str:
    """The secret of the agent's second factor, who has not signed in."""
    assert client
    salt = new_salt()
    assert people.set_factor("amina", salt, 0) is not None
    return secret_of(SECRET, salt)


def second(client: FlaskClient, page: TestResponse, given: str, **more: str) -> TestResponse:
    """Give a code on the page that asks for it."""
    place = {"REMOTE_ADDR": more.pop("address", "10.0.0.1")}
    fields = {name: hidden(page, name) for name in ("csrf_token", "next")} | more
    return client.post("/desk/sign-in", data=fields | {"code": given}, environ_base=place)


# Setting it up


def test_it_is_set_up_with_the_password_and_a_code_and_signs_other_devices_out(
    people: People, app: Flask, amina: FlaskClient, clock: Clock
) -> None:
    other = app.test_client()
    sign_in(other, "amina", GOOD)
    Page(amina.get(PAGE)).assert_accessible()
    shown = do(amina, "begin", password=GOOD)
    Page(shown).assert_accessible()
    done = do(amina, "confirm", code=code(secret_in(shown), clock))
    assert done.status_code == 200
    Page(done).assert_accessible()
    assert len(set(codes_in(done))) == RECOVERY_CODES
    assert is_in(amina)
    assert not is_in(other)
    assert trail(people)[-1] == ("amina", "set up a second factor", "", "")
    again = amina.get(PAGE)
    assert f"Recovery codes left: {RECOVERY_CODES}" in Page(again).said
    for hid in (secret_in(shown), *codes_in(done)):
        assert hid not in again.get_data(as_text=True).replace(" ", "")


def test_the_picture_says_what_an_app_needs_and_keeps_to_the_policy(amina: FlaskClient) -> None:
    shown = do(amina, "begin", password=GOOD)
    html = shown.get_data(as_text=True)
    picture = html.partition('<div class="qr"')[2].partition("</div>")[0]
    assert "<svg" in picture
    assert not re.findall(r"style=|href=|url\(|<image|<script", picture)
    assert shown.headers["Content-Security-Policy"] == POLICY
    assert shown.headers["Cache-Control"] == "no-store"
    # The very modules that the library draws for what an app is to read.
    text = address_of(secret_in(shown), "amina")
    assert (
        segno.make(text, error="m", micro=False).svg_inline(
            scale=5, border=4, dark="#000", light="#fff"
        )
        in picture
    )


def test_without_the_password_no_secret_is_shown(people: People, amina: FlaskClient) -> None:
    answer = do(amina, "begin", password=BAD)
    assert answer.status_code == 403
    Page(answer).assert_accessible()
    assert 'class="secret"' not in answer.get_data(as_text=True)
    assert trail(people)[-1] == ("", "gave a wrong password as", "amina", "127.0.0.1")
    # Nor is a code taken for a secret that was never shown.
    assert do(amina, "confirm", code="123456").status_code == 400
    user = people.user("amina")
    assert user is not None
    assert user.factor is None


def test_it_is_not_set_up_until_a_code_of_it_comes(
    people: People, amina: FlaskClient, clock: Clock
) -> None:
    secret = secret_in(do(amina, "begin", password=GOOD))
    answer = do(amina, "confirm", code=wrong(secret, clock))
    assert answer.status_code == 403
    Page(answer).assert_accessible()
    # It is in the app already; and whoever has got hold of the session gave no password.
    assert secret not in answer.get_data(as_text=True).replace(" ", "")
    user = people.user("amina")
    assert user is not None
    assert user.factor is None
    assert do(amina, "confirm", code=code(secret, clock)).status_code == 200


def test_a_secret_that_was_shown_is_confirmed_soon_or_not_at_all(
    amina: FlaskClient, clock: Clock
) -> None:
    secret = secret_in(do(amina, "begin", password=GOOD))
    clock.now += HALF_S
    assert do(amina, "confirm", code=code(secret, clock)).status_code == 400


def test_who_has_one_does_not_get_another_by_the_password_alone(
    amina: FlaskClient, clock: Clock
) -> None:
    secret = secret_in(do(amina, "begin", password=GOOD))
    do(amina, "confirm", code=code(secret, clock))
    for act in ("begin", "confirm"):
        answer = do(amina, act, password=GOOD, code=code(secret, clock))
        assert (answer.status_code, answer.location) == (303, PAGE)
    assert do(amina, "sing").status_code == 400


def test_what_is_to_be_removed_must_be_there(amina: FlaskClient) -> None:
    for act in ("remove", "codes"):
        answer = do(amina, act, password=GOOD, code="123456")
        assert (answer.status_code, answer.location) == (303, PAGE)


def test_without_a_secret_of_the_operators_none_is_set_up(people: People, clock: Clock) -> None:
    client = app_of(people, clock, Settings()).test_client()
    add(people, "amina")
    sign_in(client, "amina", GOOD)
    assert "None can be set up here" in Page(client.get(PAGE)).said
    assert do(client, "begin", password=GOOD).status_code == 400


# Signing in


def test_who_has_one_is_asked_for_a_code(
    people: People, client: FlaskClient, secret: str, clock: Clock
) -> None:
    asked = sign_in(client, "amina", GOOD, next="/desk/groups/Kasele")
    assert asked.status_code == 200
    Page(asked).assert_accessible()
    assert not is_in(client)
    asked = sign_in(client, "amina", GOOD, next="/desk/groups/Kasele")
    answer = second(client, asked, code(secret, clock))
    assert (answer.status_code, answer.location) == (303, "/desk/groups/Kasele")
    assert is_in(client)
    assert trail(people)[-1] == ("amina", "signed in with a code", "", "10.0.0.1")


def test_who_has_none_is_asked_for_none(client: FlaskClient) -> None:
    assert sign_in(client, "amina", GOOD).status_code == 303


def test_a_wrong_password_is_told_before_any_code_is_asked_for(
    client: FlaskClient, secret: str
) -> None:
    assert secret
    answer = sign_in(client, "amina", "wrong password")
    assert answer.status_code == 403
    assert WRONG in Page(answer).said


def test_the_password_alone_opens_no_page(client: FlaskClient, secret: str) -> None:
    assert secret
    sign_in(client, "amina", GOOD)
    for page in ("/desk/today", "/desk/password", PAGE, "/desk/groups/Kasele"):
        sign_in(client, "amina", GOOD)
        assert client.get(page).status_code == 302
    sign_in(client, "amina", GOOD)
    assert client.post("/desk/write", data={"text": "x"}, headers=ORIGIN).status_code == 403


def test_a_wrong_code_opens_nothing_and_is_in_the_trail(
    people: People, client: FlaskClient, secret: str, clock: Clock
) -> None:
    asked = sign_in(client, "amina", GOOD)
    answer = second(client, asked, wrong(secret, clock))
    assert answer.status_code == 403
    page = Page(answer)
    assert WRONG_CODE in page.said
    page.assert_accessible()
    assert not is_in(client)
    assert trail(people)[-1] == ("", "gave a wrong code as", "amina", "10.0.0.1")


def test_a_code_counts_once(app: Flask, client: FlaskClient, secret: str, clock: Clock) -> None:
    seen = code(secret, clock)
    second(client, sign_in(client, "amina", GOOD), seen)
    assert is_in(client)
    thief = app.test_client()
    assert second(thief, sign_in(thief, "amina", GOOD), seen).status_code == 403
    clock.now += STEP_S
    assert second(thief, sign_in(thief, "amina", GOOD), seen).status_code == 403
    assert not is_in(thief)


def test_a_code_cannot_be_guessed_from_one_address(
    client: FlaskClient, secret: str, clock: Clock
) -> None:
    asked = sign_in(client, "amina", GOOD)
    statuses = [second(client, asked, wrong(secret, clock)).status_code for _ in range(10)]
    # The password was one attempt, as no code has come to clear it.
    assert statuses == [403] * (PER_NAME.amount - 1) + [429] * (11 - PER_NAME.amount)
    answer = second(client, asked, code(secret, clock))
    assert answer.status_code == 429
    assert int(answer.headers["Retry-After"]) > 0
    assert not is_in(client)


def test_a_code_cannot_be_guessed_from_many_addresses(
    client: FlaskClient, secret: str, clock: Clock
) -> None:
    asked = sign_in(client, "amina", GOOD)
    for place in range(PER_CODE.amount):
        answer = second(client, asked, wrong(secret, clock), address=f"10.0.1.{place}")
        assert answer.status_code == 403
    assert second(client, asked, code(secret, clock), address="10.0.2.1").status_code == 429
    clock.now += PER_CODE.get_expiry() + 1
    asked = sign_in(client, "amina", GOOD)
    assert second(client, asked, code(secret, clock), address="10.0.2.1").status_code == 303


def test_the_code_comes_soon_after_the_password_or_not_at_all(
    client: FlaskClient, secret: str, clock: Clock
) -> None:
    asked = sign_in(client, "amina", GOOD)
    clock.now += HALF_S
    answer = second(client, asked, code(secret, clock))
    assert answer.status_code == 403
    assert "Sign in once more" in Page(answer).said
    assert not is_in(client)


def test_the_clocks_of_two_servers_may_differ_by_a_little(
    amina: FlaskClient, app: Flask, clock: Clock
) -> None:
    secret = secret_in(do(amina, "begin", password=GOOD))
    clock.now -= 2
    assert do(amina, "confirm", code=code(secret, clock)).status_code == 200
    clock.now += STEP_S
    other = app.test_client()
    asked = sign_in(other, "amina", GOOD)
    clock.now -= 2
    assert second(other, asked, code(secret, clock)).status_code == 303
    clock.now -= 2
    assert is_in(other)


def test_a_code_without_a_password_before_it_is_nobodys(
    client: FlaskClient, secret: str, clock: Clock
) -> None:
    shown = client.get("/desk/sign-in")
    answer = second(client, shown, code(secret, clock), name="amina")
    assert answer.status_code == 403
    assert not is_in(client)


@pytest.mark.parametrize("ended", ["remove", "sign_out", "reset_password", "drop_factor"])
def test_what_changed_after_the_password_is_asked_for_anew(
    people: People, client: FlaskClient, secret: str, clock: Clock, ended: str
) -> None:
    asked = sign_in(client, "amina", GOOD)
    getattr(people, ended)("amina")
    assert second(client, asked, code(secret, clock)).status_code == 403
    assert not is_in(client)


def test_each_step_has_a_session_of_its_own(client: FlaskClient, secret: str, clock: Clock) -> None:
    tokens, cookies = set(), set()
    shown = client.get("/desk/sign-in")
    for step in range(3):
        cookie = client.get_cookie("fieldbell_desk", path="/desk")
        assert cookie is not None
        cookies.add(cookie.value)
        tokens.add(token_in(shown) if step < 2 else token_of(client))
        if step == 0:
            data = {"name": "amina", "password": GOOD, "csrf_token": token_in(shown)}
            shown = client.post("/desk/sign-in", data=data)
        elif step == 1:
            second(client, shown, code(secret, clock))
    assert len(tokens) == len(cookies) == 3


def test_what_was_written_is_kept_while_a_code_is_asked_for(
    client: FlaskClient, secret: str, clock: Clock
) -> None:
    refused = client.post("/desk/write", data={"text": "the goats"}, headers=ORIGIN)
    fields = {name: hidden(refused, name) for name in ("next", "kept")}
    asked = sign_in(client, "amina", GOOD, **fields)
    assert "What you wrote is kept" in Page(asked).said
    answer = second(client, asked, code(secret, clock), kept=hidden(asked, "kept"))
    assert answer.status_code == 200
    assert "the goats" in Page(answer).said


# Without the phone


def test_a_recovery_code_signs_in_once(people: People, app: Flask, client: FlaskClient) -> None:
    given = people.set_factor("amina", new_salt(), 0)
    assert given is not None
    recovery = given[1][0]
    second(client, sign_in(client, "amina", GOOD), recovery.upper())
    assert is_in(client)
    assert trail(people)[-1][:2] == ("amina", "signed in with a recovery code")
    assert f"Recovery codes left: {RECOVERY_CODES - 1}" in Page(client.get(PAGE)).said
    other = app.test_client()
    assert second(other, sign_in(other, "amina", GOOD), recovery).status_code == 403


@pytest.mark.parametrize("act", ["remove", "codes"])
def test_changing_it_takes_the_password_and_a_code(
    people: People, client: FlaskClient, secret: str, clock: Clock, act: str
) -> None:
    second(client, sign_in(client, "amina", GOOD), code(secret, clock))
    before = people.user("amina")
    clock.now += STEP_S
    now = code(secret, clock)
    assert do(client, act, password=BAD, code=now).status_code == 403
    assert do(client, act, password=GOOD, code=wrong(secret, clock)).status_code == 403
    assert people.user("amina") == before
    answer = do(client, act, password=GOOD, code=now)
    assert answer.status_code == 200
    user = people.user("amina")
    assert before is not None
    assert user is not None
    if act == "remove":
        assert user.factor is None
        assert trail(people)[-1][1] == "removed their second factor"
    else:
        assert len(codes_in(answer)) == RECOVERY_CODES
        assert trail(people)[-1][1] == "made new recovery codes"
    assert is_in(client)


def test_codes_to_change_it_cannot_be_guessed(
    client: FlaskClient, secret: str, clock: Clock
) -> None:
    second(client, sign_in(client, "amina", GOOD), code(secret, clock))
    clock.now += STEP_S
    guesses = [wrong(secret, clock)] * PER_NAME.amount
    for guess in guesses:
        assert do(client, "remove", password=GOOD, code=guess).status_code == 403
    answer = do(client, "remove", password=GOOD, code=code(secret, clock))
    assert answer.status_code == 429


def test_another_password_buys_no_more_guesses_at_a_code(
    client: FlaskClient, secret: str, clock: Clock
) -> None:
    # Somebody with the session and the password, but without the phone.
    second(client, sign_in(client, "amina", GOOD), code(secret, clock))
    clock.now += STEP_S
    password, statuses = GOOD, []
    for turn in range(PER_CODE.amount + 1):
        place = {"REMOTE_ADDR": f"10.0.1.{turn}"}
        given = {"csrf_token": token_of(client), "password": password}
        guess = given | {"do": "remove", "code": wrong(secret, clock)}
        statuses.append(client.post(PAGE, data=guess, environ_base=place).status_code)
        password = f"{GOOD} {turn}"
        given |= {"new_password": password, "new_password_again": password}
        answer = client.post("/desk/password", data=given, environ_base=place)
        assert answer.status_code == 303
    assert statuses == [403] * PER_CODE.amount + [429]


@pytest.mark.parametrize("act", ["remove", "codes"])
def test_who_guesses_a_password_with_somebodys_session_is_in_the_trail(
    people: People, client: FlaskClient, secret: str, clock: Clock, act: str
) -> None:
    second(client, sign_in(client, "amina", GOOD), code(secret, clock))
    do(client, act, password=BAD, code=code(secret, clock))
    assert trail(people)[-1] == ("", "gave a wrong password as", "amina", "127.0.0.1")


def test_without_a_secret_of_the_operators_a_recovery_code_still_removes_it(
    people: People, clock: Clock, client: FlaskClient
) -> None:
    given = people.set_factor("amina", new_salt(), 0)
    assert given is not None
    # The operator has taken the secret out of the settings.
    client = app_of(people, clock, Settings()).test_client()
    second(client, sign_in(client, "amina", GOOD), given[1][0])
    new = codes_in(do(client, "codes", password=GOOD, code=given[1][1]))
    assert len(new) == RECOVERY_CODES
    do(client, "remove", password=GOOD, code=new[0])
    user = people.user("amina")
    assert user is not None
    assert user.factor is None


def test_an_admin_sees_who_has_one(people: People, app: Flask, secret: str) -> None:
    assert secret
    add(people, "baraka", "admin")
    baraka = app.test_client()
    sign_in(baraka, "baraka", GOOD)
    said = Page(baraka.get("/desk/people")).said
    assert "Second factor since 2 Mar 2026, 09:00" in said
    assert "Second factor none" in said


# Where it is required


def test_where_it_is_required_nothing_is_seen_before_it_is_set_up(
    people: People, clock: Clock
) -> None:
    client = app_of(people, clock, REQUIRED).test_client()
    password = people.add("amina", "admin")
    assert isinstance(password, str)
    assert sign_in(client, "amina", password).location == "/desk/password?next="
    # A temporary password is known to whoever gave it, so it must go before anything is set up.
    assert client.get(PAGE).location == "/desk/password"
    people.set_password("amina", GOOD)
    assert sign_in(client, "amina", GOOD).location == PAGE
    for page in ("/desk/today", "/desk/people", "/desk/groups/Kasele"):
        answer = client.get(page)
        assert (answer.status_code, answer.location) == (303, PAGE)
    data = {"csrf_token": token_of(client), "text": "x"}
    assert client.post("/desk/write", data=data).location == PAGE
    assert "/desk/today" not in Page(client.get(PAGE)).links
    secret = secret_in(do(client, "begin", password=GOOD))
    assert do(client, "confirm", code=code(secret, clock)).status_code == 200
    assert is_in(client)


def test_a_session_from_before_it_was_required_sees_nothing_either(
    people: People, clock: Clock, amina: FlaskClient
) -> None:
    cookie = amina.get_cookie("fieldbell_desk", path="/desk")
    assert cookie is not None
    later = app_of(people, clock, REQUIRED).test_client()
    later.set_cookie("fieldbell_desk", cookie.value, path="/desk")
    assert later.get("/desk/today").location == PAGE


def test_where_it_is_required_removing_it_leads_to_setting_up_another(
    people: People, clock: Clock, client: FlaskClient, secret: str
) -> None:
    client = app_of(people, clock, REQUIRED).test_client()
    second(client, sign_in(client, "amina", GOOD), code(secret, clock))
    clock.now += STEP_S
    do(client, "remove", password=GOOD, code=code(secret, clock))
    assert client.get("/desk/today").location == PAGE


def test_it_cannot_be_required_without_a_secret() -> None:
    with pytest.raises(SettingsError, match="second_factor is required, which needs secret"):
        Settings.read({"FIELDBELL_SECOND_FACTOR": "required"})


# Nothing tells the secret


def test_neither_log_nor_trail_tells_a_secret_or_a_code(
    people: People,
    app: Flask,
    amina: FlaskClient,
    clock: Clock,
    caplog: pytest.LogCaptureFixture,
) -> None:
    caplog.set_level("DEBUG")
    secret = secret_in(do(amina, "begin", password=GOOD))
    shown = code(secret, clock)
    recovery = codes_in(do(amina, "confirm", code=shown))
    clock.now += STEP_S
    bad = wrong(secret, clock)
    do(amina, "remove", password=GOOD, code=bad)
    other = app.test_client()
    second(other, sign_in(other, "amina", GOOD), recovery[0])
    assert is_in(other)
    kept = unescape(f"{caplog.text} {trail(people)}")
    for each in (secret, shown, bad, *recovery):
        assert each not in kept
