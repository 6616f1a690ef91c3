"""The command `fieldbell spending`: what a month's texts cost, and what is left of the ceiling."""

from __future__ import annotations

import sys
from time import time
from typing import TYPE_CHECKING

import click

from bot.commands import money, store_of
from bot.enrolment.exporting import exporting
from bot.reminders.spending import KINDS, bill, month_at, own_gateways
from bot.store.spending import Spending

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime
    from decimal import Decimal
    from pathlib import Path

    from bot.reminders.spending import Bill
    from bot.settings import Settings
    from bot.store.spending import Sent

COLUMNS = ("Month", "Gateway", "Language", "Kind", "Texts", "Segments", "Cost", "Currency")
"""The columns of the CSV; its languages and kinds are codes."""

WORDS = 3
"""The first columns of the table; those after them are numbers."""


@click.command()
@click.option(
    "--month", "wanted", type=click.DateTime(["%Y-%m"]), help="A month gone by, such as 2026-03."
)
@click.option("--csv", "as_csv", is_flag=True, help="Write a table for a spreadsheet.")
@click.pass_obj
def spending(
    file: Path | None,
    wanted: datetime | None,
    as_csv: bool,  # noqa: FBT001 - click's own
) -> None:
    """Print what this month's texts cost, by gateway, language and kind.

    Months are those of the operator's zone, and kept for two years. A reply that a gateway takes
    in the answer to its own request is counted; a screen of USSD is not, as it has no segments.
    """
    with store_of(file) as (settings, store):
        this = month_at(time(), settings)
        month = wanted.date().isoformat()[:7] if wanted else this
        found = bill(Spending(store.redis), month, settings)
    if as_csv:
        _write(found, month, settings)
    else:
        lines = [*_table(found, month, settings)]
        # Today's ceiling says nothing of a month gone by.
        lines += _of_ceiling(found, settings) if month == this else []
        click.echo("\n".join(lines))
    for warning in _warnings(found, month, this, settings):
        click.echo(warning, err=True)


def _table(found: Bill, month: str, settings: Settings) -> list[str]:
    if not found.rows:
        return [f"Nothing was sent in {month}."]
    rows: list[Sequence[str]] = [("gateway", "language", "kind", "texts", "segments", "cost")]
    for each in found.rows:
        gateway, language, kind = each.sort
        named = gateway, language or "none yet", KINDS.get(kind, kind)
        rows.append((*named, *_amounts(each.sent, each.cost, settings)))
    rows.append(("together", "", "", *_amounts(found.sent, found.cost, settings)))
    if not (settings.segment_price or settings.prices):
        rows = [row[:-1] for row in rows]
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    return ["  ".join(_cells(row, widths)).rstrip() for row in rows]


def _amounts(sent: Sent, cost: Decimal, settings: Settings) -> tuple[str, str, str]:
    return f"{sent.texts:,}", f"{sent.segments:,}", money(cost, settings)


def _cells(row: Sequence[str], widths: Sequence[int]) -> list[str]:
    padded = enumerate(zip(row, widths, strict=True))
    return [text.ljust(w) if place < WORDS else text.rjust(w) for place, (text, w) in padded]


def _of_ceiling(found: Bill, settings: Settings) -> list[str]:
    if not found.ceiling:
        return []
    ceiling, left = money(found.ceiling, settings), money(found.left, settings)
    return [f"ceiling {ceiling}, left {left}; {found.percent}% is spent"]


def _write(found: Bill, month: str, settings: Settings) -> None:
    with exporting(sys.stdout.buffer, "csv", COLUMNS) as write:
        for each in found.rows:
            amounts = (
                each.sent.texts,
                each.sent.segments,
                f"{each.cost.normalize():f}",
                settings.currency,
            )
            write((month, *each.sort, *amounts))


def _warnings(found: Bill, month: str, this: str, settings: Settings) -> list[str]:
    """Say what somebody should look at: a ceiling that is near, a price that nothing is paid by."""
    said = []
    if month == this and found.warns and found.left:
        said.append("The ceiling is near: when it is reached, rounds are paused.")
    elif month == this and found.warns:
        said.append("The ceiling is reached: rounds are paused. All other texts go out.")
    used = {each.sort.gateway for each in found.rows} | {*own_gateways(settings)}
    said += [
        f"gateway_prices names {name!r}, by which nothing went in {month}; is that its name?"
        for name in settings.prices
        if name not in used
    ]
    return said
