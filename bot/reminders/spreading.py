"""The spreader: it takes rounds to the growers they are for, one shard of a group at a time.

A round is not sent from here. The spreader puts its text among those that wait for the grower,
under the round's own id, so that a grower told once is not told again; from there the sender
takes it, as it takes everything else. After each batch the place reached is written down. Killed
at any point, the batch it was in is gone through again, and nobody is told twice or missed.

Only as much is spread as may go out in the next seconds, at the round's rate and in the waking
hours of each group, so that pausing and stopping take hold at once.
"""

from __future__ import annotations

import logging
import math
from collections import Counter
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Literal
from zoneinfo import ZoneInfo

from redis.exceptions import LockError

from bot.dialogue.records import Turn
from bot.gateways.numbers import masked
from bot.reminders.rounds import FASTEST, LeftOut, at, faults, judge
from bot.reminders.schedule import next_due, within_waking
from bot.reminders.spending import Ceiling
from bot.store import keys
from bot.store.codec import RecordError
from bot.store.errors import StoreUnavailable, reaching_redis
from bot.store.groups import Group
from bot.store.growers import Commit, Loaded
from bot.store.rounds import best_examples
from bot.store.spending import Spending
from bot.store.texts import ROUND
from bot.wording.gsm import segments

if TYPE_CHECKING:
    from collections.abc import Callable
    from threading import Event

    from bot.dialogue.records import Waiting
    from bot.dialogue.turn import Dialogue
    from bot.reminders.rounds import Chosen
    from bot.settings import Settings
    from bot.store.groups import Groups
    from bot.store.growers import Store
    from bot.store.rounds import Pass, Round, Rounds, State

log = logging.getLogger(__name__)

BATCH = 256
"""Growers read and told at once."""

AHEAD_S = 10.0
"""How far ahead of its time a text is put among those waiting."""

TOLD_S = 30 * 24 * 3600
"""How long it is remembered that a grower was told: for a batch gone through again, and for who
moves to another group of the round."""

LOCK_S = 30.0
"""One spreads at a time. A killed one's lock lapses after so long."""

IDLE_S = 1.0
OUTAGE_S = 5.0
"""How long the store, or a round that failed, is left alone before it is tried again."""

REFRESH_S = 1.0
"""How old a round's state may be when a text of it is sent."""

GOING: tuple[State, ...] = ("running", "finished")
"""States in which a round's texts go out: of one that is finished, some may still wait."""


@dataclass(slots=True)
class _Shard:
    """One shard of a group being gone through: its numbers still to do, in order."""

    group: Group
    shard: int
    last: str
    numbers: list[str]


@dataclass(slots=True)
class _Found:
    """What a batch came to: counts, and examples by language."""

    counts: Counter[str] = field(default_factory=Counter)
    examples: list[tuple[str, str]] = field(default_factory=list)


