"""What the webhooks withstand: floods, numbers abroad, and requests caught and sent again."""

from __future__ import annotations

import hashlib
import hmac
import json
import logging
import threading
from typing import TYPE_CHECKING

import pytest
from conftest import NINE
from msgspec.structs import replace

from bot.gateways.profiles import read_profile
from bot.settings import Settings
from bot.web import create_app
from bot.web.hooks import Throttle

if TYPE_CHECKING:
    from pathlib import Path

    from flask.testing import FlaskClient
    from werkzeug.test import TestResponse

    from bot.store.growers import Store

NUMBER = "+255655000001"
KEY = "a key nobody guesses"


def client_with(store: Store, **settings: object) -> FlaskClient:
    wanted = replace(Settings(most_requests=0), **settings)
    return create_app(wanted, store, lambda: NINE).test_client()


def texts(client: FlaskClient, text: str, number: str = NUMBER, **fields: str) -> TestResponse:
    return client.post("/hooks/sms", json={"from": number, "text": text, **fields})


# One number


def test_a_number_that_writes_too_much_gets_no_more_replies_today(store: Store) -> None:
    client = client_with(store, most_texts=3)
    replies = [texts(client, "hello", id=str(each)).json["replies"] for each in range(10)]
    assert [len(each) for each in replies] == [1, 1, 1, 1, *[0] * 6]
    assert texts(client, "hello", "+255655000002").json["replies"]


def test_a_text_delivered_again_counts_once(store: Store) -> None:
    client = client_with(store, most_texts=3)
    for _ in range(50):
        texts(client, "hello", id="the same")
    assert store.load(NUMBER).grower.heard == 1


def test_stop_works_however_much_was_written_before(store: Store) -> None:
    client = client_with(store, most_texts=1)
    for _ in range(5):
        texts(client, "hello")
    assert texts(client, "STOP").json["replies"]
    assert store.load(NUMBER).grower.stopped


def test_what_is_not_answered_is_kept_for_agents_to_see(store: Store) -> None:
    client = client_with(store, most_texts=1)
    for text in ("one", "two", "three"):
        texts(client, text)
    assert [each.body for each in store.lines(NUMBER) if each.what == "heard"][-1] == "three"


def test_nothing_waits_to_go_out_for_a_number_that_writes_too_much(store: Store) -> None:
    client = client_with(store, gateway="plain-form", most_texts=1)
    for _ in range(9):
        client.post("/hooks/sms", data={"from": NUMBER, "text": "hello"})
    assert len(store.load(NUMBER).grower.waiting) == 2


# One gateway


def test_more_requests_than_allowed_are_put_off_and_nothing_of_them_is_done(store: Store) -> None:
    client = client_with(store, most_requests=1, most_texts=0)
    # A machine may be slow, but not a second slow for each of so many.
    answers = [texts(client, "hello", id=str(each)) for each in range(100)]
    put_off = [each for each in answers if each.status_code == 429]
    assert put_off
    assert {each.status_code for each in answers} == {200, 429}
    assert all(each.headers["Retry-After"] == "1" for each in put_off)
    assert store.load(NUMBER).commits == len(answers) - len(put_off)


def test_a_flood_from_one_address_does_not_keep_out_another(store: Store) -> None:
    client = client_with(store, most_requests=1)
    while texts(client, "hello").status_code != 429:
        pass
    other = client.post(
        "/hooks/sms",
        json={"from": NUMBER, "text": "hello"},
        environ_overrides={"REMOTE_ADDR": "192.0.2.7"},
    )
    assert other.status_code == 200


def test_each_second_and_each_address_is_counted_by_itself() -> None:
    seconds = iter([10.0, 10.1, 10.9, 10.9, 11.0, 11.9, 11.99, 13.0])
    throttle = Throttle(2, lambda: next(seconds))
    asked = ["a", "a", "a", "b", "a", "a", "a", "a"]
    allowed = [throttle.allows(address) for address in asked]
    assert allowed == [True, True, False, True, True, True, False, True]


def test_a_subscribers_many_addresses_are_one_place() -> None:
    # RFC 4291, 2.5.4: the last 64 bits are the subscriber's to choose.
    throttle = Throttle(1, lambda: 10.0)
    assert throttle.allows("2001:db8::1")
    assert not throttle.allows("2001:db8::2")
    assert throttle.allows("2001:db8:0:1::1")


