"""The gateway: it keeps the link to the peer, and hands texts over."""

from __future__ import annotations

import asyncio
import logging
import os
import random
import threading
import time
from collections import OrderedDict
from concurrent.futures import CancelledError, Future
from contextlib import nullcontext
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from bot.gateways.base import CLOSED_FIRST, Accepted, Deferred, Outcome, Outgoing, Refused
from bot.gateways.pace import Pace
from bot.gateways.profiles import ProfileError
from bot.gateways.smpp.inbox import Inbox
from bot.gateways.smpp.pdu import Message, Pdu, Status, bind_transceiver, first_string, submit_sm
from bot.gateways.smpp.receipts import Parts, plain_id
from bot.gateways.smpp.session import LinkLostError, NoAnswerError, Session, connect
from bot.gateways.smpp.texts import MOST_PARTS, encode, encode_whole, reference_of

if TYPE_CHECKING:
    from collections.abc import Awaitable, Callable, Mapping

    from bot.gateways.smpp.inbox import OnReceipts, OnText, OnUssd
    from bot.gateways.smpp.link import SmppLink
    from bot.gateways.smpp.session import Late
    from bot.gateways.smpp.texts import Encoded

log = logging.getLogger(__name__)

FIRST_RETRY_S, LONGEST_RETRY_S = 1.0, 300.0
"""Seconds until a lost link is tried again: doubled each time, and cut by up to half by chance,
so that many who lost their links at once do not all come back at once."""

TICK_S = 5.0
"""Seconds between looks for texts that have lacked a part for too long."""

MOST_PROGRESS = 10_000
"""Texts remembered of which the peer took a part, or may have."""

NOT_STARTED, CLOSED = "not started", "closed"

_PATIENCE = {Status.THROTTLED, Status.QUEUE_FULL}
_NEVER = {
    # What is wrong with these is in the text itself. Everything else passes, or is for the
    # operator to mend (a type of number, a right to send), and the texts wait for that.
    Status.INVALID_MESSAGE_LENGTH,
    Status.INVALID_COMMAND_LENGTH,
    Status.PERMANENT_APP_ERROR,
    Status.REJECTED_BY_APP,
}


@dataclass(frozen=True, slots=True)
class LinkStatus:
    """How the link is: bound, or why not, and how many texts wait for the peer's answer."""

    bound: bool
    reason: str
    in_flight: int


@dataclass(slots=True)
class _Progress:
    """What the peer has taken of a text: ids by the number of the part, from 0.

    `unanswered` are those parts to which an answer has failed to come.
    """

    body: str
    taken: dict[int, str] = field(default_factory=dict)
    unanswered: set[int] = field(default_factory=set)