class Spreader:
    """Counts and spreads rounds. `clock` gives UTC epoch seconds."""

    def __init__(  # noqa: PLR0913, PLR0917 - what it works with
        self,
        store: Store,
        groups: Groups,
        rounds: Rounds,
        dialogue: Dialogue,
        settings: Settings,
        clock: Callable[[], float],
    ) -> None:
        self._store = store
        self._groups = groups
        self._rounds = rounds
        self._dialogue = dialogue
        self._settings = settings
        self._clock = clock
        self._ceiling = Ceiling(Spending(rounds.redis), settings, clock)
        # Made here and used by whichever thread runs.
        self._lock = rounds.redis.lock(keys.spreader_key(), timeout=LOCK_S, thread_local=False)
        self._at: dict[tuple[str, Pass], _Shard] = {}
        self._failed: dict[str, float] = {}
        # When the next text may go out: of each round, and of all together.
        self._paced: dict[str, float] = {}
        self._gap_s = 0.0

    def run(self, stop: Event) -> None:
        """Work until `stop` is set; wait a little when there is nothing to do or no Redis."""
        while not stop.is_set():
            try:
                if not self.tick():
                    stop.wait(IDLE_S)
            except StoreUnavailable as error:
                log.warning("the store cannot be reached, trying again: %s", error)
                stop.wait(OUTAGE_S)
            except Exception:
                log.exception("spreading a round failed; trying again later")
                stop.wait(OUTAGE_S)
        with suppress(StoreUnavailable):
            self.release()

    def tick(self) -> bool:
        """Do one batch of the rounds at hand; True when there is more to do at once.

        Raises `StoreUnavailable`; then the batch is done again.
        """
        now = self._clock()
        with reaching_redis():
            if not self._holds_lock():
                return False
        begun: list[tuple[Round, Pass]] = [
            (one, "count" if one.state == "counting" else "send")
            for one in sorted(self._rounds.shelf.all().values(), key=lambda each: each.made)
            if one.state == "counting" or (one.state == "running" and one.start <= now)
        ]
        # Where a paused round stood is read again: growers may have come and gone.
        going = {(one.id, which) for one, which in begun}
        self._at = {each: shard for each, shard in self._at.items() if each in going}
        self._pace([one for one, which in begun if which == "send"], now)
        for one, which in begun:
            if not 0 <= now - self._failed.get(one.id, -math.inf) < OUTAGE_S:
                try:
                    if self._go_through(one, which, now):
                        return True
                except StoreUnavailable:
                    raise
                except Exception:
                    log.exception("round %s failed; trying again later", one.id)
                    self._failed[one.id] = now
        return False

    def release(self) -> None:
        """Let another spread at once, when this one ends."""
        with reaching_redis(), suppress(LockError):
            self._lock.release()

    def _holds_lock(self) -> bool:
        if self._lock.local.token is not None:
            try:
                return bool(self._lock.reacquire())
            except LockError:
                # It lapsed, and may be another's; what was begun is theirs to go through again.
                self._lock.local.token = None
                self._at = {}
        if self._lock.acquire(blocking=False):
            return True
        redis, key = self._rounds.redis, keys.spreader_key()
        if redis.pttl(key) > LOCK_S * 1000:
            # Redis's clock was put back. Should another have taken it anew meanwhile, no harm is done.
            redis.pexpire(key, int(LOCK_S * 1000))
        return False

    def _go_through(self, one: Round, which: Pass, now: float) -> bool:
        """Do one batch of a round; False when nothing of it can be done now."""
        if found := faults(one, self._dialogue, one.groups):
            # Flows and languages may have changed since it was looked at.
            log.error("round %s is put back: %s", one.id, "; ".join(found))
            self._rounds.change_state(one.id, ("running",), "paused")
            self._rounds.change_state(one.id, ("counting",), "draft")
            return False
        # Should anything fail from here on, the place is read again.
        at_hand = self._at.pop((one.id, which), None)
        if at_hand is None or (which == "send" and not self._awake(at_hand.group, now)):
            at_hand = self._next_shard(one, which, now)
        if at_hand is None:
            return False
        most = BATCH if which == "count" else min(BATCH, self._room(one, now))
        batch, rest = at_hand.numbers[:most], at_hand.numbers[most:]
        if rest and not batch:
            self._at[one.id, which] = at_hand
            return False
        if batch and which == "send" and self._ceiling.reached():
            pause_at_ceiling(self._rounds, one.id)
            return False
        found_out = self._tell(one, which, at_hand.group, batch, now)
        examples = best_examples(found_out.examples)
        place = (at_hand.shard, batch[-1]) if rest else (at_hand.shard + 1, "")
        if self._rounds.advance(
            one.id,
            which,
            at_hand.group.name,
            ((at_hand.shard, at_hand.last), place),
            found_out.counts,
            examples,
        ):
            self._forget_gone(examples)
            if rest:
                self._at[one.id, which] = _Shard(at_hand.group, *place, rest)
        return True

    def _next_shard(self, one: Round, which: Pass, now: float) -> _Shard | None:
        """The first shard not done of a group that may be told now; ends a round that is done."""
        progress = self._rounds.progress(one.id, which)
        asleep = False
        for name in one.groups:
            shard = progress.done.get(name, 0)
            if shard >= keys.SHARDS:
                continue
            group = self._groups.shelf.find(name) or Group(name)
            if which == "send" and not self._awake(group, now):
                asleep = True
                continue
            last = progress.last.get(name, "")
            numbers = sorted(each for each in self._groups.members(name, shard) if each > last)
            return _Shard(group, shard, last, numbers)
        if not asleep:
            if which == "count":
                self._rounds.change_state(one.id, ("counting",), "counted")
            else:
                self._rounds.change_state(one.id, ("running",), "finished")
        return None

    def _tell(
        self, one: Round, which: Pass, group: Group, numbers: list[str], now: float
    ) -> _Found:
        """Judge growers, and put the round's text among the waiting ones of those it is for."""
        found = _Found()
        sending = which == "send"
        today = datetime.fromtimestamp(now, UTC).astimezone(self._zone(group)).date()
        while numbers:
            changes: list[Commit] = []
            judged: dict[str, Counter[str]] = {}
            for number, loaded in zip(numbers, self._loaded(one, which, numbers), strict=True):
                if isinstance(loaded, LeftOut):
                    judged[number] = Counter({f"left_out:{loaded.reason}": 1})
                    continue
                if loaded.replay is not None:
                    judged[number] = _told_before(loaded.replay.replies, group.name)
                    continue
                verdict = judge(one, group, loaded.grower, today, self._dialogue)
                if isinstance(verdict, LeftOut):
                    judged[number] = Counter({f"left_out:{verdict.reason}": 1})
                    continue
                judged[number] = _counted(verdict.language, verdict.segments)
                found.examples.append((verdict.language, number))
                if sending:
                    changes.append(self._change(number, loaded, verdict, one, group, now))
            lost = self._store.commit_many(changes)
            for number, counts in judged.items():
                if number not in lost:
                    found.counts.update(counts)
            found.examples = [each for each in found.examples if each[1] not in lost]
            # Who texted meanwhile is judged again as they are now: they may have sent STOP.
            numbers = lost
        return found

    def _loaded(self, one: Round, which: Pass, numbers: list[str]) -> list[Loaded | LeftOut]:
        """Read growers; those forgotten meanwhile, or whose record is damaged, are left out."""
        about = f"{ROUND}{one.id}" if which == "send" else None
        loads: list[Loaded | LeftOut] = []
        try:
            loads += self._store.load_many(numbers, about)
        except RecordError:
            for number in numbers:
                try:
                    loads.append(self._store.load(number, about))
                except RecordError as error:
                    log.warning("%s is left out of round %s: %s", masked(number), one.id, error)
                    loads.append(LeftOut("damaged"))
        return [
            LeftOut("gone") if isinstance(each, Loaded) and not each.version else each
            for each in loads
        ]

    def _change(  # noqa: PLR0913, PLR0917 - a grower, what is sent, and when
        self, number: str, loaded: Loaded, chosen: Chosen, one: Round, group: Group, now: float
    ) -> Commit:
        moment = self._next_moment(one, now)
        self._paced[one.id] = moment + 60 / one.rate
        self._paced[""] = moment + self._gap_s
        grower = at(chosen, int(moment))
        due = next_due(grower, self._settings, now)
        # What was counted is remembered with it, should the count be lost in a crash.
        said = Turn((group.name, chosen.language, str(chosen.segments)), grower)
        return Commit(number, loaded, said, due, message_id=f"{ROUND}{one.id}", keep_s=TOLD_S)

    def _forget_gone(self, examples: list[tuple[str, str]]) -> None:
        """Take out again who was forgotten between being chosen and being written down."""
        numbers = [number for _, number in examples]
        for number, loaded in zip(numbers, self._store.load_many(numbers), strict=True):
            if not loaded.version:
                self._rounds.forget(number)

    # At the rate, and in waking hours

    def _pace(self, sending: list[Round], now: float) -> None:
        """Keep the pace of the rounds at hand; together they go no faster than the fastest."""
        self._gap_s = 60 / max((one.rate for one in sending), default=FASTEST)
        longest = {one.id: 60 / one.rate for one in sending} | {"": self._gap_s}
        # What lies further ahead than a text can is of a clock that has been put back.
        self._paced = {
            name: moment
            for name, moment in self._paced.items()
            if name in longest and now < moment <= now + AHEAD_S + longest[name] + 1
        }

    def _next_moment(self, one: Round, now: float) -> float:
        return max(now, self._paced.get(one.id, now), self._paced.get("", now))

    def _room(self, one: Round, now: float) -> int:
        """How many texts may be spread now, so that none is far ahead of its time."""
        ahead = now + AHEAD_S - self._next_moment(one, now)
        return max(math.floor(ahead * one.rate / 60) + 1, 0)

    def _zone(self, group: Group) -> ZoneInfo:
        return ZoneInfo(group.zone or self._settings.zone)

    def _awake(self, group: Group, now: float) -> bool:
        return within_waking(datetime.fromtimestamp(now, UTC), self._zone(group), self._settings)


