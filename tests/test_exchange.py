"""The exchange against a real Redis: one text, one reply, one effect."""

from __future__ import annotations

import dataclasses
import random
import threading
from datetime import UTC, date, datetime, timedelta
from typing import TYPE_CHECKING, Any

import pytest
import redis
from msgspec.structs import replace

from bot import data
from bot.dialogue.acts import ASKED_FOR_HELP, NOT_ARRIVING, UNANSWERED, UNREACHABLE
from bot.dialogue.records import Grower, enqueue
from bot.exchange import Exchange, Said
from bot.gateways.reading import Report
from bot.reminders.schedule import next_due
from bot.settings import Settings
from bot.store import keys
from bot.store.connecting import connect
from bot.store.errors import StoreUnavailable
from bot.store.groups import Groups
from bot.store.growers import Loaded, Store
from bot.store.server import EmbeddedRedis
from bot.store.texts import Line

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Sequence
    from pathlib import Path

    from bot.store.growers import Commit

NUMBER = "+255655000001"
SETTINGS = Settings()
TODAY = date(2026, 3, 2)
NINE = datetime(2026, 3, 2, 6, 0, tzinfo=UTC).timestamp()  # 09:00 in Dar es Salaam
DAY_S = 24 * 3600

# One field's answers by question: low green grass, so spray, plough, ridge, plant.
ANSWERS = {
    "welcome.language": "1",
    "field.area": "1.5 ac",
    "field.fertile": "yes",
    "field.faults": "none",
    "clearing.cover": "grass",
    "clearing.height_cm": "40",
    "clearing.hard_weeds": "no",
    "clearing.green": "yes",
    "clearing.herbicide_ok": "yes",
    "tillage.price_per_tonne": "180000",
    "tillage.haulage_cost_per_tonne": "0",
    "tillage.plough_cost_per_acre": "60000",
    "tillage.ridge_cost_per_acre": "50000",
    "tillage.dry_season_harvest": "yes",
    "planting.low_sprouting": "no",
    "planting.fast_early_weeds": "yes",
    "planting.preemergence": "2",
    "planting.tank_l": "16",
    "planting.workers": "3",
    "planting.date_kind": "start",
    "planting.start_date": "today",
}


class Clock:
    def __init__(self) -> None:
        self.now = NINE

    def __call__(self) -> float:
        return self.now


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def exchange(store: Store, clock: Clock) -> Exchange:
    return Exchange(store, data.dialogue(), SETTINGS, clock)


def asked(exchange: Exchange, number: str = NUMBER) -> str:
    """The question that stands, by its name in the flows; empty when none does."""
    session = exchange.store.load(number).grower.session
    return f"{session.flow}.{session.state}" if session else ""


def walk_to(exchange: Exchange, question: str, number: str = NUMBER) -> Said:
    """Answer from the first text on until this question stands; empty for the whole plan."""
    said = exchange.answer(number, "hello")
    for _ in range(2 * len(ANSWERS)):
        if asked(exchange, number) == question:
            return said
        said = exchange.answer(number, ANSWERS[asked(exchange, number)])
    raise AssertionError(f"never came to {question!r}; at {asked(exchange, number)!r}")


def due_of(client: redis.Redis, number: str = NUMBER) -> float | None:
    return client.zscore(keys.due_key(keys.shard_of(number)), number)


def seven_on(day: date) -> float:
    """07:00 in Dar es Salaam, UTC+3 all year (IANA time zone database, Africa/Dar_es_Salaam)."""
    return datetime(day.year, day.month, day.day, 4, tzinfo=UTC).timestamp()


def test_a_new_number_is_welcomed_and_asked_its_language(exchange: Exchange) -> None:
    said = exchange.answer(NUMBER, "hello")
    assert len(said.replies) == 1
    assert "1 English" in said.replies[0]
    assert "2 Kiswahili" in said.replies[0]
    assert said.more
    assert not said.repeated
    assert exchange.store.load(NUMBER).commits == 1


