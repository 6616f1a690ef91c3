"""A round goes to whom it is for, once, and to nobody who must not be texted."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from typing import TYPE_CHECKING

import msgspec
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from bot import data
from bot.dialogue.records import Grower, Operation, Plan, Waiting, enqueue
from bot.exchange import Exchange
from bot.gateways.base import Refused
from bot.gateways.loopback import Delivered, LoopbackGateway
from bot.reminders import spreading
from bot.reminders.rounds import Chosen, LeftOut, faults, judge, meets
from bot.reminders.schedule import next_due
from bot.reminders.sender import LEASE_S, Sender
from bot.reminders.spreading import AHEAD_S, LOCK_S, Permission, Spreader
from bot.settings import Settings
from bot.store import keys
from bot.store.errors import StoreUnavailable
from bot.store.groups import Group, Groups
from bot.store.growers import NEW, Commit, Store
from bot.store.rounds import Conditions, Round, Rounds
from bot.wording.gsm import segments

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    import redis

SETTINGS = Settings()
NINE = datetime(2026, 3, 2, 6, 0, tzinfo=UTC).timestamp()  # 09:00 in Dar es Salaam
TODAY = date(2026, 3, 2)
NORTH, SOUTH = "Mirindi North", "Mirindi South"
TEXT = "Habari {name}, mkutano ni Jumamosi saa tatu."
ROUND = Round("r1", "Meeting", "amina", 1, (NORTH,), texts={"sw": TEXT}, rate=60_000)


def planned(due: date, done: date | None = None, name: str = "plough") -> Plan:
    return Plan((Operation(name, due, due, due, done=done),))


def grower(**changes: object) -> Grower:
    return replace(Grower(language="sw", name="Neema", group=NORTH), **changes)


@dataclass
class Clock:
    now: float = NINE

    def __call__(self) -> float:
        return self.now


@dataclass
class Room:
    """A spreader, a sender and what they serve."""

    client: redis.Redis
    clock: Clock = field(default_factory=Clock)

    def __post_init__(self) -> None:
        self.store = Store(self.client, self.clock)
        self.groups, self.rounds = Groups(self.client), Rounds(self.client)
        self.gateway = LoopbackGateway(self.clock)
        self.groups.shelf.add(NORTH, Group(NORTH, language="sw"))
        self.groups.shelf.add(SOUTH, Group(SOUTH, zone="America/Bogota"))
        self.new()

    def new(self) -> None:
        """A spreader and a sender as another process would have them."""
        dialogue = data.dialogue()
        self.spreader = Spreader(
            self.store, self.groups, self.rounds, dialogue, SETTINGS, self.clock
        )
        self.sender = Sender(
            self.store,
            self.gateway,
            dialogue.remind,
            SETTINGS,
            self.clock,
            Permission(self.rounds, self.clock),
        )

    def fill(self, many: int, one: Grower | None = None, prefix: str = "+25571") -> list[str]:
        numbers = [f"{prefix}{place:07d}" for place in range(many)]
        changes = [Commit(n, self.store.load(n), one or grower(), None) for n in numbers]
        assert self.store.commit_many(changes) == []
        return numbers

    def work(self) -> None:
        while self.spreader.tick():
            pass

    def deliver(self) -> None:
        """Spread and send until nothing is left to do for the moment."""
        for _ in range(200):
            more = self.spreader.tick()
            if not self.sender.tick() and not more:
                break

    def state(self, round_id: str = "r1") -> str:
        found = self.rounds.shelf.find(round_id)
        return found.state if found else ""

    def sent(self) -> Counter[str]:
        return Counter(each.text.to for each in self.gateway.ledger)


@pytest.fixture
def room(redis_client: redis.Redis) -> Room:
    return Room(redis_client)


# Whom it is for


@pytest.mark.parametrize(
    ("one", "reason"),
    [
        (grower(stopped=True), "stopped"),
        (grower(consent=False), "no_consent"),
        (grower(unreachable="no such number"), "unreachable"),
        (grower(stopped=True, consent=False), "stopped"),
        (grower(group=SOUTH), "gone"),
        (grower(language="en"), "no_text"),
        (grower(name=""), "no_value"),
    ],
)
def test_who_must_not_be_texted_is_left_out(one: Grower, reason: str) -> None:
    assert judge(ROUND, Group(NORTH), one, TODAY, data.dialogue()) == LeftOut(reason)


def test_the_text_is_filled_in_the_growers_language() -> None:
    asking = "{name}, {village}, {group}: {operation}, {due}."
    one = grower(language="", village="Kanoro", plan=planned(date(2026, 3, 5)))
    verdict = judge(
        replace(ROUND, texts={"sw": asking}),
        Group(NORTH, language="sw"),
        one,
        TODAY,
        data.dialogue(),
    )
    assert isinstance(verdict, Chosen)
    # flows and Kiswahili wording: "lima" is ploughing; the date as CLDR has it.
    assert verdict.texts[0].body == "Neema, Kanoro, Mirindi North: Lima mara moja, Alhamisi 5 Mac."
    assert (verdict.texts[0].kind, verdict.texts[0].operation) == ("notice", "round:r1")
    assert (verdict.language, verdict.segments) == ("sw", 1)


def test_a_flow_is_begun_with_its_first_question() -> None:
    verdict = judge(
        replace(ROUND, texts={}, flow="field"), Group(NORTH), grower(), TODAY, data.dialogue()
    )
    assert isinstance(verdict, Chosen)
    assert verdict.grower.session is not None
    assert verdict.grower.session.flow == "field"
    assert NORTH in verdict.texts[0].body
    # Who never heard from us is told how to end it.
    words = data.dialogue().voice("sw").words
    assert "stop" in {words.command(each.strip(".,:;")) for each in verdict.texts[0].body.split()}


@pytest.mark.parametrize(
    ("conditions", "one", "met"),
    [
        (Conditions(), grower(), True),
        (Conditions(languages=("sw", "fr")), grower(), True),
        (Conditions(languages=("fr",)), grower(), False),
        (Conditions(operation="plough"), grower(plan=planned(TODAY)), True),
        (Conditions(operation="plant"), grower(plan=planned(TODAY)), False),
        (Conditions(operation="plough"), grower(), False),
        (Conditions(operation="plough"), grower(plan=planned(TODAY, done=TODAY)), False),
        (Conditions(within=3), grower(plan=planned(date(2026, 3, 5))), True),
        (Conditions(within=3), grower(plan=planned(date(2026, 3, 6))), False),
        (Conditions(within=3), grower(plan=planned(date(2026, 2, 1))), True),
        (Conditions(within=3), grower(), False),
        (Conditions(behind=3), grower(plan=planned(date(2026, 2, 27))), True),
        (Conditions(behind=4), grower(plan=planned(date(2026, 2, 27))), False),
        (Conditions(behind=0), grower(plan=planned(TODAY)), False),
        (Conditions(behind=1), grower(), False),
        (Conditions(not_planted=True), grower(), True),
        (Conditions(not_planted=True), grower(plan=planned(TODAY, TODAY, "plant")), False),
        (Conditions(no_plan=True), grower(), True),
        (Conditions(no_plan=True), grower(plan=planned(TODAY)), False),
        (Conditions(no_plan=True), grower(plan=planned(TODAY, TODAY)), True),
    ],
)
def test_conditions(conditions: Conditions, one: Grower, met: bool) -> None:  # noqa: FBT001
    assert meets(conditions, one, "sw", TODAY) is met


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"name": ""}, "name"),
        ({"groups": ()}, "at least one group"),
        ({"groups": ("Mirindi Nroth",)}, "there is no group 'Mirindi Nroth'"),
        ({"texts": {}}, "at least one language"),
        ({"texts": {"sw": " "}}, "empty"),
        ({"texts": {"xx": "Hello"}}, "'xx' is no language on offer"),
        ({"texts": {"sw": "Habari {nmae}"}}, "name"),
        ({"texts": {"sw": "Habari {name"}}, "lone"),
        ({"texts": {"sw": "a" * 700}}, "5 segments, and 4 at most"),
        ({"texts": {}, "flow": "weeding"}, "cannot be begun"),
        ({"conditions": Conditions(operation="plow")}, "plough"),
        ({"conditions": Conditions(languages=("xx",))}, "'xx'"),
        ({"conditions": Conditions(behind=-1)}, "0 to 365"),
        ({"rate": 0}, "rate"),
    ],
)
def test_what_must_be_mended_is_said(changes: dict[str, object], said: str) -> None:
    found = faults(replace(ROUND, **changes), data.dialogue(), {NORTH})
    assert len(found) == 1
    assert said in found[0]
    assert faults(ROUND, data.dialogue(), {NORTH}) == []


# Counting and spreading


def test_a_count_says_what_the_round_would_do_and_tells_nobody(room: Room) -> None:
    room.fill(30)
    room.fill(3, grower(stopped=True), "+25572")
    room.fill(2, grower(language="en"), "+25573")
    room.rounds.shelf.add("r1", replace(ROUND, state="counting"))
    room.work()
    progress = room.rounds.progress("r1", "count")
    assert room.state() == "counted"
    assert progress.counts == {
        "chosen": 30,
        "language:sw": 30,
        "segments:sw": 30,
        "left_out:stopped": 3,
        "left_out:no_text": 2,
    }
    assert len(progress.examples) == 3
    assert room.store.load(progress.examples[0]).grower.waiting == ()
    room.sender.tick()
    assert room.gateway.ledger == []


def test_a_round_reaches_everyone_once(room: Room) -> None:
    numbers = room.fill(300)
    room.fill(3, grower(consent=False), "+25572")
    room.rounds.shelf.add("r1", replace(ROUND, state="running"))
    room.deliver()
    assert room.sent() == Counter(numbers)
    assert room.state() == "finished"
    assert room.rounds.fared("r1") == {"sent": 300}
    assert room.rounds.progress("r1", "send").counts["chosen"] == 300
    assert room.store.texts(numbers[0])[0].body == "Habari Neema, mkutano ni Jumamosi saa tatu."


def test_a_spreader_that_dies_anywhere_tells_nobody_twice(
    room: Room, monkeypatch: pytest.MonkeyPatch
) -> None:
    numbers = room.fill(500)
    room.rounds.shelf.add("r1", replace(ROUND, state="running"))
    advance = Rounds.advance
    for died_at in [1, 2, 5] * 5:
        calls = 0

        def dying(*args: object, _after: int = died_at, **kwargs: object) -> object:
            nonlocal calls
            calls += 1
            if calls == _after:
                raise KeyboardInterrupt
            return advance(*args, **kwargs)

        # Told, and killed before it was written down.
        monkeypatch.setattr(Rounds, "advance", dying)
        with pytest.raises(KeyboardInterrupt):
            room.deliver()
        monkeypatch.undo()
        room.client.delete(keys.spreader_key())  # the lock of the dead lapses
        room.new()
    room.deliver()
    assert room.state() == "finished"
    assert room.sent() == Counter(numbers)
    assert room.rounds.progress("r1", "send").counts["chosen"] == 500


def test_two_spreaders_do_not_work_at_once(room: Room) -> None:
    room.fill(10)
    room.rounds.shelf.add("r1", replace(ROUND, state="running"))
    assert room.spreader.tick()
    first = room.spreader
    room.new()
    assert not room.spreader.tick()
    first.release()
    assert room.spreader.tick()
    assert LOCK_S > AHEAD_S


def test_a_lock_of_a_clock_that_ran_ahead_lapses_as_soon_as_any(room: Room) -> None:
    """Redis knows by the clock when a key lapses: a killed spreader's, after that was put back."""
    room.client.set(keys.spreader_key(), "a killed one's", px=3_600_000)
    room.fill(10)
    room.rounds.shelf.add("r1", replace(ROUND, state="running"))
    assert not room.spreader.tick()
    assert 0 < room.client.pttl(keys.spreader_key()) <= LOCK_S * 1000
    room.client.delete(keys.spreader_key())
    # One that lives is not let lapse by who waits for it.
    first = room.spreader
    assert first.tick()
    room.client.pexpire(keys.spreader_key(), 5_000)
    room.new()
    assert not room.spreader.tick()
    assert room.client.pttl(keys.spreader_key()) <= 5_000


