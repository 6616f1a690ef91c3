"""Who asks for what is not theirs gets 404, and that is logged, once and without a number.

(OWASP ASVS 5.0.0, 16.3.2: failed authorization is logged.)
"""

from __future__ import annotations

import logging
from typing import TYPE_CHECKING

import pytest
from api_calls import ASHA as THEIRS
from api_calls import GROWER, NORTH, ROUND, Union
from desk_visits import ASHA, JUMA, LAKE, Desk, of_group

from bot.store.rounds import Round

if TYPE_CHECKING:
    import redis

LAKES_ROUND = Round("r3333333", "Of the lake", "amina", 0, (LAKE,))


@pytest.fixture
def agent(redis_client: redis.Redis) -> Desk:
    desk = Desk(redis_client).sign_in("baraka", NORTH)
    desk.put(ASHA, of_group(LAKE, "Asha Nyembe"))
    desk.put(JUMA, of_group(NORTH, "Juma Sengo"))
    desk.app.extensions["rounds"].shelf.add(LAKES_ROUND.id, LAKES_ROUND)
    return desk


def logged(caplog: pytest.LogCaptureFixture) -> list[str]:
    return [each.getMessage() for each in caplog.records if each.levelno == logging.WARNING]


# At the desk

ASKED = [
    (f"/desk/growers/{ASHA}", "the grower +255*******01", "GET desk.grower"),
    (f"/desk/growers?number={ASHA[1:]}", "the grower +255*******01", "GET desk.find"),
    (f"/desk/groups/{LAKE}", f"the group '{LAKE}'", "GET desk.group"),
    ("/desk/no-group", "growers without a group", "GET desk.no_group"),
    (f"/desk/season?group={LAKE}", f"the group '{LAKE}'", "GET desk.season"),
    (f"/desk/season/growers.csv?group={LAKE}", f"the group '{LAKE}'", "GET desk.season_growers"),
    (f"/desk/groups/{LAKE}/enrol", f"the group '{LAKE}'", "GET desk.enrol"),
    ("/desk/rounds/r3333333", "the round r3333333", "GET desk.round"),
    (f"/desk/rounds/new?season={LAKE}", f"the group '{LAKE}'", "GET desk.new_round"),
    ("/desk/people", "what is for admins", "GET desk.people"),
    ("/desk/trail", "what is for admins", "GET desk.trail"),
]


@pytest.mark.parametrize(("address", "what", "page"), ASKED)
def test_a_page_that_is_not_theirs_is_logged_once(
    agent: Desk, caplog: pytest.LogCaptureFixture, address: str, what: str, page: str
) -> None:
    assert agent.open(address).status == 404
    assert logged(caplog) == [f"baraka asked for {what}, which is not theirs: {page}"]


@pytest.mark.parametrize(
    ("address", "fields", "what", "page"),
    [
        (f"/desk/growers/{ASHA}", {"do": "stop"}, "the grower +255*******01", "POST desk.do_for"),
        (f"/desk/growers/{JUMA}", {"do": "forget"}, "what is for admins", "POST desk.do_for"),
        ("/desk/rounds/r3333333", {"do": "count"}, "the round r3333333", "POST desk.do_to_round"),
        ("/desk/groups", {"name": "Mine"}, "what is for admins", "POST desk.keep_group"),
        ("/desk/people/amina", {"do": "remove"}, "what is for admins", "POST desk.person"),
    ],
)
def test_a_deed_that_is_not_theirs_is_logged_once(  # noqa: PLR0913, PLR0917
    agent: Desk,
    caplog: pytest.LogCaptureFixture,
    address: str,
    fields: dict[str, str],
    what: str,
    page: str,
) -> None:
    assert agent.post(address, **fields).status == 404
    assert logged(caplog) == [f"baraka asked for {what}, which is not theirs: {page}"]


def test_what_is_not_there_or_is_theirs_is_not_logged(
    agent: Desk, caplog: pytest.LogCaptureFixture
) -> None:
    for address in ("growers/+255712000009", "rounds/r9999999", "growers/x", "nothing"):
        assert agent.open(f"/desk/{address}").status == 404
    assert agent.open(f"/desk/growers/{JUMA}").status == 200
    assert logged(caplog) == []


def test_a_name_that_somebody_made_up_stays_in_its_line(
    agent: Desk, caplog: pytest.LogCaptureFixture
) -> None:
    made_up = "x%0A2026-03-02 ERROR all is lost" + "y" * 500
    assert agent.open(f"/desk/season?group={made_up}").status == 404
    (line,) = logged(caplog)
    assert "\n" not in line
    assert len(line) < 200


# Over the API


@pytest.fixture
def union(redis_client: redis.Redis) -> Union:
    union = Union(redis_client)
    union.enrol(GROWER)
    return union


@pytest.mark.parametrize(
    ("path", "what"),
    [
        (f"/growers/{THEIRS}", "the grower +255*******"),
        (f"/growers/{THEIRS}/plan", "the grower +255*******"),
        (f"/groups/{NORTH}/growers", f"the group '{NORTH}'"),
        (f"/reports/season?group={NORTH}", f"the group '{NORTH}'"),
        ("/rounds/{id}", "the round {id}"),
    ],
)
def test_what_a_token_does_not_reach_is_logged_once(
    union: Union, caplog: pytest.LogCaptureFixture, path: str, what: str
) -> None:
    made = union.ask("POST", "/rounds", ROUND | {"conditions": {}}).get_json()["id"]
    lake = union.token("lake office", groups=(LAKE,))
    assert union.ask("GET", path.format(id=made), secret=lake).status_code == 404
    (line,) = logged(caplog)
    assert line.startswith(f"(token lake office) asked for {what.format(id=made)}")
    assert line.endswith(", which it does not reach")
    assert THEIRS not in line


def test_a_scope_that_a_token_lacks_is_logged(
    union: Union, caplog: pytest.LogCaptureFixture
) -> None:
    reader = union.token("reader", scopes=("growers:read",))
    assert union.ask("GET", "/rounds", secret=reader).status_code == 403
    assert logged(caplog) == ["(token reader) lacks the scope rounds:write: get_rounds"]
