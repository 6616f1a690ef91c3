"""One drill from start to end: load, faults at random, quiet, and what the ledger says."""

from __future__ import annotations

import math
import queue
import random
import threading
import time
from collections import Counter
from contextlib import ExitStack, suppress
from dataclasses import dataclass
from datetime import datetime, timedelta
from datetime import time as daytime
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from msgspec.structs import replace

from bot.exchange import dialogue_of
from bot.reminders.schedule import next_due
from bot.settings import Settings
from bot.store.connecting import connect
from bot.store.groups import Groups
from bot.store.growers import NEW, Commit, Store

from .faults import Scene, lanes_of, run_lane
from .gateway import Handed, Inward, Outward
from .ledger import GROUP, UNEXPLAINED, Caller, Ledger, Text, planned, repeats
from .meetings import Meetings, enrol, persist
from .stores import HALF, OneRedis, stored
from .world import World

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

DRIVERS = 16
BROUGHT_AGAIN = 0.15
"""Share of texts that the gateway brings again though they were answered."""
BROUGHT_TWICE = 0.05
"""Share of texts that it brings twice at the same time."""
QUIET_S = 180.0
"""How long it may take, once the faults are over, until the next text is sent of those still due."""
SETTLED_S = 25.0
"""How long it may take but for what was put off by a clock that was ahead."""
LOOK_S = 0.5
AROUND_S = 15.0
"""How long before a text that came twice without a cause what was done is told."""
ENDING_S = 10.0
"""How long after its disk was full it may be that a Redis is seen to have ended."""


@dataclass(frozen=True)
class Plan:
    """How long a drill lasts and what it is made of."""

    seconds: float
    seed: int
    callers: int = 120
    texts_a_second: float = 15
    reminders_a_second: float = 1
    pause_s: float = 3.0
    """About how long each lane of faults pauses between two."""
    least: int = 1
    """The fewest faults of each lane, even if there is no time for them."""
    longest_s: float = 60.0
    """The longest that one fault may take."""
    lease_s: float = 12.0
    kind: str = "single"
    """How the store is deployed, one of `stores.KINDS`."""
    fsync: str = "always"
    mount: bool = False


@dataclass
class Outcome:
    """What a drill came to; `faults` is empty when all was as it must be."""

    figures: list[str]
    faults: list[str]
    kills: int
    ledger: Ledger