def test_a_lost_store_is_no_end(room: Room, monkeypatch: pytest.MonkeyPatch) -> None:
    numbers = room.fill(100)
    room.rounds.shelf.add("r1", replace(ROUND, state="running"))
    commit = Store.commit_many

    def failing(self: Store, changes: list[Commit]) -> list[str]:
        commit(self, changes)  # it was written, and the answer lost
        raise StoreUnavailable

    monkeypatch.setattr(Store, "commit_many", failing)
    with pytest.raises(StoreUnavailable):
        room.work()
    monkeypatch.undo()
    room.deliver()
    assert room.sent() == Counter(numbers)


def test_a_stop_during_the_round_is_obeyed(room: Room, monkeypatch: pytest.MonkeyPatch) -> None:
    numbers = room.fill(20)
    room.rounds.shelf.add("r1", replace(ROUND, state="running"))
    load = Store.load_many

    def stopping(self: Store, wanted: list[str], message_id: str | None = None) -> object:
        loads = load(self, wanted, message_id)
        for number in wanted:
            found = self.load(number)
            if not found.grower.stopped:
                self.commit(number, found, replace(found.grower, stopped=True), due=None)
        return loads

    monkeypatch.setattr(Store, "load_many", stopping)
    room.deliver()
    assert room.gateway.ledger == []
    assert room.rounds.progress("r1", "send").counts == {"left_out:stopped": len(numbers)}


