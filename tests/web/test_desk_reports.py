"""The desk's pages of deliveries and of the season, and the files they give."""

from __future__ import annotations

import csv
import io
from collections import Counter
from datetime import date, timedelta
from typing import TYPE_CHECKING
from urllib.parse import quote

import pytest
from desk_visits import ASHA, JUMA, LAKE, NINE, NORTH, OFFERED, TODAY, Desk, of_group, plan_due
from msgspec.structs import replace
from openpyxl import load_workbook

from bot.dialogue.records import Grower, Operation, Plan
from bot.settings import Settings
from bot.store.growers import NEW, Commit
from bot.store.texts import Line
from bot.web.desk.deliveries import FAILURES, Tally, last_days, tally_of
from bot.web.desk.season import BATCH, listed

if TYPE_CHECKING:
    import redis

    from bot.store.texts import What

PRICED = Settings(secret=OFFERED.secret, segment_price=30.0, currency="TZS")
DAY_S = 24 * 3600


@pytest.fixture
def agent(redis_client: redis.Redis) -> Desk:
    return Desk(redis_client, PRICED).sign_in("baraka", NORTH)


def line(what: What, kind: str, back: int = 0, reason: str = "", serial: int = 0) -> Line:
    segments = 2 if what == "sent" else 0
    at = int(NINE) - back * DAY_S
    return Line(at, what, kind, serial=serial, reason=reason, segments=segments)


def done(name: str, late: int = 0, ml: int = 0, back: int = 7) -> Operation:
    on = TODAY - timedelta(days=back)
    due = on - timedelta(days=late)
    return Operation(name, due, due, due, done=on, late=late, ml=ml)


# Deliveries


def test_before_anything_is_sent_the_page_says_what_would_be(agent: Desk) -> None:
    said = agent.open("/desk/deliveries").said
    assert "Nothing has been sent in these days." in said
    assert "Write a round" in said


def test_texts_are_counted_by_kind_and_by_day_with_their_cost(agent: Desk) -> None:
    agent.put(
        ASHA,
        of_group(NORTH, "Asha Nyembe"),
        line("heard", "sms"),
        line("sent", "reply"),
        line("sent", "reminder", 3, serial=1),
        line("delivered", "reminder", 2, serial=1),
        line("sent", "notice", 3, serial=2),
        line("refused", "notice", 3, "no credit"),
        line("sent", "screen"),
        line("sent", "desk"),
        line("sent", "reply", 31),
    )
    page = agent.open("/desk/deliveries")
    # A segment is 30 shillings, and each of these texts takes two.
    assert ["Replies", "1", "0", "0", "2", "TZS 60.00"] in page.rows
    assert ["Reminders", "1", "1", "0", "2", "TZS 60.00"] in page.rows
    assert ["Rounds and notices", "1", "0", "1", "2", "TZS 60.00"] in page.rows
    assert ["Together", "3", "1", "1", "6", "TZS 180.00"] in page.rows
    days = [row for row in page.rows if row[0].split()[0] in {"Mon", "Sat", "Fri"}]
    assert days == [
        ["Mon 2 Mar", "1", "0", "0", "2", "TZS 60.00"],
        ["Sat 28 Feb", "0", "1", "0", "0", "TZS 0.00"],
        ["Fri 27 Feb", "2", "0", "1", "4", "TZS 120.00"],
    ]
    assert "1 delivered, 1 failed, 3 no report yet." in page.said


def test_without_a_price_no_cost_is_shown(redis_client: redis.Redis) -> None:
    desk = Desk(redis_client).sign_in("baraka", NORTH)
    desk.put(ASHA, of_group(NORTH), line("sent", "reply"))
    page = desk.open("/desk/deliveries")
    assert ["Together", "1", "0", "0", "2"] in page.rows
    assert "Cost" not in page.said


def test_an_agent_sees_the_texts_of_own_groups_and_an_admin_all(agent: Desk) -> None:
    for place, group in enumerate((NORTH, LAKE, "", "A group that is gone")):
        number = f"+25571200000{place}"
        texts = (line("sent", "reply"), line("refused", "reply", reason=f"reason {place}"))
        agent.put(number, of_group(group, f"Somebody {place}"), *texts)
    page = agent.open("/desk/deliveries")
    assert next(row for row in page.rows if row[0] == "Together")[1:4] == ["1", "0", "1"]
    assert [f"reason {place}" in page.said for place in range(4)] == [True, False, False, False]
    page = agent.sign_in("amina").open("/desk/deliveries")
    assert next(row for row in page.rows if row[0] == "Together")[1:4] == ["4", "0", "4"]
    assert all(f"reason {place}" in page.said for place in range(4))


