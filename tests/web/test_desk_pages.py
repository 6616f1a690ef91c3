"""The desk's pages of the day and of groups: what they show, and what they do."""

from __future__ import annotations

from collections import Counter
from datetime import date, timedelta
from html import unescape
from typing import TYPE_CHECKING

import pytest
from desk_visits import ASHA, JUMA, LAKE, NINE, NORTH, TODAY, Desk, of_group, plan_due
from msgspec.structs import replace

from bot.dialogue.records import Grower, Operation, Plan
from bot.gateways.numbers import masked
from bot.store.groups import Group
from bot.web.desk.groups import GROUPS, PAGE, season_of
from bot.web.desk.showing import WORK
from bot.web.desk.today import MOST, Due, due_this_week

if TYPE_CHECKING:
    import redis


@pytest.fixture
def admin(redis_client: redis.Redis) -> Desk:
    return Desk(redis_client).sign_in("amina")


@pytest.fixture
def agent(redis_client: redis.Redis) -> Desk:
    return Desk(redis_client).sign_in("baraka", NORTH)


# Today


def test_whoever_waits_longest_is_rung_first_and_why_is_said(agent: Desk) -> None:
    agent.put(ASHA, of_group(NORTH, "Asha Nyembe", trouble="asked for help"))
    agent.clock.now -= 3 * 24 * 3600
    agent.put(JUMA, of_group(NORTH, "Juma Sengo", trouble="no answer to the reminders"))
    agent.clock.now = NINE
    said = agent.open("/desk/").said
    first, second = said.index("Juma Sengo"), said.index("Asha Nyembe")
    assert first < said.index("No answer to the reminders. Since 27 Feb 2026, 09:00.") < second
    assert second < said.index("Asked for help. Since 2 Mar 2026, 09:00.")


def test_a_call_that_was_made_is_taken_off_the_list_and_noted(agent: Desk) -> None:
    agent.put(ASHA, of_group(NORTH, "Asha Nyembe", trouble="asked for help"))
    page = agent.do("rung", next="/desk/")
    assert "is off the list" in page.said
    assert "Asha Nyembe" not in page.said
    assert "Nobody needs a call." in page.said
    assert agent.grower().trouble == ""
    assert (agent.trail[0].who, agent.trail[0].what) == ("baraka", "rang")
    assert agent.trail[0].whom == masked(ASHA)


def test_rung_leads_nowhere_but_to_the_desk(agent: Desk) -> None:
    agent.put(ASHA, of_group(NORTH, trouble="asked for help"))
    page = agent.post(f"/desk/growers/{ASHA}", do="rung", next="//elsewhere.example/")
    assert page.goal == f"/desk/growers/{ASHA}"


def test_an_agent_sees_own_groups_and_an_admin_also_those_without_one(agent: Desk) -> None:
    for place, group in enumerate((NORTH, LAKE, "")):
        grower = of_group(group, f"Somebody {place}", plan_due(-5), "asked for help")
        agent.put(f"+25571200000{place}", grower)
    said = agent.open("/desk/").said
    assert "Somebody 0" in said
    assert "Somebody 1" not in said
    assert "Somebody 2" not in said
    assert "1 grower in Mirindi North" in said
    said = agent.sign_in("amina").open("/desk/").said
    assert all(f"Somebody {place}" in said for place in range(3))


def test_what_is_due_is_counted_by_operation_this_week_and_overdue(agent: Desk) -> None:
    # Today is a Monday, so yesterday belongs to a week gone by.
    days = {"clear": (-1, -8, 0, 6, 7), "plant": (3,)}
    for place, (name, due) in enumerate((name, due) for name, each in days.items() for due in each):
        agent.put(f"+25571200000{place}", of_group(NORTH, plan=plan_due(due, name)))
    rows = agent.open("/desk/").rows
    assert ["Clear the field", "2", "2"] in rows
    assert ["Plant", "1", "0"] in rows


def test_operations_come_in_the_order_of_a_season() -> None:
    week = TODAY.isoformat()
    facts = {f"open:{name}:{week}": 1 for name in reversed(WORK)} | {f"done:plant:{week}": 4}
    due = due_this_week(Counter(facts), TODAY)
    assert due == [Due(name, 1, 0) for name in WORK]