def test_the_rate_is_kept(room: Room) -> None:
    room.fill(100)
    room.rounds.shelf.add("r1", replace(ROUND, state="running", rate=60))
    for _ in range(30):
        room.deliver()
        room.clock.now += 1
    # One text a second, and those of the next seconds not before their time.
    assert 25 <= len(room.gateway.ledger) <= 31
    times = [each.at for each in room.gateway.ledger]
    assert max(Counter(int(at) for at in times).values()) <= 2


def test_a_paused_round_sends_nothing_and_goes_on_where_it_was(room: Room) -> None:
    numbers = room.fill(200)
    room.rounds.shelf.add("r1", replace(ROUND, state="running", rate=600))
    room.deliver()
    sent = len(room.gateway.ledger)
    assert 0 < sent < 200
    room.rounds.change_state("r1", ("running",), "paused")
    room.clock.now += 60
    room.deliver()
    assert len(room.gateway.ledger) == sent
    room.rounds.change_state("r1", ("paused",), "running")
    for _ in range(20):
        room.clock.now += 31
        room.deliver()
    assert room.sent() == Counter(numbers)


def test_a_stopped_round_ends_at_once_and_leaves_nothing_waiting(room: Room) -> None:
    numbers = room.fill(200)
    room.rounds.shelf.add("r1", replace(ROUND, state="running", rate=600))
    room.work()
    room.rounds.change_state("r1", ("running",), "stopped")
    room.clock.now += 60
    room.deliver()
    room.clock.now += 600
    room.deliver()
    assert room.gateway.ledger == []
    assert not any(each.grower.waiting for each in room.store.load_many(numbers))


