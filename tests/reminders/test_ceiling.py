"""A ceiling on the month's spend stops rounds, and never a reminder, a reply or a safety text."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from decimal import Decimal
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import msgspec
import pytest
from msgspec.structs import replace

from bot import data
from bot.dialogue.records import Grower, Operation, Plan, Reminder
from bot.dialogue.voice import Contacts
from bot.exchange import Exchange
from bot.gateways.base import Deferred
from bot.gateways.loopback import LoopbackGateway
from bot.reminders.schedule import next_due
from bot.reminders.sender import Sender
from bot.reminders.spending import REFRESH_S, Ceiling, bill, exact, month_at
from bot.reminders.spreading import Permission, Spreader, pause_at_ceiling
from bot.settings import Settings
from bot.store.groups import Group, Groups
from bot.store.growers import Commit, Store
from bot.store.rounds import Round, Rounds, moved
from bot.store.spending import Sent, Sort, Spending
from bot.store.texts import Line

if TYPE_CHECKING:
    import redis

    from bot.gateways.base import Outcome, Outgoing

NINE = datetime(2026, 3, 2, 6, 0, tzinfo=UTC).timestamp()  # 09:00 in Dar es Salaam
TODAY = date(2026, 3, 2)
NORTH = "Mirindi North"
ROUND = Round("r1", "Meeting", "amina", 1, (NORTH,), texts={"en": "We meet."}, rate=60_000)
PRICED = Settings(segment_price=25.0, spend_ceiling=1000.0)  # 40 segments
ZONE = ZoneInfo(PRICED.zone)
SOMEBODY = "+255731000000"


@dataclass
class Clock:
    now: float = NINE

    def __call__(self) -> float:
        return self.now


@dataclass
class Room:
    """A spreader and a sender under a ceiling, and what they serve."""

    client: redis.Redis
    settings: Settings = PRICED
    clock: Clock = field(default_factory=Clock)

    def __post_init__(self) -> None:
        self.store = Store(self.client, self.clock)
        self.rounds = Rounds(self.client)
        self.spending = Spending(self.client)
        self.gateway = LoopbackGateway(self.clock)
        self.groups = Groups(self.client)
        self.groups.shelf.add(NORTH, Group(NORTH))
        self.dialogue = data.dialogue(Contacts("+255700000001", "0800 000 001"))
        self.under(self.settings)

    def under(self, settings: Settings) -> None:
        """Begin the processes anew, as an operator does who changes a setting."""
        if hasattr(self, "spreader"):
            self.spreader.release()
        self.settings = settings
        self.exchange = Exchange(self.store, self.dialogue, settings, self.clock)
        self.spreader = Spreader(
            self.store, self.groups, self.rounds, self.dialogue, settings, self.clock
        )
        self.sender = self.another_sender(self.gateway)

    def another_sender(self, gateway: object, at_once: int = 1) -> Sender:
        permission = Permission(self.rounds, self.clock, self.ceiling())
        compose = self.dialogue.remind
        return Sender(self.store, gateway, compose, self.settings, self.clock, permission, at_once)

    def ceiling(self) -> Ceiling:
        return Ceiling(self.spending, self.settings, self.clock)

    def fill(self, many: int) -> list[str]:
        numbers = [f"+25571{place:07d}" for place in range(many)]
        one = Grower(language="en", group=NORTH)
        changes = [Commit(each, self.store.load(each), one, None) for each in numbers]
        assert self.store.commit_many(changes) == []
        return numbers

    def put(self, number: str, grower: Grower, *lines: Line) -> None:
        loaded = self.store.load(number)
        due = next_due(grower, self.settings, self.clock())
        assert self.store.commit(number, loaded, grower, due=due, lines=lines)

    def spend(self, segments: int, gateway: str = "") -> None:
        """Send texts that cost so much, by other ways."""
        line = Line(int(self.clock()), "sent", "reply", segments=segments, gateway=gateway)
        self.put(SOMEBODY, self.store.load(SOMEBODY).grower, line)

    def deliver(self) -> None:
        for _ in range(200):
            more = self.spreader.tick()
            if not self.sender.tick() and not more:
                break

    def go_on(self) -> None:
        """Let some minutes pass, so that what was held is looked at again."""
        for _ in range(12):
            self.clock.now += 31
            self.deliver()

    def start(self, **changes: object) -> None:
        self.rounds.shelf.add("r1", replace(ROUND, state="running", **changes))

    def resume(self) -> None:
        one = self.rounds.change_state("r1", ("paused",), "running")
        assert one is not None
        assert (one.state, one.paused_for) == ("running", "")

    def stands(self, round_id: str = "r1") -> tuple[str, str]:
        one = self.rounds.shelf.find(round_id)
        assert one is not None
        return one.state, one.paused_for

    def told(self) -> Counter[str]:
        return Counter(each.text.to for each in self.gateway.ledger)


@pytest.fixture
def room(redis_client: redis.Redis) -> Room:
    return Room(redis_client)


# A round on its way


def test_a_round_ends_with_the_text_that_reaches_the_ceiling(room: Room) -> None:
    room.fill(100)
    room.start()
    room.deliver()
    # 1,000 shillings are 40 segments of 25; the clock has stood, so nothing was read again in time.
    assert len(room.gateway.ledger) == 40
    assert room.stands() == ("paused", "ceiling")
    room.go_on()
    assert len(room.gateway.ledger) == 40


def test_without_a_ceiling_a_round_goes_out_whatever_it_costs(room: Room) -> None:
    room.under(Settings(segment_price=25.0))
    numbers = room.fill(100)
    room.start()
    room.deliver()
    assert room.told() == Counter(numbers)
    assert room.stands() == ("finished", "")


def test_reminders_replies_and_safety_go_out_over_the_ceiling(room: Room) -> None:
    numbers = room.fill(60)
    room.start()
    room.deliver()
    assert room.stands() == ("paused", "ceiling")
    before = len(room.gateway.ledger)
    spray = Operation("spray_fallow", TODAY, TODAY, TODAY, ml=100)
    plan = Plan((spray,), Reminder("spray_fallow", TODAY))
    # Somebody whose round's text is held is due a reminder, with its cautions.
    loads = dict(zip(numbers, room.store.load_many(numbers), strict=True))
    held, grower = next((n, each.grower) for n, each in loads.items() if each.grower.waiting)
    assert [each.operation for each in grower.waiting] == ["round:r1"]
    room.put(held, replace(grower, plan=plan))
    room.deliver()
    bodies = [each.text.body for each in room.gateway.ledger[before:]]
    assert {each.text.to for each in room.gateway.ledger[before:]} == {held}
    assert any("Poison help: 0800 000 001." in each for each in bodies)
    assert bodies[-1].startswith("Fieldbell, Mon 2 Mar: Spray")
    # And is answered, in the request's own answer or by the sender.
    assert "call +255700000001" in room.exchange.answer(held, "help").replies[0]
    room.exchange.answer(held, "paraquat", queue=True)
    room.deliver()
    said = [each.text.body for each in room.gateway.ledger[before:]]
    assert any(each.startswith("We do not advise paraquat") for each in said)
    assert not [each for each in said if each == "We meet."]


def test_a_round_resumed_over_the_ceiling_is_paused_again_and_says_why(room: Room) -> None:
    room.fill(100)
    room.start()
    room.deliver()
    for _ in range(3):
        room.resume()
        room.go_on()
        assert room.stands() == ("paused", "ceiling")
    assert len(room.gateway.ledger) == 40


def test_a_raised_ceiling_lets_it_go_on_and_nobody_is_told_twice_or_missed(room: Room) -> None:
    numbers = room.fill(150)
    room.start()
    for ceiling in (1000.0, 1600.0, 2500.0, 0.0):
        room.under(replace(PRICED, spend_ceiling=ceiling))
        if room.stands()[0] == "paused":
            room.resume()
        room.go_on()
        spent = bill(room.spending, "2026-03", room.settings).cost
        if ceiling:
            assert room.stands() == ("paused", "ceiling")
            assert spent == exact(ceiling)
    assert room.told() == Counter(numbers)
    assert room.stands() == ("finished", "")
    assert room.rounds.progress("r1", "send").counts["chosen"] == 150


def test_a_new_month_has_its_own_ceiling(room: Room) -> None:
    # 23:59:30 on 31 December in the operator's zone, and a group that is awake in another.
    room.clock.now = datetime(2026, 12, 31, 20, 59, 30, tzinfo=UTC).timestamp()
    room.store = Store(room.client, room.clock, zone=ZONE)
    room.under(replace(PRICED, waking_from=0, waking_until=24))
    numbers = room.fill(60)
    room.spend(30)
    room.start()
    room.deliver()
    assert len(room.gateway.ledger) == 10
    assert room.stands() == ("paused", "ceiling")
    room.clock.now += 31
    # It waits for an agent all the same: it is they who know whether it still makes sense.
    room.deliver()
    assert room.stands() == ("paused", "ceiling")
    room.resume()
    room.clock.now += 1
    room.go_on()
    assert bill(room.spending, "2027-01", room.settings).cost == 40 * 25
    room.resume()
    room.under(replace(room.settings, spend_ceiling=5000.0))
    room.go_on()
    assert room.told() == Counter(numbers)


def test_a_round_spread_to_its_end_is_held_too(room: Room) -> None:
    """Of a round that has gone through everyone, texts still wait."""
    room.fill(60)
    room.start()
    while room.spreader.tick():
        pass
    assert room.stands() == ("finished", "")
    room.deliver()
    assert len(room.gateway.ledger) == 40
    assert room.stands() == ("paused", "ceiling")


def test_over_the_ceiling_nothing_is_spread(room: Room) -> None:
    """Else its texts would wait, and be looked at every half minute, to no purpose."""
    numbers = room.fill(60)
    room.spend(40)
    room.start()
    while room.spreader.tick():
        pass
    assert room.stands() == ("paused", "ceiling")
    assert not any(each.grower.waiting for each in room.store.load_many(numbers))
    # Counting costs nothing.
    room.rounds.shelf.add("r2", replace(ROUND, id="r2", state="counting"))
    while room.spreader.tick():
        pass
    assert room.stands("r2") == ("counted", "")


def test_a_round_that_was_stopped_meanwhile_stays_so(room: Room) -> None:
    room.start()
    room.rounds.change_state("r1", ("running",), "stopped")
    assert pause_at_ceiling(room.rounds, "r1") == "stopped"
    assert room.stands() == ("stopped", "")
    assert pause_at_ceiling(room.rounds, "no round") == "stopped"


def test_a_round_that_waits_for_its_time_or_sleeps_is_not_paused(room: Room) -> None:
    room.fill(5)
    room.spend(40)
    room.start(start=int(NINE) + 3600)
    room.deliver()
    assert room.stands() == ("running", "")
    room.clock.now += 12 * 3600  # past its time, but at night
    room.deliver()
    assert room.stands() == ("running", "")


def test_another_pause_says_nothing_of_the_ceiling() -> None:
    paused = moved(replace(ROUND, state="running"), "paused", "ceiling")
    assert (paused.state, paused.paused_for) == ("paused", "ceiling")
    assert moved(moved(paused, "running"), "paused").paused_for == ""


def test_a_round_kept_before_there_were_ceilings_is_read() -> None:
    before = msgspec.msgpack.decode(msgspec.msgpack.encode(ROUND), type=list)[:-1]
    assert msgspec.convert(before, Round) == ROUND


# How far over it goes


def test_many_threads_go_over_by_a_text_each_at_most(room: Room) -> None:
    room.fill(300)
    room.start()
    while room.spreader.tick():
        pass
    sender = room.another_sender(room.gateway, at_once=8)
    while sender.tick():
        pass
    sender.close()
    assert 40 <= len(room.gateway.ledger) <= 40 + 8
    assert set(room.told().values()) == {1}
    assert room.stands() == ("paused", "ceiling")


def test_what_a_gateway_puts_off_is_not_spent(room: Room) -> None:
    room.fill(100)
    room.start()
    while room.spreader.tick():
        pass

    asked = []

    class Down:
        def send(self, text: Outgoing) -> Outcome:
            asked.append(text)
            return Deferred("busy")

    down = room.another_sender(Down())
    down.tick()
    assert len(asked) > 40
    # A hundred texts were let through and none has left: 1,000 shillings are still there.
    assert room.stands()[0] in {"running", "finished"}
    assert room.spending.month("2026-03") == {}


def test_what_others_spend_is_known_after_a_few_seconds(room: Room) -> None:
    ceiling = room.ceiling()
    assert not ceiling.reached(1)
    room.spend(40)
    assert not ceiling.reached(1)
    room.clock.now += REFRESH_S
    assert ceiling.reached(1)


def test_at_the_turn_of_the_month_nothing_is_spent_yet(room: Room) -> None:
    room.clock.now = datetime(2026, 12, 31, 20, 59, 59, tzinfo=UTC).timestamp()
    room.store = Store(room.client, room.clock, zone=ZONE)
    room.spend(40)
    ceiling = room.ceiling()
    assert ceiling.reached(1)
    room.clock.now += 1  # midnight in Dar es Salaam, and long before the next reading
    assert not ceiling.reached(1)


def test_the_spend_is_read_seldom(room: Room, monkeypatch: pytest.MonkeyPatch) -> None:
    reads = 0
    month = Spending.month

    def counted(self: Spending, which: str) -> dict[Sort, Sent]:
        nonlocal reads
        reads += 1
        return month(self, which)

    monkeypatch.setattr(Spending, "month", counted)
    ceiling = Ceiling(room.spending, replace(PRICED, spend_ceiling=1e6), room.clock)
    for _ in range(1000):
        ceiling.reached(4)
        room.clock.now += 0.01  # ten seconds together
    assert reads == 2
    room.clock.now -= 3600  # a clock put back
    ceiling.reached(1)
    assert reads == 3
    # Nor is it over and over once the ceiling is reached.
    room.spend(40)
    over = room.ceiling()
    assert [over.reached(1) for _ in range(100)] == [True] * 100
    assert reads == 4
    none = Ceiling(room.spending, Settings(), room.clock)
    assert not none.reached(1000)
    assert reads == 4


# What it comes to


def test_each_gateway_has_its_price(room: Room) -> None:
    settings = Settings(
        segment_price=25.0, gateway_prices="coast=18.5, modem=0", gateway="/etc/my.toml, coast"
    )
    for gateway, segments in (("", 1), ("coast", 2), ("modem", 4), ("my", 8), ("hills", 16)):
        room.spend(segments, gateway)
    found = bill(room.spending, month_at(NINE, settings), settings)
    assert [(row.sort.gateway, row.sent.segments, row.cost) for row in found.rows] == [
        ("coast", 2, Decimal(37)),
        ("hills", 16, Decimal(400)),
        ("modem", 4, Decimal(0)),
        ("my", 9, Decimal(225)),  # what names no gateway is of the one that is set
    ]
    assert (found.sent, found.cost) == (Sent(5, 31), Decimal(662))


@pytest.mark.parametrize(
    ("ceiling", "percent", "left", "warns"),
    [
        (0.0, 0, 0, False),
        (1000.0, 40, 600, False),
        (500.0, 80, 100, True),
        (500.1, 79, Decimal("100.1"), False),
        (400.0, 100, 0, True),
        (100.0, 400, 0, True),
    ],
)
def test_how_much_of_the_ceiling_is_spent(
    room: Room,
    ceiling: float,
    percent: int,
    left: Decimal,
    warns: bool,  # noqa: FBT001
) -> None:
    room.spend(16)
    found = bill(room.spending, "2026-03", replace(PRICED, spend_ceiling=ceiling))
    assert (found.percent, found.left, found.warns) == (percent, left, warns)
    assert found.short_of(found.left + 1) == bool(ceiling)
    assert not found.short_of(found.left)


def test_sums_of_tenths_come_out_even(room: Room) -> None:
    """0.1 + 0.1 + 0.1 is more than 0.3 in binary, and 100 times 0.29 less than 29."""
    room.spend(100)
    settings = Settings(segment_price=0.29, spend_ceiling=29.0)
    found = bill(room.spending, "2026-03", settings)
    assert (found.cost, found.left, found.percent) == (Decimal(29), 0, 100)
    assert Ceiling(room.spending, settings, room.clock).reached()
