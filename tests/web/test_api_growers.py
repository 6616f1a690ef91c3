"""The API: enrolling growers, and reading, changing and forgetting one."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING

import pytest
from api_calls import ASHA, GROWER, HER, HIM, JUMA, LAKE, NINE, NORTH, Union, failed, grower_of, put
from msgspec.structs import replace

from bot.enrolment.files import open_sheet
from bot.enrolment.importing import take_in
from bot.enrolment.rows import read_rows
from bot.reminders.schedule import next_due
from bot.store.errors import StoreUnavailable
from bot.store.rounds import Round, Rounds

if TYPE_CHECKING:
    import redis


@pytest.fixture
def union(redis_client: redis.Redis) -> Union:
    return Union(redis_client)


@pytest.fixture
def asha(union: Union) -> Union:
    """A union with one grower, who has a plan."""
    union.enrol(GROWER)
    assert union.plan().status_code == 200
    return union


# Enrolling


def test_enrolling_says_what_came_of_each(union: Union) -> None:
    union.enrol({"number": ASHA}, {"number": JUMA})
    said = union.enrol(
        {"number": "0655512345"},
        {"number": "0655 512 346", "name": "Juma Kato"},
        {"number": "+255 655 512 347"},
        {"number": "255-655-512-347", "name": "Twice"},
        {"number": "none"},
        {"number": "0655512349", "group": "Mirindi South"},
        {"number": "0655512350", "language": "Klingon", "name": "x" * 81},
    )
    assert [(each["number"], each["outcome"]) for each in said["growers"]] == [
        (ASHA, "unchanged"),
        (JUMA, "changed"),
        ("+255655512347", "added"),
        ("+255655512347", "refused"),
        ("none", "refused"),
        ("0655512349", "refused"),
        ("0655512350", "refused"),
    ]
    reasons = [each["reason"] for each in said["growers"]]
    assert reasons[:3] == ["", "", ""]
    assert reasons[3] == "growers[2] has the same number"
    assert "letters" in reasons[4]
    assert reasons[5] == "there is no group 'Mirindi South'"
    assert "no language on offer" in reasons[6]
    assert "over 80 characters" in reasons[6]
    counts = [said[each] for each in ("added", "changed", "unchanged", "refused")]
    assert counts == [1, 1, 1, 4]
    assert grower_of(union, "+255655512347").name == GROWER["name"]


def test_a_number_in_two_groups_of_one_call_goes_to_the_first(union: Union) -> None:
    said = union.enrol({"number": ASHA, "group": LAKE}, {"number": ASHA, "group": NORTH})
    assert [each["outcome"] for each in said["growers"]] == ["added", "refused"]
    assert grower_of(union).group == LAKE


def test_a_number_is_read_as_in_its_groups_country(union: Union) -> None:
    union.groups.change(LAKE, country="UG")
    said = union.enrol({"number": "0755 512345", "group": LAKE}, {"number": "0755 512345"})
    assert [each["number"] for each in said["growers"]] == ["+256755512345", "+255755512345"]


def test_a_thousand_are_enrolled_at_once_and_no_more(union: Union) -> None:
    numbers = [f"+255655{place:06}" for place in range(1001)]
    said = union.enrol(*({"number": each} for each in numbers[:1000]))
    assert (said["added"], len(said["growers"])) == (1000, 1000)
    assert union.enrol(*({"number": each} for each in numbers[:1000]))["unchanged"] == 1000
    assert union.groups.size(NORTH) == 1000
    answer = union.ask("POST", "/growers", {"growers": [GROWER | {"number": n} for n in numbers]})
    assert "growers" in failed(answer, 400)


def test_enrolling_keeps_what_growers_have_said(union: Union) -> None:
    union.exchange.answer(ASHA, "hello")
    union.exchange.answer(ASHA, "1")
    union.exchange.answer(ASHA, "STOP")
    union.enrol({"number": ASHA, "language": "sw"}, {"number": JUMA, "consent": False})
    her = grower_of(union)
    assert (her.stopped, her.language, her.name) == (True, "en", GROWER["name"])
    assert not grower_of(union, JUMA).consent
    assert union.ask("GET", HIM).get_json()["texted"] is False


def test_it_is_the_same_as_a_file(union: Union) -> None:
    given = [
        {
            "number": "0655 512 345",
            "name": " Asha  Mwanga ",
            "village": "",
            "language": "Kiswahili",
        },
        {
            "number": "'0655512346",
            "name": "Jum\u200ba",
            "village": "=1+1",
            "language": "",
            "consent": False,
        },
        {
            "number": "tel: 0655.512.347",
            "name": "A\u0308bel",
            "village": "Kasele\n",
            "language": "en",
        },
        {"number": "6.55E+08", "name": "", "village": "", "language": ""},
    ]
    union.enrol(*given)
    by_api = {number: union.store.load(number).known for number in union.store.growers()}
    union.store.redis.flushall()
    header = "Phone;Name;Village;Language;Consent"
    lines = [
        ";".join(
            '"' + str(value) + '"'
            for value in (
                row["number"],
                row["name"],
                row["village"],
                row["language"],
                "yes" if row.get("consent", True) else "no",
            )
        )
        for row in given
    ]
    file = io.BytesIO("\n".join([header, *lines]).encode())
    group = union.groups.named(NORTH)
    with open_sheet(file) as sheet:
        rows = read_rows(sheet, "TZ", union.dialogue.languages)
        take_in(rows, group, union.store, union.settings, NINE, asks_consent=True)
    by_file = {number: union.store.load(number).known for number in union.store.growers()}
    assert by_api == by_file
    assert len(by_api) == 3


# One grower


def test_a_grower_is_shown_as_they_are(asha: Union) -> None:
    put(asha, ASHA, lambda it: replace(it, trouble="asked for help"))
    asha.now += 10 * 24 * 3600
    shown = asha.ask("GET", HER).get_json()
    assert shown == {
        "number": ASHA,
        "name": "Asha Mwanga",
        "village": "Kasele",
        "language": "sw",
        "group": NORTH,
        "consent": True,
        "stopped": False,
        "unreachable": "",
        "texted": True,
        "call": "asked for help",
        "stage": "spray_fallow",
        "next": {"id": "spray_fallow", "name": "spray_fallow", "due": "2026-03-02"},
        "days_behind": 10,
    }


def test_what_is_left_out_of_a_change_stays(asha: Union) -> None:
    before = grower_of(asha)
    asha.groups.change(LAKE, zone="Africa/Kampala")
    answer = asha.ask("PATCH", HER, {"village": " Upper\tKasele\x00 ", "group": LAKE})
    assert answer.status_code == 200
    after = grower_of(asha)
    assert after == replace(before, village="Upper Kasele", group=LAKE, zone="Africa/Kampala")
    assert asha.groups.size(NORTH) == 0
    assert asha.ask("PATCH", HER, {}).get_json() == answer.get_json()
    assert grower_of(asha) == after
    faults = failed(asha.ask("PATCH", HER, {"language": "xx", "group": "Mirindi South"}), 422)
    assert set(faults) == {"language", "group"}
    assert set(failed(asha.ask("PATCH", HER, {"stopped": False, "name": None}), 400)) == {
        "stopped",
        "name",
    }


def test_no_change_lets_texts_go_to_who_has_stopped(asha: Union) -> None:
    asha.exchange.answer(ASHA, "STOP")
    asha.ask("PATCH", HER, {"consent": True, "group": LAKE})
    asha.enrol({"number": ASHA, "consent": True})
    asha.plan()
    assert grower_of(asha).stopped
    assert next_due(grower_of(asha), asha.settings, asha.now) is None


def test_who_was_forgotten_in_part_is_forgotten_by_asking_again(
    asha: Union, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Were the record gone first, whoever asks again would hear that there is no such grower."""
    client, forget = asha.store.redis, Rounds.forget
    one = Round("r1", "Meeting", "amina", 1, (NORTH,))
    Rounds(client).shelf.add("r1", one)
    Rounds(client).advance("r1", "count", NORTH, ((0, ""), (1, "")), {}, [("sw", ASHA)])

    def down(*_: object) -> None:
        monkeypatch.setattr(Rounds, "forget", forget)
        raise StoreUnavailable

    monkeypatch.setattr(Rounds, "forget", down)
    failed(asha.ask("DELETE", HER), 503)
    assert asha.ask("DELETE", HER).status_code == 204
    assert Rounds(client).progress("r1", "count").examples == ()


def test_a_grower_who_is_forgotten_is_nowhere(asha: Union) -> None:
    asha.exchange.answer(ASHA, "plan")
    answer = asha.ask("DELETE", HER)
    assert (answer.status_code, answer.data) == (204, b"")
    failed(asha.ask("DELETE", HER), 404)
    failed(asha.ask("GET", HER), 404)
    client = asha.store.redis
    digits = ASHA.removeprefix("+").encode()
    assert not [
        key for key in client.scan_iter() if digits in key or digits in (client.dump(key) or b"")
    ]
