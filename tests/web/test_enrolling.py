"""Enrolling at the desk: a file is chosen, looked at, taken in, and what is wrong comes back."""

from __future__ import annotations

import io
import re
from html import unescape
from typing import TYPE_CHECKING

import pytest

from bot.settings import Settings
from bot.store.groups import Groups
from bot.store.people import People
from bot.web import create_app

if TYPE_CHECKING:
    from flask.testing import FlaskClient
    from werkzeug.test import TestResponse

    from bot.store.growers import Store

NORTH = "Mirindi North"
NINE = 1_772_431_200.0
LIST = """Mirindi Growers' Union;;;
Jina;Simu ya mkononi;Kijiji;Ridhaa
Neema Koroso;0712 345 601;Kanoro;ndiyo
Juma <b>Pelo;0712345604;Luhembe;hapana
Rehema Shole;07123;Luhembe;ndiyo
"""


@pytest.fixture
def client(store: Store) -> FlaskClient:
    settings = Settings(desk_pages=True, secret="a secret for this test")  # noqa: S106
    app = create_app(settings, store, lambda: NINE)
    people = People(store.redis, lambda: NINE)
    for name, groups in (("amina", (NORTH,)), ("baraka", ("Mirindi South",))):
        assert isinstance(people.add(name, "agent", groups), str)
        people.set_password(name, "kanoro luhembe 7")
    for group in (NORTH, "Mirindi South"):
        Groups(store.redis).named(group)
    client = app.test_client()
    sign_in(client, "amina")
    return client


def sign_in(client: FlaskClient, name: str) -> None:
    page = client.get("/desk/sign-in")
    client.post(
        "/desk/sign-in",
        data={"csrf_token": token(page), "name": name, "password": "kanoro luhembe 7"},
    )


def token(page: TestResponse) -> str:
    found = re.search(r'name="csrf_token" value="([^"]+)"', page.text)
    assert found
    return found[1]


def fields(page: TestResponse, action: str) -> dict[str, str]:
    """What the form with this action would send."""
    form = re.search(rf'<form[^>]*action="[^"]*{action}"[^>]*>(.*?)</form>', page.text, re.DOTALL)
    assert form
    found = re.findall(r'<input type="hidden" name="([^"]+)" value="([^"]*)">', form[1])
    return {name: unescape(value) for name, value in found}


def choose(client: FlaskClient, content: bytes, group: str = NORTH) -> TestResponse:
    page = client.get(f"/desk/groups/{NORTH}/enrol")
    return client.post(
        f"/desk/groups/{group}/enrol",
        data={"csrf_token": token(page), "file": (io.BytesIO(content), "list.csv")},
        content_type="multipart/form-data",
    )


def test_a_file_is_looked_at_before_anything_is_kept(client: FlaskClient, store: Store) -> None:
    page = choose(client, LIST.encode())
    assert page.status_code == 200
    assert "Enrol 2 growers" in page.text
    assert "+255712345601" in page.text
    assert "Juma &lt;b&gt;Pelo" in page.text
    assert "07123" in page.text
    assert Groups(store.redis).size(NORTH) == 0


def test_what_was_read_is_taken_in_and_the_rest_comes_back(
    client: FlaskClient, store: Store
) -> None:
    page = choose(client, LIST.encode())
    done = client.post(f"/desk/groups/{NORTH}/enrol/take-in", data=fields(page, "take-in"))
    assert done.status_code == 200
    assert re.search(r"<dt>Added</dt><dd>2</dd>", done.text)
    assert store.load("+255712345601").grower.name == "Neema Koroso"
    assert not store.load("+255712345604").grower.consent
    link = re.search(r'href="([^"]*to-mend[^"]*)"', done.text)
    assert link
    mend = client.get(unescape(link[1]))
    assert mend.content_type == "text/csv; charset=utf-8"
    assert "Rehema Shole" in mend.text
    assert [entry.what for _, entry in People(store.redis).recent(1)] == ["enrolled growers in"]
    again = client.post(f"/desk/groups/{NORTH}/enrol/take-in", data=fields(page, "take-in"))
    assert again.status_code == 410


def test_columns_that_are_not_recognised_are_pointed_out(client: FlaskClient) -> None:
    page = choose(client, b"who,dial\nNeema,0712345601\n")
    assert page.status_code == 422
    assert "<option>dial</option>" in page.text
    data = fields(page, "/enrol") | {"column-phone": "dial", "column-name": "who"}
    read = client.post(f"/desk/groups/{NORTH}/enrol", data=data)
    assert read.status_code == 200
    assert "Enrol 1 grower<" in read.text
    assert "Neema" in read.text


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"", "Choose a file"),
        (b"%PDF-1.7", "PDF"),
        (b"\x89PNG\r\n", "picture"),
        (b"a,b\n", "phone"),
    ],
)
def test_what_is_no_list_is_said_to_be_none(client: FlaskClient, content: bytes, said: str) -> None:
    page = choose(client, content)
    assert page.status_code == 422
    assert said in page.text


def test_a_file_too_large_is_refused(client: FlaskClient) -> None:
    page = choose(client, b"phone\n" + b"0712345601\n" * 1_000_000)
    assert page.status_code == 413
    page.request.environ["wsgi.input"].close()  # a file on disk, made by the test client


def test_another_agents_group_is_not_there(client: FlaskClient, store: Store) -> None:
    assert client.get("/desk/groups/Mirindi South/enrol").status_code == 404
    assert choose(client, LIST.encode(), "Mirindi South").status_code == 404
    page = choose(client, LIST.encode())
    other = client.application.test_client()
    sign_in(other, "baraka")
    data = fields(page, "take-in") | {"csrf_token": token(other.get("/desk/password"))}
    assert other.post(f"/desk/groups/{NORTH}/enrol/take-in", data=data).status_code == 404
    assert store.load("+255712345601").version == 0
