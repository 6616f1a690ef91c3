"""What the commands of operators share: the way to the store, money, a name in the trail."""

from __future__ import annotations

import os
from contextlib import contextmanager
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from babel.numbers import format_currency

from bot.settings import Settings
from bot.store.connecting import reached
from bot.store.growers import Store

if TYPE_CHECKING:
    from collections.abc import Iterator
    from decimal import Decimal
    from pathlib import Path

WHO = "(command line)"
"""How the trail calls whoever may run commands here."""


def money(amount: Decimal, settings: Settings) -> str:
    """Write an amount of the operator's currency."""
    written: str = format_currency(amount, settings.currency, locale="en_GB")
    return written


@contextmanager
def opened_store(settings: Settings) -> Iterator[Store]:
    """Reach the Redis of REDIS_URL, or start the embedded one in the data folder."""
    with reached(settings.redis_url, settings.data) as client:
        yield Store(client, keep_texts=settings.keep_texts, zone=ZoneInfo(settings.zone))


@contextmanager
def store_of(file: Path | None) -> Iterator[tuple[Settings, Store]]:
    """Read the settings, from the environment and a file if one is given, and reach their store."""
    settings = Settings.read(os.environ, file)
    with opened_store(settings) as store:
        yield settings, store
