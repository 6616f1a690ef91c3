"""The webhooks from outside, as a gateway sees them."""

from __future__ import annotations

import hashlib
import hmac
import json
import logging
from itertools import count
from typing import TYPE_CHECKING
from urllib.parse import parse_qs, quote

import pytest
from conftest import NINE
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from bot.gateways.profiles import ProfileError
from bot.settings import Settings
from bot.store import keys
from bot.store.connecting import connect
from bot.store.growers import Store
from bot.store.server import EmbeddedRedis
from bot.web import MOST_BYTES, create_app

if TYPE_CHECKING:
    from pathlib import Path

    import redis
    from flask import Flask
    from flask.testing import FlaskClient
    from werkzeug.test import TestResponse

NUMBER = "+255655000001"
USSD_CHARACTERS = 182  # 3GPP TS 23.038: 160 octets of 7-bit characters

# One field's answers by question: tall bush, no herbicide, so cut, clear, plough, plant, weed.
ANSWERS = {
    "welcome.language": "1",
    "field.area": "60x80",
    "field.fertile": "1",
    "field.faults": "5",
    "clearing.cover": "1",
    "clearing.height_cm": "1.5 m",
    "clearing.hard_weeds": "2",
    "clearing.green": "1",
    "clearing.herbicide_ok": "2",
    "tillage.price_per_tonne": "150000",
    "tillage.haulage_cost_per_tonne": "0",
    "tillage.plough_cost_per_acre": "60000",
    "tillage.ridge_cost_per_acre": "300000",
    "tillage.dry_season_harvest": "2",
    "tillage.clay_waterlogged": "2",
    "tillage.weeds_hard_to_control": "2",
    "tillage.light_well_drained": "1",
    "planting.low_sprouting": "2",
    "planting.fast_early_weeds": "2",
    "planting.workers": "3",
    "planting.date_kind": "1",
    "planting.start_date": "today",
}


def asked(store: Store, number: str = NUMBER) -> str:
    session = store.load(number).grower.session
    return f"{session.flow}.{session.state}" if session else ""


def texts(client: FlaskClient, text: str, **fields: object) -> TestResponse:
    return client.post("/hooks/sms", json={"from": NUMBER, "text": text, **fields})


def enters(client: FlaskClient, text: str, session: str = "s1", **fields: object) -> TestResponse:
    step = {"from": NUMBER, "session": session, "text": text, **fields}
    return client.post("/hooks/ussd", json=step)


# Texts


def test_a_text_is_answered_in_the_response(client: FlaskClient) -> None:
    answer = texts(client, "hello", id="m-1")
    assert answer.status_code == 200
    assert answer.content_type == "application/json"
    (reply,) = answer.json["replies"]
    assert "1 English" in reply
    assert "2 Kiswahili" in reply


def test_texts_lead_to_a_plan(client: FlaskClient, store: Store) -> None:
    texts(client, "hello")
    for _ in ANSWERS:
        replies = texts(client, ANSWERS[asked(store)]).json["replies"]
        if not asked(store):
            break
    assert replies[0].startswith("Your plan for 60x80 m:\nMon 2 Mar: cut\n")
    assert len(replies) > 1
    assert store.load(NUMBER).grower.waiting == ()


def test_a_text_by_form_is_left_to_the_sender(form_client: FlaskClient, store: Store) -> None:
    sent = {"from": NUMBER, "text": "hello", "id": "m-1"}
    answer = form_client.post("/hooks/sms", data=sent)
    assert answer.status_code == 200
    assert answer.content_type == "application/x-www-form-urlencoded"
    assert answer.data == b""
    (waiting,) = store.load(NUMBER).grower.waiting
    assert "1 English" in waiting.body
    assert form_client.post("/hooks/sms", data=sent).status_code == 200
    assert store.load(NUMBER).grower.waiting == (waiting,)


def test_a_text_delivered_again_gets_the_same_answer(client: FlaskClient, store: Store) -> None:
    texts(client, "hello", id="m-1")
    first = texts(client, "1", id="m-2")
    again = texts(client, "1", id="m-2")
    assert again.data == first.data
    assert store.load(NUMBER).commits == 2
    assert asked(store) == "field.area"


@pytest.mark.parametrize(
    "written",
    [
        "+255 655 000 001",
        "255655000001",
        "00255655000001",
        "0655000001",
        "0655-000-001",
        255655000001,
    ],
)
def test_a_number_is_one_grower_however_it_is_written(
    client: FlaskClient, store: Store, written: object
) -> None:
    assert client.post("/hooks/sms", json={"from": written, "text": "x"}).status_code == 200
    assert list(store.growers()) == [NUMBER]