def test_the_whole_plan_comes_from_twenty_one_answers(exchange: Exchange) -> None:
    said = walk_to(exchange, "")
    assert said.replies[0].startswith("Your plan for 1.5 acre:\nMon 2 Mar: spray\n")
    grower = exchange.store.load(NUMBER).grower
    assert grower.plan is not None
    assert [each.id for each in grower.plan.in_date_order()][:5] == [
        "spray_fallow",
        "plough",
        "ridge",
        "plant",
        "spray_preemergence",
    ]


@pytest.mark.parametrize("queue", [False, True])
def test_a_text_delivered_again_gets_the_same_reply_and_has_no_second_effect(
    exchange: Exchange,
    redis_client: redis.Redis,
    queue: bool,  # noqa: FBT001 - a parameter of the test
) -> None:
    walk_to(exchange, "planting.start_date")
    first = exchange.answer(NUMBER, "today", message_id="m-20", queue=queue)
    before = exchange.store.load(NUMBER)
    size = redis_client.dbsize()
    again = exchange.answer(NUMBER, "today", message_id="m-20", queue=queue)
    assert again.replies == first.replies
    assert again.more == first.more
    assert (first.repeated, again.repeated) == (False, True)
    assert exchange.store.load(NUMBER) == before
    assert redis_client.dbsize() == size


def test_the_same_id_from_another_number_is_another_text(exchange: Exchange) -> None:
    exchange.answer(NUMBER, "hello", message_id="m-1")
    other = exchange.answer("+255655000002", "hello", message_id="m-1")
    assert not other.repeated
    assert exchange.store.load("+255655000002").commits == 1


def at_once(*calls: Callable[[], object]) -> None:
    """Run the calls at once, each in a thread of its own; raise what one of them raises."""
    gate = threading.Barrier(len(calls))
    errors: list[BaseException] = []

    def run(call: Callable[[], object]) -> None:
        gate.wait()
        try:
            call()
        except BaseException as error:  # noqa: BLE001 - told in the main thread
            errors.append(error)

    threads = [threading.Thread(target=run, args=(call,)) for call in calls]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    if errors:
        raise errors[0]


def test_two_texts_at_once_lose_neither_answer(exchange: Exchange) -> None:
    # "none" answers the second question only, so the order in which they came shows.
    for place in range(25):
        number = f"+2556550001{place:02d}"
        walk_to(exchange, "field.fertile", number)
        before = exchange.store.load(number).version
        at_once(
            lambda number=number: exchange.answer(number, "yes", message_id="a"),
            lambda number=number: exchange.answer(number, "none", message_id="b"),
        )
        after = exchange.store.load(number)
        assert after.version == before + 2
        session = after.grower.session
        assert session is not None
        if session.state == "cover":  # "yes" came first
            assert session.answers["fertile"] is True
        else:  # "none" came first, could not be read, and was told so
            assert (session.state, session.tries) == ("faults", 0)
        # Both were answered, and a second delivery finds both replies.
        assert exchange.answer(number, "yes", message_id="a").repeated
        assert exchange.answer(number, "none", message_id="b").repeated


def test_one_text_delivered_twice_at_once_is_answered_once(exchange: Exchange) -> None:
    for place in range(25):
        number = f"+2556550002{place:02d}"
        walk_to(exchange, "field.fertile", number)
        before = exchange.store.load(number).version
        said: list[Said] = []
        deliver = lambda number=number, said=said: said.append(  # noqa: E731 - run twice below
            exchange.answer(number, "yes", message_id="twice")
        )
        at_once(deliver, deliver)
        assert exchange.store.load(number).version == before + 1
        assert said[0].replies == said[1].replies
        assert sorted(each.repeated for each in said) == [False, True]


def test_queued_replies_wait_for_the_sender(exchange: Exchange, redis_client: redis.Redis) -> None:
    said = exchange.answer(NUMBER, "hello", queue=True)
    grower = exchange.store.load(NUMBER).grower
    assert tuple(each.body for each in grower.waiting) == said.replies
    assert {each.kind for each in grower.waiting} == {"reply"}
    due = due_of(redis_client)
    assert due is not None
    assert due <= NINE


