"""The API: groups, rounds, and reports on a season and on deliveries."""

from __future__ import annotations

from collections import Counter
from datetime import date, timedelta
from typing import TYPE_CHECKING, Any

import pytest
from api_calls import (
    ASHA,
    GROWER,
    JUMA,
    LAKE,
    NINE,
    NORTH,
    ROUND,
    TODAY,
    Union,
    failed,
    grower_of,
    put,
    report,
)
from msgspec.structs import replace

from bot.dialogue.records import Grower, Operation, Plan, enqueue
from bot.reminders.spreading import Spreader
from bot.settings import Settings
from bot.store.rounds import Round
from bot.store.texts import Line

if TYPE_CHECKING:
    import redis
    from werkzeug.test import TestResponse


@pytest.fixture
def union(redis_client: redis.Redis) -> Union:
    return Union(redis_client)


@pytest.fixture
def asha(union: Union) -> Union:
    """A union with one grower, who has a plan."""
    union.enrol(GROWER)
    assert union.plan().status_code == 200
    return union


@pytest.fixture
def lake(asha: Union) -> str:
    """A token that reaches only the other group."""
    asha.enrol(GROWER | {"number": JUMA, "group": LAKE})
    return asha.token("lake office", groups=(LAKE,))


# Groups


def filled(union: Union, many: int) -> dict[str, int]:
    """Put growers into a group with work due around today; every fifth has none."""
    days = {}
    for place in range(many):
        number = f"+255655{place:06}"
        due = TODAY + timedelta(days=place % 23 - 9)
        plan = Plan((Operation("plough", due, due, due),)) if place % 5 else None
        put(union, number, lambda _, plan=plan: Grower(language="sw", group=NORTH, plan=plan))
        days[number] = due.toordinal() if plan else 10**9
    return days


@pytest.mark.parametrize("due", ["", "behind", "week", "later", "none"])
def test_a_group_is_listed_page_by_page_by_when_work_is_due(union: Union, due: str) -> None:
    days = filled(union, 60)
    now, sunday = TODAY.toordinal(), date(2026, 3, 8).toordinal()
    wanted = {
        "": lambda _: True,
        "behind": lambda day: day < now,
        "week": lambda day: now <= day <= sunday,
        "later": lambda day: sunday < day < 10**9,
        "none": lambda day: day == 10**9,
    }[due]
    expected = sorted(
        (number for number, day in days.items() if wanted(day)), key=lambda it: (days[it], it)
    )
    found: list[str] = []
    offset: int | None = 0
    while offset is not None:
        path = f"/groups/{NORTH}/growers?limit=7&offset={offset}" + (f"&due={due}" if due else "")
        page = union.ask("GET", path).get_json()
        assert len(page["growers"]) <= 7
        found += [each["number"] for each in page["growers"]]
        offset = page["next_offset"]
    assert found == expected
    assert found


def test_groups_say_what_they_come_to(union: Union) -> None:
    filled(union, 60)
    put(union, "+255655000001", lambda it: replace(it, trouble="asked for help"))
    union.groups.change(NORTH, country="TZ", season=date(2026, 2, 1))
    found = union.ask("GET", "/groups").get_json()["groups"]
    assert [each["name"] for each in found] == [LAKE, NORTH]
    north = found[1]
    assert (north["growers"], north["to_ring"]) == (60, 1)
    assert (north["country"], north["season"]) == ("TZ", "2026-02-01")
    behind = union.ask("GET", f"/groups/{NORTH}/growers?due=behind").get_json()["growers"]
    assert north["behind"] == len(behind)
    assert all(each["days_behind"] > 0 for each in behind)


def test_a_group_may_have_a_slash_in_its_name(union: Union) -> None:
    union.groups.named("Mirindi/North")
    union.enrol({"number": ASHA, "group": "Mirindi/North"})
    page = union.ask("GET", "/groups/Mirindi%2FNorth/growers").get_json()
    assert [each["number"] for each in page["growers"]] == [ASHA]