def test_a_national_number_is_of_the_operators_country(store: Store) -> None:
    client = create_app(Settings(country="NG"), store).test_client()
    client.post("/hooks/sms", json={"from": "0803 000 0001", "text": "hello"})
    # ITU-T E.164: country code 234 is Nigeria's, and the trunk prefix 0 is dropped.
    assert list(store.growers()) == ["+2348030000001"]


# USSD


def test_a_ussd_session_leads_to_a_plan(
    client: FlaskClient, store: Store, redis_client: redis.Redis
) -> None:
    answer = enters(client, "")
    for step in count():
        assert answer.status_code == 200
        assert len(answer.json["text"]) <= USSD_CHARACTERS
        if not answer.json["continue"]:
            break
        assert step < 2 * len(ANSWERS)
        answer = enters(client, ANSWERS[asked(store)])
    assert "Mon 2 Mar: cut" in answer.json["text"]
    # The whole plan follows by SMS, through the sender.
    waiting = store.load(NUMBER).grower.waiting
    assert waiting[0].body.startswith("Your plan for 60x80 m:")
    assert redis_client.zscore(keys.due_key(keys.shard_of(NUMBER)), NUMBER) is not None


def test_a_ussd_step_by_form(form_client: FlaskClient) -> None:
    step = {"from": NUMBER, "session": "s1", "text": ""}
    answer = form_client.post("/hooks/ussd", data=step)
    fields = parse_qs(answer.get_data(as_text=True))
    assert fields["continue"] == ["true"]
    assert "1 English" in fields["text"][0]


def test_a_session_cut_in_the_middle_goes_on_when_dialled_again(
    client: FlaskClient, store: Store
) -> None:
    for text in ("", "1", "60x80", "1"):
        enters(client, text, session="s1")
    before = store.load(NUMBER).grower.session
    answer = enters(client, "", session="s2")
    assert answer.json["continue"] is True
    assert "Which of these does the field have?" in answer.json["text"]
    after = store.load(NUMBER).grower.session
    assert before is not None
    assert after is not None
    assert (after.state, after.answers) == ("faults", before.answers)
    enters(client, "5", session="s2")
    assert asked(store) == "clearing.cover"


def test_a_session_begun_by_ussd_goes_on_by_sms(client: FlaskClient, store: Store) -> None:
    enters(client, "")
    enters(client, "1")
    texts(client, "60x80")
    assert asked(store) == "field.fertile"


def test_a_ussd_step_delivered_again_gets_the_same_screen(
    client: FlaskClient, store: Store
) -> None:
    enters(client, "", id="1")
    first = enters(client, "1", id="2")
    assert enters(client, "1", id="2").data == first.data
    assert asked(store) == "field.area"
    # A step's number says nothing about another session's.
    enters(client, "60x80", session="s2", id="2")
    assert asked(store) == "field.fertile"


# What cannot be used


@pytest.mark.parametrize("path", ["/hooks/sms", "/hooks/ussd"])
@pytest.mark.parametrize(
    ("body", "content_type", "reason"),
    [
        (b"", "application/json", "not application/json"),
        (b"{", "application/json", "not application/json"),
        (b"[1]", "application/json", "not an object"),
        (b'{"text": "hello"}', "application/json", "no '"),
        (b'{"from": "", "session": "s", "text": "hello"}', "application/json", "no 'from'"),
        (b'{"from": "abc", "session": "s"}', "application/json", "not a phone number"),
        (b'{"from": "12", "session": "s"}', "application/json", "not a phone number"),
        (b"from=0655000001&session=s", "application/x-www-form-urlencoded", "expected application"),
    ],
)
def test_an_unreadable_request_is_refused_with_the_reason(  # noqa: PLR0913, PLR0917 - a table
    client: FlaskClient, store: Store, path: str, body: bytes, content_type: str, reason: str
) -> None:
    answer = client.post(path, data=body, content_type=content_type)
    assert answer.status_code == 400
    assert answer.mimetype == "text/plain"
    assert reason in answer.get_data(as_text=True)
    assert list(store.growers()) == []


def test_a_ussd_step_without_its_session_is_refused(client: FlaskClient) -> None:
    answer = client.post("/hooks/ussd", json={"from": NUMBER, "text": ""})
    assert (answer.status_code, answer.text) == (400, "no 'session', the session\n")


