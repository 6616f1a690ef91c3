"""Delivery reports from outside, as a gateway sends them: early, thrice, out of order, or wrong."""

from __future__ import annotations

import threading
from collections import Counter
from datetime import date
from typing import TYPE_CHECKING, Any

import pytest
from conftest import NINE
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from bot.dialogue.acts import UNREACHABLE
from bot.dialogue.records import Grower, enqueue
from bot.gateways.base import Accepted, Outcome, Outgoing
from bot.reminders.schedule import next_due
from bot.reminders.sender import Sender
from bot.settings import Settings
from bot.store import keys
from bot.store.connecting import connect
from bot.store.groups import Groups
from bot.store.growers import Store
from bot.store.server import EmbeddedRedis
from bot.web import create_app

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    import redis
    from flask import Flask
    from flask.testing import FlaskClient
    from werkzeug.test import TestResponse

NUMBER, OTHER, STRANGER = "+255655000001", "+255655000002", "+255655000003"
SETTINGS = Settings()
TODAY = date(2026, 3, 2)


def reports(client: FlaskClient, state: str, **fields: object) -> TestResponse:
    return client.post("/hooks/receipt", json={"state": state, **fields})


class Gateway:
    """Takes every text as "g-" and its serial, and reports on it before it answers."""

    def __init__(self, before: Callable[[Outgoing, str], object] = lambda *_: None) -> None:
        self.before = before

    def send(self, text: Outgoing) -> Outcome:
        reference = f"g-{text.id}"
        self.before(text, reference)
        return Accepted(reference)


def owe(store: Store, number: str, *bodies: str) -> None:
    grower = enqueue(Grower(language="en", group="North"), bodies, "notice", "round:r1")
    loaded = store.load(number)
    assert store.commit(number, loaded, grower, due=next_due(grower, SETTINGS))


def send(store: Store, gateway: Gateway, *numbers: str) -> None:
    sender = Sender(store, gateway, lambda grower, _: grower, SETTINGS, lambda: NINE)
    for number in numbers:
        sender.deliver(number)


@pytest.fixture
def texted(store: Store) -> Store:
    """A store with two growers, to each of whom two texts of a round have gone."""
    for number in (NUMBER, OTHER):
        owe(store, number, "Weed soon.", "Rain is near.")
    send(store, Gateway(), NUMBER, OTHER)
    return store


def whats(store: Store, number: str = NUMBER) -> list[str]:
    return [each.what for each in store.texts(number)]


def told(store: Store) -> Counter[tuple[str, str, str]]:
    counts = Groups(store.redis).tallies([TODAY])[TODAY]
    return Counter({each: count for each, count in counts.items() if each[0] != "segments"})


def told_of_round(store: Store, number: str = NUMBER) -> dict[bytes, bytes]:
    return store.redis.hgetall(keys.told_key(keys.shard_of(number), "r1"))


def everything(client: redis.Redis) -> dict[bytes, bytes | None]:
    return {key: client.dump(key) for key in client.scan_iter()}


def test_a_report_by_our_id(client: FlaskClient, texted: Store) -> None:
    answer = reports(client, "Delivered", id=f"{NUMBER}:1")
    assert (answer.status_code, answer.content_type, answer.json) == (200, "application/json", {})
    assert whats(texted) == ["delivered", "sent"]
    assert whats(texted, OTHER) == ["sent", "sent"]
    assert told_of_round(texted) == {b"sent": b"2", b"delivered": b"1"}


def test_a_report_by_the_gateways_name_in_a_form(form_client: FlaskClient, texted: Store) -> None:
    fields = {"reference": f"g-{NUMBER}:2", "to": "0655000001", "state": "EXPIRED", "reason": "off"}
    answer = form_client.post("/hooks/receipt", data=fields)
    assert (answer.status_code, answer.data) == (200, b"")
    assert [(each.what, each.reason) for each in texted.texts(NUMBER)] == [
        ("sent", ""),
        ("failed", "off"),
    ]
    assert texted.load(NUMBER).grower.trouble == ""