# Rounds


def spread(union: Union) -> None:
    spreader = Spreader(
        union.store, union.groups, union.rounds, union.dialogue, union.settings, lambda: union.now
    )
    while spreader.tick():
        pass
    spreader.release()


@pytest.fixture
def priced(redis_client: redis.Redis) -> Union:
    """A union of 30 growers whose operator pays for segments."""
    union = Union(redis_client, Settings(segment_price=25.0))
    union.enrol(*({"number": f"+255655{place:06}"} for place in range(30)))
    union.exchange.answer("+255655000007", "STOP")
    return union


def new(union: Union, secret: str = "", **changed: object) -> str:
    answer = union.ask("POST", "/rounds", ROUND | {"conditions": {}} | changed, secret)
    assert answer.status_code == 201, answer.json
    made = answer.get_json()
    assert answer.headers["Location"] == f"/api/rounds/{made['id']}"
    assert made["state"] == "draft"
    return str(made["id"])


def do(union: Union, identity: str, action: str) -> TestResponse:
    return union.ask("POST", f"/rounds/{identity}/{action}")


def test_a_round_from_draft_to_finished(priced: Union) -> None:
    identity = new(priced)
    assert do(priced, identity, "count").get_json()["state"] == "counting"
    spread(priced)
    shown = priced.ask("GET", f"/rounds/{identity}").get_json()
    assert shown["round"]["state"] == "counted"
    assert shown["counted"] == {
        "progress": 1.0,
        "chosen": 29,
        "languages": {"sw": {"growers": 29, "segments": 29}},
        "segments": 29,
        "cost": 725.0,
        "left_out": {"stopped": 1},
    }
    assert shown["spread"]["progress"] == 0
    assert [grower_of(priced, f"+255655{place:06}").waiting for place in range(30)] == [()] * 30
    assert do(priced, identity, "start").get_json()["state"] == "running"
    spread(priced)
    shown = priced.ask("GET", f"/rounds/{identity}").get_json()
    assert (shown["round"]["state"], shown["spread"]["chosen"]) == ("finished", 29)
    waiting = Counter(len(grower_of(priced, f"+255655{place:06}").waiting) for place in range(30))
    assert waiting == {1: 29, 0: 1}
    assert do(priced, identity, "pause").get_json()["state"] == "paused"
    assert do(priced, identity, "pause").get_json()["state"] == "paused"
    assert do(priced, identity, "resume").get_json()["state"] == "running"
    assert do(priced, identity, "stop").get_json()["state"] == "stopped"
    done = [entry.what for _, entry in priced.people.recent(20)]
    assert done[:5] == [
        "round stopped",
        "round running",
        "round paused",
        "round running",
        "round counting",
    ]


def test_what_became_of_a_rounds_texts_is_told(priced: Union) -> None:
    identity = new(priced)
    do(priced, identity, "start")
    for place, what in enumerate(("sent", "sent", "refused")):
        number = f"+255655{place:06}"
        loaded = priced.store.load(number)
        line = Line(int(NINE), what, "notice", "Hello", about=f"round:{identity}", reference="a")
        priced.store.commit(number, loaded, loaded.grower, due=None, lines=[line])
    priced.exchange.receipt("+255655000000", "delivered", reference="a")
    fate = priced.ask("GET", f"/rounds/{identity}").get_json()["texts"]
    assert fate == {"sent": 2, "refused": 1, "delivered": 1, "failed": 0}


@pytest.mark.parametrize("action", ["pause", "resume", "stop"])
def test_a_draft_can_only_be_counted_or_started(priced: Union, action: str) -> None:
    identity = new(priced)
    answer = do(priced, identity, action)
    failed(answer, 409)
    assert "draft" in answer.get_json()["detail"]
    assert do(priced, identity, "start").status_code == 200
    failed(do(priced, identity, "count"), 409)
    failed(do(priced, "nosuchid", action), 404)