@pytest.mark.parametrize("path", ["/hooks/sms", "/hooks/ussd", "/hooks/receipt"])
def test_a_body_too_large_is_refused(client: FlaskClient, store: Store, path: str) -> None:
    answer = client.post(path, data=b"x" * (MOST_BYTES + 1), content_type="application/json")
    assert answer.status_code == 413
    assert list(store.growers()) == []


def test_ten_thousand_characters_are_read_and_answered(client: FlaskClient) -> None:
    texts(client, "hello")
    answer = texts(client, "1" * 10_000)
    assert answer.status_code == 200
    assert answer.json["replies"]


@pytest.mark.parametrize("path", ["/hooks/sms", "/hooks/ussd", "/hooks/receipt"])
def test_only_post_is_taken(client: FlaskClient, path: str) -> None:
    answer = client.get(path)
    assert answer.status_code == 405
    assert set(answer.allow) == {"OPTIONS", "POST"}


BODIES = st.one_of(
    st.binary(max_size=300),
    st.fixed_dictionaries(
        {"from": st.just("0655000009") | st.text(max_size=20), "session": st.text(max_size=5)},
        optional={"text": st.text(max_size=200), "id": st.text(max_size=20) | st.integers()},
    ),
)
CONTENT_TYPES = st.sampled_from(
    [
        "application/json",
        "application/json; charset=utf-16",
        "application/x-www-form-urlencoded",
        "application/x-www-form-urlencoded; charset=punycode",
        "text/plain",
        "multipart/form-data; boundary=x",
        "",
        "\u00fc;;=",
    ]
)


