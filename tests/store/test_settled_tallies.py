"""Days long over are added up once, and say the same as their shards did."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from typing import TYPE_CHECKING

import pytest

from bot.dialogue.records import Grower
from bot.store import keys
from bot.store.groups import Groups
from bot.store.settled import SETTLED_DAYS, tallies
from bot.store.texts import Line

if TYPE_CHECKING:
    from bot.store.growers import Store
    from bot.store.texts import What

TODAY = date(2026, 3, 2)
NORTH = "Mirindi: North"


def put(store: Store, day: date, what: What = "sent", number: str = "+255712000001") -> None:
    at = int(datetime(day.year, day.month, day.day, 6, tzinfo=UTC).timestamp())
    line = Line(at, what, "notice", segments=2 if what == "sent" else 0)
    assert store.commit(number, store.load(number), Grower(group=NORTH), due=None, lines=[line])


def test_they_are_what_the_shards_count_before_and_after_they_are_kept(store: Store) -> None:
    groups = Groups(store.redis)
    days = [TODAY - timedelta(days=back) for back in range(31)]
    for place, back in enumerate((0, 1, SETTLED_DAYS, SETTLED_DAYS, 30)):
        put(store, days[back], number=f"+25571200000{place}")
    put(store, days[30], "refused")
    counted = groups.tallies(days)
    assert counted[days[SETTLED_DAYS]] == {
        ("sent", "notice", NORTH): 2,
        ("segments", "notice", NORTH): 4,
    }
    for _ in range(3):
        assert tallies(groups, days, TODAY) == counted
        assert [*tallies(groups, days, TODAY)] == days


@pytest.mark.parametrize(("back", "kept"), [(SETTLED_DAYS - 1, False), (SETTLED_DAYS, True)])
def test_only_a_day_that_is_long_over_is_read_no_more(
    store: Store, back: int, *, kept: bool
) -> None:
    groups = Groups(store.redis)
    day = TODAY - timedelta(days=back)
    put(store, day)
    first = tallies(groups, [day], TODAY)
    put(store, day)
    again = tallies(groups, [day], TODAY)
    assert again == (first if kept else groups.tallies([day]))
    assert (again == first) == kept


def test_a_day_without_texts_is_kept_too_and_all_of_it_lapses(store: Store) -> None:
    groups = Groups(store.redis)
    day = TODAY - timedelta(days=9)
    assert tallies(groups, [day], TODAY) == {day: {}}
    assert 0 < store.redis.ttl(keys.settled_key(day)) <= 400 * 24 * 3600
    put(store, day)
    assert tallies(groups, [day], TODAY) == {day: {}}