def test_without_a_queue_no_reply_waits(exchange: Exchange, redis_client: redis.Redis) -> None:
    exchange.answer(NUMBER, "hello")
    assert exchange.store.load(NUMBER).grower.waiting == ()
    assert due_of(redis_client) is None


def test_a_reminder_is_due_with_the_plan_moves_with_a_report_and_goes_with_stop(
    exchange: Exchange, redis_client: redis.Redis, clock: Clock
) -> None:
    walk_to(exchange, "planting.start_date")
    assert due_of(redis_client) is None
    exchange.answer(NUMBER, "tomorrow")
    assert due_of(redis_client) == seven_on(TODAY + timedelta(days=1))

    clock.now += DAY_S
    exchange.answer(NUMBER, "done today")  # the spray; 14 days for a full kill (the flows' figure)
    assert due_of(redis_client) == seven_on(TODAY + timedelta(days=1 + 14))

    clock.now += 14 * DAY_S
    exchange.answer(NUMBER, "not yet 20/3")
    assert due_of(redis_client) == seven_on(date(2026, 3, 20))

    exchange.answer(NUMBER, "STOP")
    assert due_of(redis_client) is None
    exchange.answer(NUMBER, "START")
    assert due_of(redis_client) == seven_on(date(2026, 3, 20))


def test_the_due_index_says_what_the_record_says(
    exchange: Exchange, redis_client: redis.Redis, clock: Clock
) -> None:
    exchange.answer(NUMBER, "hello", queue=True)
    for _ in range(2 * len(ANSWERS)):
        exchange.answer(NUMBER, ANSWERS[asked(exchange)], queue=True)
        grower = exchange.store.load(NUMBER).grower
        assert due_of(redis_client) == next_due(grower, SETTINGS, clock())
        if not asked(exchange):
            break
    assert grower.plan is not None


def test_planting_is_due_again_in_three_days_until_rain_has_fallen(
    exchange: Exchange, redis_client: redis.Redis, clock: Clock
) -> None:
    walk_to(exchange, "")
    for work in ("spray_fallow", "plough", "ridge"):
        plan = exchange.store.load(NUMBER).grower.plan
        assert plan is not None
        assert plan.next_reminder is not None
        assert plan.next_reminder.operation == work
        clock.now = seven_on(max(plan.next_reminder.day, TODAY)) + 2 * 3600
        exchange.answer(NUMBER, "done today")
    due = due_of(redis_client)
    assert due is not None
    for _ in range(2):
        clock.now = due + 2 * 3600
        loaded = exchange.store.load(NUMBER)
        reminded = exchange.compose(loaded.grower, datetime.fromtimestamp(due, UTC).date())
        gone_out = replace(reminded, waiting=())
        assert exchange.store.commit(NUMBER, loaded, gone_out, due=None)
        assert asked(exchange) == "rain.rained"
        assert exchange.answer(NUMBER, "no").replies[0].startswith("Then wait.")
        due += 3 * DAY_S  # rain_again_days in flows/figures.yaml
        assert due_of(redis_client) == due


def test_farm_days_are_those_of_the_growers_zone(exchange: Exchange, clock: Clock) -> None:
    clock.now = datetime(2026, 3, 2, 22, 30, tzinfo=UTC).timestamp()  # 01:30 on 3 March there
    assert "Tue 3 Mar: spray" in walk_to(exchange, "").replies[0]


@pytest.fixture
def sent(monkeypatch: pytest.MonkeyPatch) -> Iterator[list[object]]:
    """Count what every Redis connection puts on its socket; one packed write is one trip."""
    writes: list[object] = []
    for kind in (redis.connection.Connection, redis.connection.UnixDomainSocketConnection):
        send = kind.send_packed_command

        def counted(self: Any, command: Any, *args: Any, _send: Any = send, **kwargs: Any) -> Any:  # noqa: ANN401
            writes.append(command)
            return _send(self, command, *args, **kwargs)

        monkeypatch.setattr(kind, "send_packed_command", counted)
    return writes


