"""What arrives by a gateway that speaks to us in no web request: SMPP, a modem.

Whatever cannot be taken now raises StoreUnavailable, and the gateway gives it again.
"""

from __future__ import annotations

import logging
from dataclasses import replace
from typing import TYPE_CHECKING

from bot.gateways.numbers import NumberReader, masked

if TYPE_CHECKING:
    from collections.abc import Sequence

    from bot.exchange import Exchange
    from bot.gateways.reading import Report

log = logging.getLogger(__name__)


class Receiver:
    """Takes texts, reports on texts, and steps of USSD sessions for an exchange.

    Numbers are as the gateway wrote them; those that cannot be one are logged and dropped.
    """

    def __init__(self, exchange: Exchange) -> None:
        self._exchange = exchange
        self._read_number = NumberReader(exchange.settings.country)

    def text(self, number: str, text: str, message_id: str | None) -> None:
        """Take a text; its replies are left to the sender."""
        if e164 := self._answered(number, "a text"):
            self._exchange.answer(e164, text, message_id=message_id, queue=True)

    def reports(self, told: Sequence[Report]) -> None:
        """Take reports on texts that were sent, all in two trips to the store."""
        read = [(each, self._read(each.number, "a report")) for each in told]
        self._exchange.receipts([replace(each, number=e164) for each, e164 in read if e164])

    def step(self, session: str, number: str, text: str) -> tuple[str, bool]:
        """Answer a step of a USSD session with a screen, and whether the session goes on.

        The session's name says nothing of which step it is, so a step that is given again is
        answered as a new one, as it would be by a phone that was dialled again.
        """
        e164 = self._answered(number, "a USSD step")
        if e164 is None:
            return "", False
        said = self._exchange.answer(e164, text, channel="ussd")
        log.debug("session %s of %s", session, masked(e164))
        return said.replies[0], said.more

    def _answered(self, number: str, what: str) -> str | None:
        """Read a number; None, too, for one of a country that is not answered."""
        e164 = self._read(number, what)
        if e164 is None or self._exchange.answers(e164):
            return e164
        log.warning("%s of %s, whose country is not answered", what, masked(e164))
        return None

    def _read(self, number: str, what: str) -> str | None:
        e164 = self._read_number(number)
        if e164 is None:
            log.warning("%s came from %s, which is no phone number", what, masked(number))
        return e164
