"""Rounds under way while all else is going on: a group is called to one meeting after the other."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING, TypeVar

import redis
from msgspec.structs import replace

from bot.dialogue.records import Grower
from bot.reminders.rounds import Chosen, judge
from bot.store.errors import StoreUnavailable
from bot.store.groups import Group, Groups
from bot.store.growers import NEW, Commit
from bot.store.rounds import Round, Rounds

if TYPE_CHECKING:
    from collections.abc import Callable
    from datetime import date
    from threading import Event

    from bot.dialogue.turn import Dialogue
    from bot.store.growers import Store

    from .ledger import Ledger

Done = TypeVar("Done")

GROUP = "Mirindi South"
MEMBERS = 40
TEXT = "Dear {{name}}, meeting {number} of {{group}} is on Saturday."
RATE = 6000
EVERY_S = 8.0
"""How long after one round has been spread the next begins."""
LOOK_S = 0.3


class Meetings:
    """The rounds, and what must have come of each."""

    def __init__(self, dialogue: Dialogue, ledger: Ledger, day: date) -> None:
        self._dialogue = dialogue
        self._ledger = ledger
        self._day = day
        self.members = {
            f"+2556552{place:05d}": Grower(language="en", name=f"Asha {place}", group=GROUP)
            for place in range(MEMBERS)
        }
        """As they must be kept by now."""
        self._begun: list[Round] = []

    @property
    def rounds(self) -> int:
        """How many have begun."""
        return len(self._begun)

    def enrol(self, store: Store) -> None:
        """Put the group into the store, before there is any fault."""
        Groups(store.redis).named(GROUP)
        for number, grower in self.members.items():
            assert store.commit(number, NEW, grower, due=None)

    def run(self, store: Store, stop: Event) -> None:
        """Begin a round whenever the one before it has been spread."""
        rounds = Rounds(store.redis)
        while not stop.is_set():
            one = self._next()
            persist(lambda one=one: _put(rounds, one))
            while not persist(lambda one=one: _is_spread(rounds, one)) and not stop.wait(LOOK_S):
                pass
            stop.wait(EVERY_S)

    def over(self, store: Store) -> bool:
        """Whether all that was begun has been spread."""
        rounds = Rounds(store.redis)
        return all(_is_spread(rounds, one) for one in self._begun)

    def compare(self, store: Store) -> None:
        """Hold every member, and every round's counts, against what they must be."""
        for number, grower in self.members.items():
            self._ledger.compare(number, store.load(number).grower, grower)
        rounds = Rounds(store.redis)
        for one in self._begun:
            chosen = rounds.progress(one.id, "send").counts["chosen"]
            sent = rounds.fared(one.id)["sent"]
            if (chosen, sent) != (MEMBERS, MEMBERS):
                self._ledger.wrong.append(f"{one.id}: {chosen} chosen, {sent} sent of {MEMBERS}")

    def _next(self) -> Round:
        number = len(self._begun) + 1
        texts = {"en": TEXT.format(number=number)}
        one = Round(
            f"m{number}", f"Meeting {number}", "the drill", number, (GROUP,), texts=texts, rate=RATE
        )
        due = {}
        for each, grower in self.members.items():
            chosen = judge(one, Group(GROUP), grower, self._day, self._dialogue)
            assert isinstance(chosen, Chosen)
            due |= {f"{each}:{text.serial}": text.body for text in chosen.texts}
            self.members[each] = replace(chosen.grower, waiting=())
        self._ledger.calls(due)
        self._begun.append(one)
        return one


def _put(rounds: Rounds, one: Round) -> None:
    rounds.shelf.add(one.id, one)
    rounds.change_state(one.id, ("draft",), "running")


def _is_spread(rounds: Rounds, one: Round) -> bool:
    """Whether all are told. What an agent did just before a failover must be done once more."""
    kept = rounds.shelf.find(one.id)
    if kept is None or kept.state == "draft":
        _put(rounds, one)
        return False
    return kept.state == "finished"


def enrol(store: Store, change: Commit) -> None:
    """Put a grower into the store who is not there yet; one that is there is found done.

    Raises `StoreUnavailable` where it is not certain to be kept.
    """
    if store.load(change.number, change.message_id).replay is None:
        store.commit_many([change])


def persist(do: Callable[[], Done]) -> Done:
    """Do what may be done twice until the store takes it."""
    while True:
        try:
            return do()
        except (StoreUnavailable, redis.RedisError):
            time.sleep(0.2)
