"""The API: plans from answer sheets, and reports for growers."""

from __future__ import annotations

import threading
from datetime import UTC, date, datetime
from typing import TYPE_CHECKING, Any

import pytest
from api_calls import (
    ASHA,
    GROWER,
    HER,
    NORTH,
    SHEET,
    TODAY,
    UNKNOWN,
    Union,
    failed,
    grower_of,
    put,
    report,
)
from msgspec.structs import replace

from bot.dialogue.advice import advise
from bot.dialogue.records import Grower
from bot.dialogue.sheet import read_sheet
from bot.reminders.schedule import next_due
from bot.store.texts import Line

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


# Plans


def test_a_plan_is_the_one_that_is_advised(asha: Union) -> None:
    flows = asha.dialogue.flows
    sheet = read_sheet(SHEET | {"language": "sw"}, flows, asha.dialogue.languages, TODAY)
    advice = advise(sheet, flows, asha.dialogue.voice("sw"))
    said = asha.plan().get_json()
    assert said["texts"] == advice.texts
    assert (said["language"], said["texted"], said["reason"]) == ("sw", False, "not_asked")
    days = [
        (each["id"], each["earliest"], each["due"], each["latest"])
        for each in said["plan"]["operations"]
    ]
    assert days == [
        (each.id, str(each.earliest), str(each.due), str(each.latest)) for each in advice.operations
    ]
    assert said["plan"]["operations"][0]["product_ml"] > 0
    assert asha.ask("GET", f"{HER}/plan").get_json() == said["plan"]
    her = grower_of(asha)
    assert her.waiting == ()
    assert her.answers["cover"] == "grass"
    # Its reminders go out, from the day after.
    tomorrow = datetime(2026, 3, 3, 4, tzinfo=UTC).timestamp()  # 07:00 in Dar es Salaam
    assert asha.store.claim(tomorrow - 1, 60, 64) == []
    assert asha.store.claim(tomorrow, 60, 64) == [ASHA]


def test_who_has_no_plan_is_told_so(union: Union) -> None:
    union.enrol(GROWER)
    failed(union.ask("GET", f"{HER}/plan"), 404)
    failed(union.ask("PUT", f"{UNKNOWN}/plan", {"sheet": SHEET}), 404)
    report = {"operation": "plant", "done": "2026-03-02"}
    assert "operation" in failed(union.ask("POST", f"{HER}/reports", report), 422)


def test_every_fault_of_a_sheet_is_listed(asha: Union) -> None:
    before = grower_of(asha)
    wrong = {"cover": "gras", "height_cm": -1, "today": "2026-02-20", "soil": {"stony": 2}}
    answer = asha.plan(**wrong, language="xx", done={"plough": "2026-03-09"}, colour="red")
    assert set(failed(answer, 422)) == {
        "sheet.cover",
        "sheet.height_cm",
        "sheet.today",
        "sheet.soil.stony",
        "sheet.language",
        "sheet.done.plough",
        "sheet.colour",
    }
    assert set(failed(asha.ask("PUT", f"{HER}/plan", {"sheet": {}}), 422)) >= {"sheet.area"}
    assert grower_of(asha) == before


def text(union: Union, **changed: object) -> dict[str, Any]:
    body = {"sheet": SHEET | changed, "text": True}
    answer = union.ask("PUT", f"{HER}/plan", body)
    assert answer.status_code == 200, answer.json
    return answer.get_json()


def bodies(union: Union) -> list[str]:
    return [each.body for each in grower_of(union).waiting]


def test_a_plan_is_texted_only_if_asked_and_once(asha: Union) -> None:
    said = text(asha)
    assert (said["texted"], said["reason"]) == (True, "")
    assert bodies(asha) == said["texts"]
    assert {each.kind for each in grower_of(asha).waiting} == {"notice"}
    again = text(asha)
    assert (again["texted"], again["reason"]) == (False, "texted_before")
    assert bodies(asha) == said["texts"]
    # Also when they have left.
    waiting = grower_of(asha).waiting
    lines = [
        Line(int(asha.now), "sent", each.kind, each.body, each.serial, about=each.operation)
        for each in waiting
    ]
    loaded = asha.store.load(ASHA)
    asha.store.commit(ASHA, loaded, replace(loaded.grower, waiting=()), due=None, lines=lines)
    assert text(asha)["reason"] == "texted_before"
    assert bodies(asha) == []
    # A plan for another field is news, and takes the place of one that has not left.
    other, back = text(asha, area={"value": 2, "unit": "acre"}), text(asha)
    assert (other["texted"], back["texted"]) == (True, True)
    assert bodies(asha) == back["texts"]


@pytest.mark.parametrize(
    ("silent", "reason"),
    [
        ({"stopped": True}, "stopped"),
        ({"consent": False}, "no_consent"),
        ({"unreachable": "no such number"}, "unreachable"),
    ],
)
def test_no_plan_is_texted_to_who_wants_none(
    asha: Union, silent: dict[str, Any], reason: str
) -> None:
    put(asha, ASHA, lambda it: replace(it, **silent))
    said = text(asha)
    assert (said["texted"], said["reason"]) == (False, reason)
    her = grower_of(asha)
    assert her.waiting == ()
    assert next_due(her, asha.settings, asha.now) is None
    assert her.plan is not None


def test_a_sheet_answers_the_questions_that_stand(union: Union) -> None:
    union.enrol(GROWER)
    begun = put(union, ASHA, lambda it: union.dialogue.begin(it, "field", TODAY, inviter=NORTH))
    assert len(begun.waiting) == 1
    assert union.dialogue.open_question(begun)
    assert union.plan().status_code == 200
    her = grower_of(union)
    assert (her.session, her.waiting) == (None, ())
    # What answers the text that is still on the phone does no harm.
    union.exchange.answer(ASHA, "2")
    assert grower_of(union).plan == her.plan