def test_counting_a_request_starts_nothing_beside_it() -> None:
    before = set(threading.enumerate())
    throttle = Throttle(1)
    for _ in range(3):
        throttle.allows("192.0.2.7")
    assert set(threading.enumerate()) <= before


def test_by_default_a_gateway_is_limited_and_a_number_is() -> None:
    assert Settings().most_requests > 0
    assert Settings().most_texts > 0


# Numbers abroad


@pytest.mark.parametrize("number", ["+18765550123", "+88213000000", "+2250701234567"])
def test_numbers_of_other_countries_are_not_answered_where_countries_are_named(
    store: Store, caplog: pytest.LogCaptureFixture, number: str
) -> None:
    client = client_with(store, countries="TZ,KE,US")
    with caplog.at_level(logging.WARNING):
        answer = texts(client, "hello", number)
    assert (answer.status_code, answer.json["replies"]) == (200, [])
    assert store.load(number).known is None
    assert number not in caplog.text
    step = client.post("/hooks/ussd", json={"from": number, "session": "s", "text": ""})
    assert step.status_code == 400


@pytest.mark.parametrize("number", [NUMBER, "+254712345678", "+12125550123"])
def test_numbers_of_the_countries_named_are_answered(store: Store, number: str) -> None:
    client = client_with(store, countries="TZ,KE,US")
    assert texts(client, "hello", number).json["replies"]


def test_where_no_country_is_named_all_are_answered(store: Store) -> None:
    assert texts(client_with(store), "hello", "+18765550123").json["replies"]


# Requests caught and sent again


PROFILE = """
[signed]
how = "hmac-sha256"
secret = "HOOK_KEY"
header = "X-Signature"
over = ["timestamp", "body"]
timestamp = "X-Timestamp"

[sms_in]
body = "json"
number = "from"
text = "text"
reply = "response"

[ussd]
body = "json"
session = "session"
number = "from"
text = "text"
answer = {body = "json", text = "text", more = "more"}
"""


@pytest.fixture
def signed_client(store: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> FlaskClient:
    """A client of the app by a profile that signs, and gives texts no ids."""
    monkeypatch.setenv("HOOK_KEY", KEY)
    profile = tmp_path / "signed.toml"
    profile.write_text(PROFILE)
    assert read_profile(str(profile)).sms_in is not None
    return client_with(store, gateway=str(profile))


def post(client: FlaskClient, path: str, fields: dict[str, str], at: float) -> TestResponse:
    body = json.dumps(fields).encode()
    moment = f"{at:.0f}"
    digest = hmac.new(KEY.encode(), moment.encode() + body, hashlib.sha256).hexdigest()
    headers = {"X-Signature": digest, "X-Timestamp": moment, "Content-Type": "application/json"}
    return client.post(path, data=body, headers=headers)


def test_a_signed_text_sent_again_within_its_time_has_no_second_effect(
    signed_client: FlaskClient, store: Store
) -> None:
    fields = {"from": NUMBER, "text": "hello"}
    first, again = (post(signed_client, "/hooks/sms", fields, NINE) for _ in range(2))
    assert (first.status_code, again.data) == (200, first.data)
    assert store.load(NUMBER).commits == 1
    post(signed_client, "/hooks/sms", fields, NINE + 1)  # the grower's own second text
    assert store.load(NUMBER).commits == 2


def test_a_signed_step_sent_again_within_its_time_has_no_second_effect(
    signed_client: FlaskClient, store: Store
) -> None:
    fields = {"from": NUMBER, "session": "s", "text": ""}
    first, again = (post(signed_client, "/hooks/ussd", fields, NINE) for _ in range(2))
    assert (first.status_code, again.data) == (200, first.data)
    assert store.load(NUMBER).commits == 1


def test_a_signed_text_sent_again_after_its_time_is_refused(
    signed_client: FlaskClient, store: Store
) -> None:
    answer = post(signed_client, "/hooks/sms", {"from": NUMBER, "text": "hello"}, NINE - 301)
    assert answer.status_code == 401
    assert store.load(NUMBER).known is None