def test_the_furthest_behind_come_first_and_the_rest_are_a_link_away(agent: Desk) -> None:
    many = MOST["behind"] + 3
    for place in range(many):
        number = f"+2557120001{place:02d}"
        agent.put(number, of_group(NORTH, f"Grower {place}", plan_due(-1 - place)))
    page = agent.open("/desk/")
    behind = [row for row in page.rows if row[1:2] == ["Clear the field"] and "Grower" in row[0]]
    assert [int(row[2]) for row in behind] == [*range(many, 3, -1)]
    (more,) = [each for each in page.parsed.links if "behind=" in each]
    rest = agent.open(unescape(more))
    behind = [row for row in rest.rows if "Grower" in row[0] and row[1:2] == ["Clear the field"]]
    assert [int(row[2]) for row in behind] == [3, 2, 1]


@pytest.mark.parametrize("start", ["-1", "x", "٣", "9" * 400])
def test_an_odd_place_in_a_list_is_no_error(agent: Desk, start: str) -> None:
    agent.put(ASHA, of_group(NORTH, plan=plan_due(-3), trouble="asked for help"))
    assert agent.open(f"/desk/?calls={start}&behind={start}").status == 200
    assert agent.open(f"/desk/groups/{NORTH}?start={start}").status == 200


def test_an_agent_without_a_group_is_told_who_gives_one(redis_client: redis.Redis) -> None:
    desk = Desk(redis_client).sign_in("chausiku", "A group that is gone")
    assert "You look after no group yet" in desk.open("/desk/").said
    assert "You look after no group yet" in desk.open("/desk/groups").said


# Groups


def test_the_ledger_counts_each_group_and_all_together(admin: Desk) -> None:
    admin.put(ASHA, of_group(NORTH, plan=plan_due(-3), trouble="asked for help"))
    admin.put(JUMA, replace(of_group(NORTH), stopped=True))
    done = Operation("plant", TODAY, TODAY, TODAY, done=TODAY)
    admin.put("+255712000003", of_group(LAKE, plan=Plan((done,))))
    admin.put("+255712000004", of_group(NORTH, plan=plan_due(4)))
    rows = {row[0]: row[1:6] for row in admin.open("/desk/groups").rows}
    assert rows[NORTH] == ["3", "1", "1", "0", "1"]
    assert rows[LAKE] == ["1", "0", "0", "1", "0"]
    assert rows["Together"] == ["4", "1", "1", "1", "1"]
    assert "Without a group" not in rows


def test_many_groups_come_on_pages_and_are_found_by_a_part_of_their_name(admin: Desk) -> None:
    admin.put(ASHA, of_group(NORTH, plan=plan_due(-3)))
    done = Operation("plant", TODAY, TODAY, TODAY, done=TODAY)
    admin.put(JUMA, of_group("Zawadi", plan=Plan((done,))))
    admin.put("+255712000003", of_group(""))
    names = [f"Shamba {place:03d}" for place in range(2 * GROUPS)]
    for name in [*names, "Zawadi"]:
        admin.groups.named(name)
    first = admin.open("/desk/groups")
    shown = [row[0] for row in first.rows]
    assert NORTH in shown
    assert "Zawadi" not in shown
    together = ["3", "1", "0", "1", "0"]
    assert [row[1:6] for row in first.rows if row[0].startswith("Together")] == [together]
    page, seen = first, [*shown]
    for start in (GROUPS, 2 * GROUPS):
        (following,) = [unescape(each) for each in page.parsed.links if f"start={start}" in each]
        page = admin.open(following)
        seen += [row[0] for row in page.rows]
        assert [row[1:6] for row in page.rows if row[0].startswith("Together")] == [together]
    assert {*names, NORTH, LAKE, "Zawadi"} <= {*seen}
    assert seen.count("Without a group") == [row[0] for row in page.rows].count("Without a group")
    assert "Without a group" in seen
    assert not [each for each in page.parsed.links if f"start={3 * GROUPS}" in each]
    found = admin.open("/desk/groups?named=shamba+01")
    shown = [row[0] for row in found.rows if row[0].startswith(("Shamba", "Mirindi"))]
    assert shown == [f"Shamba {place:03d}" for place in range(10, 20)]
    assert "No group has “xyz” in its name" in admin.open("/desk/groups?named=xyz").said
    assert "There are no more groups" in admin.open("/desk/groups?start=900").said


def test_an_agent_finds_own_groups_only_and_cannot_change_them(agent: Desk) -> None:
    page = agent.open("/desk/groups")
    assert NORTH in page.said
    assert LAKE not in page.said
    assert "Add a group" not in page.said
    assert agent.post("/desk/groups", name="Mirindi South").status == 404
    assert agent.post("/desk/groups", was=NORTH, zone="Africa/Nairobi").status == 404
    assert agent.groups.shelf.find(NORTH) == Group(NORTH)