def test_failures_are_told_newest_first_with_the_reason_and_the_grower(agent: Desk) -> None:
    agent.put(ASHA, of_group(NORTH, "Asha Nyembe"), line("refused", "reminder", 1, "no credit"))
    sent = line("sent", "notice", serial=4)
    agent.put(JUMA, of_group(NORTH), sent, line("failed", "notice", 0, "phone is off", 4))
    page = agent.open("/desk/deliveries")
    assert page.rows[-2:] != []
    rows = [row for row in page.rows if row[-1].startswith(("Did not", "Not taken"))]
    assert rows == [
        [JUMA, "2 Mar 2026, 09:00", "Round or notice", "Did not arrive: phone is off"],
        ["Asha Nyembe", "1 Mar 2026, 09:00", "Reminder", "Not taken by the gateway: no credit"],
    ]
    assert f"/desk/growers/{JUMA}" in page.parsed.links


def test_a_failure_of_who_has_moved_away_or_is_forgotten_is_not_shown(agent: Desk) -> None:
    agent.put(ASHA, of_group(NORTH, "Asha Nyembe"), line("refused", "reply", reason="reason 1"))
    agent.put(ASHA, of_group(LAKE, "Asha Nyembe"))
    agent.put(JUMA, of_group(NORTH, "Juma Sengo"), line("refused", "reply", reason="reason 2"))
    agent.store.forget(JUMA)
    said = agent.open("/desk/deliveries").said
    assert "reason" not in said
    assert "Nothing has failed lately." in said


def test_no_more_failures_are_listed_than_one_can_look_at(agent: Desk) -> None:
    for place in range(FAILURES + 3):
        number = f"+2557120001{place:02d}"
        agent.put(number, of_group(NORTH), line("refused", "reply", reason="no credit"))
    assert agent.open("/desk/deliveries").said.count(": no credit") == FAILURES


def test_days_are_those_texts_are_counted_by() -> None:
    # At 00:30 in Dar es Salaam it is still the day before in UTC.
    days = last_days(NINE - 8.5 * 3600)
    assert (days[0], days[-1], len(days)) == (date(2026, 1, 30), date(2026, 3, 1), 31)


def test_refused_texts_failed_but_were_not_sent() -> None:
    counts = Counter({("sent", "reply"): 5, ("refused", "reply"): 2, ("failed", "notice"): 1})
    assert tally_of(counts) == Tally(5, 0, 3, 0, 2)
    assert tally_of(counts, "notice") == Tally(0, 0, 1, 0)


# The season


def test_the_season_is_shown_for_all_own_groups_or_those_chosen(agent: Desk) -> None:
    agent.put(ASHA, of_group(NORTH, plan=Plan((done("plant", late=3), *plan_due(4).operations))))
    agent.put(JUMA, of_group(LAKE, plan=Plan((done("plant"), done("spray_fallow", ml=1500)))))
    agent.put("+255712000003", of_group("", plan=plan_due(2, "plant")))
    page = agent.open("/desk/season")
    assert ["Plant", "1", "1", "100%", "1", "3", ""] in page.rows
    assert ["Clear the field", "1", "0", "0%", "", "", ""] in page.rows
    assert "1 grower in Mirindi North" in page.said
    page = agent.sign_in("amina").open("/desk/season")
    assert ["Plant", "3", "2", "67%", "1", "3", ""] in page.rows
    assert ["Spray the fallow", "1", "1", "100%", "0", "", "1.5"] in page.rows
    page = agent.open(f"/desk/season?group={quote(LAKE)}&group=")
    assert ["Plant", "2", "1", "50%", "0", "", ""] in page.rows
    assert "checked" in page.parsed.fields["group-1"]
    assert "checked" not in page.parsed.fields["group-2"]


def test_a_season_says_what_to_do_while_there_is_nothing(agent: Desk) -> None:
    assert "Nobody is in it yet. Enrol growers" in agent.open("/desk/season").said
    agent.put(ASHA, of_group(NORTH))
    assert "Nobody has a plan yet." in agent.open("/desk/season").said
    other = agent.sign_in("chausiku", "A group that is gone")
    assert "You look after no group yet" in other.open("/desk/season").said


@pytest.mark.parametrize(
    "page", ["season", "season/work.csv", "season/work.xlsx", "season/growers.csv"]
)
def test_the_groups_of_others_look_like_none(agent: Desk, page: str) -> None:
    for group in (LAKE, "", "Nowhere"):
        assert agent.browser.get(f"/desk/{page}", query_string={"group": group}).status_code == 404
    admin = agent.sign_in("amina")
    nowhere = {"group": "Nowhere"}
    assert admin.browser.get(f"/desk/{page}", query_string=nowhere).status_code == 404


def test_files_are_of_known_kinds_and_a_list_is_of_one_group(agent: Desk) -> None:
    for page in ("season/work.exe", "season/growers.ods", "season/growers.csv"):
        assert agent.browser.get(f"/desk/{page}").status_code == 404


@pytest.mark.parametrize("kind", ["csv", "xlsx"])
def test_the_table_is_given_as_a_file(agent: Desk, kind: str) -> None:
    agent.put(ASHA, of_group(NORTH, plan=Plan((done("plant", late=3), done("slash")))))
    agent.put(JUMA, of_group(LAKE, plan=Plan((done("plant", late=5),))))
    answer = agent.browser.get(f"/desk/season/work.{kind}")
    assert answer.headers["Content-Disposition"] == f"attachment; filename=season.{kind}"
    rows = table(answer.data, kind)
    assert rows[1:] == [
        ["Cut the field low", "1", "1", "100", "0", "0", "0"],
        ["Plant", "1", "1", "100", "1", "3", "0"],
    ]
    assert len(rows[0]) == len(rows[1])


