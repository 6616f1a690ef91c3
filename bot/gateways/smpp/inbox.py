"""What the peer delivers: texts, receipts and USSD steps, each taken and only then answered.

Lanes are threads that call whoever takes them. The texts and steps of one number go down one lane,
so their order stays. Receipts have a lane to themselves, in which those that wait are taken
together. The session's own thread never waits for a lane.

Source: SMPP v3.4 Issue 1.2, sections 4.6 (deliver_sm), 5.3.2.43 (its_session_info) and 5.3.2.44
(ussd_service_op).
"""

from __future__ import annotations

import logging
import queue
import threading
import time
import zlib
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, TypeVar

from bot.gateways.numbers import masked
from bot.gateways.reading import Report
from bot.gateways.smpp.joining import Ids, Joiner, part_of
from bot.gateways.smpp.pdu import Message, Pdu, Status, Tag, read_deliver_sm
from bot.gateways.smpp.receipts import is_text, read_receipt
from bot.gateways.smpp.texts import decode, encode_whole

if TYPE_CHECKING:
    from collections.abc import Callable

    from bot.gateways.smpp.joining import Whole
    from bot.gateways.smpp.link import SmppLink
    from bot.gateways.smpp.receipts import Parts

    OnText = Callable[[str, str, str], object]
    """Takes a text: the number as the peer wrote it, the text, an id."""
    OnReceipts = Callable[[list[Report]], object]
    """Takes receipts that came together, in the order they came."""
    OnUssd = Callable[[str, str, str], tuple[str, bool]]
    """Takes a step: the session, the number, what was entered; gives a screen, and whether the
    session goes on."""
    Answer = Callable[[Pdu, int], bool]
    """Answers a delivery with a status; False where the link has gone."""
    Job = Callable[[], None]

log = logging.getLogger(__name__)

Item = TypeVar("Item")

LANES = 4
LANE_ROOM = 500
"""Deliveries that may wait in a lane; the peer is asked to keep the others."""

TOGETHER, ROOM = 64, 2000
"""Receipts that are taken together, if so many wait; and that may wait."""

LINGER_S = 0.005
"""Seconds that a receipt is left for others to come: one trip to a store takes many as well."""

PATIENCE_S = 2.0
"""Seconds a receipt waits for the answer it may have overtaken."""

INTERNATIONAL = 1
"""The type of number of a number with its country's code (section 5.2.5)."""

_BEGIN = {0, 1}
"""PSSD and PSSR indication: someone has dialled the code."""
_NOTIFIED = {19}
"""USSN confirm: a notice has been read, and nobody waits for a screen."""
_ASK, _LAST = 2, 17
"""USSR request and PSSR response: a screen that waits for an entry, and one that ends it all."""
_PSSD_INDICATION, _PSSD_RESPONSE = b"\0", 16
"""Someone has sent data that take one answer, and that answer."""
USSD = "USSD"


@dataclass(frozen=True, slots=True)
class _Reported:
    """A receipt, or another report, as it was delivered."""

    message: Message
    pdu: Pdu
    answer: Answer


