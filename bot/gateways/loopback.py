"""A gateway that goes nowhere: it keeps every text, for a terminal, a demo or a test."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from typing import TYPE_CHECKING

from bot.gateways.base import Accepted, Outcome, Outgoing

if TYPE_CHECKING:
    from collections.abc import Callable


@dataclass(frozen=True, slots=True)
class Delivered:
    """A text as it arrived, at `at` (UTC epoch seconds)."""

    text: Outgoing
    at: float


class LoopbackGateway:
    """Keeps delivered texts in `ledger`, each id once; `repeats` counts those dropped.

    `on_text` is called with each text as it arrives. Outcomes put into `failures` are given,
    first to last, to the next texts instead of delivering them.
    """

    def __init__(
        self, clock: Callable[[], float], on_text: Callable[[Delivered], None] | None = None
    ) -> None:
        self.ledger: list[Delivered] = []
        self.failures: deque[Outcome] = deque()
        self.repeats = 0
        self._clock = clock
        self._on_text = on_text
        self._known: set[str] = set()

    def send(self, text: Outgoing) -> Outcome:
        """Deliver a text, unless it is a repeat or a failure has been set up."""
        if self.failures:
            return self.failures.popleft()
        if text.id in self._known:
            self.repeats += 1
            return Accepted(text.id)
        delivered = Delivered(text, self._clock())
        self._known.add(text.id)
        self.ledger.append(delivered)
        if self._on_text is not None:
            self._on_text(delivered)
        return Accepted(text.id)