def test_a_stopped_round_stays_so(priced: Union) -> None:
    identity = new(priced)
    do(priced, identity, "start")
    do(priced, identity, "stop")
    for action in ("count", "start", "pause", "resume"):
        failed(do(priced, identity, action), 409)
    assert do(priced, identity, "stop").status_code == 200


def test_a_draft_without_a_group_is_shown(priced: Union) -> None:
    """The desk keeps a draft that lacks its groups."""
    priced.rounds.shelf.add("r2345678", Round("r2345678", "Meeting", "amina", 1, ()))
    shown = priced.ask("GET", "/rounds/r2345678").get_json()
    assert (shown["round"]["groups"], shown["counted"]["progress"]) == ([], 0)


def test_counting_again_begins_anew(priced: Union) -> None:
    identity = new(priced)
    for chosen in (29, 30):
        do(priced, identity, "count")
        spread(priced)
        shown = priced.ask("GET", f"/rounds/{identity}").get_json()
        assert shown["counted"]["chosen"] == chosen
        priced.enrol({"number": ASHA})


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        ({"groups": ["Mirindi South"]}, "there is no group"),
        ({"name": "  "}, "give the round a name"),
        ({"texts": {}}, "write a text"),
        ({"texts": {"en": "{nam}, hello"}}, "name"),
        ({"flow": "sprayers"}, "cannot be begun"),
        ({"conditions": {"operation": "dig"}}, "operation"),
        ({"conditions": {"languages": ["xx"]}}, "no language on offer"),
        ({"start": "2028-03-02T06:00:00Z"}, "365 days"),
        ({"start": "0001-01-01T00:00:00+14:00"}, "365 days"),
    ],
)
def test_a_round_that_cannot_go_is_refused(
    union: Union, changed: dict[str, Any], said: str
) -> None:
    faults = failed(union.ask("POST", "/rounds", ROUND | changed), 422)
    assert said in " ".join(faults.values())
    assert union.rounds.shelf.all() == {}


def test_a_round_keeps_what_was_written(union: Union) -> None:
    conditions = {
        "languages": ["sw"],
        "operation": "plough",
        "within": 7,
        "behind": 1,
        "not_planted": True,
        "no_plan": False,
    }
    start = "2026-03-03T09:30:00+03:00"
    identity = new(union, conditions=conditions, start=start, rate=60.0)
    shown = union.ask("GET", f"/rounds/{identity}").get_json()["round"]
    assert shown["conditions"] == conditions
    assert (shown["start"], shown["made"]) == ("2026-03-03T06:30:00Z", "2026-03-02T06:00:00Z")
    assert (shown["by"], shown["rate"], shown["texts"]) == ("(token office)", 60, ROUND["texts"])
    assert union.ask("GET", "/rounds").get_json()["rounds"] == [shown]


def test_opening_a_season_is_kept_with_the_group(union: Union) -> None:
    starts = f"{TODAY + timedelta(days=6)}T22:30:00Z"  # past midnight in Dar es Salaam
    identity = new(union, texts={}, flow="field", groups=[NORTH], start=starts)
    do(union, identity, "start")
    seasons = [group.season for group in union.groups.shelf.all().values()]
    assert seasons == [None, TODAY + timedelta(days=7)]


def test_rounds_of_groups_not_reached_are_as_good_as_unknown(asha: Union, lake: str) -> None:
    theirs = new(asha, groups=[NORTH, LAKE])
    mine = new(asha, lake, groups=[LAKE])
    found = asha.ask("GET", "/rounds", secret=lake).get_json()["rounds"]
    assert [each["id"] for each in found] == [mine]
    failed(asha.ask("GET", f"/rounds/{theirs}", secret=lake), 404)
    failed(asha.ask("POST", f"/rounds/{theirs}/start", secret=lake), 404)
    answer = asha.ask("POST", "/rounds", ROUND | {"groups": [NORTH]}, lake)
    assert "there is no group" in " ".join(failed(answer, 422).values())


