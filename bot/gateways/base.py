"""What every gateway promises: a text is handed over and one of three things comes of it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, Protocol, runtime_checkable

if TYPE_CHECKING:
    from concurrent.futures import Future


@dataclass(frozen=True, slots=True)
class Outgoing:
    """A text to send. `to` is E.164.

    `id` stays the same when a text is sent again after a crash, so that a gateway that knows
    it can drop the repeat. `gateway` names the one that may have taken it already: it goes to no
    other.
    """

    id: str
    to: str
    body: str
    gateway: str = ""


@dataclass(frozen=True, slots=True)
class Accepted:
    """A gateway took the text. `reference` is its own name for it, empty if it gave none.

    `gateway` is which of several it was, by the name of its profile.
    """

    reference: str = ""
    gateway: str = ""


Why = Literal["later", "down", "busy", "unknown"]


@dataclass(frozen=True, slots=True)
class Deferred:
    """The gateway did not say that it took the text. `retry_after_s` is how long it asks to wait.

    `why` tells what is known. "later": it was asked, and did not take it. "down": it could not be
    reached, so it was not even asked. "busy": it takes no more at this moment, and was not asked.
    "unknown": it may have taken it, so the text may go to no other gateway than this, `gateway`.
    """

    reason: str
    retry_after_s: float | None = None
    why: Why = "later"
    gateway: str = ""


CLOSED_FIRST = Deferred(
    "the gateway was closed before it answered; the text may have arrived", why="unknown"
)
"""What comes of a text whose `begin` was cancelled."""


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


@runtime_checkable
class Begins(Gateway, Protocol):
    """A gateway that need not be waited for, so that one thread keeps many texts under way."""

    def begin(self, text: Outgoing) -> Future[Outcome]:
        """Hand over one text; cancelled where it was closed before the answer."""
        ...
