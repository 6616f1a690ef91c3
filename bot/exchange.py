"""One text in, one reply out: load, work the turn out, make it true, and again if it lost a race.

This is the line everything else serves. The webhooks, the phone in the terminal and the demo
all come through here, with two Redis round trips a text. A gateway's report on a text that was
sent is taken in the same way, many of them at once if they come so.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import TYPE_CHECKING
from uuid import uuid4
from zoneinfo import ZoneInfo

from msgspec.structs import replace

from bot import data
from bot.dialogue.acts import ASKED_FOR_HELP, NOT_ARRIVING, UNREACHABLE
from bot.dialogue.records import enqueue
from bot.dialogue.voice import Contacts
from bot.gateways.numbers import country_of
from bot.gateways.reading import Report
from bot.reminders.schedule import next_due
from bot.store.errors import StoreUnavailable
from bot.store.growers import Commit
from bot.store.texts import Line, joined, on_text, spoken_of
from bot.wording.gsm import segments

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from bot.dialogue.records import Channel, Grower
    from bot.dialogue.turn import Dialogue
    from bot.gateways.profiles import State
    from bot.settings import Settings
    from bot.store.growers import Loaded, Store
    from bot.store.texts import What

LONGEST_KEPT = 480
"""Characters kept of a grower's text, about three segments; a question is answered in one."""

FAILED_IN_A_ROW = 3
"""Texts in a row that did not arrive, after which a person should ring."""

MOST_RACES = 20
"""Turns worked out again for one text before giving up; each one lost means another text of
the same grower was answered meanwhile."""