def test_each_group_is_told_in_its_own_waking_hours(room: Room) -> None:
    north = room.fill(10)
    south = room.fill(10, grower(group=SOUTH, zone="America/Bogota"), "+5731")
    both = replace(ROUND, groups=(SOUTH, NORTH), state="running")
    room.rounds.shelf.add("r1", both)
    room.deliver()
    # It is 1 o'clock at night in Bogota.
    assert room.sent() == Counter(north)
    assert room.state() == "running"
    room.clock.now += 7 * 3600
    room.deliver()
    assert room.sent() == Counter(north + south)
    assert room.state() == "finished"


def test_a_round_begins_at_its_time(room: Room) -> None:
    room.fill(5)
    room.rounds.shelf.add("r1", replace(ROUND, state="running", start=int(NINE) + 3600))
    room.deliver()
    assert room.gateway.ledger == []
    room.clock.now += 3600
    room.deliver()
    assert len(room.gateway.ledger) == 5


def test_a_round_that_no_longer_makes_sense_is_paused(room: Room) -> None:
    room.fill(5)
    room.rounds.shelf.add("r1", replace(ROUND, state="running", texts={"xx": "Hello"}))
    room.deliver()
    assert room.state() == "paused"
    assert room.gateway.ledger == []


def test_a_grower_forgotten_is_in_no_round(room: Room) -> None:
    number, *_ = room.fill(3)
    room.rounds.shelf.add("r1", replace(ROUND, state="counting"))
    room.work()
    room.store.forget(number)
    room.rounds.forget(number)
    left = [key for key in room.client.scan_iter() if number.encode() in room.client.dump(key)]
    assert left == []


# What must not go wrong


def test_clocks_and_rates_never_put_a_round_ahead_of_itself(room: Room) -> None:
    numbers = room.fill(200)
    room.rounds.shelf.add("r1", replace(ROUND, state="running", rate=60))
    room.work()
    early = sum(bool(each.grower.waiting) for each in room.store.load_many(numbers))
    assert early <= AHEAD_S + 1
    # The clock jumps back: what was spread waits, and the round goes on at its rate.
    room.clock.now -= 3600
    room.work()
    told = [each.grower.waiting for each in room.store.load_many(numbers)]
    assert sum(map(bool, told)) <= 2 * (AHEAD_S + 1)
    for _ in range(20):
        room.clock.now += 1
        room.work()
    told = [each.grower.waiting for each in room.store.load_many(numbers)]
    assert 20 <= sum(map(bool, told)) <= 20 + 2 * (AHEAD_S + 1)


def test_a_clock_that_jumps_back_spreads_nothing_early(room: Room) -> None:
    one_shard = [
        n for n in (f"+2557{place:08d}" for place in range(20_000)) if not keys.shard_of(n)
    ]
    changes = [Commit(number, NEW, grower(), None) for number in one_shard]
    assert room.store.commit_many(changes) == []
    room.rounds.shelf.add("r1", replace(ROUND, state="running", rate=60))
    room.work()
    room.clock.now -= 20
    room.work()
    told = [each.grower.waiting for each in room.store.load_many(one_shard)]
    assert sum(map(bool, told)) <= 2 * (AHEAD_S + 1)


def test_a_slow_round_does_not_hold_up_or_push_on_another(room: Room) -> None:
    slow = room.fill(100)
    fast = room.fill(300, grower(group="Mirindi East"), "+25573")
    room.groups.named("Mirindi East")
    room.rounds.shelf.add("r1", replace(ROUND, state="running", rate=1))
    room.rounds.shelf.add(
        "r2",
        replace(ROUND, id="r2", made=2, groups=("Mirindi East",), state="running", rate=600),
    )
    room.deliver()
    waiting = [text for each in room.store.load_many(fast) for text in each.grower.waiting]
    assert len(waiting) + sum(n in fast for n in room.sent()) <= 10 * (AHEAD_S + 1)
    for _ in range(60):
        room.clock.now += 1
        room.deliver()
    sent = room.sent()
    assert sum(sent[number] for number in fast) == 300
    assert 1 <= sum(sent[number] for number in slow) <= 2


