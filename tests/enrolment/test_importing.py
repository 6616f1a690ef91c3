from __future__ import annotations

import io
from datetime import date
from typing import TYPE_CHECKING, Any

import pytest
from msgspec.structs import replace

from bot import data
from bot.dialogue.records import Answers, Grower, Operation, Plan
from bot.enrolment import importing
from bot.enrolment.files import open_sheet
from bot.enrolment.importing import Report, take_in
from bot.enrolment.rows import Faulty, Merged, read_rows
from bot.settings import Settings
from bot.store.errors import StoreUnavailable
from bot.store.groups import Group, Groups
from bot.store.growers import NEW, Commit, Store
from bot.store.indexes import MARKS

if TYPE_CHECKING:
    import redis

SETTINGS = Settings()
NORTH = Group("Mirindi North", zone="Africa/Kampala", language="sw")
A, B, C = "+255712345601", "+255712345602", "+255712345603"
LIST = f"name,phone,village\nNeema,{A},Kanoro\nBaraka,{B},Luhembe\nAsha,{C},\n"


def taken(
    store: Store, text: str, group: Group = NORTH, aside: list[Faulty | Merged] | None = None
) -> Report:
    with open_sheet(io.BytesIO(text.encode())) as sheet:
        return take_in(
            read_rows(sheet, "TZ", data.languages()),
            group,
            store,
            SETTINGS,
            0,
            asks_consent=sheet.columns.consent is not None,
            aside=[].append if aside is None else aside.append,
        )


def test_growers_are_enrolled_with_what_the_group_sets(store: Store) -> None:
    report = taken(store, LIST)
    assert (report.rows, report.growers) == (3, {"added": 3})
    neema = store.load(A).grower
    assert neema == Grower(
        language="sw", zone="Africa/Kampala", name="Neema", village="Kanoro", group=NORTH.name
    )
    assert Groups(store.redis).size(NORTH.name) == 3


def test_taking_it_again_changes_nothing(store: Store, redis_client: redis.Redis) -> None:
    taken(store, LIST)
    before = {key: redis_client.dump(key) for key in sorted(redis_client.keys())}
    assert taken(store, LIST).growers == {"unchanged": 3}
    assert {key: redis_client.dump(key) for key in sorted(redis_client.keys())} == before


def test_what_a_grower_said_stands(store: Store) -> None:
    answers: Answers = {"cover": "grass"}
    day = date(2026, 3, 2)
    plan = Plan((Operation("plough", day, day, day),))
    own = Grower(language="en", answers=answers, plan=plan, stopped=True, name="N.")
    store.commit(A, NEW, own, due=None)
    report = taken(store, LIST)
    assert report.growers == {"added": 2, "changed": 1}
    found = store.load(A).grower
    assert (found.language, found.stopped, found.answers) == ("en", True, answers)
    assert found.plan == plan
    assert (found.name, found.group) == ("Neema", NORTH.name)


def test_a_grower_moves_with_the_list(store: Store) -> None:
    taken(store, LIST)
    report = taken(store, LIST, Group("Mirindi South"))
    assert (report.growers, report.moved) == ({"changed": 3}, 3)
    groups = Groups(store.redis)
    assert (groups.size("Mirindi South"), groups.size(NORTH.name)) == (3, 0)


def test_growers_of_a_group_that_is_not_theirs_stay(store: Store) -> None:
    taken(store, f"phone,name\n{A},Neema\n")
    with open_sheet(io.BytesIO(LIST.encode())) as sheet:
        report = take_in(
            read_rows(sheet, "TZ", data.languages()),
            Group("Mirindi South"),
            store,
            SETTINGS,
            0,
            asks_consent=False,
            may_move=lambda group: group != NORTH.name,
        )
    assert (report.growers, report.elsewhere) == ({"added": 2, "unchanged": 1}, 1)
    assert store.load(A).grower.group == NORTH.name