class Inbox:
    """Takes deliveries. `send` hands a screen to the peer.

    `deliver` is called in the session's thread, the rest of it happens in the lanes.
    """

    def __init__(  # noqa: PLR0913, PLR0917 - what it works with
        self,
        link: SmppLink,
        parts: Parts,
        send: Callable[[Message], None],
        on_text: OnText,
        on_receipts: OnReceipts,
        on_ussd: OnUssd | None,
    ) -> None:
        self._link = link
        self._parts = parts
        self._send = send
        self._on_text = on_text
        self._on_receipts = on_receipts
        self._on_ussd = on_ussd
        self._joiner = Joiner()
        self.ids = Ids()
        self._lanes: list[queue.Queue[Job | None]] = []
        self._reported: queue.Queue[_Reported | None] = queue.Queue(ROOM)
        self._threads: list[threading.Thread] = []

    def start(self) -> None:
        """Open the lanes."""
        self._lanes = [queue.Queue(LANE_ROOM) for _ in range(LANES)]
        self._threads = [
            threading.Thread(target=_work, args=[lane], name=f"smpp-lane-{place}", daemon=True)
            for place, lane in enumerate(self._lanes)
        ]
        self._reported = queue.Queue(ROOM)
        self._threads.append(
            threading.Thread(target=self._work_reports, name="smpp-receipts", daemon=True)
        )
        for thread in self._threads:
            thread.start()

    def close(self) -> None:
        """Let the lanes finish what they hold, and end them."""
        lanes, self._lanes = self._lanes, []
        for lane in lanes:
            lane.put(None)
        self._reported.put(None)
        for thread in self._threads:
            thread.join()

    def deliver(self, pdu: Pdu, answer: Answer) -> None:
        """Take a deliver_sm and answer it, now or later."""
        message = read_deliver_sm(pdu)
        if message is None:
            log.warning("the peer delivered what cannot be read: %d octets", len(pdu.body))
            answer(pdu, Status.PERMANENT_APP_ERROR)
            return
        if self._is_step(message) or is_text(message):
            taken = self._put(message.source, partial(self._take, message, pdu, answer))
        else:
            taken = bool(self._lanes) and _put(self._reported, _Reported(message, pdu, answer))
        if not taken:
            answer(pdu, Status.TEMPORARY_APP_ERROR)

    def look_for_late(self) -> None:
        """Take the texts that have lacked a part for too long."""
        for whole in self._joiner.late(time.monotonic()):
            # A full lane, or a failure, leaves it with the joiner until the next look.
            self._put(whole.first.source, lambda whole=whole: self._take_late(whole))  # type: ignore[misc]

    def _put(self, number: str, job: Job) -> bool:
        return bool(self._lanes) and _put(self._lanes[zlib.crc32(number.encode()) % LANES], job)

    def _work_reports(self) -> None:
        """Take receipts until they end; those that come together are taken together."""
        ended = False
        while not ended and (first := self._reported.get()) is not None:
            reported = [first]
            if self._reported.empty():
                time.sleep(LINGER_S)
            while len(reported) < TOGETHER and not self._reported.empty():
                more = self._reported.get()
                if more is None:
                    ended = True
                    break
                reported.append(more)
            self._take_reports(reported)

    def _take(self, message: Message, pdu: Pdu, answer: Answer) -> None:
        """Take a text or a step, and answer it by what came of that."""
        number = _number(message)
        try:
            if self._is_step(message):
                self._take_step(message, number)
            else:
                self._take_text(message, number, pdu.body)
        except Exception as error:  # noqa: BLE001 - whatever it is, the peer still has it
            _leave(pdu, answer, number, error)
            return
        self.ids.answered(pdu.body, time.monotonic())
        if not answer(pdu, Status.OK):
            self.ids.unheard(pdu.body)

    def _take_text(self, message: Message, number: str, body: bytes) -> None:
        part = part_of(message)
        if part.total == 1:
            text = decode(part.octets, message.data_coding, self._link.alphabet)
            self._on_text(number, text, self.ids.of(body, time.monotonic()))
            return
        for whole in self._joiner.take(message, part, time.monotonic()):
            self._take_whole(whole)

    def _take_late(self, whole: Whole) -> None:
        try:
            if not whole.taken:
                self._take_whole(whole)
        except Exception as error:  # it is tried again at the next look
            log.warning(
                "a text without all its parts could not be taken yet: %r", error, exc_info=True
            )

    def _take_whole(self, whole: Whole) -> None:
        self._on_text(_number(whole.first), whole.text(self._link.alphabet), whole.id)
        self._joiner.taken(whole)

    def _take_reports(self, reported: list[_Reported]) -> None:
        """Take reports, and answer each by what came of it."""
        try:
            news = [report for each in reported if (report := self._read_report(each.message))]
            if news:
                self._on_receipts(news)
        except Exception as error:  # noqa: BLE001 - likewise
            if len(reported) > 1:
                # One that cannot be taken must not keep the others from it.
                for each in reported:
                    self._take_reports([each])
                return
            (one,) = reported
            _leave(one.pdu, one.answer, _number(one.message), error)
            return
        for each in reported:
            each.answer(each.pdu, Status.OK)

    def _read_report(self, message: Message) -> Report | None:
        """Read a receipt; None for what says nothing yet of what became of a text."""
        number = _number(message)
        receipt = read_receipt(
            message, number, self._link.unreachable_errors, hex_ids=self._link.hex_ids
        )
        if receipt is None:
            log.info("a report from %s that is no receipt was left aside", masked(number))
            return None
        told = self._parts.whole(receipt, PATIENCE_S)
        if told.state is None:
            return None
        return Report(number, told.state, reference=told.reference, reason=told.reason)

    def _is_step(self, message: Message) -> bool:
        if not self._link.ussd:
            return False
        return message.tag(Tag.USSD_SERVICE_OP) is not None or message.service_type == USSD

    def _take_step(self, message: Message, number: str) -> None:
        """Take a USSD step and answer it with a screen (section 5.3.2.44)."""
        op = message.tag(Tag.USSD_SERVICE_OP)
        info = message.tag(Tag.ITS_SESSION_INFO) or b""
        ended = bool(info[1:2] and info[1] & 1)
        if self._on_ussd is None or ended or (op and op[0] in _NOTIFIED):
            return
        entered = decode(message.octets, message.data_coding, self._link.alphabet).strip()
        dialled = op[0] in _BEGIN if op else entered.startswith("*") and entered.endswith("#")
        session = f"{number}/{info[0]}" if info else number
        screen, more = self._on_ussd(session, number, "" if dialled else entered)
        self._send(self._screen(message, screen, more=more))

    def _screen(self, step: Message, text: str, *, more: bool) -> Message:
        """Return the message that answers a step, addressed the other way round."""
        encoded = encode_whole(text, self._link.alphabet)
        tags = []
        if self._link.ussd != "service_type":
            last = _PSSD_RESPONSE if step.tag(Tag.USSD_SERVICE_OP) == _PSSD_INDICATION else _LAST
            tags.append((int(Tag.USSD_SERVICE_OP), bytes([_ASK if more else last])))
        if info := step.tag(Tag.ITS_SESSION_INFO):
            # The second octet counts the steps in its upper bits, and the lowest ends the session.
            count = ((info[1] if info[1:] else 0) & 0xFE) + 2 & 0xFE
            tags.append((int(Tag.ITS_SESSION_INFO), bytes([info[0], count | (not more)])))
        return Message(
            source=step.destination,
            destination=step.source,
            octets=encoded.octets,
            data_coding=encoded.data_coding,
            source_ton=step.destination_ton,
            source_npi=step.destination_npi,
            destination_ton=step.source_ton,
            destination_npi=step.source_npi,
            service_type="" if self._link.ussd == "op" else USSD,
            tags=tuple(tags),
        )


def _work(lane: queue.Queue[Job | None]) -> None:
    """Do what a lane holds until it ends; jobs see to their own failures."""
    while (job := lane.get()) is not None:
        job()


def _put(lane: queue.Queue[Item | None], item: Item) -> bool:
    """Put something into a lane; False where that is full."""
    try:
        lane.put_nowait(item)
    except queue.Full:
        return False
    return True


def _leave(pdu: Pdu, answer: Answer, number: str, error: Exception) -> None:
    """Leave a delivery with the peer, which will give it again."""
    log.warning(
        "a delivery from %s is left with the peer: %r", masked(number), error, exc_info=error
    )
    answer(pdu, Status.TEMPORARY_APP_ERROR)


def _number(message: Message) -> str:
    international = message.source_ton == INTERNATIONAL and not message.source.startswith("+")
    return f"+{message.source}" if international else message.source
