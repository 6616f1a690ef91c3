"""Several gateways as one: who is asked, who is not, and what may never reach two of them."""

from __future__ import annotations

import threading
from collections import Counter, deque
from concurrent.futures import Future, ThreadPoolExecutor, as_completed
from dataclasses import replace
from itertools import count, islice
from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bot.gateways import routing
from bot.gateways.base import CLOSED_FIRST, Accepted, Deferred, Outcome, Outgoing, Refused
from bot.gateways.routing import (
    ENOUGH,
    FIRST_REST_S,
    LONGEST_REST_S,
    LONGEST_WISH_S,
    OWN_FIRST_S,
    PATIENCE_S,
    STAY_S,
    Route,
    Router,
    sole,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

COAST, INLAND, ABROAD = "+255751000001", "+255681000001", "+254701000001"
WAIT_S = 30.0
DOWN = Deferred("cannot be reached", why="down")
LATER = Deferred("503")
BUSY = Deferred("its window is full", why="busy")
UNKNOWN = Deferred("no answer", why="unknown")

serials = count(1)


def text(to: str = COAST, gateway: str = "") -> Outgoing:
    return Outgoing(f"{to}:{next(serials)}", to, "Weed soon.", gateway)


class Clock:
    """Stands still but for those who sleep by it."""

    def __init__(self) -> None:
        self.now = 1000.0

    def __call__(self) -> float:
        return self.now

    def sleep(self, seconds: float) -> None:
        self.now += seconds


class Fake:
    """Takes every text, but for the outcomes put into `outcomes`, first to last."""

    def __init__(self, *outcomes: Outcome) -> None:
        self.outcomes = deque(outcomes)
        self.asked: list[Outgoing] = []

    def send(self, text: Outgoing) -> Outcome:
        self.asked.append(text)
        return self.outcomes.popleft() if self.outcomes else Accepted("r")


class Town:
    """A router over gateways "a", "b" and so on, and the clock it looks at."""

    def __init__(self, *prefixes: Iterable[str], **more: list[float]) -> None:
        self.clock = Clock()
        self.gateways = {name: Fake() for name, _ in zip("abcdef", prefixes, strict=False)}
        rates = more.get("rates", [0.0] * len(prefixes))
        self.router = Router(
            [
                Route(name, self.gateways[name], tuple(each), rate)
                for name, each, rate in zip(self.gateways, prefixes, rates, strict=True)
            ],
            self.clock,
            self.clock.sleep,
        )

    def __getitem__(self, name: str) -> Fake:
        return self.gateways[name]

    def takes(self, to: str = COAST) -> str:
        """Which gateway takes a text to this number now."""
        outcome = self.router.send(text(to))
        assert isinstance(outcome, Accepted)
        return outcome.gateway

    def asked(self) -> str:
        """How many texts each has been asked to take."""
        return " ".join(f"{name}{len(each.asked)}" for name, each in self.gateways.items())

    def pass_by(self, seconds: float) -> None:
        self.clock.now += seconds


# Who is asked


@pytest.mark.parametrize(
    ("prefixes", "expected"),
    [
        ([[], []], ["a", "a", "a"]),
        ([[], ["+25575"]], ["b", "a", "a"]),
        ([["+255"], ["+25575", "+25576"], []], ["b", "a", "c"]),
        ([["+25575"], ["+25575"], ["+255681", "+254"], ["+25568"], []], ["a", "c", "c"]),
    ],
)
def test_the_longest_prefix_decides_and_then_the_order(
    prefixes: list[list[str]], expected: list[str]
) -> None:
    town = Town(*prefixes)
    assert [town.takes(number) for number in (COAST, INLAND, ABROAD)] == expected


def test_a_number_that_no_gateway_takes_is_put_off_for_the_operator_to_see() -> None:
    town = Town(["+25575"], ["+25568"])
    outcome = town.router.send(text(ABROAD))
    assert isinstance(outcome, Deferred)
    assert (outcome.why, outcome.gateway) == ("later", "")
    assert "no profile has a prefix" in outcome.reason
    assert town.asked() == "a0 b0"


def test_what_is_taken_says_by_whom() -> None:
    assert Town([]).router.send(text()) == Accepted("r", "a")


# When one does not take it


@pytest.mark.parametrize("outcome", [DOWN, LATER, replace(LATER, retry_after_s=60)])
def test_what_surely_was_not_taken_goes_to_the_next_at_once(outcome: Deferred) -> None:
    town = Town([], [])
    town["a"].outcomes.append(outcome)
    assert town.takes() == "b"
    assert town["a"].asked == town["b"].asked


@pytest.mark.parametrize("outcome", [UNKNOWN, BUSY, Refused("no such number", unreachable=True)])
def test_what_may_have_been_taken_or_never_will_be_goes_to_no_other(outcome: Outcome) -> None:
    town = Town([], [])
    town["a"].outcomes.append(outcome)
    sent = town.router.send(text())
    expected = outcome if isinstance(outcome, Refused) else replace(outcome, gateway="a")
    assert sent == expected
    assert town.asked() == "a1 b0"


def test_a_text_that_may_have_been_taken_waits_for_its_gateway_however_ill_that_is() -> None:
    town = Town([], [])
    town["a"].outcomes.extend([DOWN] * 3)
    assert town.takes() == "b"  # and a is set aside
    held = text(gateway="a")
    for _ in range(2):
        assert town.router.send(held) == replace(DOWN, gateway="a")
    assert town.router.send(held) == Accepted("r", "a")
    assert town.asked() == "a4 b1"


def test_a_text_of_a_gateway_that_is_no_longer_named_goes_to_another() -> None:
    town = Town([], [])
    assert town.router.send(text(gateway="gone")) == Accepted("r", "a")


def test_when_nobody_takes_it_all_is_said_and_the_soonest_is_waited_for() -> None:
    town = Town([], [])
    town["a"].outcomes.append(DOWN)
    town["b"].outcomes.append(replace(LATER, retry_after_s=60))
    outcome = town.router.send(text())
    assert outcome == Deferred("a: cannot be reached; b: 503", FIRST_REST_S, "later")
    assert town.router.send(text()) == Deferred("set aside for now: a, b", FIRST_REST_S, "down")
    assert town.asked() == "a1 b1"


def test_after_some_seconds_no_further_gateway_is_tried_for_now() -> None:
    town = Town([], [])
    slow = town["a"].send

    def send(text: Outgoing) -> Outcome:
        town.pass_by(PATIENCE_S + 1)
        return slow(text)

    town["a"].send = send  # type: ignore[method-assign]
    town["a"].outcomes.append(LATER)
    assert town.router.send(text()) == Deferred("503", None, "later")
    assert town.asked() == "a1 b0"


# Setting aside, and coming back


def test_a_gateway_out_of_reach_is_not_asked_again_until_one_text_tries_it() -> None:
    town = Town([], [])
    town["a"].outcomes.append(DOWN)
    assert [town.takes(), town.takes(INLAND)] == ["b", "b"]
    town.pass_by(FIRST_REST_S - 0.1)
    assert town.takes(ABROAD) == "b"
    assert town.asked() == "a1 b3"
    town.pass_by(0.1)
    others = [f"+2557510001{each:02d}" for each in range(3)]
    assert [town.takes(each) for each in others] == ["a"] * 3


def test_it_is_set_aside_for_longer_each_time_up_to_a_limit() -> None:
    town = Town([], [])
    town["a"].outcomes.extend([DOWN] * 9)
    rests = []
    numbers = (f"+25575{each:07d}" for each in count())  # as nobody stays who never was
    for _ in range(9):
        before, asked = town.clock.now, len(town["a"].asked)
        while len(town["a"].asked) == asked:
            assert town.takes(next(numbers)) == "b"
            if len(town["a"].asked) == asked:
                town.pass_by(1.0)
        rests.append(town.clock.now - before)
    assert rests == [0, 5, 10, 20, 40, 80, 160, 300, 300]
    assert LONGEST_REST_S == 300
    town.pass_by(LONGEST_REST_S)
    assert town.takes(ABROAD) == "a"
    town["a"].outcomes.append(DOWN)  # and now it begins anew
    assert town.takes(INLAND) == "b"
    town.pass_by(FIRST_REST_S)
    assert town.takes("+255681000009") == "a"


def test_few_texts_are_left_to_a_gateway_that_never_answers() -> None:
    town = Town([], [])
    town["a"].outcomes.extend([UNKNOWN] * 999)
    numbers = (f"+25575{each:07d}" for each in count())

    def kept(seconds: int) -> list[Outgoing]:
        """The texts that the gateway keeps, of one each second."""
        texts = []
        for _ in range(seconds):
            each = text(next(numbers))
            if town.router.send(each) == replace(UNKNOWN, gateway="a"):
                texts.append(replace(each, gateway="a"))
            town.pass_by(1.0)
        return texts

    own = kept(1200)
    assert len(own) <= 9  # two, and those that tried it after 5, 10, 20, ... 300 s
    for _ in range(10):
        town.router.send(own[0])  # as the sender does again and again
        assert kept(int(OWN_FIRST_S) - 1) == []
    # Should those be with another process, some text must try it in the end.
    assert len(kept(int(OWN_FIRST_S))) == 1
    town["a"].outcomes.clear()
    assert town.takes(next(numbers)) == "b"
    assert town.router.send(own[0]) == Accepted("r", "a")
    assert town.takes(next(numbers)) == "a"


def test_nobody_waits_long_for_the_texts_that_a_gateway_has() -> None:
    town = Town([])
    town["a"].outcomes.extend([UNKNOWN] * 99)
    wishes = []
    for _ in range(20):
        outcome = town.router.send(text())
        assert isinstance(outcome, Deferred)
        if outcome.why == "down":
            wishes.append(outcome.retry_after_s or 0.0)
            town.pass_by(wishes[-1])
    assert wishes[:7] == [5, 10, 20, 40, 80, 160, 300]
    assert set(wishes[7:]) == {LONGEST_REST_S}


def test_a_text_that_must_wait_for_its_gateway_does_not_keep_it_set_aside() -> None:
    town = Town([], [])
    town["a"].outcomes.append(DOWN)
    assert town.takes() == "b"
    town["a"].outcomes.extend([replace(LATER, retry_after_s=900)] * 3)
    for _ in range(3):
        town.router.send(text(gateway="a"))
    town.pass_by(FIRST_REST_S)
    assert town.takes(INLAND) == "a"


@pytest.mark.parametrize(
    ("wish", "rest"), [(1.0, FIRST_REST_S), (90.0, 90.0), (10.0**9, LONGEST_WISH_S)]
)
def test_what_a_gateway_asks_for_is_respected(wish: float, rest: float) -> None:
    town = Town([], [])
    town["a"].outcomes.append(replace(LATER, retry_after_s=wish))
    assert town.takes() == "b"
    town.pass_by(rest - 0.1)
    assert town.takes(INLAND) == "b"
    town.pass_by(0.1)
    assert town.takes(ABROAD) == "a"


@pytest.mark.parametrize(
    ("outcome", "times"), [(DOWN, 1), (UNKNOWN, 2), (LATER, ENOUGH), (BUSY, None)]
)
def test_what_may_be_one_texts_own_fault_must_come_in_a_row(
    outcome: Deferred, times: int | None
) -> None:
    town = Town([], [])
    enough = times or 20
    numbers = (f"+25575{each:07d}" for each in count())
    town["a"].outcomes.extend([outcome] * (enough - 1))
    for _ in range(enough - 1):
        town.router.send(text(next(numbers)))
    assert town.takes(INLAND) == "a"  # which ends the row
    town["a"].outcomes.extend([outcome] * enough)
    for _ in range(enough):
        town.router.send(text(next(numbers)))
    assert town.takes(ABROAD) == ("b" if times else "a")


def test_a_refusal_shows_that_a_gateway_is_back_but_not_one_for_want_of_an_answer() -> None:
    town = Town([], [])
    town["a"].outcomes.extend([DOWN, Refused("twice"), Refused("no such number")])
    assert town.takes() == "b"
    assert town.router.send(text(gateway="a")) == Refused("twice")
    assert town.takes(INLAND) == "b"
    town.pass_by(FIRST_REST_S)
    assert town.router.send(text(ABROAD)) == Refused("no such number")
    assert town.takes(ABROAD) == "a"


def test_one_text_at_a_time_tries_a_gateway_that_was_down() -> None:
    town = Town([], [])
    town["a"].outcomes.append(DOWN)
    assert town.takes() == "b"
    town.pass_by(FIRST_REST_S)
    entered, leave = threading.Event(), threading.Event()

    def send(text: Outgoing) -> Outcome:
        town["a"].asked.append(text)
        entered.set()
        assert leave.wait(WAIT_S)
        return Accepted("r")

    town["a"].send = send  # type: ignore[method-assign]
    with ThreadPoolExecutor(1) as pool:
        trial = pool.submit(town.router.send, text(INLAND))
        assert entered.wait(WAIT_S)
        assert town.takes(ABROAD) == "b"
        leave.set()
        assert trial.result(WAIT_S) == Accepted("r", "a")
    assert len(town["a"].asked) == 2


def test_a_gateway_that_raises_can_be_tried_again() -> None:
    class Broken(Fake):
        def send(self, text: Outgoing) -> Outcome:
            super().send(text)
            raise OSError("what should not be")

    clock, broken = Clock(), Broken(DOWN)
    router = Router([Route("a", broken)], clock, clock.sleep)
    for _ in range(3):
        with pytest.raises(OSError, match="should not"):
            router.send(text())
    assert len(broken.asked) == 3


# A grower stays


def test_a_grower_stays_a_while_with_the_gateway_that_took_the_last_text() -> None:
    town = Town([], [])
    town["a"].outcomes.append(DOWN)
    assert town.takes(COAST) == "b"
    town.pass_by(FIRST_REST_S)
    assert (town.takes(INLAND), town.takes(COAST)) == ("a", "b")
    town.pass_by(STAY_S)
    assert town.takes(COAST) == "a"
    town["a"].outcomes.append(DOWN)
    assert town.takes(COAST) == "b"  # not if it is down


def test_only_so_many_growers_are_remembered(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(routing, "MOST_STAYING", 2)
    town = Town([], [])
    town["a"].outcomes.append(DOWN)
    numbers = [COAST, INLAND, ABROAD]
    assert [town.takes(each) for each in numbers] == ["b", "b", "b"]
    town.pass_by(FIRST_REST_S)
    assert [town.takes(each) for each in ("+255751000009", *reversed(numbers[1:]))] == [
        *("a", "b"),
        "a",  # forgotten when the first of these came
    ]


# Rates


def test_each_gateway_has_its_own_rate_and_none_overflows_to_the_next() -> None:
    town = Town(["+25575"], ["+25568"], [], rates=[2.0, 10.0, 0.0])
    began = town.clock.now
    assert [town.takes(COAST) for _ in range(9)] == ["a"] * 9
    assert town.clock.now - began == pytest.approx(8 / 2)
    began = town.clock.now
    assert [town.takes(INLAND) for _ in range(9)] == ["b"] * 9
    assert town.clock.now - began == pytest.approx(8 / 10)
    assert town.asked() == "a9 b9 c0"


def test_a_turn_too_far_off_is_put_off_and_nobody_is_asked() -> None:
    town = Town([], [], rates=[0.05, 0.0])
    assert town.takes() == "a"
    outcome = town.router.send(text())
    assert isinstance(outcome, Deferred)
    assert (outcome.why, outcome.retry_after_s, outcome.gateway) == ("busy", PATIENCE_S, "a")
    assert town.asked() == "a1 b0"
    town.pass_by(PATIENCE_S)
    assert town.takes() == "a"


def test_threads_together_keep_to_the_rate_and_to_how_many_may_be_under_way() -> None:
    lock = threading.Lock()
    under_way = most = 0
    moments: list[float] = []
    clock = Clock()
    slept: list[float] = []

    class Counting(Fake):
        def send(self, text: Outgoing) -> Outcome:
            nonlocal under_way, most
            with lock:
                under_way += 1
                most = max(most, under_way)
            try:
                return super().send(text)
            finally:
                with lock:
                    under_way -= 1

    gateway = Counting()
    # The clock stands still, so each text's wait is its place in the queue.
    router = Router([Route("a", gateway, rate=10.0, at_once=3)], clock, slept.append)
    with ThreadPoolExecutor(12) as pool:
        outcomes = list(pool.map(router.send, [text() for _ in range(100)]))
    assert set(outcomes) == {Accepted("r", "a")}
    assert most <= 3
    moments = sorted([0.0, *slept])
    assert moments == pytest.approx([each / 10 for each in range(100)])


def test_threads_lose_and_repeat_nothing_while_gateways_come_and_go() -> None:
    lock = threading.Lock()
    taken: Counter[str] = Counter()
    turns = count()

    class Unsteady:
        def __init__(self, period: int) -> None:
            self.period = period

        def send(self, text: Outgoing) -> Outcome:
            with lock:
                if next(turns) // self.period % 2:
                    return DOWN
                taken[text.id] += 1
            return Accepted("r")

    clock = Clock()
    router = Router(
        [Route("a", Unsteady(7), at_once=8), Route("b", Unsteady(5), at_once=8)], clock, clock.sleep
    )

    def hand(text: Outgoing) -> None:
        while not isinstance(router.send(text), Accepted):
            with lock:
                clock.now += 1.0

    texts = [text(f"+2557510{each:05d}") for each in range(400)]
    with ThreadPoolExecutor(8) as pool:
        list(pool.map(hand, texts))
    assert taken == dict.fromkeys((each.id for each in texts), 1)


# What must hold whatever happens

OUTCOMES = st.one_of(
    st.sampled_from([Accepted("r"), Refused("no"), DOWN, LATER, BUSY, UNKNOWN]),
    st.floats(0, 10**6).map(lambda wish: replace(LATER, retry_after_s=wish)),
)
STEPS = st.lists(
    st.tuples(st.integers(0, 3), st.sampled_from([0.0, 1.0, 5.0, 60.0, 700.0])), max_size=60
)


@given(STEPS, st.lists(OUTCOMES, max_size=80), st.sampled_from([0.0, 0.3, 20.0]))
def test_a_text_goes_to_a_second_gateway_only_if_every_earlier_one_surely_did_not_take_it(
    steps: list[tuple[int, float]], outcomes: list[Outcome], rate: float
) -> None:
    script = deque(outcomes)
    told: dict[str, list[tuple[str, Outcome]]] = {}

    def gateway(name: str) -> Callable[[Outgoing], Outcome]:
        def send(text: Outgoing) -> Outcome:
            outcome = script.popleft() if script else Accepted("r")
            told.setdefault(text.id, []).append((name, outcome))
            return outcome

        return send

    town = Town([], ["+25575"], [], rates=[0.0, rate, 0.0])
    for name, each in town.gateways.items():
        each.send = gateway(name)  # type: ignore[method-assign]
    waiting = [text(number) for number in (COAST, COAST, INLAND, ABROAD)]
    over: set[str] = set()
    for place, seconds in steps:
        town.pass_by(seconds)
        each = waiting[place]
        if each.id in over:
            continue
        outcome = town.router.send(each)
        if not isinstance(outcome, Deferred):
            over.add(each.id)
        elif outcome.why == "unknown":  # as the sender keeps it in the grower's record
            waiting[place] = replace(each, gateway=outcome.gateway)
    for handed in told.values():
        for place, (name, outcome) in enumerate(handed):
            later = [other for other, _ in handed[place + 1 :]]
            if isinstance(outcome, Deferred) and outcome.why == "unknown":
                assert set(later) <= {name}
            if not isinstance(outcome, Deferred):
                assert later == []


# One alone


class Beginning(Fake):
    """Hands texts over without being waited for."""

    def __init__(self, *outcomes: Outcome) -> None:
        super().__init__(*outcomes)
        self.begun: list[Future[Outcome]] = []

    def begin(self, text: Outgoing) -> Future[Outcome]:
        del text
        self.begun.append(Future())
        return self.begun[-1]


@pytest.mark.parametrize(
    "routes",
    [
        [Route("a", Fake())],
        [Route("a", Beginning()), Route("b", Beginning())],
        [Route("a", Beginning(), rate=5)],
        [Route("a", Beginning(), prefixes=("+255",))],
    ],
)
def test_whatever_leaves_a_choice_or_sets_a_limit_wants_a_router(routes: list[Route]) -> None:
    assert sole(routes) is None


@pytest.mark.parametrize(
    ("outcome", "named"),
    [
        (Accepted("r"), Accepted("r", "a")),
        (UNKNOWN, replace(UNKNOWN, gateway="a")),
        (Refused("no"), Refused("no")),
    ],
)
def test_a_gateway_alone_is_named_in_what_it_took(outcome: Outcome, named: Outcome) -> None:
    gateway = Beginning(outcome)
    alone = sole([Route("a", gateway)])
    assert alone is not None
    assert alone.send(text()) == named
    under_way = alone.begin(text())
    assert not under_way.done()
    gateway.begun[0].set_result(outcome)
    assert under_way.result(WAIT_S) == named


def test_what_a_gateway_alone_did_not_get_to_is_its_own_and_what_broke_is_passed_on() -> None:
    gateway = Beginning()
    alone = sole([Route("a", gateway)])
    assert alone is not None
    closed, broken = alone.begin(text()), alone.begin(text())
    gateway.begun[0].cancel()
    gateway.begun[1].set_exception(OSError("gone"))
    # It may have arrived, so it must be known whose it is should there be others one day.
    assert closed.result(WAIT_S) == replace(CLOSED_FIRST, gateway="a")
    with pytest.raises(OSError, match="gone"):
        broken.result(WAIT_S)


class Slow:
    """Takes two seconds for every text, by the clock of the test."""

    def __init__(self, clock: Clock, gate: threading.Event | None = None) -> None:
        self.clock = clock
        self.gate = gate
        self.asked: list[Outgoing] = []

    def send(self, text: Outgoing) -> Outcome:
        self.asked.append(text)
        if self.gate:
            assert self.gate.wait(WAIT_S)
        self.clock.now += 2.0
        return Accepted()


def test_beside_others_only_few_wait_for_a_slow_gateway_and_the_rest_are_told_their_turns() -> None:
    clock, gate = Clock(), threading.Event()
    slow = Slow(clock, gate)
    router = Router([Route("a", slow, ("+25575",)), Route("b", Fake(), ("+25568",))], clock)
    with ThreadPoolExecutor(20) as pool:
        many = [pool.submit(router.send, text()) for _ in range(20)]
        put_off = [each.result() for each in islice(as_completed(many, WAIT_S), 15)]
        gate.set()
        rest = [each.result(WAIT_S) for each in many]
    # One is with the gateway and four wait: as it is not known yet, half a second is taken for each.
    turns = [each.retry_after_s for each in put_off if isinstance(each, Deferred)]
    assert sorted(turns) == [3.0 + each / 2 for each in range(15)]
    assert sum(isinstance(each, Accepted) for each in rest) == len(slow.asked) == 5
    assert {each.why for each in put_off if isinstance(each, Deferred)} == {"busy"}


def test_all_wait_for_the_only_gateway() -> None:
    clock = Clock()
    router = Router([Route("a", Slow(clock), ("+25575",))], clock)
    with ThreadPoolExecutor(20) as pool:
        found = list(pool.map(lambda _: router.send(text()), range(7)))
    assert found == [Accepted(gateway="a")] * 7
