"""Deliveries: what was sent, what arrived, what failed and why, and what it cost."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

from babel.numbers import format_currency
from flask import render_template

from bot.reminders.spending import KINDS as KINDS_OF_BILL
from bot.reminders.spending import bill, estimate, month_at
from bot.store.settled import tallies
from bot.store.spending import Spending
from bot.web.desk.guarding import may_see, me
from bot.web.desk.pictures import MOST_DAYS, TextDay, spark
from bot.web.desk.showing import exchange_here, groups_here, groups_of

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping
    from datetime import date
    from decimal import Decimal

    from flask import Blueprint

    from bot.dialogue.records import Grower
    from bot.reminders.spending import Bill
    from bot.store.texts import Failure

FAILURES = 25
"""Failures on the page."""

KINDS = {
    "reply": "Replies",
    "reminder": "Reminders",
    "notice": "Rounds and notices",
    "": "Reports on texts not known any more",
}
"""Texts by kind. What is shown at the desk or on a USSD screen is no text that is delivered."""


ONE = {"reply": "Reply", "reminder": "Reminder", "notice": "Round or notice"}
"""One text, by kind."""


@dataclass(frozen=True, slots=True)
class Tally:
    """What became of texts. Of those that `failed`, the gateway `refused` some: they are not sent."""

    sent: int = 0
    delivered: int = 0
    failed: int = 0
    segments: int = 0
    refused: int = 0

    @property
    def any(self) -> bool:
        """Whether there was anything at all."""
        return bool(self.sent or self.delivered or self.failed)


@dataclass(frozen=True, slots=True)
class Failed:
    """A text that did not arrive, and whose it was."""

    failure: Failure
    grower: Grower


def register(desk: Blueprint) -> None:
    """Add the page of deliveries."""

    @desk.get("/deliveries")
    def deliveries() -> str:
        """Show what became of the texts of the last month."""
        groups, settings = groups_of(me()), exchange_here().settings
        days = last_days(exchange_here().clock())
        counted = tallies(groups_here(), days, days[-1])
        # An admin sees all, of groups that are there no more as well.
        theirs = None if me().role == "admin" else {each.name for each in groups}
        parts = {day: mine(counts, theirs) for day, counts in counted.items()}
        by_day = {day: tally_of(part) for day, part in parts.items()}
        every = Counter[tuple[str, str]]()
        for part in parts.values():
            every.update(part)
        columns = [
            TextDay(day, each.sent + each.refused, each.delivered, each.failed)
            for day, each in by_day.items()
        ]
        return render_template(
            "desk/deliveries.html",
            groups=groups,
            days=[(day, each) for day, each in reversed(by_day.items()) if each.any],
            today=days[-1],
            total=tally_of(every),
            kinds=[(name, each) for name, each in _by_kind(every) if each.any],
            picture=spark(columns, "Texts by day", ident="days"),
            failures=list(_failures()),
            one=ONE,
            price=settings.segment_price,
            money=money,
            amount=amount,
            bill=bill_now() if me().role == "admin" else None,
            sorts=KINDS_OF_BILL,
            zone=settings.zone,
            priced=bool(settings.segment_price or settings.prices),
        )


def money(segments: int) -> str:
    """Write what so many segments cost the operator."""
    return amount(cost_of(segments))


def cost_of(segments: int) -> Decimal:
    """What so many segments are taken to cost the operator."""
    return estimate(segments, exchange_here().settings)


def amount(cost: Decimal) -> str:
    """Write an amount of the operator's currency."""
    currency = exchange_here().settings.currency
    written: str = format_currency(cost, currency, "¤¤\u00a0#,##0.00", locale="en_GB")
    return written


def bill_now() -> Bill:
    """Return what this month's texts have come to, of all groups."""
    here = exchange_here()
    month = month_at(here.clock(), here.settings)
    return bill(Spending(here.store.redis), month, here.settings)


def last_days(now: float) -> list[date]:
    """The days shown, the last of them today: UTC days, as texts are counted by them."""
    today = datetime.fromtimestamp(now, UTC).date()
    return [today - timedelta(days=back) for back in reversed(range(MOST_DAYS))]


def mine(
    counts: Mapping[tuple[str, str, str], int], groups: set[str] | None
) -> Counter[tuple[str, str]]:
    """Add up a day's texts of groups, None for all, by what became of them and by kind."""
    found = Counter[tuple[str, str]]()
    for (what, kind, group), many in counts.items():
        if kind in KINDS and (groups is None or group in groups):
            found[what, kind] += many
    return found


def tally_of(counts: Mapping[tuple[str, str], int], kind: str | None = None) -> Tally:
    """Add up counts, of one kind or of all."""
    whats = Counter[str]()
    for (what, each), many in counts.items():
        if kind is None or each == kind:
            whats[what] += many
    failed = whats["failed"] + whats["refused"]
    return Tally(whats["sent"], whats["delivered"], failed, whats["segments"], whats["refused"])


def _by_kind(counts: Mapping[tuple[str, str], int]) -> Iterable[tuple[str, Tally]]:
    return [(name, tally_of(counts, kind)) for kind, name in KINDS.items()]


def _failures() -> Iterator[Failed]:
    """The latest failures of growers who are theirs to see, as they were and as they are now."""
    found = [each for each in groups_here().failures() if may_see(each.group)][:FAILURES]
    loads = exchange_here().store.load_many([each.number for each in found])
    for failure, loaded in zip(found, loads, strict=True):
        if loaded.known is not None and may_see(loaded.grower.group):
            yield Failed(failure, loaded.grower)