class Drill:
    """A drill under way."""

    def __init__(self, plan: Plan, folder: Path, tell: Callable[[str], None]) -> None:
        self._plan = plan
        self._folder = folder
        self._began = time.monotonic()
        self._say = tell
        self._dialogue = dialogue_of(Settings())
        self._settings = Settings()
        # All clocks show about ten in the morning, whatever hour it is here: reminders may go out,
        # and an hour forth or back is the same day.
        zone = ZoneInfo(self._settings.zone)
        self._day = datetime.now(zone).date()
        morning = datetime.combine(self._day, daytime(10), zone).timestamp()
        self._ahead_s = morning - time.time()
        self._ledger = Ledger()
        self._outward = Outward(plan.seed)
        self._stop = threading.Event()
        self._resting = threading.Event()
        self._again: queue.Queue[Text] = queue.Queue()
        self._callers: queue.Queue[Caller] = queue.Queue()
        self._every: list[Caller] = []
        self._meetings = Meetings(self._dialogue, self._ledger, self._day)

    def run(self) -> Outcome:
        plan = self._plan
        self._outward.open()
        profile = self._outward.profile(self._folder)
        with ExitStack() as stack:
            kept_in = stack.enter_context(stored(plan.kind, self._folder, plan.fsync, plan.mount))
            world = World(self._folder, profile, kept_in, self._ahead_s, plan.lease_s)
            stack.enter_context(world)
            stack.callback(self._outward.close)
            self._tell(f"seed {plan.seed}; {kept_in.said}")
            kept_in.wait()
            store = Store(connect(kept_in.url), self._clock, copies=kept_in.copies)
            self._enrol(store)
            inward = Inward(world.ports)
            self._wait_for_web(inward)
            workers = [
                threading.Thread(target=self._drive, args=(inward, each)) for each in range(DRIVERS)
            ]
            workers.append(threading.Thread(target=self._bring_again, args=(inward,)))
            workers.append(threading.Thread(target=self._owe, args=(store,)))
            workers.append(threading.Thread(target=self._meetings.run, args=(store, self._stop)))
            for worker in workers:
                worker.start()
            self._break(world)
            self._outward.mood = "usual"
            self._tell("the faults are over")
            self._stop.set()
            for worker in workers:
                worker.join()
            self._rest(world, store)
            return self._outcome(world, store)

    def _tell(self, what: str) -> None:
        self._say(f"{time.monotonic() - self._began:8.1f} s  {what}")

    def _clock(self) -> float:
        return time.time() + self._ahead_s

    # The load

    def _enrol(self, store: Store) -> None:
        Groups(store.redis).named(GROUP)
        self._meetings.enrol(store)
        for place in range(self._plan.callers):
            number = f"+25565500{place:04d}"
            caller = Caller(number, "ussd" if place % 2 else "sms", self._plan.seed, self._dialogue)
            assert store.commit(number, NEW, caller.grower, due=None)
            self._every.append(caller)
            self._callers.put(caller)

    def _wait_for_web(self, inward: Inward) -> None:
        until = time.monotonic() + 60
        for port in range(2):
            while inward.deliver("/hooks/sms", {}, port).status != 400:
                if time.monotonic() > until:
                    raise RuntimeError("the web does not come up")
                time.sleep(0.1)

    def _drive(self, inward: Inward, place: int) -> None:
        """Let one grower after the other write, each text brought until it is answered."""
        choices = random.Random(f"{self._plan.seed} driver {place}")  # noqa: S311 - no secret
        pause = DRIVERS / self._plan.texts_a_second
        while not self._stop.wait(choices.uniform(0.5, 1.5) * pause):
            caller = self._callers.get()
            text, queued = caller.write(self._day)
            self._ledger.wrote(text, queued)
            if choices.random() < BROUGHT_TWICE:
                self._again.put(text)
            until = time.monotonic() + QUIET_S
            while time.monotonic() < until:
                answer = inward.deliver(text.path, text.fields, choices.randrange(2))
                if self._ledger.heard(text, answer):
                    break
                time.sleep(choices.uniform(0.1, 0.6))
            if choices.random() < BROUGHT_AGAIN:
                self._again.put(text)
            self._callers.put(caller)

    def _bring_again(self, inward: Inward) -> None:
        """Bring texts again that were answered, or are being brought this moment."""
        choices = random.Random(f"{self._plan.seed} again")  # noqa: S311 - no secret
        while not (self._stop.is_set() and self._again.empty()):
            with suppress(queue.Empty):
                text = self._again.get(timeout=0.2)
                answer = inward.deliver(text.path, text.fields, choices.randrange(2))
                if not self._ledger.heard(text, answer) and not self._stop.is_set():
                    self._again.put(text)
                    time.sleep(0.2)

    def _owe(self, store: Store) -> None:
        """Put growers into the store whose reminder is due now, one after the other."""
        kept = planned(self._dialogue, self._day - timedelta(days=1))
        reminded = self._dialogue.remind(kept, self._day)
        assert reminded.waiting
        after = replace(reminded, waiting=())
        choices = random.Random(f"{self._plan.seed} owing")  # noqa: S311 - no secret
        place = 0
        while not self._stop.wait(choices.uniform(0.5, 1.5) / self._plan.reminders_a_second):
            number = f"+2556551{place:05d}"
            place += 1
            enrolled = Commit(number, NEW, kept, next_due(kept, self._settings), "enrolled")
            persist(lambda enrolled=enrolled: enrol(store, enrolled))
            reminder = {f"{number}:{each.serial}": each.body for each in reminded.waiting}
            self._ledger.owes(number, after, reminder)

    # The faults

    def _break(self, world: World) -> None:
        plan, until = self._plan, time.monotonic() + self._plan.seconds
        lanes = []
        for lane, kinds in lanes_of(world.stored).items():
            choices = random.Random(f"{self._plan.seed} {lane}")  # noqa: S311 - no secret
            scene = Scene(world, self._outward, self._ledger, choices, self._tell, plan.longest_s)
            arguments = (kinds, scene, until, plan.least, plan.pause_s)
            lanes.append(threading.Thread(target=run_lane, args=arguments))
        for each in lanes:
            each.start()
        for each in lanes:
            each.join()
        world.set_clock(0)
        world.stored.mend()

    def _rest(self, world: World, store: Store) -> None:
        """Wait until the gateway has all that is due and nothing waits to be written down.

        A text put off while the clock was an hour ahead waits for that hour; so let it pass.
        """
        until = time.monotonic() + QUIET_S
        waited = 0
        fewest = math.inf
        while time.monotonic() < until:
            owed = self._ledger.due.keys() - self._ledger.cancelled
            late = [each for each in owed if not self._outward.has_taken(each)]
            numbers = [*self._ledger.growers, *self._meetings.members]
            numbers += [each.number for each in self._every]
            waiting = [
                n
                for n, each in zip(numbers, store.load_many(numbers), strict=True)
                if each.grower.waiting
            ]
            if not late and not waiting and self._meetings.over(store):
                break
            if (still := len(late) + len(waiting)) < fewest:
                fewest, until = still, time.monotonic() + QUIET_S
            waited += 1
            if waited == SETTLED_S / LOOK_S:
                self._tell(f"{len(late)} texts still to come; an hour passes")
                world.set_clock(3600 + self._plan.lease_s)
            time.sleep(LOOK_S)
        self._tell("all is quiet")

    # What the ledger says

    def _outcome(self, world: World, store: Store) -> Outcome:
        ledger = self._ledger
        for caller in self._every:
            ledger.compare(caller.number, store.load(caller.number).grower, caller.grower)
        for number, grower in ledger.growers.items():
            ledger.compare(number, store.load(number).grower, grower)
        ledger.close(self._outward.by_id)
        self._meetings.compare(store)
        again = repeats(self._outward.handed, world.services, ledger.faults)
        causes = Counter(cause for cause, _, _ in again)
        faults = [f"lost: {one}" for one in ledger.lost]
        faults += [
            f"{UNEXPLAINED}: {self._story(second)}"
            for cause, _, second in again
            if cause == UNEXPLAINED
        ]
        faults += self._ended(world)
        faults += [f"in a log: {line}" for line in world.tracebacks()]
        if store.redis.exists(HALF):
            faults.append("half a script's writes came true")
        if (stale := indexes_apart(store)) != []:
            faults += [f"index apart from the records: {key}" for key in stale]
        faults += [f"wrong: {one}" for one in ledger.wrong]
        return Outcome(self._figures(world, causes), faults, self._kills(world), ledger)

    def _story(self, again: Handed) -> str:
        """All that is known of a text: when it was handed over, and what was done around then."""
        handings = self._outward.by_id[again.id]
        told = [
            f"{each.at - self._began:.3f} s: {each.way}, by {each.by}, "
            f"answered after {each.answered - each.at:.3f} s"
            for each in handings
        ]
        around = [
            f"{fault.began - self._began:.3f} to {fault.ended - self._began:.3f} s: "
            f"{fault.kind} {fault.target}"
            for fault in self._ledger.faults
            if fault.ended > handings[0].at - AROUND_S and fault.began < again.at
        ]
        return "\n    ".join([again.id, *told, "meanwhile", *around])

    def _ended(self, world: World) -> list[str]:
        """What ended by itself; Redis may, while its disk is full."""
        full = [one for one in self._ledger.faults if one.kind.startswith("disk full")]
        return [
            f"ended by itself: {life}, status {status}"
            for service in world.services
            for life, status, at in service.ended
            if not (
                isinstance(world.stored, OneRedis)
                and service is world.stored.redis
                and any(one.began <= at <= one.ended + ENDING_S for one in full)
            )
        ]

    def _kills(self, world: World) -> int:
        return sum(len(service.kills) for service in world.services)

    def _figures(self, world: World, causes: Counter[str]) -> list[str]:
        ledger, outward = self._ledger, self._outward
        kinds = Counter(one.kind for one in ledger.faults)
        sent = Counter(each.id for each in outward.handed if each.taken)
        replies = ledger.due.keys() - ledger.reminders - ledger.notices
        return [
            (f"seed {self._plan.seed}, {self._plan.seconds:.0f} s of faults; {world.stored.said}"),
            (
                f"texts in: {len(ledger.texts)}, answered: "
                f"{sum(each.answered > 0 for each in ledger.texts)}, brought again: "
                f"{ledger.redelivered}"
            ),
            "deliveries refused by status: "
            + (", ".join(f"{s or 'none'}: {n}" for s, n in sorted(ledger.refused.items())) or "0"),
            (
                f"replies due by the sender: {len(replies)}, sent: {len(replies & sent.keys())}, "
                f"not sent because of a STOP: {len(ledger.cancelled - sent.keys())}"
            ),
            (
                f"reminders due: {len(ledger.reminders)} to {len(ledger.growers)} growers, sent: "
                f"{len(ledger.reminders & sent.keys())}"
            ),
            (
                f"rounds: {self._meetings.rounds}, their texts due: {len(ledger.notices)}, sent: "
                f"{len(ledger.notices & sent.keys())}"
            ),
            f"lost: {len(ledger.lost)}, wrong: {len(ledger.wrong)}",
            f"sent again though taken: {sum(causes.values())}"
            + "".join(f"\n    {count}  {cause}" for cause, count in sorted(causes.items())),
            f"kills: {self._kills(world)} ("
            + ", ".join(f"{each.name}: {len(each.kills)}" for each in world.services)
            + ")",
            f"faults: {sum(kinds.values())}"
            + "".join(f"\n    {count}  {kind}" for kind, count in sorted(kinds.items())),
        ]


def indexes_apart(store: Store) -> list[str]:
    """Make the indexes of groups and calls anew; return those that were not as they then are."""
    kept = _indexes(store)
    store.recount()
    anew = _indexes(store)
    return sorted(key for key in kept.keys() | anew.keys() if kept.get(key) != anew.get(key))


def _indexes(store: Store) -> dict[str, object]:
    found: dict[str, object] = {}
    for pattern in ("{s*}:members:*", "{s*}:sums:*", "{s*}:calls:*", "{s*}:calls"):
        for key in store.redis.scan_iter(match=pattern, count=1000):
            kind = store.redis.type(key)
            value = (
                dict(store.redis.zrange(key, 0, -1, withscores=True))
                if kind == b"zset"
                else store.redis.hgetall(key)
            )
            found[key.decode()] = value
    return found
