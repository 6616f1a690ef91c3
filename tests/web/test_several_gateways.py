"""The webhooks of several gateways: an address each, and ids that are not mixed up."""

from __future__ import annotations

import hashlib
import hmac
import json
from typing import TYPE_CHECKING

import pytest
from conftest import NINE

from bot.dialogue.records import Grower, enqueue
from bot.gateways.base import Accepted, Outcome, Outgoing
from bot.gateways.profiles import ProfileError
from bot.gateways.routing import Route, Router
from bot.reminders.schedule import next_due
from bot.reminders.sender import Sender
from bot.settings import Settings
from bot.web import create_app

if TYPE_CHECKING:
    from pathlib import Path

    from flask.testing import FlaskClient

    from bot.store.growers import Store

NUMBER, OTHER = "+255655000001", "+255655000002"
SIGNED = """
[sms_in]
body = "json"
number = "msisdn"
text = "body"
id = "id"
[signed]
how = "hmac-sha256"
secret = "COAST_KEY"
header = "X-Signature"
"""
MODEM = '[modem]\nfolder = "modem"\n'


def served(store: Store, *profiles: str) -> FlaskClient:
    return create_app(Settings(gateway=",".join(profiles)), store, lambda: NINE).test_client()


@pytest.fixture
def client(store: Store) -> FlaskClient:
    """Two gateways, of which the first takes replies in its own request."""
    return served(store, "plain-json", "plain-form")


def test_each_gateway_has_its_own_address_and_the_first_the_plain_one_too(
    client: FlaskClient, store: Store
) -> None:
    sent = {"from": NUMBER, "text": "hello", "id": "m-1"}
    first = client.post("/hooks/sms", json=sent)
    assert "1 English" in first.json["replies"][0]
    assert client.post("/hooks/plain-json/sms", json=sent).data == first.data  # the same text
    assert store.load(NUMBER).commits == 1
    answer = client.post("/hooks/plain-form/sms", data={**sent, "from": OTHER})
    assert (answer.status_code, answer.data) == (200, b"")
    assert len(store.load(OTHER).grower.waiting) == 1
    assert client.post("/hooks/plain-form/sms", json=sent).status_code == 400


@pytest.mark.parametrize("part", ["sms", "ussd", "receipt"])
def test_a_gateway_nobody_named_is_not_there(client: FlaskClient, part: str) -> None:
    assert client.post(f"/hooks/signed-json/{part}", json={}).status_code == 404


def test_one_id_of_two_gateways_is_of_two_texts(client: FlaskClient, store: Store) -> None:
    for _ in range(2):
        client.post("/hooks/sms", json={"from": NUMBER, "text": "hello", "id": "7"})
    for _ in range(2):
        client.post("/hooks/plain-form/sms", data={"from": NUMBER, "text": "1", "id": "7"})
    heard = [each.body for each in store.lines(NUMBER) if each.what == "heard"]
    assert heard == ["hello", "1"]


def test_one_session_of_two_gateways_is_of_two_steps(store: Store, tmp_path: Path) -> None:
    ussd = '[ussd]\nbody = "json"\nsession = "session"\nnumber = "from"\ntext = "text"\nid = "id"\n'
    answer = '[ussd.answer]\nbody = "json"\ntext = "text"\nmore = "more"\n'
    for name in ("one", "two"):
        (tmp_path / f"{name}.toml").write_text(ussd + answer)
    client = served(store, str(tmp_path / "one.toml"), str(tmp_path / "two.toml"))
    step = {"from": NUMBER, "session": "s", "text": "", "id": "1"}
    for name in ("one", "one", "two", "two"):
        assert client.post(f"/hooks/{name}/ussd", json=step).status_code == 200
    assert store.load(NUMBER).commits == 2


def test_what_was_answered_before_a_second_gateway_came_is_not_answered_again(
    store: Store,
) -> None:
    sent = {"from": NUMBER, "text": "hello", "id": "m-1"}
    first = served(store, "plain-json").post("/hooks/sms", json=sent)
    assert (
        served(store, "plain-json", "plain-form").post("/hooks/sms", json=sent).data == first.data
    )
    assert store.load(NUMBER).commits == 1


