"""One SMPP session: a connection that is bound, and what goes over it until it ends.

It lives in an asyncio loop, which knows how to read a stream that arrives in pieces, how to speak
TLS and how to give up waiting. Requests go out by sequence number, so that any number of them may
wait for their responses at once, whatever order those come in.

Source: SMPP v3.4 Issue 1.2, sections 3.2 (the header), 4.1 (bind), 4.2 (unbind), 4.3
(generic_nack) and 4.11 (enquire_link); these numbers from memory.
"""

from __future__ import annotations

import asyncio
import logging
from contextlib import suppress
from dataclasses import replace
from typing import TYPE_CHECKING

from bot.gateways.smpp.pdu import (
    HEADER,
    MOST_SEQUENCE,
    RESPONSE,
    Command,
    MalformedError,
    Pdu,
    Status,
    body_length,
    read,
)

if TYPE_CHECKING:
    import ssl
    from collections.abc import Callable

    Late = Callable[[Pdu], None]

log = logging.getLogger(__name__)

MOST_UNREAD = 1_000_000
"""Octets the peer may leave unread before the link is given up."""

UNBIND_S = 3.0
"""Seconds the peer has to answer a farewell."""

CLOSE_S = 1.0
"""Seconds the peer has to read what was written last."""

MOST_LATE = 10_000
"""Requests without a response that are remembered in case it comes after all."""


class LinkLostError(Exception):
    """The link cannot be used; the message says why."""


class NoAnswerError(Exception):
    """A request got no response in time; whether it was carried out is not known."""


