"""What a month's texts come to in money, and the ceiling that pauses rounds when it is reached.

Only rounds are paused: they are what an operator sends on their own account, thousands at a time. A
reply, a reminder and whatever is said of safety go out whatever has been spent.
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from threading import Lock
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from bot.gateways.profiles import name_of, places_of
from bot.store.spending import Sent, Sort, month_of

if TYPE_CHECKING:
    from collections.abc import Callable

    from bot.settings import Settings
    from bot.store.spending import Spending

REFRESH_S = 5.0
"""How old a month's spend may be, in seconds, when a round's text goes out."""

KINDS = {
    "reply": "replies",
    "reminder": "reminders",
    "round": "rounds",
    "notice": "other texts",
}
"""Texts by kind, as operators read it."""

WARN_FROM = Decimal("0.8")
"""The part of the ceiling from which operators are warned."""


@dataclass(frozen=True, slots=True)
class Row:
    """What was sent of one sort, and what it cost. The gateway has its name, never ""."""

    sort: Sort
    sent: Sent
    cost: Decimal


@dataclass(frozen=True, slots=True)
class Bill:
    """A month by gateway, language and kind, in that order. Money is in the operator's currency.

    `ceiling` is 0 where there is none. It is today's, whatever it was in a month gone by.
    """

    rows: list[Row]
    ceiling: Decimal

    @property
    def sent(self) -> Sent:
        """All texts together."""
        return sum((each.sent for each in self.rows), Sent())

    @property
    def cost(self) -> Decimal:
        """What they cost."""
        return sum((each.cost for each in self.rows), Decimal())

    @property
    def left(self) -> Decimal:
        """What may still be spent before rounds are paused; 0 where it is all gone."""
        return max(self.ceiling - self.cost, Decimal())

    @property
    def percent(self) -> int:
        """How much of the ceiling is spent, in whole percent, rounded down; 0 without a ceiling."""
        return int(100 * self.cost / self.ceiling) if self.ceiling else 0

    @property
    def warns(self) -> bool:
        """Whether so much of the ceiling is spent that somebody should know."""
        return bool(self.ceiling) and self.cost >= self.ceiling * WARN_FROM

    def short_of(self, cost: Decimal) -> bool:
        """Whether a cost is more than is left under the ceiling."""
        return bool(self.ceiling) and cost > self.left


def month_at(now: float, settings: Settings) -> str:
    """Return the operator's month ("2026-03") at a moment, UTC epoch seconds."""
    return month_of(now, ZoneInfo(settings.zone))


def bill(spending: Spending, month: str, settings: Settings) -> Bill:
    """Return what a month's texts came to, at the prices set now. Raises `StoreUnavailable`."""
    usual, prices = settings.segment_price, settings.prices
    own = own_gateways(settings)[0]
    found: dict[Sort, Sent] = {}
    for sort, sent in spending.month(month).items():
        named = sort._replace(gateway=sort.gateway or own)
        found[named] = found.get(named, Sent()) + sent
    rows = [
        Row(sort, sent, sent.segments * exact(prices.get(sort.gateway, usual)))
        for sort, sent in sorted(found.items())
    ]
    return Bill(rows, exact(settings.spend_ceiling))


def estimate(segments: int, settings: Settings) -> Decimal:
    """Return what segments cost before it is known which gateway takes them."""
    return segments * exact(settings.segment_price)


def own_gateways(settings: Settings) -> list[str]:
    """Name the gateways that are set, the preferred one first; texts whose line names none are its."""
    return [name_of(each) for each in places_of(settings.gateway)] or ["gateway"]


def exact(amount: float) -> Decimal:
    """Take an amount as it was written: sums of 0.1 come out even."""
    return Decimal(repr(amount))


class Ceiling:
    """Whether the month's spend has reached the operator's ceiling. For many threads together.

    The spend is read every `REFRESH_S` at most. In between, the texts let through here are added to
    it at the dearest price, and where that reaches the ceiling it is read anew to be sure. So what
    goes over the ceiling is, at the worst: the text that reaches it, those that the sender has
    in hand besides (`at_once`), and what is spent in `REFRESH_S` by everything else, which is
    other senders' rounds, reminders and replies. With one sender of one text at a time a round
    ends with the very text that reaches the ceiling.
    """

    def __init__(self, spending: Spending, settings: Settings, clock: Callable[[], float]) -> None:
        self._spending = spending
        self._settings = settings
        self._clock = clock
        self._most = exact(settings.spend_ceiling)
        self._dearest = exact(max(settings.segment_price, *settings.prices.values(), 0.0))
        self._lock = Lock()
        self._month = ""
        self._read_at = 0.0
        self._spent = self._let_through = Decimal()

    def reached(self, segments: int = 0) -> bool:
        """Tell whether rounds must pause; if not, so many segments are taken to go out now.

        Raises `StoreUnavailable`.
        """
        if not self._most:
            return False
        with self._lock:
            now = self._clock()
            month = month_at(now, self._settings)
            # A clock may be put back: what was read later than now is old as well.
            fresh = month == self._month and 0 <= now - self._read_at < REFRESH_S
            if not fresh or (self._let_through and self._over):
                self._spent = bill(self._spending, month, self._settings).cost
                self._let_through = Decimal()
                self._month, self._read_at = month, now
            if self._over:
                return True
            self._let_through += segments * self._dearest
            return False

    @property
    def _over(self) -> bool:
        return self._spent + self._let_through >= self._most