def test_a_number_that_never_will_be_reached(client: FlaskClient, texted: Store) -> None:
    reports(client, "failed", id=f"{NUMBER}:1", reason="No such number")
    grower = texted.load(NUMBER).grower
    assert (grower.unreachable, grower.trouble) == ("No such number", UNREACHABLE)
    assert [number for number, _ in texted.calls()] == [NUMBER]
    # The grower writes: the number is in use, and texts go out again.
    client.post("/hooks/sms", json={"from": NUMBER, "text": "hello"})
    assert texted.load(NUMBER).grower.receives
    assert texted.calls() == []


def test_a_text_on_its_way_is_no_news(
    client: FlaskClient, texted: Store, redis_client: redis.Redis
) -> None:
    before = everything(redis_client)
    assert reports(client, "buffered", id=f"{NUMBER}:1").status_code == 200
    assert everything(redis_client) == before
    assert whats(texted) == ["sent", "sent"]


def test_reports_thrice_and_out_of_order_count_once(client: FlaskClient, texted: Store) -> None:
    for state in ("failed", "delivered", "failed", "delivered", "buffered", "failed"):
        for text in (2, 1):
            assert reports(client, state, id=f"{NUMBER}:{text}").status_code == 200
    assert whats(texted) == ["delivered", "delivered"]
    assert told_of_round(texted) == {b"sent": b"2", b"delivered": b"2"}
    assert Groups(texted.redis).failures() == []


def test_reports_of_strangers_and_of_texts_that_never_were(
    client: FlaskClient, texted: Store, redis_client: redis.Redis
) -> None:
    texted.forget(OTHER)
    before = everything(redis_client)
    for state in ("delivered", "failed", "unreachable"):
        for number in (STRANGER, OTHER):
            assert reports(client, state, id=f"{number}:1").status_code == 200
            assert reports(client, state, to=number, reference=f"g-{number}:1").status_code == 200
        assert reports(client, state, id=f"{NUMBER}:3").status_code == 200
    assert everything(redis_client) == before


def test_a_report_is_of_its_own_number_only(client: FlaskClient, texted: Store) -> None:
    answer = reports(client, "delivered", id=f"{NUMBER}:1", to=OTHER)
    assert (answer.status_code, answer.text) == (
        400,
        "the id is that of a text to another number\n",
    )
    # Another grower's reference is kept, as it may be of a text about to be known, but joins none.
    assert reports(client, "delivered", reference=f"g-{NUMBER}:1", to=OTHER).status_code == 200
    assert whats(texted) == whats(texted, OTHER) == ["sent", "sent"]
    assert reports(client, "delivered", id=f"{NUMBER}:1", to="0655 000 001").status_code == 200
    assert whats(texted) == ["delivered", "sent"]


def test_a_forgotten_number_leaves_no_trace_of_its_reports(
    client: FlaskClient, store: Store, redis_client: redis.Redis
) -> None:
    owe(store, NUMBER, "Weed soon.")
    send(store, Gateway(), NUMBER)
    for state in ("failed", "unreachable", "delivered"):
        reports(client, state, id=f"{NUMBER}:1")
    reports(client, "failed", to=NUMBER, reference="of-nothing")
    store.forget(NUMBER)
    for key in redis_client.scan_iter():
        assert NUMBER.encode() not in key + (redis_client.dump(key) or b"")


@pytest.mark.parametrize("by", ["id", "reference"])
@pytest.mark.parametrize(
    ("states", "what"),
    [
        (["delivered"], "delivered"),
        (["failed"], "failed"),
        (["delivered", "delivered", "failed"], "delivered"),
        (["failed", "delivered", "failed"], "delivered"),
    ],
)
def test_a_report_before_the_gateway_has_answered(
    client: FlaskClient, store: Store, by: str, states: list[str], what: str
) -> None:
    def early(text: Outgoing, reference: str) -> None:
        names = {"id": text.id} if by == "id" else {"reference": reference, "to": text.to}
        for state in states:
            assert reports(client, state, **names).status_code == 200

    owe(store, NUMBER, "Weed soon.", "Rain is near.")
    send(store, Gateway(early), NUMBER)
    assert whats(store) == [what, what]
    assert told(store) == {("sent", "notice", "North"): 2, (what, "notice", "North"): 2}
    assert told_of_round(store) == {b"sent": b"2", what.encode(): b"2"}
    failures = Groups(store.redis).failures()
    assert [each.line.kind for each in failures] == ["notice"] * (2 if what == "failed" else 0)