def test_an_admin_adds_a_group_and_changes_it(admin: Desk) -> None:
    sent = {"name": "  Mirindi   South ", "country": "ke", "zone": "Africa/Nairobi"}
    page = admin.post("/desk/groups", **sent, language="sw")
    assert "Mirindi South is added." in admin.open(page.goal).said
    kept = admin.groups.shelf.find("Mirindi South")
    assert kept == Group("Mirindi South", "KE", "Africa/Nairobi", "sw")
    form = admin.open("/desk/groups?change=Mirindi+South")
    assert [form.value(each) for each in ("country", "zone")] == ["KE", "Africa/Nairobi"]
    season = date(2026, 2, 1)
    admin.groups.shelf.change("Mirindi South", lambda group: replace(group, season=season))
    page = admin.post("/desk/groups", was="Mirindi South", country="TZ", zone="", language="")
    assert "Mirindi South is changed." in admin.open(page.goal).said
    kept = admin.groups.shelf.find("Mirindi South")
    assert kept == Group("Mirindi South", "TZ", season=season)
    assert [each.what for each in admin.trail[:2]] == ["changed the group", "added the group"]


@pytest.mark.parametrize(
    ("name", "value", "said"),
    [
        ("name", " ... ", "a letter or a digit"),
        ("name", NORTH, "is a group Mirindi North already"),
        ("country", "XX", "as TZ or KE"),
        ("zone", "Mars/North", "as Africa/Nairobi"),
        ("zone", "../etc/passwd", "as Africa/Nairobi"),
        ("language", "tlh", "languages on offer"),
    ],
)
def test_a_fault_is_said_beside_its_field_and_nothing_typed_is_lost(
    admin: Desk, name: str, value: str, said: str
) -> None:
    sent = {"name": "Mirindi South", "country": "KE", "zone": "Africa/Nairobi", "language": "sw"}
    page = admin.post("/desk/groups", **{**sent, name: value})
    assert page.status in {400, 409}
    assert page.said.count(said) == 2  # summed up on top, and beside the field
    assert page.parsed.fields[name]["aria-describedby"] == f"{name}-fault"
    kept = {each: page.value(each) for each in ("name", "country", "zone") if each != name}
    assert kept == {each: sent[each] for each in kept}
    assert set(admin.groups.shelf.all()) == {NORTH, LAKE}


# A group


def test_a_group_of_others_looks_like_one_that_is_not_there(agent: Desk) -> None:
    theirs, none = agent.open(f"/desk/groups/{LAKE}"), agent.open("/desk/groups/Nowhere")
    assert theirs.status == none.status == agent.open("/desk/no-group").status == 404
    assert theirs.said == none.said


def test_the_growers_of_a_group_are_in_parts_by_their_next_work(agent: Desk) -> None:
    parts = {"behind": (-9, -1), "week": (0, 6), "later": (7, 90), "none": (None,)}
    place = 0
    for name, days in parts.items():
        for due in days:
            grower = of_group(NORTH, f"{name}{due}", None if due is None else plan_due(due))
            agent.put(f"+25571200000{place}", grower)
            place += 1
    for name, days in parts.items():
        rows = agent.open(f"/desk/groups/{NORTH}?part={name}").rows
        listed = [row[0] for row in rows if any(row[0].startswith(each) for each in parts)]
        assert listed == [f"{name}{due}" for due in days]
    first = agent.open(f"/desk/groups/{NORTH}").rows
    assert "behind-9" in [row[0] for row in first]  # what is worst is shown unasked


def test_a_group_is_shown_a_page_at_a_time(agent: Desk) -> None:
    for place in range(PAGE + 2):
        grower = of_group(NORTH, f"Grower {place}", plan_due(60 + place))
        agent.put(f"+2557120001{place:02d}", grower)
    page = agent.open(f"/desk/groups/{NORTH}?part=later")
    names = [row[0] for row in page.rows if row[0].startswith("Grower ")]
    assert names == [f"Grower {place}" for place in range(PAGE)]
    (more,) = [each for each in page.parsed.links if "start=" in each]
    rest = agent.open(unescape(more))
    names = [row[0] for row in rest.rows if row[0].startswith("Grower ")]
    assert names == [f"Grower {PAGE}", f"Grower {PAGE + 1}"]