def test_a_number_forgotten_meanwhile_stays_forgotten(
    room: Room, monkeypatch: pytest.MonkeyPatch
) -> None:
    number, *others = room.fill(3, grower(group=""))
    room.rounds.shelf.add(
        "r1", replace(ROUND, groups=("",), texts={}, flow="field", state="running")
    )
    members = Groups.members

    def forgetting(self: Groups, name: str, shard: int) -> list[str]:
        found = members(self, name, shard)
        if number in found:
            room.store.forget(number)
        return found

    monkeypatch.setattr(Groups, "members", forgetting)
    room.deliver()
    assert set(room.sent()) == set(others)
    assert room.store.load(number).version == 0
    assert room.rounds.progress("r1", "send").counts["left_out:gone"] == 1


def test_no_example_is_of_somebody_forgotten(room: Room, monkeypatch: pytest.MonkeyPatch) -> None:
    numbers = room.fill(200)
    room.rounds.shelf.add("r1", replace(ROUND, state="counting"))
    room.spreader.tick()
    while not room.rounds.progress("r1", "count").examples:
        room.spreader.tick()
    for number in room.rounds.progress("r1", "count").examples:
        room.store.forget(number)
        room.rounds.forget(number)
    # And one that is forgotten after it was chosen and before that is written down.
    advance = Rounds.advance

    def late(self: Rounds, *args: object, **kwargs: object) -> object:
        monkeypatch.setattr(Rounds, "advance", advance)
        for each in numbers:
            room.store.forget(each)
            self.forget(each)
        return advance(self, *args, **kwargs)

    monkeypatch.setattr(Rounds, "advance", late)
    room.work()
    assert room.rounds.progress("r1", "count").examples == ()


def test_examples_show_every_language_first(room: Room) -> None:
    room.fill(50)
    room.fill(1, grower(language="en"), "+25574")
    room.rounds.shelf.add("r1", replace(ROUND, state="counting", texts={"sw": "A", "en": "B"}))
    room.work()
    examples = room.rounds.progress("r1", "count").examples
    spoken = [each.grower.language for each in room.store.load_many(list(examples))]
    assert sorted(spoken) == ["en", "sw", "sw"]
    assert spoken[:2] in (["en", "sw"], ["sw", "en"])


def test_two_spreaders_at_once_count_nobody_twice(
    room: Room, monkeypatch: pytest.MonkeyPatch
) -> None:
    numbers = room.fill(300)
    room.rounds.shelf.add("r1", replace(ROUND, state="running"))
    first = room.spreader
    room.new()
    second = room.spreader
    load = Store.load_many
    turns = iter(range(40))

    def slow(self: Store, wanted: list[str], message_id: str | None = None) -> object:
        found = load(self, wanted, message_id)
        if next(turns, 1) % 2 == 0:
            # The first one takes so long that its lock lapses and the other goes on from there.
            room.client.delete(keys.spreader_key())
            second.tick()
            second.release()
        return found

    monkeypatch.setattr(Store, "load_many", slow)
    while first.tick():
        pass
    monkeypatch.undo()
    room.new()
    room.deliver()
    assert room.state() == "finished"
    assert room.sent() == Counter(numbers)
    counts = room.rounds.progress("r1", "send").counts
    assert counts == {"chosen": 300, "language:sw": 300, "segments:sw": 300}


