"""For people who write flows: a conversation in a test, without a phone, a clock or a Redis.

def test_a_bare_field_needs_no_clearing():
    phone = Conversation(today=date(2026, 3, 2), language="en")
    phone.say_all("1 acre", "yes", "none", "bare", "no", ...)
    assert any("go straight on" in text for text in phone.heard)
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from msgspec.structs import replace

from bot import data
from bot.dialogue.records import Channel, Grower, Waiting

if TYPE_CHECKING:
    from datetime import date

    from bot.dialogue.turn import Dialogue


class Conversation:
    """One grower's phone. `grower` is the record as it stands; `heard` all that was said to it."""

    def __init__(
        self,
        today: date,
        language: str = "",
        channel: Channel = "sms",
        dialogue: Dialogue | None = None,
    ) -> None:
        self.dialogue = dialogue or data.dialogue()
        self.today = today
        self.channel: Channel = channel
        self.grower = Grower(language=language)
        self.heard: list[str] = []
        self.open = False
        if language:
            self.say("")

    def say(self, text: str) -> str:
        """Send one text and return the reply, several texts joined by blank lines."""
        turn = self.dialogue.turn(self.grower, text, self.today, self.channel)
        self.grower, self.open = turn.grower, turn.more
        self.heard += turn.replies
        return "\n\n".join(turn.replies)

    def say_all(self, *texts: str) -> str:
        """Send texts one after the other and return the last reply."""
        return [self.say(text) for text in texts][-1]

    def wait_until(self, day: date) -> list[str]:
        """Let days pass and return the texts that the next reminder brings, if one is due."""
        self.today = day
        grower = self.dialogue.remind(self.grower, day)
        arrived = [each.body for each in self._new(grower)]
        self.heard += arrived
        self.grower = replace(grower, waiting=())
        return arrived

    def begin(self, flow: str, inviter: str = "") -> list[str]:
        """Begin a flow for the grower, as an agent does, and return the texts that it brings."""
        grower = self.dialogue.begin(self.grower, flow, self.today, inviter=inviter)
        arrived = [each.body for each in self._new(grower)]
        self.heard += arrived
        self.grower = replace(grower, waiting=self.grower.waiting)
        return arrived

    def report(
        self, operation: str, *, done: date | None = None, not_before: date | None = None
    ) -> None:
        """Report an operation for the grower, as an agent does."""
        self.grower = self.dialogue.report(
            self.grower, operation, self.today, done=done, not_before=not_before
        )

    def _new(self, grower: Grower) -> tuple[Waiting, ...]:
        return grower.waiting[len(self.grower.waiting) :]

    @property
    def last(self) -> str:
        """The last text that arrived."""
        return self.heard[-1]

    @property
    def question(self) -> str:
        """The state whose question stands, as "clearing.cover"; empty when none does."""
        session = self.grower.session
        return f"{session.flow}.{session.state}" if session else ""