def test_a_number_found_out_of_reach_while_texts_go_out_gets_no_more(
    client: FlaskClient, store: Store
) -> None:
    owe(store, NUMBER, "Weed soon.", "Rain is near.")
    early = lambda text, _: reports(client, "unreachable", id=text.id)  # noqa: E731
    send(store, Gateway(early), NUMBER)
    assert whats(store) == ["failed"]
    (waiting,) = store.load(NUMBER).grower.waiting
    assert waiting.body == "Rain is near."


@pytest.mark.parametrize("by", ["id", "reference"])
def test_reports_race_the_sender(app: Flask, store: Store, by: str) -> None:
    """Reports come in a thread of their own while the sender writes down what it has sent."""
    numbers = [f"+2556550010{place:02d}" for place in range(20)]
    for number in numbers:
        owe(store, number, "one", "two", "three", "four")
    handed: list[tuple[Outgoing, str]] = []
    news = threading.Semaphore(0)

    def hand(text: Outgoing, reference: str) -> None:
        handed.append((text, reference))
        news.release()

    answers: list[int] = []

    def report() -> None:
        client = app.test_client()
        for place in range(4 * len(numbers)):
            news.acquire()
            text, reference = handed[place]
            names: dict[str, Any] = {"reference": reference, "to": text.to}
            if by == "id":
                names = {"id": text.id}
            state = "failed" if place % 3 else "delivered"
            answers.extend(reports(client, state, **names).status_code for _ in range(2))

    reporter = threading.Thread(target=report)
    reporter.start()
    send(store, Gateway(hand), *numbers)
    reporter.join()
    assert set(answers) == {200}
    expected = ["failed" if place % 3 else "delivered" for place in range(4 * len(numbers))]
    assert [what for number in numbers for what in whats(store, number)] == expected
    counted = Counter(expected)
    assert told(store) == {
        ("sent", "notice", "North"): len(expected),
        ("delivered", "notice", "North"): counted["delivered"],
        ("failed", "notice", "North"): counted["failed"],
    }


# What cannot be used


@pytest.mark.parametrize(
    ("fields", "reason"),
    [
        ({}, "no 'state'"),
        ({"state": "delivered"}, "no 'id' that names a text of ours"),
        ({"state": "delivered", "id": "7"}, "no 'id' that names a text of ours"),
        ({"state": "delivered", "reference": "x"}, "no 'to'"),
        ({"state": "delivered", "reference": "x", "to": "abc"}, "not a phone number"),
    ],
)
def test_a_report_that_cannot_be_used_is_refused_with_the_reason(
    client: FlaskClient, fields: dict[str, str], reason: str
) -> None:
    answer = client.post("/hooks/receipt", json=fields)
    assert answer.status_code == 400
    assert reason in answer.get_data(as_text=True)


def test_without_reports_in_the_profile_the_operator_is_told(store: Store, tmp_path: Path) -> None:
    profile = tmp_path / "ours.toml"
    profile.write_text('[sms_in]\nbody = "form"\nnumber = "from"\ntext = "text"\n')
    client = create_app(Settings(gateway=str(profile)), store).test_client()
    answer = reports(client, "delivered", id=f"{NUMBER}:1")
    assert (answer.status_code, answer.text) == (400, "the gateway profile has no [receipt]\n")


WORDS = st.sampled_from(["delivered", "failed", "unreachable", "buffered", "no such number"])
BODIES = st.one_of(
    st.binary(max_size=300),
    st.fixed_dictionaries(
        {"state": WORDS | st.text(max_size=10)},
        optional={
            "id": st.sampled_from([f"{NUMBER}:1", f"{NUMBER}:2", f"{NUMBER}:99", f"{STRANGER}:1"])
            | st.text(max_size=30),
            "to": st.sampled_from([NUMBER, "0655000001"]) | st.text(max_size=20),
            "reference": st.text(max_size=300) | st.integers(),
            "reason": WORDS | st.text(max_size=300),
        },
    ),
)
CONTENT_TYPES = st.sampled_from(
    [
        "application/json",
        "application/json; charset=utf-16",
        "application/x-www-form-urlencoded",
        "multipart/form-data; boundary=x",
        "",
        "\u00fc;;=",
    ]
)