@pytest.mark.parametrize(
    ("grower", "mark"),
    [
        (Grower(stopped=True), "STOP"),
        (Grower(consent=False), "No consent"),
        (Grower(unreachable="no such number"), "Not reached"),
        (Grower(trouble="asked for help"), "To ring"),
    ],
)
def test_marks_are_said_in_words(agent: Desk, grower: Grower, mark: str) -> None:
    agent.put(ASHA, replace(grower, name="Asha Nyembe", group=NORTH))
    agent.put(JUMA, of_group(NORTH, "Juma Sengo"))
    rows = {row[0]: row[-1] for row in agent.open(f"/desk/groups/{NORTH}?part=none").rows}
    assert rows["Asha Nyembe"] == mark
    assert rows["Juma Sengo"] == ""


def test_the_calendar_says_in_its_table_what_it_draws(agent: Desk) -> None:
    done = Operation("slash", TODAY, TODAY, TODAY, done=TODAY - timedelta(days=14))
    late = Operation("clear", TODAY, TODAY - timedelta(days=7), TODAY)
    coming = Operation("plant", TODAY, TODAY + timedelta(days=20), TODAY)
    for number in (ASHA, JUMA):
        agent.put(number, of_group(NORTH, plan=Plan((done, late, coming))))
    page = agent.open(f"/desk/groups/{NORTH}")
    assert ["Mon 16 Feb", "Cut the field low", "2", "0", "0"] in page.rows
    assert ["Mon 23 Feb", "Clear the field", "0", "2", "0"] in page.rows
    assert ["Mon 16 Mar", "Plant", "0", "0", "2"] in page.rows
    assert page.html.count("<svg") >= 2
    assert "6 operations" not in page.html
    assert "3 operations over" in page.html


def test_a_calendar_goes_back_half_a_year_and_tells_what_is_left_of_before() -> None:
    old = (TODAY - timedelta(weeks=40)).isoformat()
    new = (TODAY + timedelta(weeks=80)).isoformat()
    sums = Counter({f"open:clear:{old}": 3, f"done:slash:{old}": 5, f"open:plant:{new}": 1})
    season = season_of(sums, TODAY, NORTH)
    assert season is not None
    assert season.before == 3
    assert season.lines == []
    assert season_of(Counter({"stage:plant": 1}), TODAY, NORTH) is None


def test_a_group_with_an_odd_name_has_a_page(admin: Desk) -> None:
    name = 'Mirindi <b>A/B</b> ?#% & "C"'
    admin.groups.named(name)
    admin.put(ASHA, of_group(name, "Asha Nyembe"))
    (link,) = [each for each in admin.open("/desk/groups").parsed.links if "A/B" in each][:1]
    page = admin.open(unescape(link))
    assert page.said.startswith(name)
    assert "Asha Nyembe" in admin.open(unescape(link) + "?part=none").said


def test_an_empty_group_says_what_to_do_next(admin: Desk) -> None:
    page = admin.open(f"/desk/groups/{NORTH}")
    assert "Enrol its growers from a file." in page.said
    assert any(each.endswith("/enrol") for each in page.parsed.links)


# Finding


@pytest.mark.parametrize(
    "written", ["0712 000 001", "+255712000001", "00255-712-000001", "712000001", " (0712) 000001 "]
)
def test_a_grower_is_found_however_the_number_is_written(agent: Desk, written: str) -> None:
    agent.put(ASHA, of_group(NORTH))
    answer = agent.browser.get("/desk/growers", query_string={"number": written})
    assert answer.headers["Location"] == f"/desk/growers/{ASHA}"


def test_a_number_without_a_code_is_of_the_groups_country(agent: Desk) -> None:
    agent.groups.shelf.change(NORTH, lambda group: replace(group, country="KE"))
    agent.put("+254712000001", of_group(NORTH))
    wanted = {"number": "0712 000 001", "group": NORTH}
    answer = agent.browser.get("/desk/growers", query_string=wanted)
    assert answer.headers["Location"] == "/desk/growers/+254712000001"


def test_who_is_not_theirs_is_not_found_and_what_was_typed_stays(agent: Desk) -> None:
    agent.put(ASHA, of_group(LAKE))
    theirs, none = (agent.open(f"/desk/growers?number={each}") for each in (ASHA[1:], JUMA[1:]))
    assert theirs.status == none.status == 404
    assert theirs.said.replace(ASHA, "") == none.said.replace(JUMA, "")
    assert theirs.value("number") == ASHA[1:]
    odd = agent.open("/desk/growers?number=about+noon")
    assert "no telephone number" in odd.said
    assert odd.value("number") == "about noon"
    assert agent.open("/desk/growers").status == 200
