"""One text in, one reply out: load, work the turn out, make it true, and again if it lost a race.

This is the line everything else serves. The webhooks, the phone in the terminal and the demo
all come through here, with two Redis round trips a text.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import TYPE_CHECKING
from uuid import uuid4
from zoneinfo import ZoneInfo

from msgspec.structs import replace

from bot import data
from bot.dialogue.records import enqueue
from bot.dialogue.voice import Contacts
from bot.reminders.schedule import next_due
from bot.store.errors import StoreUnavailable
from bot.store.texts import Line
from bot.wording.gsm import segments

if TYPE_CHECKING:
    from collections.abc import Callable

    from bot.dialogue.records import Channel, Grower
    from bot.dialogue.turn import Dialogue
    from bot.settings import Settings
    from bot.store.growers import Store

LONGEST_KEPT = 480
"""Characters kept of a grower's text, about three segments; a question is answered in one."""

MOST_RACES = 20
"""Turns worked out again for one text before giving up; each one lost means another text of
the same grower was answered meanwhile."""


def dialogue_of(settings: Settings) -> Dialogue:
    """Make the conversation with what the operator has set: numbers to call, figures, letters."""
    contacts = Contacts(settings.help_number, settings.poison_number)
    return data.dialogue(
        contacts, settings.district, settings.locales, settings.offered, settings.folded
    )


@dataclass(frozen=True, slots=True)
class Said:
    """The reply to one text. `repeated` says that the text had been answered before."""

    replies: tuple[str, ...]
    more: bool
    repeated: bool = False


class Exchange:
    """Answers texts. `clock` gives UTC epoch seconds; it is the only clock there is."""

    def __init__(
        self, store: Store, dialogue: Dialogue, settings: Settings, clock: Callable[[], float]
    ) -> None:
        self.store = store
        self.dialogue = dialogue
        self.settings = settings
        self.clock = clock

    def answer(
        self,
        number: str,
        text: str,
        *,
        channel: Channel = "sms",
        message_id: str | None = None,
        queue: bool = False,
    ) -> Said:
        """Answer one text of one grower, once, however often it is delivered.

        With `queue` the replies are left to the sender, for gateways that take none in their
        own request. Raises StoreUnavailable; then nothing has happened and the gateway may
        deliver the text again.
        """
        # Should the answer to a commit be lost on its way, the id tells that it got through;
        # so a text that came without one is given one for these few tries.
        message_id = message_id or uuid4().hex
        for _ in range(MOST_RACES):
            loaded = self.store.load(number, message_id)
            if loaded.replay is not None:
                return Said(loaded.replay.replies, loaded.replay.more, repeated=True)
            turn = self.dialogue.turn(loaded.grower, text, self._today(loaded.grower), channel)
            if queue:
                turn = replace(turn, grower=enqueue(turn.grower, turn.replies, "reply"))
            now = self.clock()
            lines = [Line(int(now), "heard", channel, text[:LONGEST_KEPT])]
            if not queue:
                lines += _answered(turn.replies, channel, int(now))
            if self.store.commit(
                number,
                loaded,
                turn,
                due=next_due(turn.grower, self.settings, now),
                message_id=message_id,
                lines=lines,
            ):
                return Said(turn.replies, turn.more)
        raise StoreUnavailable(f"lost {MOST_RACES} races in a row; deliver the text again")

    def compose(self, grower: Grower, today: date) -> Grower:
        """Put the reminder that is due into the texts to go out; the sender's way to the words."""
        return self.dialogue.remind(grower, today)

    def _today(self, grower: Grower) -> date:
        """The local day of a grower: farm dates are those of their own zone."""
        zone = ZoneInfo(grower.zone or self.settings.zone)
        return datetime.fromtimestamp(self.clock(), UTC).astimezone(zone).date()


def _answered(replies: tuple[str, ...], channel: Channel, now: int) -> list[Line]:
    """Lines of replies that went out with the answer to the gateway's own request."""
    if channel == "ussd":
        return [Line(now, "sent", "screen", each) for each in replies]
    return [Line(now, "sent", "reply", each, segments=segments(each)) for each in replies]