@settings(
    max_examples=150,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(body=BODIES, content_type=CONTENT_TYPES, path=st.sampled_from(["/hooks/sms", "/hooks/ussd"]))
def test_no_bytes_give_an_error_of_ours(
    client: FlaskClient,
    form_client: FlaskClient,
    body: bytes | dict[str, object],
    content_type: str,
    path: str,
) -> None:
    for each, as_form in ((client, False), (form_client, True)):
        if isinstance(body, bytes):
            answer = each.post(path, data=body, content_type=content_type)
        elif as_form:
            answer = each.post(path, data=body)
        else:
            answer = each.post(path, json=body)
        assert answer.status_code in (200, 400)
        assert answer.data or each is form_client  # a form's queued replies leave the body empty


@settings(
    max_examples=100,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(said=st.lists(st.text(max_size=60) | st.sampled_from(["1", "2", "", "0", "00"]), max_size=8))
def test_whatever_is_entered_the_screen_fits(client: FlaskClient, said: list[str]) -> None:
    for text in said:
        answer = enters(client, text)
        assert answer.status_code == 200
        screen = answer.json["text"]
        assert 0 < len(screen) <= USSD_CHARACTERS
        assert isinstance(answer.json["continue"], bool)


# Gateways of other kinds

KEY = "a key that is shared"


@pytest.fixture
def signed_client(store: Store, monkeypatch: pytest.MonkeyPatch) -> FlaskClient:
    monkeypatch.setenv("GATEWAY_KEY", KEY)
    return create_app(Settings(gateway="signed-json"), store, lambda: NINE).test_client()


@pytest.fixture
def query_client(store: Store, monkeypatch: pytest.MonkeyPatch) -> FlaskClient:
    monkeypatch.setenv("GATEWAY_TOKEN", "t0ken")
    return create_app(Settings(gateway="plain-query"), store, lambda: NINE).test_client()


def signs(
    client: FlaskClient, path: str, value: object, key: str = KEY, at: float = NINE
) -> TestResponse:
    body = json.dumps(value).encode()
    headers = signed_headers(body, key, at)
    return client.post(path, data=body, headers=headers, content_type="application/json")


def signed_headers(body: bytes, key: str = KEY, at: float = NINE) -> dict[str, str]:
    stamp = str(int(at))
    digest = hmac.new(key.encode(), stamp.encode() + b"." + body, hashlib.sha256).hexdigest()
    return {"X-Timestamp": stamp, "X-Signature": f"sha256={digest}"}


def message(number: str, text: str, given: str = "m-1") -> dict[str, object]:
    return {"sender": {"number": number}, "content": {"text": text}, "id": given}


def test_several_texts_in_one_request(signed_client: FlaskClient, store: Store) -> None:
    other = "+255655000002"
    request = {
        "messages": [
            message(NUMBER, "hello", "m-1"),
            message("12", "hello", "m-2"),
            {"id": "m-3"},
            message(other, "hello", "m-4"),
            message(NUMBER, "1", "m-5"),
        ]
    }
    answer = signs(signed_client, "/hooks/sms", request)
    assert (answer.status_code, answer.json) == (200, {"replies": []})
    assert sorted(store.growers()) == [NUMBER, other]
    assert asked(store) == "field.area"
    before = store.load(NUMBER).version, store.load(other).version
    assert signs(signed_client, "/hooks/sms", request).status_code == 200
    assert (store.load(NUMBER).version, store.load(other).version) == before


def test_several_texts_of_which_none_can_be_used(signed_client: FlaskClient, store: Store) -> None:
    answer = signs(signed_client, "/hooks/sms", {"messages": [message("12", "x"), {}]})
    assert (answer.status_code, answer.text) == (
        400,
        "the sender's number is not a phone number\n",
    )
    assert signs(signed_client, "/hooks/sms", {"messages": []}).status_code == 200
    assert list(store.growers()) == []


def test_a_record_that_cannot_be_read_holds_up_nobody_else(
    signed_client: FlaskClient, store: Store, redis_client: redis.Redis
) -> None:
    broken, other = NUMBER, "+255655000002"
    request = {"messages": [message(broken, "hello", "m-1"), message(other, "hello", "m-2")]}
    signs(signed_client, "/hooks/sms", {"messages": [message(broken, "hello", "m-0")]})
    (key,) = redis_client.scan_iter(match=keys.grower_key(broken))
    redis_client.set(key, redis_client.get(key)[:8] + b"\xc1")
    assert signs(signed_client, "/hooks/sms", request).status_code == 503
    assert asked(store, other) == "welcome.language"
    assert signs(signed_client, "/hooks/sms", request).status_code == 503
    assert store.load(other).commits == 1


def test_several_reports_in_one_request(signed_client: FlaskClient) -> None:
    report = {"id": f"{NUMBER}:1", "state": {"name": "delivered"}}
    answer = signs(signed_client, "/hooks/receipt", {"reports": [report, {"id": "x"}, report]})
    assert (answer.status_code, answer.json) == (200, {})
    assert signs(signed_client, "/hooks/receipt", {"reports": [{"id": "x"}]}).status_code == 400


@pytest.mark.parametrize(
    ("path", "value"),
    [
        ("/hooks/sms", {"messages": [message(NUMBER, "hello")]}),
        ("/hooks/ussd", {"session": {"id": "s", "number": NUMBER}, "input": ""}),
        ("/hooks/receipt", {"reports": [{"id": f"{NUMBER}:1", "state": {"name": "failed"}}]}),
    ],
)
def test_what_is_not_signed_as_agreed_does_nothing(
    signed_client: FlaskClient, redis_client: redis.Redis, path: str, value: object
) -> None:
    refused = [
        signs(signed_client, path, value, key="another key"),
        signs(signed_client, path, value, at=NINE - 301),
        signs(signed_client, path, value, at=NINE + 301),
        signed_client.post(path, json=value, headers=signed_headers(b"{}")),
        signed_client.post(path, json=value),
        signed_client.post(path, data=b"\xff", headers={"X-Signature": "\u00ff"}),
    ]
    for answer in refused:
        assert (answer.status_code, answer.text) == (401, "not signed as agreed\n")
    assert redis_client.dbsize() == 0
    assert signs(signed_client, path, value, at=NINE - 299).status_code == 200


def test_without_the_key_nothing_is_served(store: Store) -> None:
    with pytest.raises(ProfileError, match="GATEWAY_KEY, which is not set"):
        create_app(Settings(gateway="signed-json"), store)


def test_everything_in_the_address(query_client: FlaskClient, store: Store) -> None:
    fields = {"from": "0655000001", "text": "hello", "id": "m-1", "token": "t0ken"}
    answer = query_client.get("/hooks/sms", query_string=fields)
    assert (answer.status_code, answer.data) == (200, b"")
    (waiting,) = store.load(NUMBER).grower.waiting
    assert "1 English" in waiting.body
    report = {"id": f"{NUMBER}:1", "state": "delivered", "token": "t0ken"}
    assert query_client.get("/hooks/receipt", query_string=report).status_code == 200
    assert query_client.get("/hooks/receipt", query_string={"token": "t0ken"}).status_code == 400
    before = store.load(NUMBER).version
    for changed in ({"token": "T0ken"}, {"token": ""}):
        again = fields | {"id": "m-2"} | changed
        assert query_client.get("/hooks/sms", query_string=again).status_code == 401
    for method in (query_client.post, query_client.head, query_client.put):
        answer = method("/hooks/sms", query_string=fields | {"id": "m-2"})
        assert answer.status_code == 405
    assert store.load(NUMBER).version == before


def test_ussd_with_the_session_so_far(query_client: FlaskClient, store: Store) -> None:
    def enter(text: str, session: str = "s-1") -> str:
        fields = {"session": session, "from": NUMBER, "text": text, "token": "t0ken"}
        answer = query_client.get("/hooks/ussd", query_string=fields)
        assert (answer.status_code, answer.mimetype) == (200, "text/plain")
        return answer.get_data(as_text=True)

    assert enter("").startswith("MORE ")
    first = enter("1")
    assert first.startswith("MORE How big")
    assert enter("1") == first  # delivered again
    assert asked(store) == "field.area"
    enter("1*60x80")
    assert asked(store) == "field.fertile"
    entered = "1*60x80"
    for step in count():
        entered += f"*{ANSWERS[asked(store)]}"
        screen = enter(entered)
        if screen.startswith("LAST "):
            break
        assert screen.startswith("MORE ")
        assert step < 2 * len(ANSWERS)
    assert "Mon 2 Mar: cut" in screen


def test_ussd_in_a_table(signed_client: FlaskClient) -> None:
    step = {"session": {"id": "s", "number": NUMBER}, "input": "", "step": 1}
    answer = signs(signed_client, "/hooks/ussd", step)
    assert answer.json["session"] == "s"
    assert answer.json["action"] == "continue"
    assert "1 English" in answer.json["screen"]["text"]


@settings(
    max_examples=100,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(
    st.binary(max_size=300),
    st.binary(max_size=100),
    st.sampled_from(["/hooks/sms", "/hooks/ussd", "/hooks/receipt"]),
)
def test_no_bytes_give_an_error_where_requests_are_signed(
    signed_client: FlaskClient, query_client: FlaskClient, body: bytes, query: bytes, path: str
) -> None:
    written = query.decode("latin-1")
    signed = signed_client.post(path, data=body, headers=signed_headers(body))
    assert signed.status_code in (200, 400)
    answer = query_client.get(path, query_string=f"token=t0ken&{quote(written, safe='=&%')}")
    assert answer.status_code in (200, 400)


# Trouble, and what is logged


def test_with_redis_gone_the_gateway_is_asked_to_deliver_again(tmp_path: Path) -> None:
    with EmbeddedRedis(tmp_path) as server:
        redis_client = connect(server.url)
        client = create_app(Settings(), Store(redis_client)).test_client()
        assert texts(client, "hello", id="m-1").status_code == 200
    for answer in (texts(client, "1", id="m-2"), enters(client, "1", id="m-3")):
        assert answer.status_code == 503
        assert answer.headers["Retry-After"] == "30"  # seconds (RFC 9110, 10.2.3)
        assert answer.mimetype == "text/plain"
    with EmbeddedRedis(tmp_path):
        assert texts(client, "1", id="m-2").json["replies"][0].startswith("How big")
        redis_client.close()


def test_no_log_line_holds_a_number(
    app: Flask, client: FlaskClient, redis_client: redis.Redis, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.DEBUG)
    app.logger.setLevel(logging.DEBUG)
    texts(client, "hello", id="m-1")
    texts(client, "hello", id="m-1")
    enters(client, "", id="1")
    enters(client, "", id="1")
    client.post("/hooks/sms", json={"from": "+2556550000010000000", "text": "hello"})
    client.post("/hooks/ussd", json={"from": NUMBER})
    redis_client.config_set("maxmemory", 1)
    try:
        assert texts(client, "1", id="m-2").status_code == 503
    finally:
        redis_client.config_set("maxmemory", 0)
    assert "+255*******01" in caplog.text
    assert "a text or a report could not be taken" in caplog.text
    assert "655000001" not in caplog.text


def test_the_app_is_made_from_the_environment(
    redis_server: EmbeddedRedis, redis_client: redis.Redis, monkeypatch: pytest.MonkeyPatch
) -> None:
    redis_client.ping()
    monkeypatch.setenv("REDIS_URL", redis_server.url)
    monkeypatch.setenv("FIELDBELL_HELP_NUMBER", "+255 655 000 100")
    app = create_app()
    client = app.test_client()
    texts(client, "hello")
    texts(client, "1")
    assert "+255 655 000 100" in " ".join(texts(client, "help").json["replies"])
    app.extensions["exchange"].store.redis.close()  # it lives with the process