def pause_at_ceiling(rounds: Rounds, round_id: str) -> str:
    """Pause a round as the month's spend has reached its ceiling; return the state it is in then.

    It stays so until an agent resumes it, and is paused again where there is still no money.
    """
    one = rounds.change_state(round_id, GOING, "paused", "ceiling")
    if one is None:
        return "stopped"
    if one.state == "paused":
        log.warning("round %s is paused: the month's spend has reached the ceiling", round_id)
    return one.state


class Permission:
    """Whether a round's text may still go out, by the round's state of a moment ago.

    With a `ceiling`, a round is paused where the month's spend has reached it.
    """

    def __init__(
        self, rounds: Rounds, clock: Callable[[], float], ceiling: Ceiling | None = None
    ) -> None:
        self._rounds = rounds
        self._clock = clock
        self._ceiling = ceiling
        self._states: dict[str, tuple[float, str]] = {}

    def __call__(self, text: Waiting) -> Literal["send", "hold", "drop"]:
        """Tell what is to be done with a text: a paused round's is held, a stopped one's not sent."""
        if not text.operation.startswith(ROUND):
            return "send"
        round_id = text.operation.removeprefix(ROUND)
        now = self._clock()
        looked, state = self._states.get(round_id, (math.inf, ""))
        # A clock may be put back: what was looked up later than now is old as well.
        if not 0 <= now - looked < REFRESH_S:
            state = self._looked_up(round_id, self._state(round_id), now)
        if state in GOING and self._ceiling and self._ceiling.reached(segments(text.body)):
            paused = pause_at_ceiling(self._rounds, round_id)
            state = self._looked_up(round_id, paused, now)
        if state in GOING:
            return "send"
        return "hold" if state == "paused" else "drop"

    def _looked_up(self, round_id: str, state: str, now: float) -> str:
        # Never changed in place, as many threads ask; and what is old is let go.
        fresh = {
            each: found for each, found in self._states.items() if 0 <= now - found[0] < REFRESH_S
        }
        self._states = fresh | {round_id: (now, state)}
        return state

    def _state(self, round_id: str) -> str:
        try:
            one = self._rounds.shelf.find(round_id)
        except RecordError:
            log.exception("round %s cannot be read; its texts wait", round_id)
            return "paused"
        return one.state if one else "stopped"


def _counted(language: str, many: int) -> Counter[str]:
    return Counter({"chosen": 1, f"language:{language}": 1, f"segments:{language}": many})


def _told_before(said: tuple[str, ...], group: str) -> Counter[str]:
    """Count a grower told before a crash, whose count was lost in it.

    One told in another group of the round has been counted there.
    """
    match said:
        case (told_in, language, many) if told_in == group:
            return _counted(language, int(many))
    return Counter({"left_out:told": 1})