def test_a_draft_of_the_desks_without_groups_is_only_for_tokens_of_every_group(
    asha: Union, lake: str
) -> None:
    asha.rounds.shelf.add("r6666666", Round("r6666666", "Half written", "amina", 0, ()))
    assert asha.ask("GET", "/rounds", secret=lake).get_json()["rounds"] == []
    failed(asha.ask("GET", "/rounds/r6666666", secret=lake), 404)
    failed(asha.ask("POST", "/rounds/r6666666/count", secret=lake), 404)
    found = asha.rounds.shelf.find("r6666666")
    assert found is not None
    assert found.state == "draft"
    office = asha.ask("GET", "/rounds").get_json()["rounds"]
    assert [each["name"] for each in office] == ["Half written"]
    assert asha.ask("GET", "/rounds/r6666666").status_code == 200


# Reports


def test_the_season_is_what_the_growers_come_to(asha: Union) -> None:
    asha.enrol({"number": JUMA}, {"number": "+255655512347", "group": LAKE, "language": "en"})
    asha.plan(JUMA)
    asha.now += 3 * 24 * 3600
    report(asha, operation="spray_fallow", done="2026-03-05")
    asha.exchange.answer(JUMA, "STOP")
    season = asha.ask("GET", "/reports/season").get_json()
    assert (season["groups"], season["growers"], season["behind"]) == ([LAKE, NORTH], 3, 1)
    assert season["stages"] == {"plough": 1, "spray_fallow": 1, "not_begun": 1}
    assert season["languages"] == {"sw": 2, "en": 1}
    assert season["silent"] == {"stopped": 1}
    spray = season["operations"][0]
    litres = [
        operation.ml
        for number in (ASHA, JUMA)
        for operation in (grower_of(asha, number).plan or Plan(())).operations
        if operation.name == "spray_fallow"
    ]
    assert spray == {
        "name": "spray_fallow",
        "planned": 2,
        "done": 1,
        "late": 1,
        "late_days": 3,
        "product_ml": sum(litres),
        "weeks": [{"monday": "2026-03-02", "open": 1, "done": 1}],
    }
    names = [each["name"] for each in season["operations"]]
    assert names == sorted(names, key=[*dict.fromkeys(names)].index)
    assert names.count("weed_check") == 1
    lake = asha.ask("GET", f"/reports/season?group={LAKE}").get_json()
    assert (lake["growers"], lake["operations"]) == (1, [])


def test_deliveries_are_told_day_by_day(priced: Union) -> None:
    put(priced, "+255655000001", lambda it: enqueue(it, ["x"], "notice"))
    loaded = priced.store.load("+255655000001")
    lines = [
        Line(int(NINE), "sent", "notice", "Hello", 1, segments=2),
        Line(int(NINE), "delivered", "notice", serial=1),
        Line(int(NINE) - 24 * 3600, "refused", "reminder", "Hello", 2, reason="barred"),
    ]
    priced.store.commit("+255655000001", loaded, loaded.grower, due=None, lines=lines)
    priced.exchange.answer("+255655888888", "hello")  # of no group
    said = priced.ask("GET", f"/reports/deliveries?days=3&group={NORTH}").get_json()
    assert said["currency"] == "TZS"
    assert [each["day"] for each in said["days"]] == ["2026-02-28", "2026-03-01", "2026-03-02"]
    _, sunday, monday = said["days"]
    assert sunday["kinds"]["reminder"]["refused"] == 1
    notices = monday["kinds"]["notice"]
    assert (notices["sent"], notices["delivered"], notices["segments"]) == (1, 1, 2)
    # STOP was heard, and confirmed.
    assert (monday["texts"]["heard"], monday["texts"]["sent"]) == (1, 2)
    assert monday["cost"] == 25.0 * monday["texts"]["segments"]
    everyone = priced.ask("GET", "/reports/deliveries?days=1").get_json()["days"][0]
    assert everyone["texts"]["heard"] == 2