def test_consent_is_as_the_list_says(store: Store) -> None:
    asked = f"phone,consent\n{A},yes\n{B},no\n{C},\n"
    assert taken(store, asked).declined == 2
    assert [store.load(each).grower.consent for each in (A, B, C)] == [True, False, False]
    # A list without the column says nothing of it.
    taken(store, LIST)
    assert [store.load(each).grower.consent for each in (A, B, C)] == [True, False, False]
    taken(store, f"phone,consent\n{B},yes\n{A},no\n")
    assert [store.load(each).grower.consent for each in (A, B, C)] == [False, True, False]


def test_rows_of_one_number_are_merged(store: Store) -> None:
    aside: list[Faulty | Merged] = []
    doubled = f"phone,name,village\n{A},Neema,\n{B},,\n{A},Neema K,Kanoro\n{B},Baraka,\n"
    report = taken(store, doubled, aside=aside)
    assert (report.growers, report.merged) == ({"added": 2}, 2)
    assert store.load(A).grower.village == "Kanoro"
    assert (store.load(A).grower.name, store.load(B).grower.name) == ("Neema", "Baraka")
    assert [each.row for each in aside] == [4, 5]


def test_faulty_rows_are_put_aside_and_the_rest_taken(store: Store) -> None:
    aside: list[Faulty | Merged] = []
    report = taken(store, f"phone,name\n12,Short\n{A},Neema\n,Nobody\n", aside=aside)
    assert (report.rows, report.faulty, report.growers) == (3, 2, {"added": 1})
    assert [each.row for each in aside] == [2, 4]


def test_who_texts_meanwhile_loses_nothing(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    taken(store, LIST)
    load = Store.load_many
    texted = []

    def meanwhile(self: Store, numbers: list[str], message_id: str | None = None) -> object:
        loads = load(self, numbers, message_id)
        if not texted:
            found = self.load(A)
            texted.append(self.commit(A, found, replace(found.grower, stopped=True), due=None))
        return loads

    monkeypatch.setattr(Store, "load_many", meanwhile)
    report = taken(store, LIST.replace("Kanoro", "Luhembe"))
    assert texted == [True]
    assert report.growers == {"changed": 1, "unchanged": 2}
    assert (store.load(A).grower.stopped, store.load(A).grower.village) == (True, "Luhembe")


def test_a_list_broken_off_can_be_taken_again(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(importing, "BATCH", 10)
    numbers = [f"+2557123{place:05d}" for place in range(35)]
    many = "phone\n" + "\n".join(numbers)
    commit, calls = Store.commit_many, []

    def failing(self: Store, changes: list[Commit]) -> list[str]:
        calls.append(1)
        if len(calls) == 3:
            raise StoreUnavailable
        return commit(self, changes)

    monkeypatch.setattr(Store, "commit_many", failing)
    with pytest.raises(StoreUnavailable):
        taken(store, many)
    assert Groups(store.redis).size(NORTH.name) == 20
    assert taken(store, many).growers == {"unchanged": 20, "added": 15}


def test_recounting_finds_what_was_committed(store: Store, redis_client: redis.Redis) -> None:
    taken(store, LIST)
    store.commit(A, store.load(A), replace(store.load(A).grower, trouble="help"), due=None)

    def kept() -> dict[bytes, object]:
        found: dict[bytes, Any] = {}
        for key in redis_client.scan_iter():
            if key.endswith(b":marks"):
                continue  # another whenever anything is counted
            if redis_client.type(key) == b"hash":
                found[key] = redis_client.hgetall(key)
                found[key].pop(MARKS.encode(), None)  # the sum of those
            elif b":members:" in key:
                found[key] = redis_client.zrange(key, 0, -1, withscores=True)
            elif b":calls" in key:
                found[key] = redis_client.zrange(key, 0, -1)
        return found

    before = kept()
    assert store.recount() == 3
    assert kept() == before