class SmppGateway:
    """Sends and receives texts by an `SmppLink`, between `start` and `close`.

    Of a text that leaves: it is `Accepted` when the peer took every part, under the id of the
    first, and reported delivered when every part was. A part that was taken is not sent again
    when a later one is deferred, as long as this process lives; and since a text's parts always
    carry the same reference, a phone can tell even after that. With the link down a text is
    `Deferred` at once; when the peer asks for patience (ESME_RTHROTTLED, ESME_RMSGQFUL) it is
    `Deferred` and the pace halved for a while. So is one whose answer never came, though it may
    have arrived: sent again it may arrive twice, unless the answer comes late after all, for
    then the next try finds it and sends nothing. When the second answer fails to come as well the
    text is `Refused`, for a person to look at. An invalid destination is `Refused` for good.

    Of a text that comes: the peer is answered when `on_text` has returned. Where it raises, the
    peer is asked to deliver again (ESME_RX_T_APPN), which it does under the same id. Receipts and
    USSD steps likewise; a receipt may come twice, before the answer, or for a text unknown. Where
    `on_receipts` raises for several together, they are given again one by one.

    Texts with parts on their way in are kept in memory; `joining` says how long.

    `send` may be called by many threads. The callbacks run in threads of the gateway, several at
    once, but one after the other for any one number. `clock` and `sleep` are for tests. Raises
    `ProfileError` when `environ` lacks the password, or USSD is set up without `on_ussd`.
    """

    def __init__(  # noqa: PLR0913 - what it works with
        self,
        link: SmppLink,
        on_text: OnText,
        on_receipts: OnReceipts,
        on_ussd: OnUssd | None = None,
        *,
        environ: Mapping[str, str] = os.environ,
        clock: Callable[[], float] = time.monotonic,
        sleep: Callable[[float], Awaitable[None]] = asyncio.sleep,
    ) -> None:
        if link.ussd and on_ussd is None:
            raise ProfileError("the SMPP link has ussd, but nothing here answers it; leave it out")
        self._link = link
        self._binding = bind_transceiver(
            link.system_id, link.secret(environ), link.system_type, 0, 0
        )
        self._tls = link.tls_context()
        self._clock = clock
        self._sleep = sleep
        self._parts = Parts()
        self._inbox = Inbox(link, self._parts, self._send_screen, on_text, on_receipts, on_ussd)
        self._pace = Pace(link.rate)
        self._progress: OrderedDict[str, _Progress] = OrderedDict()
        self._reason = NOT_STARTED
        self._session: Session | None = None
        self._bound = threading.Event()
        self._gate = threading.Lock()  # keeps a text from being handed to a loop that is ending
        self._loop: asyncio.AbstractEventLoop | None = None
        self._stop = asyncio.Event()
        self._window = asyncio.Semaphore(link.window)
        self._thread: threading.Thread | None = None

    def start(self) -> None:
        """Begin to keep the link; the first try may still be under way when this returns."""
        if self._thread is not None:
            raise RuntimeError("the gateway has been started already")
        ready = threading.Event()
        self._thread = threading.Thread(
            target=asyncio.run, args=(self._main(ready),), name="smpp-link", daemon=True
        )
        self._thread.start()
        ready.wait()

    def close(self) -> None:
        """Finish what is in hand, take leave of the peer and end all threads."""
        if self._thread is None or self._loop is None:
            return
        if self._thread.is_alive():
            self._loop.call_soon_threadsafe(self._stop.set)
        self._thread.join()

    def wait_until_bound(self, timeout_s: float) -> bool:
        """Wait for the link; False if it is not there in time."""
        return self._bound.wait(timeout_s)

    @property
    def status(self) -> LinkStatus:
        """How the link is now."""
        session = self._session
        if session is None:
            return LinkStatus(bound=False, reason=self._reason, in_flight=0)
        return LinkStatus(bound=True, reason="", in_flight=session.in_flight)

    def send(self, text: Outgoing) -> Outcome:
        """Hand over one text and say what came of it; see the class for what is what."""
        try:
            return self.begin(text).result()
        except CancelledError:
            return CLOSED_FIRST

    def begin(self, text: Outgoing) -> Future[Outcome]:
        """Hand over one text without waiting; the future is cancelled if the link is closed."""
        with self._gate:
            if self._session is not None and self._loop is not None:
                return asyncio.run_coroutine_threadsafe(self._send(text), self._loop)
        down: Future[Outcome] = Future()
        down.set_result(Deferred(f"the SMPP link is down: {self._reason}", why="down"))
        return down

    # From here on everything happens in the loop.

    async def _main(self, ready: threading.Event) -> None:
        self._loop = asyncio.get_running_loop()
        self._inbox.start()
        tasks = [asyncio.create_task(self._keep_link()), asyncio.create_task(self._look_for_late())]
        ready.set()
        try:
            await self._stop.wait()
            with self._gate:
                session, self._session, self._reason = self._session, None, CLOSED
            self._bound.clear()
            await asyncio.to_thread(self._inbox.close)
            if session is not None:
                await session.unbind()
        finally:
            for task in tasks:
                task.cancel()
            await asyncio.gather(*tasks, return_exceptions=True)

    async def _keep_link(self) -> None:
        """Bind, and bind again after every loss, waiting longer the less the last one held."""
        tries = 0
        while True:
            began = self._clock()
            try:
                reason = await self._hold_link()
            except LinkLostError as error:
                reason = str(error)
            except Exception as error:
                reason = f"an error of our own: {type(error).__name__}"
                log.exception("the SMPP link failed")
            if self._stop.is_set():
                return
            self._session, self._reason = None, reason
            self._bound.clear()
            self._inbox.ids.link_lost(time.monotonic())
            held = self._clock() - began
            tries = 0 if held > LONGEST_RETRY_S else tries + 1
            wait = retry_delay(tries, random.random())  # noqa: S311 - no secret
            log.warning("the SMPP link is down, next try in %.1f s: %s", wait, reason)
            await self._sleep(wait)

    async def _hold_link(self) -> str:
        """Connect, bind and stay until the link ends; return why it did."""
        link = self._link
        reader, writer = await connect(link.host, link.port, self._tls, link.timeout_s)
        session = Session(reader, writer, link.timeout_s, self._deliver)

        def bound() -> None:
            if not self._stop.is_set():
                self._session = session
                self._bound.set()
                log.info("the SMPP link is bound")

        return await session.run(self._binding, link.enquire_s, bound)

    async def _look_for_late(self) -> None:
        while True:
            await asyncio.sleep(TICK_S)
            self._inbox.look_for_late()

    def _deliver(self, session: Session, pdu: Pdu) -> None:
        loop = asyncio.get_running_loop()

        def answer(pdu: Pdu, status: int) -> bool:
            loop.call_soon_threadsafe(session.answer, pdu.response(status))
            return session is self._session

        self._inbox.deliver(pdu, answer)

    async def _send(self, text: Outgoing) -> Outcome:
        """Send the parts of a text one after the other, those the peer has not taken yet."""
        if self._link.concatenation == "payload":
            parts = [encode_whole(text.body, self._link.alphabet)]
        else:
            parts = encode(text.body, self._link.alphabet, reference_of(text.id))
        if len(parts) > MOST_PARTS:
            return Refused(
                f"the text has {len(parts)} parts; {MOST_PARTS} is the most there can be"
            )
        progress = self._progress_of(text)
        with self._parts.sending(text.to) if len(parts) > 1 else nullcontext():
            for place, part in enumerate(parts):
                if place in progress.taken:
                    continue
                outcome = await self._send_part(text, part, place, len(parts), progress)
                if isinstance(outcome, Deferred) and outcome.why == "unknown":
                    if place not in progress.unanswered:
                        progress.unanswered.add(place)
                        return outcome
                    outcome = Refused(f"{outcome.reason}, and was sent twice")
                if isinstance(outcome, Deferred):
                    # Begun here, it cannot be another gateway's any more.
                    begun = progress.taken or progress.unanswered
                    return replace(outcome, why="unknown") if begun else outcome
                if isinstance(outcome, Refused):
                    break
            else:
                outcome = Accepted(progress.taken[0])
        self._progress.pop(text.id, None)
        return outcome

    def _progress_of(self, text: Outgoing) -> _Progress:
        """Return what is known of a text, which may have been tried before."""
        progress = self._progress.get(text.id)
        if progress is None or progress.body != text.body:
            progress = self._progress[text.id] = _Progress(text.body)
        while len(self._progress) > MOST_PROGRESS:
            self._progress.popitem(last=False)
        return progress

    async def _send_part(
        self, text: Outgoing, part: Encoded, place: int, total: int, progress: _Progress
    ) -> Outcome:
        def took(response: Pdu) -> None:
            """Note that the peer took this part, be it in time or late."""
            if response.status == Status.OK:
                reference = plain_id(first_string(response), hex_ids=self._link.hex_ids)
                progress.taken[place] = reference
                if total > 1:
                    self._parts.accepted(text.id, total, reference)

        response = await self._submit(self._message(text.to, part), took)
        if isinstance(response, Deferred):
            return response
        took(response)
        return self._outcome(response.status)

    def _message(self, to: str, part: Encoded) -> Message:
        link = self._link
        return Message(
            source=link.source,
            destination=to.removeprefix("+"),
            octets=part.octets,
            data_coding=part.data_coding,
            esm_class=part.esm_class,
            source_ton=link.source_ton,
            source_npi=link.source_npi,
            destination_ton=link.destination_ton,
            destination_npi=link.destination_npi,
            registered_delivery=link.registered_delivery,
        )

    async def _submit(self, message: Message, late: Late | None = None) -> Pdu | Deferred:
        """Send one submit_sm in its turn and wait for the answer."""
        timeout_s = self._link.timeout_s
        wait = self._pace.wait(self._clock(), timeout_s)
        if wait is None:
            return Deferred("the pace agreed with the peer leaves no room now", timeout_s, "busy")
        if wait:
            await asyncio.sleep(wait)
        try:
            # A timeout of its own costs more than all else here, so it is for who has to wait.
            async with asyncio.timeout(timeout_s) if self._window.locked() else nullcontext():
                await self._window.acquire()
        except TimeoutError:
            return Deferred(
                f"{self._link.window} texts are waiting for the peer already", why="busy"
            )
        try:
            if self._session is None:
                return Deferred(f"the SMPP link is down: {self._reason}", why="down")
            return await self._session.request(submit_sm(message), late)
        except LinkLostError as error:
            return Deferred(f"the SMPP link is down: {error}", why="down")
        except NoAnswerError as error:
            return Deferred(f"{error}; the text may have arrived", why="unknown")
        finally:
            self._window.release()

    def _outcome(self, status: int) -> Outcome:
        if status == Status.OK:
            return Accepted()
        reason = f"the peer answered {status:#010x}"
        if status in _PATIENCE:
            self._pace.throttled(self._clock())
            return Deferred(f"{reason}: it asks for patience")
        if status == Status.INVALID_DESTINATION:
            return Refused(f"{reason}: no such number", unreachable=True)
        return Refused(reason) if status in _NEVER else Deferred(reason)

    def _send_screen(self, screen: Message) -> None:
        """Send a USSD screen from a lane. One that is lost ends its session, and nothing else."""

        async def send() -> None:
            response = await self._submit(screen)
            if isinstance(response, Deferred):
                log.warning("a USSD screen was not sent: %s", response.reason)
            elif response.status != Status.OK:
                log.warning("a USSD screen was refused: status %#010x", response.status)

        if self._loop is not None:
            asyncio.run_coroutine_threadsafe(send(), self._loop)


def retry_delay(tries: int, chance: float) -> float:
    """Return the seconds to wait after so many links in a row (1 or more) that did not hold."""
    longest = min(LONGEST_RETRY_S, FIRST_RETRY_S * (1 << min(max(tries, 1) - 1, 16)))
    return longest * (1 - chance / 2)