def test_a_turn_takes_two_round_trips(exchange: Exchange, sent: list[object]) -> None:
    walk_to(exchange, "planting.start_date")  # connected, and the script known
    for text, message_id in (("nonsense", None), ("today", "m-1"), ("plan", None)):
        sent.clear()
        exchange.answer(NUMBER, text, message_id=message_id)
        assert len(sent) == 2
    sent.clear()
    exchange.answer(NUMBER, "today", message_id="m-1")
    assert len(sent) == 1  # a repeat needs no commit


def test_what_the_server_counts_is_two_commands_a_turn(
    exchange: Exchange, redis_client: redis.Redis
) -> None:
    walk_to(exchange, "field.fertile")
    redis_client.config_resetstat()
    exchange.answer(NUMBER, "yes", message_id="m-1")
    calls = {name: stat["calls"] for name, stat in redis_client.info("commandstats").items()}
    assert (calls["cmdstat_mget"], calls["cmdstat_evalsha"]) == (1, 1)
    # What the script itself calls costs no trip.
    within = {
        f"cmdstat_{name}"
        for name in ("getrange", "set", "zrem", "zadd", "zscore", "hincrby", "hdel")
    } | {f"cmdstat_{name}" for name in ("rpush", "ltrim", "expire")}
    apart = {"cmdstat_config", "cmdstat_config|resetstat", "cmdstat_info"}
    assert set(calls) - within - apart == {"cmdstat_mget", "cmdstat_evalsha"}


