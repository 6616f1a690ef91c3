"""A phone in the terminal: what `fieldbell talk` is."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click
from msgspec.structs import replace

from bot.gateways.loopback import LoopbackGateway
from bot.reminders.schedule import next_due
from bot.reminders.sender import Sender

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from bot.dialogue.records import Channel
    from bot.exchange import Exchange
    from bot.gateways.loopback import Delivered

REPLY = "< "
SENT = "> "


class Phone:
    """One phone number's side of the conversation. `language` is given to a new number."""

    def __init__(
        self, exchange: Exchange, number: str, channel: Channel, language: str | None = None
    ) -> None:
        self.exchange = exchange
        self.number = number
        self.channel: Channel = channel
        gateway = LoopbackGateway(exchange.clock, self._arrives)
        self._sender = Sender(
            exchange.store, gateway, exchange.compose, exchange.settings, exchange.clock
        )
        self._show: Callable[[str], object] = click.echo
        if language is not None:
            self._speaks(language)

    def _speaks(self, language: str) -> None:
        loaded = self.exchange.store.load(self.number)
        if not loaded.grower.language:
            grower = replace(loaded.grower, language=language)
            due = next_due(grower, self.exchange.settings)
            self.exchange.store.commit(self.number, loaded, grower, due=due)

    def interactive(self) -> None:
        """Read texts from the keyboard until end of file."""
        click.echo(f"{self.number} ({self.channel}). Type a text; Ctrl-D puts the phone away.")
        self._begin()
        while True:
            try:
                text = input(SENT)
            except (EOFError, KeyboardInterrupt):
                click.echo()
                return
            self._send(text)

    def piped(self, lines: Iterable[str], show: Callable[[str], object]) -> None:
        """Send each line as a text, showing both sides."""
        self._show = show
        self._begin()
        for line in lines:
            text = line.rstrip("\r\n")
            show(f"{SENT}{text}")
            self._send(text)

    def _begin(self) -> None:
        """Let what is due arrive; on USSD, dial."""
        self._receive()
        if self.channel == "ussd":
            self._send("")

    def _send(self, text: str) -> None:
        said = self.exchange.answer(self.number, text, channel=self.channel)
        for reply in said.replies:
            self._print(reply)
        self._receive()

    def _receive(self) -> None:
        """Take this number's due texts only: other numbers' are not ours to deliver."""
        loaded = self.exchange.store.load(self.number)
        due = next_due(loaded.grower, self.exchange.settings)
        if due is not None and due <= self.exchange.clock():
            self._sender.deliver(self.number)

    def _arrives(self, delivered: Delivered) -> None:
        self._print(delivered.text.body)

    def _print(self, text: str) -> None:
        first, *others = text.split("\n")
        self._show("\n".join([f"{REPLY}{first}", *(f"  {line}" for line in others)]))
