"""Numbers of countries that are not named get nothing by SMPP or a modem either."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from bot.exchange import Exchange, dialogue_of
from bot.receiving import Receiver
from bot.settings import Settings, SettingsError

if TYPE_CHECKING:
    from bot.store.growers import Store

HOME, ABROAD = "+255655000001", "+18765550123"


def receiver(store: Store, countries: str) -> Receiver:
    settings = Settings(countries=countries)
    return Receiver(Exchange(store, dialogue_of(settings), settings, lambda: 1_772_434_800.0))


def test_a_text_from_abroad_is_not_taken_and_a_step_ends(store: Store) -> None:
    named = receiver(store, "TZ, KE")
    for number in (HOME, ABROAD):
        named.text(number, "hello", None)
    assert store.load(HOME).grower.waiting
    assert store.load(ABROAD).known is None
    assert named.step("s", ABROAD, "") == ("", False)
    assert named.step("s", HOME, "")[0]


def test_where_no_country_is_named_a_text_from_abroad_is_taken(store: Store) -> None:
    receiver(store, "").text(ABROAD, "hello", None)
    assert store.load(ABROAD).grower.waiting


@pytest.mark.parametrize("countries", ["TZ,Kenya", "tz", "TZ;KE"])
def test_what_is_no_country_is_an_error_that_names_it(countries: str) -> None:
    with pytest.raises(SettingsError, match="countries has"):
        Settings(countries=countries)