def test_another_conversation_goes_on_behind_the_menu(asha: Union) -> None:
    sprayer = put(asha, ASHA, lambda it: asha.dialogue.begin(it, "sprayer", TODAY))
    measuring = asha.dialogue.open_question(sprayer)
    put(asha, ASHA, lambda it: asha.dialogue.begin(it, "field", TODAY))
    asha.plan()
    session = grower_of(asha).session
    assert session is not None
    assert session.flow == "menu"
    assert session.aside is not None
    assert session.aside.flow == "sprayer"
    behind = replace(grower_of(asha), session=session.aside)
    assert asha.dialogue.open_question(behind) == measuring


def test_a_question_about_the_old_plan_is_closed(asha: Union) -> None:
    reminded = put(asha, ASHA, lambda it: asha.dialogue.remind(it, date(2026, 3, 3)))
    assert reminded.session is not None
    assert {each.kind for each in reminded.waiting} == {"reminder"}
    put(asha, ASHA, lambda it: replace(it, trouble="no answer to the reminders"))
    asha.now += 24 * 3600
    asha.plan()
    her = grower_of(asha)
    assert (her.session, her.waiting, her.trouble) == (None, (), "")


def test_the_language_of_who_has_none_comes_from_sheet_group_or_english(union: Union) -> None:
    put(union, ASHA, lambda _: Grower(group=NORTH))
    assert union.plan().get_json()["language"] == "en"
    assert grower_of(union).language == ""
    union.groups.change(NORTH, language="sw")
    assert union.plan().get_json()["language"] == "sw"
    assert union.plan(language="en").get_json()["language"] == "en"
    assert grower_of(union).language == "en"
    assert union.plan(language="sw").get_json()["language"] == "en"


def test_a_measured_sprayer_stays_and_a_spray_that_is_done_counts(asha: Union) -> None:
    put(
        asha,
        ASHA,
        lambda it: replace(it, answers={"spray_volume_l_per_ha": 180.0, "sprouted_of_20": 9}),
    )
    asha.plan(done={"spray_fallow": "2026-02-20"})
    her = grower_of(asha)
    assert her.answers["spray_volume_l_per_ha"] == 180.0
    assert "sprouted_of_20" not in her.answers
    assert her.plan is not None
    spray = her.plan.find("spray_fallow")
    assert spray is not None
    assert (spray.done, her.plan.last_group) == (date(2026, 2, 20), spray.group)


# Reports


def test_a_report_moves_the_plan_as_the_growers_own(asha: Union) -> None:
    mine = asha.dialogue.report(grower_of(asha), "spray_fallow", TODAY, done=TODAY)
    answer = report(asha, operation="spray_fallow", done="2026-03-02")
    assert answer.status_code == 200
    assert grower_of(asha) == mine
    assert mine.waiting == ()
    plan = answer.get_json()
    assert plan["operations"][0]["done"] == "2026-03-02"
    assert plan["next_reminder"] == "2026-03-16"
    # Reported again it stays, on another day it is refused.
    assert report(asha, operation="spray_fallow", done="2026-03-02").get_json() == plan
    assert "operation" in failed(report(asha, operation="spray_fallow", done="2026-03-01"), 422)
    put_off = report(asha, operation="plough", not_before="2026-03-20").get_json()
    assert put_off["operations"][1]["not_before"] == "2026-03-20"
    assert put_off["next_reminder"] == "2026-03-20"


@pytest.mark.parametrize(
    ("body", "field"),
    [
        ({"operation": "dig", "done": "2026-03-02"}, "operation"),
        ({"operation": "plough"}, "not_before"),
        ({"operation": "plough", "done": "2026-03-02", "not_before": "2026-03-02"}, "done"),
        ({"operation": "plough", "done": "2026-03-03"}, "done"),
        ({"operation": "plough", "done": "2016-03-01"}, "done"),
        ({"operation": "plough", "not_before": "2026-03-01"}, "not_before"),
        ({"operation": "plough", "not_before": "2028-03-01"}, "not_before"),
    ],
)
def test_a_report_that_cannot_be_is_refused(asha: Union, body: dict[str, Any], field: str) -> None:
    before = grower_of(asha)
    assert set(failed(report(asha, **body), 422)) == {field}
    assert grower_of(asha) == before


def test_what_the_grower_says_meanwhile_is_not_lost(
    asha: Union, monkeypatch: pytest.MonkeyPatch
) -> None:
    commit, came = asha.store.commit, []

    def later(*args: Any, **more: Any) -> bool:  # noqa: ANN401 - as the store's
        if not came:
            came.append("STOP")
            asha.exchange.answer(ASHA, "STOP")
        return commit(*args, **more)

    monkeypatch.setattr(asha.store, "commit", later)
    assert report(asha, operation="spray_fallow", done="2026-03-02").status_code == 200
    her = grower_of(asha)
    assert her.stopped
    assert her.plan is not None
    assert [each.id for each in her.plan.operations if each.done] == ["spray_fallow"]


def test_many_changes_at_once_all_become_true(asha: Union) -> None:
    names = ["village", "name"]
    threads = [
        threading.Thread(target=asha.ask, args=("PATCH", HER, {name: f"{name} {turn}"}))
        for name in names
        for turn in range(4)
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    her = grower_of(asha)
    assert her.name.startswith("name ")
    assert her.village.startswith("village ")
    assert asha.store.load(ASHA).commits == 2 + len(threads)
