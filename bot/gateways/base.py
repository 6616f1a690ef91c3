"""What every gateway promises: a text is handed over and one of three things comes of it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol


@dataclass(frozen=True, slots=True)
class Outgoing:
    """A text to send. `to` is E.164.

    `id` stays the same when a text is sent again after a crash, so that a gateway that knows
    it can drop the repeat.
    """

    id: str
    to: str
    body: str


@dataclass(frozen=True, slots=True)
class Accepted:
    """A gateway took the text. `reference` is its own name for it, empty if it gave none.

    `gateway` is which of several it was, by the name of its profile.
    """

    reference: str = ""
    gateway: str = ""


@dataclass(frozen=True, slots=True)
class Deferred:
    """The gateway could not take the text now. `retry_after_s` is how long it asks to wait."""

    reason: str
    retry_after_s: float | None = None


@dataclass(frozen=True, slots=True)
class Refused:
    """The gateway will never take this text; `unreachable` where no text reaches the number."""

    reason: str
    unreachable: bool = False


Outcome = Accepted | Deferred | Refused


class Gateway(Protocol):
    """Anything that takes texts. Failures are outcomes: `send` does not raise for them."""

    def send(self, text: Outgoing) -> Outcome:
        """Hand over one text."""
        ...