def table(content: bytes, kind: str) -> list[list[str]]:
    """Read a file back; whole numbers without their point, days as ISO writes them."""
    if kind == "csv":
        assert content.startswith(b"\xef\xbb\xbf")
        rows = [*csv.reader(io.StringIO(content.decode("utf-8-sig")))]
    else:
        book = load_workbook(io.BytesIO(content), read_only=True)
        rows = [
            ["" if cell is None else str(cell) for cell in row]
            for row in book.worksheets[0].iter_rows(values_only=True)
        ]
    plain = [[each.removesuffix(".0").removesuffix(" 00:00:00") for each in row] for row in rows]
    # A workbook leaves empty cells at the end of a row away.
    return [row + [""] * (len(plain[0]) - len(row)) for row in plain]


# A group's growers


@pytest.mark.parametrize("kind", ["csv", "xlsx"])
def test_a_groups_growers_are_given_with_each_operation(agent: Desk, kind: str) -> None:
    plan = Plan((done("slash", late=2), *plan_due(4).operations))
    agent.put(ASHA, replace(of_group(NORTH, "Asha Nyembe", plan), village="Kanoro"))
    agent.put(JUMA, replace(of_group(NORTH, "=1+1"), language="sw"))
    agent.put("+255712000003", of_group(LAKE, "Salome", plan_due(3, "ridge")))
    address = f"/desk/season/growers.{kind}"
    answer = agent.browser.get(address, query_string={"group": NORTH})
    content = answer.data
    answer.close()  # as a server does, and with it the file it came from
    name = f"attachment; filename=Mirindi_North.{kind}"
    assert answer.headers["Content-Disposition"] == name
    header, *rows = table(content, kind)
    assert header == [
        *("Phone", "Name", "Village", "Language", "Stage"),
        *(f"Cut the field low: {part}" for part in ("due", "done", "days late")),
        *(f"Clear the field: {part}" for part in ("due", "done", "days late")),
    ]
    guard = "'" if kind == "csv" else ""
    assert sorted(rows) == [
        [
            *(ASHA, "Asha Nyembe", "Kanoro", "en", "Clear the field"),
            *("", "2026-02-23", "2", "2026-03-06", "", ""),
        ],
        [JUMA, f"{guard}=1+1", "", "sw", "Not begun", *[""] * 6],
    ]
    entry = agent.trail[0]
    assert (entry.what, entry.whom) == ("took a list of the growers of", NORTH)


def test_a_large_group_is_written_in_pieces_and_whole(agent: Desk) -> None:
    many = 3 * BATCH
    numbers = [f"+2557{place:08d}" for place in range(many)]
    agent.store.commit_many(Commit(each, NEW, of_group(NORTH), None) for each in numbers)
    answer = agent.browser.get("/desk/season/growers.csv", query_string={"group": NORTH})
    pieces = [*answer.response]
    assert len(pieces) > 1
    rows = table(b"".join(pieces), "csv")
    assert sorted(row[0] for row in rows[1:]) == numbers


def test_an_operation_that_recurs_has_its_next_day_its_last_and_all_days_late() -> None:
    plan = Plan(
        (
            done("weed_by_hand_1", late=2, back=20),
            done("weed_by_hand_2", late=1, back=5),
            *plan_due(9, "weed_by_hand_5").operations,
            *plan_due(30, "weed_by_hand_3").operations,
        )
    )
    row = listed(ASHA, Grower(language="sw", plan=plan), ["weed_by_hand", "plant"])
    assert row == [
        *(ASHA, "", "", "sw", "Weed by hand"),
        *(TODAY + timedelta(days=9), TODAY - timedelta(days=5), 3),
        *(None, None, None),
    ]


def test_a_group_with_an_odd_name_gives_a_file_with_a_plain_one(agent: Desk) -> None:
    agent.sign_in("amina")
    for name, file in (("Mlima / Čaha", "Mlima_Caha.csv"), ("日本", "growers.csv")):
        agent.groups.named(name)
        agent.put(ASHA, of_group(name))
        answer = agent.browser.get("/desk/season/growers.csv", query_string={"group": name})
        assert answer.headers["Content-Disposition"] == f"attachment; filename={file}"
        assert ASHA in answer.text


def test_who_moves_away_while_a_list_is_written_is_not_in_it(
    agent: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    agent.put(ASHA, of_group(NORTH, "Asha Nyembe"))
    agent.put(JUMA, of_group(LAKE, "Juma Sengo"))
    before = [ASHA, JUMA, "+255712000009"]  # as the members stood a moment ago
    monkeypatch.setattr(agent.groups, "members", lambda _, shard: [] if shard else before)
    answer = agent.browser.get("/desk/season/growers.csv", query_string={"group": NORTH})
    assert [row[0] for row in table(answer.data, "csv")[1:]] == [ASHA]