def dialogue_of(settings: Settings) -> Dialogue:
    """Make the conversation with what the operator has set: numbers to call, figures, letters."""
    contacts = Contacts(settings.help_number, settings.poison_number)
    return data.dialogue(
        contacts,
        settings.district,
        settings.locales,
        settings.offered,
        settings.folded,
        settings.most_texts,
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
        self._countries = settings.answered

    def answers(self, number: str) -> bool:
        """Whether numbers of this one's country are answered; a reply abroad may cost a fortune."""
        return not self._countries or country_of(number) in self._countries

    def answer(  # noqa: PLR0913 - what is known of a text
        self,
        number: str,
        text: str,
        *,
        channel: Channel = "sms",
        message_id: str | None = None,
        queue: bool = False,
        gateway: str = "",
    ) -> Said:
        """Answer one text of one grower, once, however often it is delivered.

        With `queue` the replies are left to the sender, for gateways that take none in their
        own request. `gateway` is whose the request is, "" where there is only one. Raises
        StoreUnavailable; then nothing has happened and the gateway may deliver the text again.
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
                lines += _answered(turn.replies, channel, int(now), gateway)
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

    def receipt(  # noqa: PLR0913 - what a report says
        self,
        number: str,
        state: State,
        *,
        serial: int = 0,
        reference: str = "",
        reason: str = "",
        gateway: str = "",
    ) -> bool:
        """Take a gateway's report on one text; False if it is no news. See `receipts`."""
        report = Report(number, state, serial, reference=reference, reason=reason, gateway=gateway)
        return self.receipts([report]) == [report]

    def receipts(self, reports: Sequence[Report]) -> list[Report]:
        """Take a gateway's reports on texts, once, however often they come; return the news.

        However many there are, it takes two round trips; those on texts of one grower are taken
        one after the other. `number` must be E.164 in each.

        The text is named by its `serial`, or by the gateway's `reference` alone. What arrived has
        arrived: a failure reported after it is dropped, and an arrival reported after a failure
        takes its place, and takes back what the failure counted. A report may come before its
        text is known to have left: it is kept, and where the text cannot be told yet it counts
        as of no kind until the sender knows. Nothing is kept of an unknown number, of a serial
        that was never given out, or on a text that the gateway refused.

        "unreachable" ends all but direct replies until the grower writes, unless they have
        written since that text was sent, or a text sent later, or this one after all, arrives.
        Raises StoreUnavailable and RecordError; then some may have been taken, and all may be
        given again.
        """
        news: list[Report] = []
        left = [each for each in reports if each.state is not None]
        while left:
            firsts = {each.number: each for each in reversed(left)}
            left = [each for each in left if firsts[each.number] is not each]
            news += self._take_together(firsts)
        return news

    def _take_together(self, reports: Mapping[str, Report]) -> list[Report]:
        """Take a report of each number; return the news."""
        news: list[Report] = []
        for _ in range(MOST_RACES):
            asked = [(number, _receipt_id(each)) for number, each in reports.items()]
            read = self.store.load_with_lines(asked)
            changes = [
                change
                for each, (loaded, lines) in zip(reports.values(), read, strict=True)
                if (change := self._reported(each, loaded, lines))
            ]
            lost = set(self.store.commit_many(changes))
            news += [reports[each.number] for each in changes if each.number not in lost]
            reports = {number: each for number, each in reports.items() if number in lost}
            if not reports:
                return news
        raise StoreUnavailable(f"lost {MOST_RACES} races in a row; deliver the report again")

    def _reported(self, told: Report, loaded: Loaded, lines: Sequence[Line]) -> Commit | None:
        """Return what a report changes, None where it is no news."""
        known, serial = loaded.known, told.serial
        if known is None or loaded.replay is not None or serial > known.serial:
            return None
        now = self.clock()
        what: What = "delivered" if told.state == "delivered" else "failed"
        report = Line(
            int(now),
            what,
            serial=serial,
            reference=told.reference,
            reason=told.reason,
            gateway=told.gateway,
        )
        kept = [*lines, *_on_its_way(known, serial)]
        text, before = spoken_of(kept, report)
        if (text and text.what == "refused") or (before and before.what == "delivered"):
            return None
        report = on_text(report, text or before or report, (before,) if before else ())
        added = [] if before and before.what == what else [report]
        final = told.state == "unreachable" and not _heard_since(kept, text)
        grower = _after_report(known, joined([*kept, *added]), told.reason if final else None)
        if not added and grower == known:
            return None
        due = next_due(grower, self.settings, now)
        message_id = _receipt_id(told)
        return Commit(told.number, loaded, grower, due, message_id=message_id, lines=added)

    def compose(self, grower: Grower, today: date) -> Grower:
        """Put the reminder that is due into the texts to go out; the sender's way to the words."""
        return self.dialogue.remind(grower, today)

    def _today(self, grower: Grower) -> date:
        """The local day of a grower: farm dates are those of their own zone."""
        zone = ZoneInfo(grower.zone or self.settings.zone)
        return datetime.fromtimestamp(self.clock(), UTC).astimezone(zone).date()


def _answered(replies: tuple[str, ...], channel: Channel, now: int, gateway: str) -> list[Line]:
    """Lines of replies that went out with the answer to the gateway's own request."""
    if channel == "ussd":
        return [Line(now, "sent", "screen", each) for each in replies]
    return [
        Line(now, "sent", "reply", each, segments=segments(each), gateway=gateway)
        for each in replies
    ]


def _receipt_id(report: Report) -> str:
    """Return what a report is remembered by, as gateways give it none of their own."""
    whose = f"{report.gateway}/" if report.gateway and not report.serial else ""
    return f"receipt:{report.serial}:{whose}{report.reference}:{report.state}"


def _on_its_way(grower: Grower, serial: int) -> list[Line]:
    """The text with this serial as a line, if the sender has not yet said that it has left."""
    return [
        Line(each.at, "sent", each.kind, serial=serial, about=each.operation)
        for each in grower.waiting
        if each.serial == serial
    ]


def _heard_since(kept: Sequence[Line], text: Line | None) -> bool:
    """Whether the grower has written since this text was sent, and so has a phone that works."""
    return text is not None and any(each.what == "heard" for each in kept[kept.index(text) + 1 :])


def _after_report(grower: Grower, texts: Sequence[Line], final: str | None) -> Grower:
    """Return the grower as a report leaves them; `final` is why no text reaches the number.

    The texts are in the order they were sent, each with its last report.
    """
    if final is not None:
        asked = grower.trouble == ASKED_FOR_HELP  # the call is owed all the same
        trouble = grower.trouble if asked else UNREACHABLE
        return replace(grower, unreachable=final or UNREACHABLE, trouble=trouble)
    fates = [each.what for each in texts if each.what in {"delivered", "failed", "refused"}]
    last = fates[-FAILED_IN_A_ROW:]
    if last and last[-1] == "delivered":
        ours = {NOT_ARRIVING, UNREACHABLE, grower.unreachable}
        trouble = "" if grower.trouble in ours else grower.trouble
        return replace(grower, unreachable="", trouble=trouble)
    if len(last) == FAILED_IN_A_ROW and "delivered" not in last:
        return replace(grower, trouble=grower.trouble or NOT_ARRIVING)
    return grower