def test_a_commit_whose_answer_is_lost_is_not_made_twice(
    redis_server: EmbeddedRedis,
    redis_client: redis.Redis,
    clock: Clock,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    assert redis_client.dbsize() == 0
    client = connect(redis_server.url)
    exchange = Exchange(Store(client), data.dialogue(), SETTINGS, clock)
    exchange.answer(NUMBER, "hello")
    kind = redis.connection.UnixDomainSocketConnection
    read, answers = kind.read_response, []

    def losing(self: Any, *args: Any, **kwargs: Any) -> Any:  # noqa: ANN401
        answer = read(self, *args, **kwargs)
        if answer == [1] and not answers:  # the commit has been made; its answer goes astray
            answers.extend(answer)
            raise redis.TimeoutError("Timeout reading from socket")
        return answer

    monkeypatch.setattr(kind, "read_response", losing)
    said = exchange.answer(NUMBER, "1")
    monkeypatch.undo()
    client.close()
    assert answers == [1]
    # "1" chose the language, and did not also become the size of the field.
    assert asked(exchange) == "field.area"
    assert said.replies[0].startswith("How big is the field?")
    assert exchange.store.load(NUMBER).commits == 2


def test_a_grower_who_changes_all_the_time_is_not_fought_over_for_ever(clock: Clock) -> None:
    class Losing:
        def load(self, *_: object) -> Loaded:
            return Loaded(0, Grower())

        def commit(self, *_: object, **__: object) -> bool:
            return False

    exchange = Exchange(Losing(), data.dialogue(), SETTINGS, clock)
    with pytest.raises(StoreUnavailable, match="deliver the text again"):
        exchange.answer(NUMBER, "hello")


def test_with_redis_gone_nothing_happens_and_the_text_can_be_delivered_again(
    tmp_path: Path, clock: Clock
) -> None:
    with EmbeddedRedis(tmp_path) as server:
        exchange = Exchange(Store(connect(server.url)), data.dialogue(), SETTINGS, clock)
        exchange.answer(NUMBER, "hello", message_id="m-1")
        before = exchange.store.load(NUMBER)
    with pytest.raises(StoreUnavailable):
        exchange.answer(NUMBER, "1", message_id="m-2")
    with EmbeddedRedis(tmp_path):  # the same folder, so the same socket and the same data
        assert exchange.store.load(NUMBER) == before
        said = exchange.answer(NUMBER, "1", message_id="m-2")
        assert not said.repeated
        assert exchange.answer(NUMBER, "1", message_id="m-2").repeated
        assert exchange.store.load(NUMBER).version == before.version + 1
        assert asked(exchange) == "field.area"
        exchange.store.redis.close()


# Reports on texts that were sent

GROUP = "Mirindi North"
UTC_DAY = date(2026, 3, 2)


def told(store: Store, day: date = UTC_DAY) -> dict[str, int]:
    """What is counted of a day, as "failed:notice:Mirindi North"."""
    counts = Groups(store.redis).tallies([day])[day]
    return {":".join(each): count for each, count in counts.items() if each[0] != "segments"}


def told_of_round(client: redis.Redis) -> dict[bytes, bytes]:
    return client.hgetall(keys.told_key(keys.shard_of(NUMBER), "r1"))


def put(store: Store, grower: Grower, *lines: Line) -> None:
    assert store.commit(NUMBER, store.load(NUMBER), grower, due=None, lines=lines)


def went(serial: int, kind: str = "notice", about: str = "round:r1") -> Line:
    return Line(int(NINE), "sent", kind, "Plant.", serial, f"g-{serial}", about=about, segments=1)


@pytest.fixture
def texted(exchange: Exchange) -> Exchange:
    """The exchange, with a grower to whom three texts of a round went."""
    put(exchange.store, Grower(language="en", group=GROUP, serial=9), went(1), went(2), went(3))
    return exchange


def whats(exchange: Exchange) -> list[str]:
    return [each.what for each in exchange.store.texts(NUMBER)]


@pytest.mark.parametrize("names", [{"serial": 2}, {"reference": "g-2"}])
def test_a_report_is_counted_once_as_its_text(
    texted: Exchange, redis_client: redis.Redis, names: dict[str, Any]
) -> None:
    assert texted.receipt(NUMBER, "delivered", **names)
    version = texted.store.load(NUMBER).version
    for _ in range(2):
        assert not texted.receipt(NUMBER, "delivered", **names)
    # Under another name it is the same report.
    assert not texted.receipt(NUMBER, "delivered", serial=2, reference="g-2")
    assert texted.store.load(NUMBER).version == version
    assert whats(texted) == ["sent", "delivered", "sent"]
    assert told(texted.store) == {f"sent:notice:{GROUP}": 3, f"delivered:notice:{GROUP}": 1}
    assert told_of_round(redis_client) == {b"sent": b"3", b"delivered": b"1"}


def test_what_arrived_has_arrived(texted: Exchange, redis_client: redis.Redis) -> None:
    assert texted.receipt(NUMBER, "delivered", serial=1)
    assert not texted.receipt(NUMBER, "failed", serial=1, reason="expired")
    assert not texted.receipt(NUMBER, "unreachable", serial=1, reason="barred")
    assert whats(texted)[0] == "delivered"
    assert texted.store.load(NUMBER).grower.unreachable == ""
    assert told_of_round(redis_client) == {b"sent": b"3", b"delivered": b"1"}
    assert Groups(redis_client).failures() == []


def test_an_arrival_takes_the_place_of_a_failure(
    texted: Exchange, redis_client: redis.Redis, clock: Clock
) -> None:
    assert texted.receipt(NUMBER, "failed", serial=1, reason="switched off")
    assert not texted.receipt(NUMBER, "failed", reference="g-1", reason="expired")
    (failure,) = Groups(redis_client).failures()
    assert (failure.number, failure.group) == (NUMBER, GROUP)
    assert (failure.line.kind, failure.line.reason) == ("notice", "switched off")
    assert told_of_round(redis_client) == {b"sent": b"3", b"failed": b"1"}
    # Meanwhile the grower has come into another group, and a day has passed.
    put(texted.store, replace(texted.store.load(NUMBER).grower, group="Mirindi South"))
    clock.now += DAY_S
    assert texted.receipt(NUMBER, "delivered", serial=1)
    assert not texted.receipt(NUMBER, "failed", serial=1)
    assert Groups(redis_client).failures() == []
    assert told(texted.store) == {f"sent:notice:{GROUP}": 3}
    assert told(texted.store, UTC_DAY + timedelta(days=1)) == {"delivered:notice:Mirindi South": 1}
    assert told_of_round(redis_client) == {b"sent": b"3", b"delivered": b"1"}
    assert whats(texted)[0] == "delivered"
    assert texted.store.load(NUMBER).grower.trouble == ""


def test_one_text_that_fails_is_no_trouble_and_three_in_a_row_are(
    texted: Exchange, redis_client: redis.Redis
) -> None:
    for serial in (2, 3):
        texted.receipt(NUMBER, "failed", serial=serial, reason="expired")
        assert texted.store.load(NUMBER).grower.trouble == ""
    texted.receipt(NUMBER, "failed", serial=1, reason="expired")
    grower = texted.store.load(NUMBER).grower
    assert (grower.trouble, grower.unreachable) == (NOT_ARRIVING, "")
    assert redis_client.zscore(keys.calls_key(keys.shard_of(NUMBER)), NUMBER) is not None
    assert grower.receives
    # One that arrives after them ends the row.
    put(texted.store, grower, went(4))
    texted.receipt(NUMBER, "delivered", serial=4)
    assert texted.store.load(NUMBER).grower.trouble == ""
    assert redis_client.zscore(keys.calls_key(keys.shard_of(NUMBER)), NUMBER) is None


def test_three_failures_with_an_arrival_among_them_are_no_trouble(texted: Exchange) -> None:
    put(texted.store, texted.store.load(NUMBER).grower, went(4))
    for serial, state in ((1, "failed"), (2, "delivered"), (3, "failed"), (4, "failed")):
        texted.receipt(NUMBER, state, serial=serial)
    assert texted.store.load(NUMBER).grower.trouble == ""


@pytest.mark.parametrize("trouble", [ASKED_FOR_HELP, UNANSWERED])
def test_another_reason_to_ring_stands_against_failures(texted: Exchange, trouble: str) -> None:
    put(texted.store, replace(texted.store.load(NUMBER).grower, trouble=trouble))
    for serial in (1, 2, 3):
        texted.receipt(NUMBER, "failed", serial=serial)
    assert texted.store.load(NUMBER).grower.trouble == trouble
    texted.receipt(NUMBER, "delivered", serial=3)
    assert texted.store.load(NUMBER).grower.trouble == trouble


def test_a_number_that_cannot_be_reached_gets_direct_replies_only(
    exchange: Exchange, redis_client: redis.Redis
) -> None:
    walk_to(exchange, "planting.start_date")
    exchange.answer(NUMBER, "tomorrow")
    assert due_of(redis_client) == seven_on(TODAY + timedelta(days=1))
    grower = replace(exchange.store.load(NUMBER).grower, serial=9)
    put(exchange.store, enqueue(grower, ["Weed soon."], "notice"), went(1))
    assert exchange.receipt(NUMBER, "unreachable", serial=1, reason="no such number")
    assert due_of(redis_client) is None
    grower = exchange.store.load(NUMBER).grower
    assert (grower.unreachable, grower.trouble) == ("no such number", UNREACHABLE)
    assert whats(exchange)[-1] == "failed"
    # A report that comes again once the grower has written does not silence them again.
    exchange.answer(NUMBER, "plan")
    grower = exchange.store.load(NUMBER).grower
    assert (grower.unreachable, grower.trouble) == ("", "")
    assert due_of(redis_client) == seven_on(TODAY + timedelta(days=1))
    assert not exchange.receipt(NUMBER, "unreachable", serial=1, reason="no such number")
    exchange.receipt(NUMBER, "unreachable", serial=1, reference="g-1", reason="no such number")
    assert exchange.store.load(NUMBER).grower.receives


def test_a_failure_found_to_be_for_good_counts_once_and_silences(
    texted: Exchange, redis_client: redis.Redis
) -> None:
    texted.receipt(NUMBER, "failed", serial=1)
    assert texted.receipt(NUMBER, "unreachable", serial=1)
    assert texted.store.load(NUMBER).grower.unreachable == UNREACHABLE
    assert told_of_round(redis_client) == {b"sent": b"3", b"failed": b"1"}
    # A later text that arrives shows that the number can be reached; an earlier one does not.
    put(texted.store, texted.store.load(NUMBER).grower, went(4))
    texted.receipt(NUMBER, "unreachable", serial=3, reason="barred")
    texted.receipt(NUMBER, "delivered", serial=2)
    assert texted.store.load(NUMBER).grower.unreachable == "barred"
    texted.receipt(NUMBER, "delivered", serial=4)
    grower = texted.store.load(NUMBER).grower
    assert (grower.unreachable, grower.trouble) == ("", "")


def test_who_asked_for_help_is_rung_even_where_no_text_arrives(texted: Exchange) -> None:
    put(texted.store, replace(texted.store.load(NUMBER).grower, trouble=ASKED_FOR_HELP))
    texted.receipt(NUMBER, "unreachable", serial=3, reason="barred")
    grower = texted.store.load(NUMBER).grower
    assert (grower.unreachable, grower.trouble) == ("barred", ASKED_FOR_HELP)


def test_a_report_of_nobody_or_of_nothing_changes_nothing(
    texted: Exchange, redis_client: redis.Redis
) -> None:
    put(texted.store, texted.store.load(NUMBER).grower, replace(went(4), what="refused"))
    before = {key: redis_client.dump(key) for key in redis_client.scan_iter()}
    for state in ("delivered", "failed", "unreachable"):
        assert not texted.receipt("+255655000009", state, serial=1)
        assert not texted.receipt("+255655000009", state, reference="g-1")
        assert not texted.receipt(NUMBER, state, serial=10)  # the last one given out is 9
        assert not texted.receipt(NUMBER, state, serial=4)  # refused, and so done with
    assert {key: redis_client.dump(key) for key in redis_client.scan_iter()} == before


def test_a_report_of_a_text_that_is_no_longer_kept(redis_client: redis.Redis, clock: Clock) -> None:
    silent = Exchange(Store(redis_client, keep_texts=0), data.dialogue(), SETTINGS, clock)
    put(silent.store, Grower(group=GROUP, serial=9), went(1))
    for _ in range(3):
        silent.receipt(NUMBER, "delivered", serial=1)
    assert told(silent.store) == {f"sent:notice:{GROUP}": 1, f"delivered::{GROUP}": 1}


def test_a_report_on_a_text_of_which_only_a_report_is_kept(
    redis_client: redis.Redis, clock: Clock
) -> None:
    brief = Exchange(Store(redis_client, keep_texts=2), data.dialogue(), SETTINGS, clock)
    put(brief.store, Grower(group=GROUP, serial=9), went(1))
    brief.receipt(NUMBER, "failed", serial=1)
    put(brief.store, brief.store.load(NUMBER).grower, went(2))
    assert [each.what for each in brief.store.lines(NUMBER)] == ["failed", "sent"]
    brief.receipt(NUMBER, "delivered", serial=1)
    assert told(brief.store) == {f"sent:notice:{GROUP}": 2, f"delivered:notice:{GROUP}": 1}
    assert told_of_round(redis_client) == {b"sent": b"2", b"delivered": b"1"}


def test_a_report_on_a_text_still_being_handed_over_is_of_its_kind(
    exchange: Exchange, redis_client: redis.Redis
) -> None:
    grower = enqueue(Grower(group=GROUP), ["Weed soon."], "notice", "round:r1")
    put(exchange.store, grower)
    assert exchange.receipt(NUMBER, "delivered", serial=1)
    assert whats(exchange) == []  # not yet known to have left
    put(exchange.store, replace(grower, waiting=()), went(1))
    assert whats(exchange) == ["delivered"]
    assert told_of_round(redis_client) == {b"sent": b"1", b"delivered": b"1"}
    assert not exchange.receipt(NUMBER, "delivered", reference="g-1")


def test_many_reports_at_once_each_count_once(exchange: Exchange) -> None:
    for place in range(10):
        number = f"+2556550003{place:02d}"
        loaded = exchange.store.load(number)
        lines = [went(1), went(2)]
        exchange.store.commit(number, loaded, Grower(serial=2), due=None, lines=lines)
        at_once(
            lambda number=number: exchange.receipt(number, "delivered", serial=1),
            lambda number=number: exchange.receipt(number, "failed", reference="g-1"),
            lambda number=number: exchange.receipt(number, "delivered", serial=1),
            lambda number=number: exchange.receipt(number, "failed", serial=2),
        )
        texts = exchange.store.texts(number)
        assert [each.what for each in texts] == ["delivered", "failed"]
    counts = told(exchange.store)
    assert (counts["delivered:notice:"], counts["failed:notice:"]) == (10, 10)


def test_reports_taken_together_do_what_they_do_one_by_one(exchange: Exchange) -> None:
    chance = random.Random(11)  # noqa: S311 - any will do
    reports = [
        Report(
            f"+25565500040{chance.randrange(6)}",
            chance.choice(["delivered", "failed", "unreachable", None]),
            serial=serial if chance.random() < 0.5 else 0,
            reference=f"g-{serial}",
            reason="switched off",
        )
        for serial in chance.choices(range(1, 7), k=60)
    ]
    alone = [replace_number(each, "+2556550003") for each in reports]
    for each in {each.number for each in [*reports, *alone]}:
        grower = Grower(serial=5, group=GROUP)
        lines = [went(serial) for serial in range(1, 5)]
        exchange.store.commit(each, exchange.store.load(each), grower, due=None, lines=lines)

    news = exchange.receipts(reports)
    singly = [
        each
        for each in alone
        if each.state is not None
        and exchange.receipt(
            each.number,
            each.state,
            serial=each.serial,
            reference=each.reference,
            reason=each.reason,
        )
    ]

    assert news
    assert {replace_number(each, "+2556550003") for each in news} == set(singly)
    for each in {each.number for each in reports}:
        other = each.replace("+2556550004", "+2556550003")
        assert exchange.store.texts(each) == exchange.store.texts(other)
        assert exchange.store.load(each).grower == exchange.store.load(other).grower
    assert exchange.receipts(reports) == []


def replace_number(report: Report, prefix: str) -> Report:
    return dataclasses.replace(report, number=prefix + report.number[len(prefix) :])


def test_reports_that_come_together_take_two_round_trips(
    exchange: Exchange, redis_client: redis.Redis
) -> None:
    reports = []
    for place in range(10):
        number = f"+2556550005{place:02d}"
        lines = [went(1)]
        exchange.store.commit(number, Loaded(0, Grower()), Grower(serial=1), due=None, lines=lines)
        reports.append(Report(number, "delivered", serial=1))
    exchange.receipts([])
    before = reads(redis_client)
    assert len(exchange.receipts(reports)) == 10
    # Asking how often is one as well; and what is long may reach the server in two pieces.
    assert 2 <= reads(redis_client) - before - 1 <= 4


def reads(client: redis.Redis) -> int:
    """How often the server has read from a client: once a round trip, whatever it carried."""
    return int(client.info("stats")["total_reads_processed"])


def test_a_report_that_loses_every_race_is_to_be_delivered_again(clock: Clock) -> None:
    class Losing:
        def load_with_lines(self, asked: Sequence[object]) -> list[tuple[Loaded, list[Line]]]:
            return [(Loaded(1, Grower(serial=1)), []) for _ in asked]

        def commit_many(self, changes: Iterable[Commit]) -> list[str]:
            return [each.number for each in changes]

    exchange = Exchange(Losing(), data.dialogue(), SETTINGS, clock)
    with pytest.raises(StoreUnavailable, match="deliver the report again"):
        exchange.receipt(NUMBER, "delivered", serial=1)
