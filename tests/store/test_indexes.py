"""The indexes are what a count over all records would find, whatever was committed before."""

from __future__ import annotations

from collections import Counter
from datetime import date, timedelta
from typing import TYPE_CHECKING

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from bot.dialogue.records import Grower, Operation, Plan, Session
from bot.dialogue.standing import due_ordinal, facts
from bot.store import keys
from bot.store.groups import Groups, added_up
from bot.store.growers import NEW, Commit, Loaded, Store
from bot.store.indexes import FAILURES_KEPT, MARKS
from bot.store.texts import Line, decode_failure, joined

if TYPE_CHECKING:
    import redis

A, B = "+255712345678", "+255712345679"
MONDAY = date(2026, 3, 2)

days = st.integers(0, 40).map(lambda add: MONDAY + timedelta(days=add))
operations = st.builds(
    lambda name, due, done, late, ml: Operation(
        name, due, due, due + timedelta(days=7), done=done, late=late, ml=ml
    ),
    st.sampled_from(["slash", "plough", "plant", "weed_check_2"]),
    days,
    st.none() | days,
    st.integers(0, 5),
    st.sampled_from([0, 2430]),
)
plans = st.none() | st.builds(Plan, st.lists(operations, max_size=4).map(tuple))
growers = st.builds(
    Grower,
    language=st.sampled_from(["", "en", "sw"]),
    session=st.none() | st.just(Session("season", "area", "v")),
    plan=plans,
    stopped=st.booleans(),
    trouble=st.sampled_from(["", "asked for help"]),
    group=st.sampled_from(["", "Mirindi North", "Mirindi South"]),
    consent=st.booleans(),
    unreachable=st.sampled_from(["", "no such number"]),
)


def held(client: redis.Redis) -> dict[bytes, dict[bytes, float]]:
    """Every index of groups and calls, as it stands in Redis."""
    found: dict[bytes, dict[bytes, float]] = {}
    for key in client.scan_iter():
        kind = key.split(b":")[1]
        if kind == b"sums":
            found[key] = {name: float(count) for name, count in client.hgetall(key).items()}
            if MARKS.encode() in found[key]:  # of all groups: the sum of each one's
                marks = client.hvals(key.split(b":")[0] + b":marks")
                assert found[key].pop(MARKS.encode()) == sum(map(int, marks))
        elif kind in {b"members", b"calls"}:
            found[key] = {
                name: 0.0 if kind == b"calls" else score
                for name, score in client.zrange(key, 0, -1, withscores=True)
            }
    return found


def counted(records: dict[str, Grower]) -> dict[bytes, dict[bytes, float]]:
    """The same indexes, made anew from the records."""
    found: dict[str, Counter[str]] = {}
    for number, grower in records.items():
        shard = keys.shard_of(number)
        members = found.setdefault(keys.members_key(shard, grower.group), Counter())
        members[number] = due_ordinal(grower)
        for key in (keys.sums_key(shard, grower.group), keys.all_sums_key(shard)):
            found.setdefault(key, Counter()).update(facts(grower))
        if grower.trouble:
            for key in (keys.calls_key(shard), keys.group_calls_key(shard, grower.group)):
                found.setdefault(key, Counter())[number] = 0
    return {
        key.encode(): {name.encode(): float(count) for name, count in counts.items()}
        for key, counts in found.items()
    }


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.tuples(st.sampled_from([A, B]), st.none() | growers), max_size=12))
def test_indexes_hold_what_the_records_say(
    redis_client: redis.Redis, steps: list[tuple[str, Grower | None]]
) -> None:
    redis_client.flushall()
    store = Store(redis_client)
    records: dict[str, Grower] = {}
    for number, grower in steps:
        if grower is None:
            store.forget(number)
            records.pop(number, None)
        else:
            loaded = store.load(number)
            # As a turn does it: what does not change is the very same object.
            same = loaded.grower.plan if grower.plan == loaded.grower.plan else grower.plan
            records[number] = replace(grower, plan=same)
            assert store.commit(number, loaded, records[number], due=None)
    assert {key: sums for key, sums in held(redis_client).items() if sums} == counted(records)