class Session:
    """A connection to the peer, open until `run` returns.

    `on_deliver` is called with each deliver_sm, within the loop; whoever takes it answers it.
    """

    def __init__(
        self,
        reader: asyncio.StreamReader,
        writer: asyncio.StreamWriter,
        timeout_s: float,
        on_deliver: Callable[[Session, Pdu], None],
    ) -> None:
        self._reader = reader
        self._writer = writer
        self._timeout_s = timeout_s
        self._on_deliver = on_deliver
        self._sequence = 0
        self._waiting: dict[int, tuple[int, asyncio.Future[Pdu]]] = {}
        self._late: dict[int, Late] = {}
        self._over: asyncio.Future[str] = asyncio.get_running_loop().create_future()

    @property
    def in_flight(self) -> int:
        """How many requests wait for their responses."""
        return len(self._waiting)

    async def run(self, binding: Pdu, enquire_s: float, bound: Callable[[], None]) -> str:
        """Bind, call `bound`, keep the link until it ends and return why it did.

        Raises `LinkLostError` where the peer refuses to bind.
        """
        reading = asyncio.create_task(self._read())
        keeping = asyncio.create_task(self._bind_and_enquire(binding, enquire_s, bound))
        try:
            await asyncio.wait({reading, keeping, self._over}, return_when=asyncio.FIRST_COMPLETED)
            if self._over.done():
                return self._over.result()
            # A peer that refuses to bind says so, and then hangs up.
            return (keeping if keeping.done() else reading).result()
        finally:
            for task in (reading, keeping):
                task.cancel()
            await asyncio.gather(reading, keeping, return_exceptions=True)
            await self._close()

    async def request(self, pdu: Pdu, late: Late | None = None) -> Pdu:
        """Send a request and wait for its response.

        Raises `NoAnswerError` when there is none in time, or the link ended before it; then
        `late` is called should it come after all. Raises `LinkLostError` when nothing was sent.
        """
        if self._over.done() or self._writer.is_closing():
            raise LinkLostError("the link has just been lost")
        self._sequence = self._sequence % MOST_SEQUENCE + 1
        sequence = self._sequence
        response: asyncio.Future[Pdu] = asyncio.get_running_loop().create_future()
        self._waiting[sequence] = (pdu.command, response)
        self._writer.write(replace(pdu, sequence=sequence).write())
        try:
            async with asyncio.timeout(self._timeout_s):
                return await response
        except TimeoutError:
            if late is not None and len(self._late) < MOST_LATE:
                self._late[sequence] = late
            raise NoAnswerError(f"no answer within {self._timeout_s:g} s") from None
        finally:
            self._waiting.pop(sequence, None)

    def answer(self, response: Pdu) -> bool:
        """Send a response; False where the link has ended and nobody will hear it."""
        if self._over.done() or self._writer.is_closing():
            return False
        self._writer.write(response.write())
        if self._writer.transport.get_write_buffer_size() > MOST_UNREAD:
            self.end("the peer does not read what it is sent")
        return True

    def end(self, reason: str) -> None:
        """End the session; `run` returns the reason."""
        if not self._over.done():
            self._over.set_result(reason)

    async def unbind(self) -> None:
        """Take leave (section 4.2): what is in flight is waited for, then the peer is told."""
        with suppress(TimeoutError, LinkLostError, NoAnswerError):
            async with asyncio.timeout(self._timeout_s):
                while self._waiting:
                    await asyncio.wait([future for _, future in self._waiting.values()])
            async with asyncio.timeout(UNBIND_S):
                await self.request(Pdu(Command.UNBIND, 0, 0))
        self.end("closed")

    async def _bind_and_enquire(
        self, binding: Pdu, enquire_s: float, bound: Callable[[], None]
    ) -> str:
        try:
            response = await self.request(binding)
            if response.status != Status.OK:
                raise LinkLostError(f"the peer refused to bind: status {response.status:#x}")
            bound()
            while True:
                await asyncio.sleep(enquire_s)
                await self.request(Pdu(Command.ENQUIRE_LINK, 0, 0))
        except NoAnswerError as error:
            return f"the peer is silent: {error}"

    async def _read(self) -> str:
        """Read PDUs until there are none; whatever the peer sends, no more than the link ends."""
        first = b""
        try:
            while True:
                first = await self._reader.readexactly(HEADER.size)
                length = body_length(first)
                async with asyncio.timeout(self._timeout_s if length else None):
                    body = await self._reader.readexactly(length)
                if reason := self._take(read(first, body)):
                    return reason
        except MalformedError as error:
            # Where the next PDU would begin is not known, so there is no going on.
            self.answer(read(first, b"").nack(Status.INVALID_COMMAND_LENGTH))
            return f"the peer sent no SMPP: {error}"
        except TimeoutError:
            return "the peer stopped within a PDU"
        except asyncio.IncompleteReadError:
            return "the peer closed the connection"
        except OSError as error:
            return f"the connection broke: {type(error).__name__}"

    def _take(self, pdu: Pdu) -> str:
        """Deal with one PDU; return why the session ends, or nothing."""
        if not pdu.request:
            self._take_response(pdu)
        elif pdu.command == Command.DELIVER_SM:
            self._on_deliver(self, pdu)
        elif pdu.command == Command.ENQUIRE_LINK:
            self.answer(pdu.response())
        elif pdu.command == Command.UNBIND:
            self.answer(pdu.response())
            return "the peer ended the session"
        elif pdu.command != Command.ALERT_NOTIFICATION:  # which is not answered (section 4.12)
            self.answer(pdu.nack(Status.INVALID_COMMAND_ID))
        return ""

    def _take_response(self, pdu: Pdu) -> None:
        nack = pdu.command == Command.GENERIC_NACK
        command, response = self._waiting.get(pdu.sequence, (None, None))
        if response is None:
            late = self._late.pop(pdu.sequence, None)
            if late is not None:
                late(pdu)
        elif not response.done() and (nack or pdu.command == (command or 0) | RESPONSE):
            response.set_result(pdu)

    async def _close(self) -> None:
        self.end("")
        for _, response in self._waiting.values():
            if not response.done():
                response.set_exception(NoAnswerError("the link was lost before the answer"))
        self._writer.close()
        with suppress(OSError, TimeoutError):
            async with asyncio.timeout(CLOSE_S):
                await self._writer.wait_closed()
        self._writer.transport.abort()


async def connect(
    host: str, port: int, tls: ssl.SSLContext | None, timeout_s: float
) -> tuple[asyncio.StreamReader, asyncio.StreamWriter]:
    """Open the connection. Raises `LinkLostError`."""
    try:
        async with asyncio.timeout(timeout_s):
            return await asyncio.open_connection(host, port, ssl=tls)
    except TimeoutError:
        raise LinkLostError(f"no connection within {timeout_s:g} s") from None
    except OSError as error:  # of which a certificate nobody trusts is one
        reason = getattr(error, "verify_message", "") or error.strerror or type(error).__name__
        raise LinkLostError(f"no connection: {reason}") from error
