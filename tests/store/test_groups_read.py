"""What is read of groups, against the same counted from the records themselves."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace as dataclass_replace
from datetime import date, timedelta
from typing import TYPE_CHECKING, Any

import pytest
from msgspec.structs import replace

from bot.dialogue.records import Grower, Operation, Plan
from bot.dialogue.standing import NO_DAY, days_behind, due_ordinal, facts
from bot.store import keys
from bot.store.groups import BUNDLE, Groups, Overview, added_up
from bot.store.growers import NEW, Commit, Store
from bot.store.keys import shard_of
from bot.store.trips import call_many

if TYPE_CHECKING:
    from collections.abc import Sequence

    import redis
    from redis.commands.core import Script

    from bot.store.trips import Call

TODAY = date(2026, 3, 4)
NAMES = ("Mirindi North", "Mirindi Lakeside", "")
NOW = 1_772_600_000.0


def grower(place: int) -> Grower:
    """One of many: each third in a group, due over some weeks, some without a plan, some to ring."""
    due = TODAY + timedelta(days=place % 41 - 20)
    plan = None if place % 7 == 0 else Plan((Operation("clear", due, due, due),))
    trouble = "asked for help" if place % 11 == 0 else ""
    stopped = place % 13 == 0
    return Grower("sw", group=NAMES[place % 3], plan=plan, trouble=trouble, stopped=stopped)


@pytest.fixture
def growers(redis_client: redis.Redis) -> dict[str, Grower]:
    """Some hundred growers, kept; each later one in trouble a second after the one before."""
    made = {f"+2557120{place:05d}": grower(place) for place in range(400)}
    keep(redis_client, made)
    return made


def keep(client: redis.Redis, growers: dict[str, Grower]) -> None:
    for place, (number, each) in enumerate(growers.items()):
        store = Store(client, lambda place=place: NOW + place)  # type: ignore[misc]
        store.commit_many([Commit(number, NEW, each, None)])


def test_groups_come_to_what_their_growers_do(
    redis_client: redis.Redis, growers: dict[str, Grower]
) -> None:
    found = Groups(redis_client).overviews(NAMES, TODAY)
    assert list(found) == [*NAMES]
    for name in NAMES:
        theirs = [each for each in growers.values() if each.group == name]
        sums = sum((facts(each) for each in theirs), Counter[str]())
        behind = sum(days_behind(each, TODAY) > 0 for each in theirs)
        ring = sum(bool(each.trouble) for each in theirs)
        assert found[name] == Overview(len(theirs), behind, ring, sums)


@pytest.mark.parametrize("many", [1, 2, BUNDLE, BUNDLE + 1, 3 * BUNDLE])
def test_groups_come_together_to_what_each_does(
    redis_client: redis.Redis, growers: dict[str, Grower], many: int
) -> None:
    spread = {
        number: replace(each, group=f"Mirindi {place % (BUNDLE + 1)}")
        for place, (number, each) in enumerate(growers.items())
    }
    redis_client.flushall()
    keep(redis_client, spread)
    names = ["", *(f"Mirindi {place}" for place in range(many))]
    theirs = [each for each in spread.values() if each.group in names]
    sums = sum((facts(each) for each in theirs), Counter[str]())
    behind = sum(days_behind(each, TODAY) > 0 for each in theirs)
    ring = sum(bool(each.trouble) for each in theirs)
    groups = Groups(redis_client)
    for _ in range(2):
        assert groups.together(names, TODAY) == Overview(len(theirs), behind, ring, sums)


def test_all_groups_are_known_together_where_the_sums_of_all_can_be_relied_on(
    redis_client: redis.Redis, growers: dict[str, Grower]
) -> None:
    groups = Groups(redis_client)
    names = [*NAMES, *(f"Mirindi {place}" for place in range(BUNDLE))]
    each = groups.overviews(names, TODAY)
    every, some = (added_up(each[name] for name in part) for part in (names, names[1:]))
    assert groups._sums_of_all(names) == every.sums  # noqa: SLF001 - the way it takes is meant
    assert groups._sums_of_all(names[1:]) is None  # noqa: SLF001
    assert groups.together(names, TODAY) == every
    assert groups.together(names[1:], TODAY) == some
    # As a version writes that keeps no sums of all: it adds to the group's alone.
    shard = shard_of(next(iter(growers)))
    redis_client.hincrby(keys.sums_key(shard, NAMES[0]), "stage:plant", 1)
    redis_client.hincrby(keys.marks_key(shard), NAMES[0], 77)
    assert groups.together(names, TODAY).sums == every.sums + Counter({"stage:plant": 1})
    # As it was before there were marks.
    for each_shard in range(keys.SHARDS):
        redis_client.delete(keys.marks_key(each_shard), keys.all_sums_key(each_shard))
    assert groups.together(names, TODAY).sums == every.sums + Counter({"stage:plant": 1})
    Store(redis_client).recount()
    assert groups._sums_of_all(names) == every.sums  # noqa: SLF001
    assert groups.together(names, TODAY) == every


@pytest.mark.usefixtures("growers")
def test_sizes_are_overviews_without_sums(redis_client: redis.Redis) -> None:
    groups = Groups(redis_client)
    for _ in range(2):  # what is known of the sums must not come to light, nor be lost
        found = groups.overviews(NAMES, TODAY)
        bare = {name: dataclass_replace(each, sums=Counter()) for name, each in found.items()}
        assert groups.sizes(NAMES, TODAY) == bare
        assert all(each.sums for each in found.values())


@pytest.mark.usefixtures("growers")
def test_a_process_forgets_the_sums_it_read_longest_ago(
    redis_client: redis.Redis, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("bot.store.groups.MOST_KNOWN", 1)
    groups = Groups(redis_client)
    for names in (NAMES, NAMES[:2], NAMES):
        assert groups.overviews(names, TODAY) == Groups(redis_client).overviews(names, TODAY)


@pytest.mark.parametrize("what", ["overviews", "sizes", "together"])
def test_no_call_reads_more_than_some_groups(
    redis_client: redis.Redis, monkeypatch: pytest.MonkeyPatch, what: str
) -> None:
    called = []

    def noted(client: redis.Redis, script: Script, calls: Sequence[Call]) -> list[Any]:
        called.extend(calls)
        return call_many(client, script, calls)

    monkeypatch.setattr("bot.store.groups.call_many", noted)
    groups = Groups(redis_client)
    getattr(groups, what)([f"Mirindi {place}" for place in range(10 * BUNDLE)], TODAY)
    assert 0 < max(len(wanted) for wanted, _ in called) <= 1 + 3 * BUNDLE


def test_a_group_without_growers_comes_to_nothing(redis_client: redis.Redis) -> None:
    assert Groups(redis_client).overviews(["Nowhere"], TODAY) == {"Nowhere": Overview()}


@pytest.mark.parametrize("names", [NAMES, NAMES[:1], NAMES[1:]])
@pytest.mark.parametrize(
    ("first", "last"),
    [
        (0, TODAY.toordinal() - 1),
        (TODAY.toordinal(), TODAY.toordinal() + 6),
        (TODAY.toordinal() + 7, NO_DAY - 1),
        (NO_DAY, NO_DAY),
        (0, NO_DAY),
    ],
)
@pytest.mark.parametrize(("start", "limit"), [(0, 25), (20, 50), (0, 1000), (390, 20)])
def test_growers_come_by_the_day_their_work_is_due(  # noqa: PLR0913, PLR0917 - a table of cases
    redis_client: redis.Redis,
    growers: dict[str, Grower],
    names: tuple[str, ...],
    first: int,
    last: int,
    start: int,
    limit: int,
) -> None:
    every = sorted(
        (due_ordinal(each), number) for number, each in growers.items() if each.group in names
    )
    wanted = [(number, due) for due, number in every if first <= due <= last]
    found = Groups(redis_client).due(names, first, last, start, limit)
    assert found == wanted[start : start + limit]


def test_growers_all_in_one_shard_come_in_order_as_well(redis_client: redis.Redis) -> None:
    numbers = [each for n in range(9000) if shard_of(each := f"+2557121{n:05d}") == 3][:120]
    keep(redis_client, {number: grower(place) for place, number in enumerate(numbers)})
    every = sorted((due_ordinal(grower(place)), each) for place, each in enumerate(numbers))
    for start in (0, 40, 90):
        found = Groups(redis_client).due(NAMES, 0, NO_DAY, start, 40)
        assert [number for number, _ in found] == [each for _, each in every][start : start + 40]


def test_who_waits_longest_for_a_call_comes_first(
    redis_client: redis.Redis, growers: dict[str, Grower]
) -> None:
    for names in (NAMES, NAMES[:1]):
        wanted = [
            (number, NOW + place)
            for place, (number, each) in enumerate(growers.items())
            if each.trouble and each.group in names
        ]
        assert Groups(redis_client).to_ring(names) == wanted


def test_of_no_groups_there_is_nothing(redis_client: redis.Redis) -> None:
    groups = Groups(redis_client)
    assert groups.overviews([], TODAY) == groups.sizes([], TODAY) == {}
    assert groups.together([], TODAY) == Overview()
    assert groups.due([], 0, NO_DAY) == []
    assert groups.to_ring([]) == []