ANY_CHANGES = given(
    st.lists(
        st.tuples(st.sampled_from([A, B, "flush", "recount"]), st.none() | growers), max_size=10
    )
)


@settings(max_examples=20, suppress_health_check=[HealthCheck.function_scoped_fixture])
@ANY_CHANGES
def test_who_has_read_groups_before_finds_what_has_changed_since(
    redis_client: redis.Redis,
    monkeypatch: pytest.MonkeyPatch,
    steps: list[tuple[str, Grower | None]],
) -> None:
    read_again(redis_client, monkeypatch, steps)


@pytest.mark.slow
@settings(max_examples=300, suppress_health_check=[HealthCheck.function_scoped_fixture])
@ANY_CHANGES
def test_so_they_do_after_many_more_changes(
    redis_client: redis.Redis,
    monkeypatch: pytest.MonkeyPatch,
    steps: list[tuple[str, Grower | None]],
) -> None:
    read_again(redis_client, monkeypatch, steps)


def read_again(
    redis_client: redis.Redis,
    monkeypatch: pytest.MonkeyPatch,
    steps: list[tuple[str, Grower | None]],
) -> None:
    """Read the groups after each change, anew and as one who has read them before."""
    monkeypatch.setattr("bot.store.groups.BUNDLE", 3)  # so that four are more than a bundle
    redis_client.flushall()
    store, reader = Store(redis_client), Groups(redis_client)
    names = ["", "Mirindi North", "Mirindi South", "Nowhere"]
    for number, grower in steps:
        if number == "flush":
            redis_client.flushall()
        elif number == "recount":
            store.recount()
        elif grower is None:
            store.forget(number)
        else:
            store.commit(number, store.load(number), grower, due=None)
        fresh = Groups(redis_client).overviews(names, MONDAY)
        assert reader.overviews(names, MONDAY) == fresh
        for some in (names, names[:3], names[1:]):
            theirs = added_up(fresh[name] for name in some)
            assert reader.together(some, MONDAY) == theirs


def test_a_lost_race_leaves_the_indexes_alone(store: Store, redis_client: redis.Redis) -> None:
    store.commit(A, NEW, Grower(group="Mirindi North"), due=None)
    before = held(redis_client)
    assert not store.commit(A, Loaded(7, Grower()), Grower(trouble="x", group="other"), due=None)
    assert held(redis_client) == before


def test_many_are_committed_at_once_and_the_losers_named(store: Store) -> None:
    numbers = [f"+2557123{place:05d}" for place in range(700)]
    changes = [Commit(number, NEW, Grower(name=number), None) for number in numbers]
    assert store.commit_many(changes) == []
    assert [each.grower.name for each in store.load_many(numbers)] == numbers
    fresh = [Commit(number, store.load(number), Grower(), None) for number in numbers[:2]]
    assert store.commit(numbers[1], store.load(numbers[1]), Grower(name="first"), due=None)
    assert store.commit_many(fresh) == [numbers[1]]
    assert store.load(numbers[1]).grower.name == "first"
    assert store.commit_many([]) == []


def test_of_many_that_are_counted_alike_only_those_that_won_are_counted(
    store: Store, redis_client: redis.Redis
) -> None:
    numbers = [f"+2557123{place:05d}" for place in range(700)]
    grower = Grower(language="sw", group="Mirindi North")
    assert store.commit_many([Commit(each, NEW, grower, 9.5) for each in numbers[::3]]) == []
    lost = store.commit_many([Commit(each, NEW, grower, 9.5) for each in numbers])
    assert sorted(lost) == numbers[::3]
    assert held(redis_client) == counted(dict.fromkeys(numbers, grower))
    dues = [redis_client.zscore(keys.due_key(keys.shard_of(each)), each) for each in numbers]
    assert set(dues) == {9.5}


