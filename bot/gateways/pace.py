"""How fast texts may leave: the operator's rate, and less when the peer asks for patience."""

from __future__ import annotations

import math

SLOW_S = 30.0
"""Seconds for which a peer that asked for patience is given half the pace."""

SLOWEST = 1.0
"""Texts a second that the pace does not fall below, unless the operator's rate is lower."""

_BURST_S = 1.0
"""Seconds within which refusals count as one: those of the texts that were under way."""


class Pace:
    """Gives each text the moment it may leave. `rate` is in texts a second, 0 for no limit.

    Times are seconds of any clock that only goes forward.
    """

    def __init__(self, rate: float) -> None:
        self._rate = rate
        self._slow_rate = 0.0
        self._slow_until = 0.0
        self._next = 0.0
        self._second = 0
        self._counts = 0, 0  # in this second, and in the one before

    def wait(self, now: float, at_most: float) -> float | None:
        """Return the seconds to wait, the place in the queue taken; None if that is too long."""
        rate = self.rate(now)
        leave = max(now, self._next) if rate else now
        if leave - now > at_most:
            return None
        if rate:
            self._next = leave + 1 / rate
        self._count(now)
        return leave - now

    def rate(self, now: float) -> float:
        """Return the texts a second that may leave now, 0 for no limit."""
        return self._slow_rate if now < self._slow_until else self._rate

    def throttled(self, now: float) -> None:
        """Halve the pace for a while: the peer has asked for patience."""
        if now < self._slow_until - SLOW_S + _BURST_S:
            return
        self._count(now, 0)
        slower = (self.rate(now) or max(self._counts)) / 2
        self._slow_rate = min(self._rate or math.inf, max(SLOWEST, slower))
        self._slow_until = now + SLOW_S

    def _count(self, now: float, one: int = 1) -> None:
        second = int(now)
        if second != self._second:
            self._counts = 0, self._counts[0] if second == self._second + 1 else 0
            self._second = second
        self._counts = self._counts[0] + one, self._counts[1]
