"""What was sent is counted by month, gateway, language and kind, and holds no number."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from bot import data
from bot.dialogue.records import Grower, enqueue
from bot.exchange import Exchange
from bot.gateways.loopback import LoopbackGateway
from bot.reminders.sender import Sender
from bot.settings import Settings
from bot.store import keys
from bot.store.forgetting import forget
from bot.store.growers import NEW, Loaded, Store
from bot.store.spending import KEPT_S, Sent, Sort, Spending, month_of, sort_of
from bot.store.texts import Line

if TYPE_CHECKING:
    import redis

A, B, C = "+255712345601", "+255712345602", "+255712345603"
ZONE = ZoneInfo("Africa/Dar_es_Salaam")  # UTC+3 all the year (tz database)
NINE = datetime(2026, 3, 2, 6, 0, tzinfo=UTC).timestamp()
NEW_YEAR = int(datetime(2026, 12, 31, 21, 0, tzinfo=UTC).timestamp())  # midnight in Dar es Salaam


def sent(at: float = NINE, segments: int = 1, **changes: object) -> Line:
    return replace(Line(int(at), "sent", "reply", "Hello", segments=segments), **changes)


lines = st.builds(
    Line,
    at=st.sampled_from([NEW_YEAR - 40 * 86_400, NEW_YEAR - 1, NEW_YEAR, NEW_YEAR + 86_400]),
    what=st.sampled_from(["heard", "sent", "sent", "sent", "refused", "delivered", "failed"]),
    kind=st.sampled_from(["reply", "reminder", "notice", "screen", "desk"]),
    about=st.sampled_from(["", "plough", "round:r1", "plan"]),
    segments=st.integers(0, 4),
    gateway=st.sampled_from(["", "coast", "a:b=c", "/etc/\N{SNOWMAN}.toml"]),
    language=st.sampled_from(["", "sw", "ha"]),
)
steps = st.tuples(
    st.sampled_from([A, B, C]),
    st.lists(lines, max_size=4),
    st.sampled_from(["", "en"]),
    st.sampled_from(["commit", "commit", "lose", "forget"]),
)


@settings(max_examples=50, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(steps, max_size=12))
def test_the_counts_are_those_of_the_lines_committed(
    redis_client: redis.Redis, history: list[tuple[str, list[Line], str, str]]
) -> None:
    redis_client.flushall()
    # Texts need not be kept to be counted.
    store = Store(redis_client, keep_texts=2, zone=ZONE)
    wanted: dict[str, dict[Sort, Sent]] = {}
    for number, added, language, act in history:
        if act == "forget":
            forget(store, number)
            continue
        loaded = Loaded(7, Grower()) if act == "lose" else store.load(number)
        done = store.commit(number, loaded, Grower(language=language), due=None, lines=added)
        assert done == (act != "lose")
        for line in added if done else ():
            if line.what == "sent" and line.segments:
                sort = sort_of(replace(line, language=line.language or language))
                month = wanted.setdefault(month_of(line.at, ZONE), {})
                month[sort] = month.get(sort, Sent()) + Sent(1, line.segments)
    spending = Spending(redis_client)
    for month in ("2026-11", "2026-12", "2027-01"):
        assert spending.month(month) == wanted.pop(month, {})
    assert wanted == {}


@pytest.mark.parametrize(
    ("at", "zone", "month"),
    [
        (NEW_YEAR - 1, "Africa/Dar_es_Salaam", "2026-12"),
        (NEW_YEAR, "Africa/Dar_es_Salaam", "2027-01"),
        (NEW_YEAR, "UTC", "2026-12"),
        (NEW_YEAR, "America/Bogota", "2026-12"),
        (datetime(2028, 2, 29, 23, 59, tzinfo=UTC).timestamp(), "UTC", "2028-02"),
    ],
)
def test_a_month_is_one_of_the_operators_zone(at: float, zone: str, month: str) -> None:
    assert month_of(at, ZoneInfo(zone)) == month


def test_a_year_turns_at_the_operators_midnight(redis_client: redis.Redis) -> None:
    store = Store(redis_client, zone=ZONE)
    store.commit(A, NEW, Grower(), due=None, lines=[sent(NEW_YEAR - 1), sent(NEW_YEAR)])
    one = {Sort("", "", "reply"): Sent(1, 1)}
    spending = Spending(redis_client)
    assert (spending.month("2026-12"), spending.month("2027-01")) == (one, one)


def test_a_round_is_told_from_other_notices(redis_client: redis.Redis, store: Store) -> None:
    notice = sent(kind="notice")
    added = [notice, replace(notice, about="round:r1"), replace(notice, about="plan")]
    store.commit(A, NEW, Grower(language="sw"), due=None, lines=added)
    assert Spending(redis_client).month("2026-03") == {
        Sort("", "sw", "notice"): Sent(2, 2),
        Sort("", "sw", "round"): Sent(1, 1),
    }


def test_a_months_counts_are_kept_for_two_years_and_one_month(
    redis_client: redis.Redis, store: Store
) -> None:
    store.commit(A, NEW, Grower(), due=None, lines=[sent()])
    left = redis_client.ttl(keys.spend_key(keys.shard_of(A), "2026-03"))
    assert KEPT_S - 600 < left <= KEPT_S
    assert KEPT_S >= (366 + 365 + 31) * 24 * 3600


def test_forgetting_a_grower_leaves_what_their_texts_cost_and_no_number(
    redis_client: redis.Redis, store: Store
) -> None:
    store.commit(A, NEW, Grower(language="sw"), due=None, lines=[sent(), sent(segments=3)])
    forget(store, A)
    assert Spending(redis_client).month("2026-03") == {Sort("", "sw", "reply"): Sent(2, 4)}
    kept = redis_client.hgetall(keys.spend_key(keys.shard_of(A), "2026-03"))
    assert kept == {b"texts:reply:sw:": b"2", b"segments:reply:sw:": b"4"}


def test_what_is_charged_is_counted_by_whichever_way_it_leaves(
    redis_client: redis.Redis, store: Store
) -> None:
    exchange = Exchange(store, data.dialogue(), Settings(), lambda: NINE)
    exchange.answer(A, "hello")
    (sort, reply), *others = Spending(redis_client).month("2026-03").items()
    assert (sort, others, reply.texts) == (Sort("", "", "reply"), [], 1)
    # A screen of USSD is no text; a reply that is queued is counted once it has left.
    exchange.answer(B, "hello", channel="ussd")
    exchange.answer(C, "hello", queue=True)
    assert sum(each.texts for each in Spending(redis_client).month("2026-03").values()) == 1
    gateway = LoopbackGateway(lambda: NINE)
    Sender(store, gateway, exchange.compose, Settings(), lambda: NINE).tick()
    assert len(gateway.ledger) == 1
    assert Spending(redis_client).month("2026-03") == {
        sort: Sent(2, 2 * reply.segments),
    }


def test_a_text_is_counted_when_it_is_taken_and_not_while_it_waits(
    redis_client: redis.Redis, store: Store
) -> None:
    waiting = enqueue(Grower(language="sw"), ["Meeting"], "notice", "round:r1")
    store.commit(A, NEW, waiting, due=1.0)
    assert Spending(redis_client).month("2026-03") == {}
    gateway = LoopbackGateway(lambda: NINE)
    Sender(store, gateway, lambda one, _: one, Settings(), lambda: NINE).tick()
    assert Spending(redis_client).month("2026-03") == {Sort("", "sw", "round"): Sent(1, 1)}
    assert store.texts(A)[0].language == "sw"