@pytest.mark.parametrize("known", [True, False])
def test_a_change_is_made_and_another_grower_read_at_once(
    store: Store, redis_client: redis.Redis, *, known: bool
) -> None:
    store.commit(B, NEW, Grower(name="Baraka"), due=None)
    if not known:
        redis_client.script_flush()
    change = Commit(A, NEW, Grower(name="Asha"), None)
    assert store.commit_and_load(change, B) == (True, store.load(B))
    assert store.load(A).grower.name == "Asha"
    assert store.commit_and_load(change, "+255712345999") == (False, NEW)


def test_a_batch_with_an_id_is_not_made_twice(store: Store) -> None:
    changes = [Commit(A, NEW, Grower(), None, message_id="round:r1", keep_s=60)]
    assert store.commit_many(changes) == []
    assert store.load_many([A, B], "round:r1")[0].replay is not None
    assert store.load_many([A, B], "round:r1")[1].replay is None


def sent(serial: int, reference: str = "", kind: str = "reminder") -> Line:
    return Line(1_772_400_000, "sent", kind, "Plant today.", serial, reference, segments=1)


def test_texts_are_kept_in_order_and_only_the_last(redis_client: redis.Redis) -> None:
    store = Store(redis_client, keep_texts=3)
    for serial in range(1, 6):
        store.commit(A, store.load(A), Grower(), due=None, lines=[sent(serial)])
    assert [line.serial for line in store.texts(A)] == [3, 4, 5]
    silent = Store(redis_client, keep_texts=0)
    silent.commit(B, NEW, Grower(), due=None, lines=[sent(1)])
    assert silent.texts(B) == []


def test_reports_join_their_text_in_whatever_order_they_come() -> None:
    by_reference = Line(2, "failed", reference="g-1", reason="expired")
    by_serial = Line(3, "delivered", serial=2)
    lines = [by_reference, sent(1, "g-1"), sent(2), by_serial, by_serial, sent(3)]
    assert [(each.what, each.reason) for each in joined(lines)] == [
        ("failed", "expired"),
        ("delivered", ""),
        ("sent", ""),
    ]
    # Gateways mix up the order: what arrived has arrived.
    late = [sent(2), by_serial, Line(4, "failed", serial=2, reason="expired")]
    assert joined(late)[0].what == "delivered"


def test_texts_are_counted_by_day_group_and_kind(store: Store, redis_client: redis.Redis) -> None:
    grower = Grower(group="Mirindi: North")
    lines = [sent(1), sent(2), replace(sent(3, kind="notice"), about="round:r1", segments=2)]
    store.commit(A, NEW, grower, due=None, lines=lines)
    shard = keys.shard_of(A)
    tally = keys.tally_key(shard, date(2026, 3, 1))
    assert redis_client.hgetall(tally) == {
        b"sent:reminder:Mirindi: North": b"2",
        b"segments:reminder:Mirindi: North": b"2",
        b"sent:notice:Mirindi: North": b"1",
        b"segments:notice:Mirindi: North": b"2",
    }
    assert redis_client.ttl(tally) > 0
    assert redis_client.hgetall(keys.told_key(shard, "r1")) == {b"sent": b"1"}


@pytest.mark.parametrize("what", ["refused", "failed"])
def test_the_latest_failures_are_listed(store: Store, redis_client: redis.Redis, what: str) -> None:
    key = keys.failures_key(keys.shard_of(A))
    for serial in range(FAILURES_KEPT + 2):
        line = Line(5, "refused" if what == "refused" else "failed", "notice", serial=serial)
        store.commit(A, store.load(A), Grower(group="G"), due=None, lines=[line])
    kept = [decode_failure(each) for each in redis_client.lrange(key, 0, -1)]
    assert [each.line.serial for each in kept] == list(range(FAILURES_KEPT + 1, 1, -1))
    assert {(each.number, each.group) for each in kept} == {(A, "G")}
    store.forget(A)
    assert [key for key in redis_client.scan_iter() if A.encode() in redis_client.dump(key)] == []
