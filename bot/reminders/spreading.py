"""The spreader: it takes rounds to the growers they are for, one shard of a group at a time.

A round is not sent from here. The spreader puts its text among those that wait for the grower,
under the round's own id, so that a grower told once is not told again however often a shard is
gone through; from there the sender takes it, as it takes everything else. Killed at any point,
the shard it was in is gone through again, and nobody is told twice or missed.

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

from bot.dialogue.standing import why_silent
from bot.reminders.rounds import Chosen, LeftOut, at, faults, judge
from bot.reminders.schedule import next_due, within_waking
from bot.store import keys
from bot.store.errors import StoreUnavailable, reaching_redis
from bot.store.groups import Group
from bot.store.growers import Commit
from bot.store.indexes import ROUND
from bot.store.rounds import EXAMPLES

if TYPE_CHECKING:
    from collections.abc import Callable
    from threading import Event

    from bot.dialogue.records import Waiting
    from bot.dialogue.turn import Dialogue
    from bot.settings import Settings
    from bot.store.groups import Groups
    from bot.store.growers import Loaded, Store
    from bot.store.rounds import Pass, Round, Rounds

log = logging.getLogger(__name__)

BATCH = 256
"""Growers read and told at once."""

AHEAD_S = 10.0
"""How far ahead of its time a text is put among those waiting."""

TOLD_S = 30 * 24 * 3600
"""How long it is remembered that a grower was told: longer than any round is left paused."""

LOCK_S = 30.0
"""One spreads at a time. A killed one's lock lapses after so long."""

IDLE_S = 1.0
OUTAGE_S = 5.0

REFRESH_S = 1.0
"""How old a round's state may be when a text of it is sent."""


@dataclass(slots=True)
class _Shard:
    """One shard of a group being gone through, and what was counted in it so far."""

    which: Pass
    group: Group
    shard: int
    numbers: list[str]
    examples: list[str]
    counts: Counter[str] = field(default_factory=Counter)


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
        # Made here and used by whichever thread runs.
        self._lock = rounds.redis.lock(keys.spreader_key(), timeout=LOCK_S, thread_local=False)
        self._at: dict[tuple[str, Pass], _Shard] = {}
        self._paced = 0.0

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
        for one in sorted(self._rounds.shelf.all().values(), key=lambda each: each.made):
            which: Pass = "count" if one.state == "counting" else "send"
            begun = one.state == "counting" or (one.state == "running" and one.start <= now)
            if begun and self._go_through(one, which, now):
                return True
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
        return bool(self._lock.acquire(blocking=False))

    def _go_through(self, one: Round, which: Pass, now: float) -> bool:
        """Do one batch of a round; False when nothing of it can be done now."""
        if which == "send" and (found := faults(one, self._dialogue, one.groups)):
            # Flows and languages may have changed since it was looked at.
            log.error("round %s is paused: %s", one.id, "; ".join(found))
            self._rounds.change_state(one.id, ("running",), "paused")
            return False
        at_hand = self._at.pop((one.id, which), None)
        if at_hand is None or (which == "send" and not self._awake(at_hand.group, now)):
            at_hand = self._next_shard(one, which, now)
        if at_hand is None:
            return False
        most = BATCH if which == "count" else min(BATCH, self._room(one, now))
        batch, at_hand.numbers = at_hand.numbers[:most], at_hand.numbers[most:]
        # Should this fail, the shard is gone through again from its beginning.
        self._tell(one, at_hand, batch, now)
        if at_hand.numbers:
            self._at[one.id, which] = at_hand
        else:
            self._rounds.advance(
                one.id,
                which,
                at_hand.group.name,
                at_hand.shard + 1,
                at_hand.counts,
                at_hand.examples,
            )
        return bool(batch) or not at_hand.numbers

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
            numbers = self._groups.members(name, shard)
            return _Shard(which, group, shard, numbers, list(progress.examples))
        if not asleep:
            if which == "count":
                self._rounds.change_state(one.id, ("counting",), "counted")
            else:
                self._rounds.change_state(one.id, ("running",), "finished")
        return None

    def _tell(self, one: Round, at_hand: _Shard, numbers: list[str], now: float) -> None:
        """Judge growers, and put the round's text among the waiting ones of those it is for."""
        about = f"{ROUND}{one.id}"
        sending = at_hand.which == "send"
        today = datetime.fromtimestamp(now, UTC).astimezone(self._zone(at_hand.group)).date()
        while numbers:
            changes: list[Commit] = []
            judged: dict[str, Counter[str]] = {}
            loads = self._store.load_many(numbers, about if sending else None)
            for number, loaded in zip(numbers, loads, strict=True):
                if loaded.replay is not None:
                    judged[number] = Counter(_told_before(loaded))
                    continue
                verdict = judge(one, at_hand.group, loaded.grower, today, self._dialogue)
                if isinstance(verdict, LeftOut):
                    judged[number] = Counter({f"left_out:{verdict.reason}": 1})
                    continue
                judged[number] = _counted(verdict)
                if len(at_hand.examples) < EXAMPLES:
                    at_hand.examples.append(number)
                if sending:
                    changes.append(self._change(number, loaded, verdict, one, now))
            lost = self._store.commit_many(changes)
            for number, counts in judged.items():
                if number not in lost:
                    at_hand.counts.update(counts)
            # Who texted meanwhile is judged again as they are now: they may have sent STOP.
            numbers = lost

    def _change(
        self, number: str, loaded: Loaded, chosen: Chosen, one: Round, now: float
    ) -> Commit:
        self._paced = max(self._paced, now)
        grower = at(chosen, int(self._paced))
        self._paced += 60 / one.rate
        due = next_due(grower, self._settings, now)
        return Commit(number, loaded, grower, due, message_id=f"{ROUND}{one.id}", keep_s=TOLD_S)

    def _room(self, one: Round, now: float) -> int:
        """How many texts may be spread now, so that none is far ahead of its time."""
        return math.floor((now + AHEAD_S - max(self._paced, now)) * one.rate / 60) + 1

    def _zone(self, group: Group) -> ZoneInfo:
        return ZoneInfo(group.zone or self._settings.zone)

    def _awake(self, group: Group, now: float) -> bool:
        return within_waking(datetime.fromtimestamp(now, UTC), self._zone(group), self._settings)


class Permission:
    """Whether a round's text may still go out, by the round's state of a moment ago."""

    def __init__(self, rounds: Rounds, clock: Callable[[], float]) -> None:
        self._rounds = rounds
        self._clock = clock
        self._states: dict[str, tuple[float, str]] = {}

    def __call__(self, text: Waiting) -> Literal["send", "hold", "drop"]:
        """Tell what is to be done with a text: a paused round's is held, a stopped one's not sent."""
        if not text.operation.startswith(ROUND):
            return "send"
        round_id = text.operation.removeprefix(ROUND)
        now = self._clock()
        looked, state = self._states.get(round_id, (0.0, ""))
        if not state or now - looked >= REFRESH_S:
            one = self._rounds.shelf.find(round_id)
            state = one.state if one else "stopped"
            self._states[round_id] = now, state
        if state in {"running", "finished"}:
            return "send"
        return "hold" if state == "paused" else "drop"


def _counted(chosen: Chosen) -> Counter[str]:
    return Counter(
        {
            "chosen": 1,
            f"language:{chosen.language}": 1,
            f"segments:{chosen.language}": chosen.segments,
        }
    )


def _told_before(loaded: Loaded) -> dict[str, int]:
    """Count a grower told before a crash, whose count was lost in it."""
    silent = why_silent(loaded.grower)
    return {f"left_out:{silent}": 1} if silent else {"chosen": 1}