def test_a_round_counted_again_while_it_is_counted_counts_all(
    room: Room, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(spreading, "BATCH", 2)
    room.fill(300)
    room.rounds.shelf.add("r1", replace(ROUND, state="counting"))
    for _ in range(20):
        room.spreader.tick()
    room.rounds.begin_again("r1", "count")
    room.work()
    assert room.rounds.progress("r1", "count").counts["chosen"] == 300


def test_what_was_counted_survives_the_spreader(
    room: Room, monkeypatch: pytest.MonkeyPatch
) -> None:
    numbers = room.fill(300)
    room.rounds.shelf.add("r1", replace(ROUND, state="running"))
    advance, calls = Rounds.advance, 0

    def dying(*args: object, **kwargs: object) -> object:
        nonlocal calls
        calls += 1
        if calls % 3 == 0:
            raise StoreUnavailable  # told, and not written down
        return advance(*args, **kwargs)

    monkeypatch.setattr(Rounds, "advance", dying)
    for _ in range(300):
        try:
            room.deliver()
        except StoreUnavailable:
            room.client.delete(keys.spreader_key())
            room.new()
    assert room.state() == "finished"
    assert room.sent() == Counter(numbers)
    counts = room.rounds.progress("r1", "send").counts
    assert counts == {"chosen": 300, "language:sw": 300, "segments:sw": 300}


def test_who_moves_between_groups_of_a_round_is_told_and_counted_once(room: Room) -> None:
    numbers = room.fill(40)
    both = replace(ROUND, groups=(NORTH, "Mirindi East"), state="running")
    room.groups.named("Mirindi East")
    room.rounds.shelf.add("r1", both)
    while room.rounds.progress("r1", "send").done.get(NORTH, 0) < keys.SHARDS:
        room.spreader.tick()
    for number in numbers:
        found = room.store.load(number)
        room.store.commit(number, found, replace(found.grower, group="Mirindi East"), due=NINE)
    room.deliver()
    assert room.sent() == Counter(numbers)
    assert room.rounds.progress("r1", "send").counts["chosen"] == 40


def test_a_group_named_twice_is_told_once(room: Room) -> None:
    numbers = room.fill(40)
    room.rounds.shelf.add("r1", replace(ROUND, groups=(NORTH, NORTH), state="running"))
    room.deliver()
    assert room.sent() == Counter(numbers)
    assert room.rounds.progress("r1", "send").counts["chosen"] == 40


@pytest.mark.parametrize(
    "name", ["", "a b  c", "x:y", "done 1", "Ŋamirɛ é", "count chosen", "{s01}"]
)
def test_a_group_of_any_name_is_told(room: Room, name: str) -> None:
    numbers = room.fill(20, grower(group=name))
    room.groups.shelf.add(name, Group(name))
    room.rounds.shelf.add("r1", replace(ROUND, groups=(name,), state="running"))
    room.deliver()
    assert room.sent() == Counter(numbers)
    assert room.state() == "finished"


def test_a_round_left_paused_for_months_tells_nobody_twice(room: Room) -> None:
    numbers = room.fill(300)
    room.rounds.shelf.add("r1", replace(ROUND, state="running", rate=600))
    room.deliver()
    assert 0 < len(room.gateway.ledger) < 300
    room.rounds.change_state("r1", ("running",), "paused")
    room.clock.now += 60 * 24 * 3600
    for key in room.client.scan_iter(match="*:seen:*"):
        room.client.delete(key)  # what so long a time does
    room.new()
    room.client.delete(keys.spreader_key())
    room.rounds.change_state("r1", ("paused",), "running")
    for _ in range(40):
        room.clock.now += 31
        room.deliver()
    assert room.sent() == Counter(numbers)


def test_who_is_enrolled_while_a_round_is_paused_is_told(room: Room) -> None:
    numbers = room.fill(600)
    room.rounds.shelf.add("r1", replace(ROUND, state="running", rate=600))
    room.deliver()
    room.rounds.change_state("r1", ("running",), "paused")
    room.deliver()
    numbers += room.fill(300, prefix="+25579")
    room.rounds.change_state("r1", ("paused",), "running")
    done = room.rounds.progress("r1", "send").done.get(NORTH, 0)
    for _ in range(40):
        room.clock.now += 31
        room.deliver()
    assert room.sent() == Counter(n for n in numbers if n in room.sent())
    missed = {n for n in numbers if n not in room.sent()}
    # Only those whose shard had been gone through before they came.
    assert all(keys.shard_of(number) <= done for number in missed)
    assert all(number.startswith("+25579") for number in missed)


def test_one_bad_round_or_record_holds_up_no_other(room: Room) -> None:
    numbers = room.fill(30)
    bad = numbers[3]
    room.client.set(keys.grower_key(bad), b"\0\0\0\0\0\0\0\1garbage")
    room.rounds.shelf.add("r0", replace(ROUND, id="r0", made=0, texts={}, flow="weeding"))
    room.rounds.change_state("r0", ("draft",), "counting")
    room.rounds.shelf.add("r1", replace(ROUND, state="running"))
    for _ in range(5):
        room.deliver()
    assert room.sent() == Counter(n for n in numbers if n != bad)
    assert (room.state("r0"), room.state("r1")) == ("draft", "finished")
    assert room.rounds.progress("r1", "send").counts["left_out:damaged"] == 1


def test_what_breaks_one_round_breaks_no_other(room: Room) -> None:
    room.fill(10)
    east = room.fill(10, grower(group="Mirindi East"), "+25573")
    room.groups.named("Mirindi East")
    room.groups.change(NORTH, zone="Mars/Base")
    room.rounds.shelf.add("r1", replace(ROUND, state="running"))
    other = replace(ROUND, id="r2", made=2, groups=("Mirindi East",), state="running")
    room.rounds.shelf.add("r2", other)
    for _ in range(3):
        room.deliver()
    assert room.sent() == Counter(east)
    assert (room.state("r1"), room.state("r2")) == ("running", "finished")


def test_a_clock_that_jumps_back_lets_no_stopped_round_go(room: Room) -> None:
    permission = Permission(room.rounds, room.clock)
    text = Waiting(1, 0, "notice", "x", "round:r1")
    room.rounds.shelf.add("r1", replace(ROUND, state="running"))
    assert permission(text) == "send"
    room.rounds.change_state("r1", ("running",), "stopped")
    room.clock.now -= 3600
    assert permission(text) == "drop"


def test_a_round_that_cannot_be_read_is_held(room: Room) -> None:
    room.client.hset(keys.rounds_key(), "r1", b"\x93")
    room.client.hset(keys.rounds_key(), "r2", msgspec.msgpack.encode((99, [])))
    permission = Permission(room.rounds, room.clock)
    for round_id in ("r1", "r2"):
        assert permission(Waiting(1, 0, "notice", "x", f"round:{round_id}")) == "hold"


def test_texts_of_a_paused_round_keep_their_order_and_hold_up_nothing(room: Room) -> None:
    number, *_ = room.fill(1, grower(language="sw"))
    found = room.store.load(number)
    told = enqueue(found.grower, ["one", "two"], "notice", "round:r1")
    told = enqueue(told, ["work"], "reminder", "plough")
    assert room.store.commit(number, found, told, due=NINE)
    room.rounds.shelf.add("r1", replace(ROUND, state="paused"))
    room.sender.tick()
    assert [each.text.body for each in room.gateway.ledger] == ["work"]
    # Resumed between the two: the second does not overtake the first.
    held = iter(["hold"])
    found = room.store.load(number)
    fresh = replace(told, waiting=told.waiting[:2])
    assert room.store.commit(number, found, fresh, due=NINE)
    sender = Sender(
        room.store,
        room.gateway,
        data.dialogue().remind,
        SETTINGS,
        room.clock,
        lambda _: next(held, "send"),
    )
    for _ in range(3):
        sender.tick()
        room.clock.now += 31
    assert [each.text.body for each in room.gateway.ledger] == ["work", "one", "two"]


FOLDED = Group(NORTH, language="ha")


def test_a_round_in_a_folded_language_costs_what_it_says() -> None:
    folded = data.dialogue(offered=("en", "ha"), folded=frozenset({"ha"}))
    one = replace(ROUND, texts={"ha": "Sannu {name}, " + "ƙasa " * 20})
    verdict = judge(one, FOLDED, grower(language="ha", name="Ɓala"), TODAY, folded)
    assert isinstance(verdict, Chosen)
    assert verdict.texts[0].body.startswith("Sannu Bala, kasa")
    assert verdict.segments == 1
    asking = replace(ROUND, texts={}, flow="field")
    named = replace(FOLDED, name="Ƙungiyar Mirindi")
    verdict = judge(asking, named, grower(language="ha", group=named.name), TODAY, folded)
    assert isinstance(verdict, Chosen)
    assert not any("ƙ" in text.body.casefold() for text in verdict.texts)
    # It is judged long by what goes out.
    long = replace(ROUND, texts={"ha": "ƙ" * 500})
    assert faults(long, folded, {NORTH}) == []
    assert faults(long, data.dialogue(offered=("en", "ha")), {NORTH}) != []


def test_a_flow_that_a_language_lacks_is_no_round(tmp_path: Path) -> None:
    file = tmp_path / "district.yaml"
    file.write_text(
        "flows_for:\n  sw:\n    menu:\n      sprayer:\n        do: show_plan\n", "utf-8"
    )
    dialogue = data.dialogue(district=file)
    asking = replace(ROUND, texts={}, flow="sprayer")
    assert faults(asking, data.dialogue(), {NORTH}) == []
    (fault,) = faults(asking, dialogue, {NORTH})
    assert "cannot be begun; choose field, stakes" in fault


@pytest.mark.parametrize(
    "name", ["{name}", "{{x", "}", "{0.__class__}", "Neema\nKoroso", "عائشة", "N" * 900, "🌱"]
)
def test_a_name_is_only_a_name(name: str) -> None:
    for dialogue in (data.dialogue(), data.dialogue(folded=frozenset({"sw"}))):
        verdict = judge(ROUND, Group(NORTH), grower(name=name), TODAY, dialogue)
        assert isinstance(verdict, Chosen)
        body = verdict.texts[0].body
        assert name in body
        assert verdict.segments == segments(body)
        assert "\n" not in body or "\n" in name


# Whatever happens while it goes out


EAST = "Mirindi East"
HAPPENINGS = ("stop", "start", "text", "move", "forget", "enrol", "pause", "clock", "lapse", "tick")
STEPS = (
    (Store, "load_many"), (Store, "commit_many"), (Rounds, "progress"), (Rounds, "advance"),
    (Groups, "members"), (Rounds, "change_state"),
)  # fmt: skip


class Killed(BaseException):
    """The process is no more."""


@settings(max_examples=25, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.lists(st.tuples(st.sampled_from(HAPPENINGS), st.integers(0, 11)), max_size=25),
    st.lists(st.tuples(st.integers(1, 150), st.booleans()), max_size=4),
    st.sampled_from([30, 600, 60_000]),
)
def test_nobody_is_told_twice_or_missed_or_after_stop(
    redis_client: redis.Redis,
    happenings: list[tuple[str, int]],
    kills: list[tuple[int, bool]],
    rate: int,
) -> None:
    redis_client.flushall()
    room = Room(redis_client)
    numbers = room.fill(12)
    room.groups.named(EAST)
    one = replace(ROUND, groups=(NORTH, EAST), state="running", rate=rate)
    room.rounds.shelf.add("r1", one)
    meddled: dict[str, set[str]] = {number: set() for number in numbers}

    def arrived(text: Delivered) -> None:
        assert not room.store.load(text.text.to).grower.stopped

    room.gateway = LoopbackGateway(room.clock, arrived)
    room.new()
    with pytest.MonkeyPatch.context() as patch:
        calls = dying(patch, dict(kills))
        for what, which in happenings:
            surviving(room, calls, lambda: room.spreader.tick() and room.sender.tick())
            meddled[numbers[which]].add(what)
            happen(room, what, numbers[which])
        for _ in range(500):
            room.rounds.change_state("r1", ("paused",), "running")
            surviving(room, calls, room.deliver)
            room.clock.now += 31
            if room.state() == "finished" and not any(
                each.grower.waiting for each in room.store.load_many(numbers)
            ):
                break
    assert room.state() == "finished"
    sent = room.sent()
    for number, what in meddled.items():
        lives = 1 + ("forget" in what)
        assert sent[number] <= lives, (number, what)
        if not what & {"stop", "move", "forget", "text"}:
            assert sent[number] == 1, (number, what)
    fared = room.rounds.fared("r1")
    every = set().union(*meddled.values())
    counts = room.rounds.progress("r1", "send").counts
    if not every & {"move", "forget"}:
        left_out = sum(many for name, many in counts.items() if name.startswith("left_out"))
        assert counts["chosen"] + left_out == len(numbers)
        assert counts["chosen"] == counts["language:sw"] == counts["segments:sw"]
        assert fared["sent"] + fared["withdrawn"] == counts["chosen"]
        if not every & {"stop", "text"}:
            assert fared["sent"] == counts["chosen"] == len(numbers)


def test_what_is_withdrawn_is_counted(room: Room) -> None:
    numbers = room.fill(6)
    room.rounds.shelf.add("r1", replace(ROUND, state="running"))
    room.work()
    exchange = Exchange(room.store, data.dialogue(), SETTINGS, room.clock)
    exchange.answer(numbers[0], "stop")
    room.store.forget(numbers[1])
    room.gateway.failures.append(Refused("barred"))
    room.sender.tick()
    assert room.rounds.fared("r1") == {"sent": 3, "refused": 1, "withdrawn": 2}
    room.rounds.shelf.add("r2", replace(ROUND, id="r2", state="running"))
    room.work()
    room.rounds.change_state("r2", ("finished",), "stopped")
    room.sender.tick()
    assert room.rounds.progress("r2", "send").counts["chosen"] == 4
    assert room.rounds.fared("r2") == {"withdrawn": 4}


def dying(patch: pytest.MonkeyPatch, kills: dict[int, bool]) -> dict[str, int]:
    """Kill a spreader before (True) or after its so manieth step, while "on"."""
    state = {"on": 0, "calls": 0}

    def wrapped(real: Callable[..., object]) -> Callable[..., object]:
        def step(*args: object, **kwargs: object) -> object:
            if not state["on"]:
                return real(*args, **kwargs)
            state["calls"] += 1
            before = kills.get(state["calls"])
            if before:
                raise Killed
            answer = real(*args, **kwargs)
            if before is False:
                raise Killed
            return answer

        return step

    for owner, name in STEPS:
        patch.setattr(owner, name, wrapped(getattr(owner, name)))
    return state


def surviving(room: Room, calls: dict[str, int], work: Callable[[], object]) -> None:
    """Work; should the process be killed, another takes its place when the leases have lapsed."""
    calls["on"] = 1
    try:
        work()
        calls["on"] = 0
    except Killed:
        calls["on"] = 0
        room.client.delete(keys.spreader_key())
        room.clock.now += LEASE_S + 1
        room.new()


def happen(room: Room, what: str, number: str) -> None:
    exchange = Exchange(room.store, data.dialogue(), SETTINGS, room.clock)
    found = room.store.load(number)
    if what in {"stop", "start", "text"} and found.version:
        exchange.answer(number, {"text": "hello"}.get(what, what))
    elif what == "move" and found.version:
        other = EAST if found.grower.group == NORTH else NORTH
        moved = replace(found.grower, group=other)
        room.store.commit(number, found, moved, due=next_due(moved, SETTINGS, room.clock.now))
    elif what == "forget":
        room.store.forget(number)
        room.rounds.forget(number)
    elif what == "enrol" and not found.version:
        room.store.commit(number, found, grower(), due=None)
    elif what == "pause":
        paused = room.state() == "paused"
        room.rounds.change_state("r1", ("running", "paused"), "running" if paused else "paused")
    elif what == "clock":
        room.clock.now += (-7200, 5, 3600, -3)[int(number[-1]) % 4]
    elif what == "lapse":
        room.new()
        room.client.delete(keys.spreader_key())