def test_the_plain_address_is_of_the_first_that_brings_anything_by_the_web(
    store: Store, tmp_path: Path
) -> None:
    (tmp_path / "village.toml").write_text(MODEM)
    client = served(store, str(tmp_path / "village.toml"), "plain-json")
    sent = {"from": NUMBER, "text": "hello", "id": "m-1"}
    assert "replies" in client.post("/hooks/sms", json=sent).json
    assert client.post("/hooks/village/sms", json=sent).status_code == 400


def test_each_gateway_signs_with_its_own_key(
    store: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    coast = tmp_path / "coast.toml"
    coast.write_text(SIGNED)
    with pytest.raises(ProfileError, match="COAST_KEY"):
        served(store, "plain-json", str(coast))
    monkeypatch.setenv("COAST_KEY", "k3y")
    client = served(store, "plain-json", str(coast))
    body = json.dumps({"msisdn": NUMBER, "body": "hello", "id": "1"}).encode()
    signature = hmac.new(b"k3y", body, hashlib.sha256).hexdigest()
    for signed, status in ((signature, 200), ("0" * 64, 401), ("", 401)):
        answer = client.post(
            "/hooks/coast/sms",
            data=body,
            content_type="application/json",
            headers={"X-Signature": signed},
        )
        assert answer.status_code == status
    assert client.post("/hooks/sms", json={"from": NUMBER, "text": "1"}).status_code == 200


# Reports


class Numbering:
    """Takes every text, and gives it the next of its own numbers as a reference."""

    def __init__(self) -> None:
        self.number = 0

    def send(self, text: Outgoing) -> Outcome:  # noqa: ARG002 - a number is a number
        self.number += 1
        return Accepted(str(self.number))


def sends(store: Store, name: str, body: str, number: str = NUMBER) -> None:
    """Send a text by a gateway that begins to count at 1."""
    loaded = store.load(number)
    grower = enqueue(loaded.grower or Grower(language="en"), [body], "reply")
    assert store.commit(number, loaded, grower, due=next_due(grower, Settings()))
    router = Router([Route(name, Numbering())])
    Sender(store, router, lambda grower, _: grower, Settings(), lambda: NINE).deliver(number)


def fates(store: Store) -> list[tuple[str, str]]:
    return [(each.body, each.what) for each in store.texts(NUMBER)]


def test_one_reference_of_two_gateways_is_of_two_texts(client: FlaskClient, store: Store) -> None:
    sends(store, "plain-json", "one")
    sends(store, "plain-form", "two")
    report = {"to": NUMBER, "reference": "1"}
    for _ in range(2):
        form = {**report, "state": "EXPIRED", "reason": "off"}
        assert client.post("/hooks/plain-form/receipt", data=form).status_code == 200
    assert fates(store) == [("one", "sent"), ("two", "failed")]
    client.post("/hooks/receipt", json={**report, "state": "delivered"})
    assert fates(store) == [("one", "delivered"), ("two", "failed")]


def test_a_report_that_overtakes_its_text_waits_for_that_of_its_gateway(
    client: FlaskClient, store: Store
) -> None:
    sends(store, "plain-json", "before")
    report = {"to": NUMBER, "reference": "1", "state": "EXPIRED", "reason": "off"}
    assert client.post("/hooks/plain-form/receipt", data=report).status_code == 200
    assert fates(store) == [("before", "sent")]
    sends(store, "plain-form", "overtaken")
    assert fates(store) == [("before", "sent"), ("overtaken", "failed")]


@pytest.mark.parametrize("name", ["", "plain-json", "named otherwise since"])
def test_with_one_gateway_a_report_is_on_whatever_has_its_reference(
    store: Store, name: str
) -> None:
    sends(store, name, "one")
    answer = served(store, "plain-json").post(
        "/hooks/receipt", json={"to": NUMBER, "reference": "1", "state": "delivered"}
    )
    assert answer.status_code == 200
    assert fates(store) == [("one", "delivered")]


def test_a_text_sent_before_gateways_were_told_apart_is_reported_on_by_any(
    client: FlaskClient, store: Store
) -> None:
    sends(store, "", "one")
    client.post(
        "/hooks/plain-form/receipt", data={"to": NUMBER, "reference": "1", "state": "DELIVERED"}
    )
    assert [what for _, what in fates(store)] == ["delivered"]