@settings(max_examples=150, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(body=BODIES, content_type=CONTENT_TYPES)
def test_no_bytes_give_an_error_of_ours(
    client: FlaskClient,
    form_client: FlaskClient,
    texted: Store,
    body: bytes | dict[str, object],
    content_type: str,
) -> None:
    if isinstance(body, bytes):
        answers = [
            each.post("/hooks/receipt", data=body, content_type=content_type)
            for each in (client, form_client)
        ]
    else:
        answers = [
            client.post("/hooks/receipt", json=body),
            form_client.post("/hooks/receipt", data=body),
        ]
    assert {answer.status_code for answer in answers} <= {200, 400}
    assert set(texted.growers()) == {NUMBER, OTHER}
    assert len(texted.texts(NUMBER)) <= 2
    assert all(count > 0 for count in told(texted).values())


BY = st.sampled_from(["id", "reference"])
# A number out of reach would get no more of the round's texts, so that is reported at the end.
EARLY = st.lists(st.tuples(st.sampled_from(["delivered", "failed", "buffered"]), BY), max_size=4)
LATER = st.tuples(
    st.sampled_from(["delivered", "failed", "unreachable", "buffered"]), st.integers(1, 3), BY
)


@settings(max_examples=100, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(early=st.tuples(EARLY, EARLY, EARLY), later=st.lists(LATER, max_size=8))
def test_counts_are_those_of_the_texts_as_they_are_read(
    client: FlaskClient,
    redis_client: redis.Redis,
    early: tuple[list[tuple[str, str]], ...],
    later: list[tuple[str, int, str]],
) -> None:
    redis_client.flushall()
    store = Store(redis_client)

    def report(state: str, text: str, by: str) -> None:
        names = {"id": text} if by == "id" else {"reference": f"g-{text}", "to": NUMBER}
        assert reports(client, state, **names).status_code == 200

    def overtaking(text: Outgoing, _: str) -> None:
        for state, by in early[int(text.id[-1]) - 1]:
            report(state, text.id, by)

    owe(store, NUMBER, "one", "two", "three")
    send(store, Gateway(overtaking), NUMBER)
    for state, serial, by in later:
        report(state, f"{NUMBER}:{serial}", by)
    texts = store.texts(NUMBER)
    assert len(texts) == 3
    read = Counter((each.what, each.kind, "North") for each in texts)
    read["sent", "notice", "North"] = 3
    assert told(store) == read
    assert told_of_round(store) == {
        what.encode(): str(count).encode() for (what, _, _), count in read.items()
    }
    assert len(Groups(redis_client).failures()) == read["failed", "notice", "North"]


# Trouble


def test_with_redis_gone_the_gateway_is_asked_to_report_again(tmp_path: Path) -> None:
    with EmbeddedRedis(tmp_path) as server:
        redis_client = connect(server.url)
        store = Store(redis_client)
        client = create_app(Settings(), store, lambda: NINE).test_client()
        owe(store, NUMBER, "Weed soon.")
        send(store, Gateway(), NUMBER)
    answer = reports(client, "delivered", id=f"{NUMBER}:1")
    assert answer.status_code == 503
    assert answer.headers["Retry-After"] == "30"  # seconds (RFC 9110, 10.2.3)
    with EmbeddedRedis(tmp_path):
        assert reports(client, "delivered", id=f"{NUMBER}:1").status_code == 200
        assert whats(store) == ["delivered"]
        redis_client.close()


def test_no_log_line_holds_a_number(
    client: FlaskClient, store: Store, caplog: pytest.LogCaptureFixture
) -> None:
    owe(store, NUMBER, "Weed soon.")
    send(store, Gateway(), NUMBER)
    caplog.set_level("DEBUG")
    reports(client, "delivered", id=f"{NUMBER}:1")
    reports(client, "delivered", id=f"{NUMBER}:1")
    reports(client, "delivered", id=f"{NUMBER}:1", to=OTHER)
    assert "a text to +255*******01: delivered\n" in caplog.text
    assert "a text to +255*******01: delivered, no news" in caplog.text
    assert "655000001" not in caplog.text
