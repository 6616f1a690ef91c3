"""What a check of the doctor's finds, and what it is given to look at."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Literal

from msgspec import Struct

from bot.exchange import dialogue_of
from bot.store.growers import Store

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    import redis

    from bot.dialogue.turn import Dialogue
    from bot.settings import Settings


class Finding(Struct, frozen=True):
    """One thing looked at: which part, how it is, and how to mend it where it is not as it should.

    A "warning" is a choice to look at, or what may become wrong. What is "wrong" keeps texts from
    being answered or sent, or puts what is kept at risk.
    """

    level: Literal["ok", "warning", "wrong"]
    part: str
    found: str
    mend: str = ""


def ok(part: str, found: str) -> Finding:
    """Make a finding that is as it should be."""
    return Finding("ok", part, found)


def warning(part: str, found: str, mend: str) -> Finding:
    """Make a finding to look at."""
    return Finding("warning", part, found, mend)


def wrong(part: str, found: str, mend: str) -> Finding:
    """Make a finding that must be mended."""
    return Finding("wrong", part, found, mend)


@dataclass
class Patient:
    """An installation: its settings and environment, the clock here, and its Redis."""

    settings: Settings
    environ: Mapping[str, str]
    clock: Callable[[], float]
    client: redis.Redis | None

    @cached_property
    def dialogue(self) -> Dialogue:
        """The conversation. Raises FlowError."""
        return dialogue_of(self.settings)

    @property
    def redis(self) -> redis.Redis:
        """The client, for checks that come after Redis was reached."""
        if self.client is None:
            raise ValueError("this check is for where there is a Redis")
        return self.client

    @cached_property
    def store(self) -> Store:
        """The store over it."""
        return Store(self.redis, self.clock)
