"""Receipts of SMPP: how they are read, and what those of a text's parts say of the text.

Source: SMPP v3.4 Issue 1.2, sections 5.2.28 (message_state), 5.3.2.12 (receipted_message_id),
5.3.2.31 (network_error_code), 5.3.2.35 (message_state) and appendix B (the text of a receipt).
"""

from __future__ import annotations

import re
import threading
from collections import OrderedDict
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from bot.gateways.smpp.pdu import Tag

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator

    from bot.gateways.profiles import State
    from bot.gateways.smpp.pdu import Message

LONGEST_KEPT = 65
"""Characters kept of a message id (section 4.4.2) and of a reason."""

MOST_TRACKED = 50_000
"""Texts of several parts whose receipts are awaited; beyond it the oldest are forgotten."""

_TYPE = 0x3C
"""The bits of esm_class that say what kind of message it is (section 5.2.12)."""
_RECEIPT = 0x04

_STATES: dict[int, tuple[str, State | None]] = {
    1: ("ENROUTE", None),
    2: ("DELIVRD", "delivered"),
    3: ("EXPIRED", "failed"),
    4: ("DELETED", "failed"),
    5: ("UNDELIV", "failed"),
    6: ("ACCEPTD", None),
    7: ("UNKNOWN", "failed"),
    8: ("REJECTD", "failed"),
}
_WORDS = dict(_STATES.values())

_GSM_NETWORK = 3
_UNKNOWN_SUBSCRIBER = 1
"""The error of a number that nobody has (3GPP TS 29.002, 17.6.6; from memory)."""

_FIELDS = re.compile(r"\b(id|stat|err):\s*([^\s:]+)", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Receipt:
    """What became of a message. `state` is None while it is on its way.

    `reference` is the peer's name for it, `number` whom it was for, as the peer wrote it.
    """

    reference: str
    state: State | None
    reason: str
    number: str


def is_text(message: Message) -> bool:
    """Whether a message is a text from someone, and not a report of one kind or another."""
    return not message.esm_class & _TYPE


def read_receipt(
    message: Message, number: str, final: Collection[str] = (), *, hex_ids: bool = False
) -> Receipt | None:
    """Read a receipt, by its parameters or else by its text; None for any other report.

    `final` are words of `err` that say that no text will ever reach the number. With `hex_ids`
    the id in the text of a receipt is decimal where the answer to submit_sm had it hexadecimal;
    see `plain_id`.
    """
    if message.esm_class & _TYPE != _RECEIPT:
        return None
    said = message.octets.decode("latin-1")
    words = {name.lower(): word for name, word in reversed(_FIELDS.findall(said))}
    tagged = (message.tag(Tag.RECEIPTED_MESSAGE_ID) or b"").partition(b"\0")[0].decode("latin-1")
    reference = plain_id(tagged, hex_ids=hex_ids) or plain_id(
        words.get("id", ""), hex_ids=False, decimal=hex_ids
    )
    if not reference:
        return None
    numbered = int.from_bytes(message.tag(Tag.MESSAGE_STATE) or b"", "big")
    word, state = _STATES.get(numbered, ("", None))
    if not word:
        word = words.get("stat", "").upper()
        state = _WORDS.get(word)
    error = words.get("err", "")
    if state == "failed" and (error in final or _nobody(message)):
        state = "unreachable"
    reason = f"{word} {error}".strip()[:LONGEST_KEPT]
    return Receipt(reference, state, "" if state == "delivered" else reason, number)


def plain_id(written: str, *, hex_ids: bool, decimal: bool = False) -> str:
    """Return a message id in the one way we write it: as it came, or as a decimal number."""
    written = written.strip()[:LONGEST_KEPT]
    try:
        if hex_ids:
            return str(int(written, 16))
        return str(int(written)) if decimal else written
    except ValueError:
        return written


def _nobody(message: Message) -> bool:
    """Whether the network says that the number is nobody's."""
    code = message.tag(Tag.NETWORK_ERROR_CODE) or b""
    return code[:1] == bytes([_GSM_NETWORK]) and int.from_bytes(code[1:], "big") == (
        _UNKNOWN_SUBSCRIBER
    )


@dataclass(slots=True)
class _Parts:
    """The parts of one text: how many there are, their ids, and those that arrived."""

    reference: str
    total: int
    ids: list[str] = field(default_factory=list)
    arrived: set[str] = field(default_factory=set)


class Parts:
    """Turns the receipts of parts into receipts of whole texts.

    A text is known by the id of its first part. It has arrived when all its parts have, and
    failed with the first that did. A message in one part is its own text, and so is one that is
    not known here, as after a restart.
    """

    def __init__(self) -> None:
        self._texts: OrderedDict[str, _Parts] = OrderedDict()
        self._by_part: dict[str, _Parts] = {}
        self._sending: dict[str, int] = {}
        self._changed = threading.Condition()

    @contextmanager
    def sending(self, number: str) -> Iterator[None]:
        """Note that a text of several parts is being sent to a number."""
        number = _digits(number)
        with self._changed:
            self._sending[number] = self._sending.get(number, 0) + 1
        try:
            yield
        finally:
            with self._changed:
                self._sending[number] -= 1
                if not self._sending[number]:
                    del self._sending[number]
                self._changed.notify_all()

    def accepted(self, text_id: str, total: int, part: str) -> None:
        """Note the id of a part the peer took."""
        if not part:
            return
        with self._changed:
            text = self._texts.setdefault(text_id, _Parts(part, total))
            if part not in text.ids:
                text.ids.append(part)
            self._by_part[part] = text
            while len(self._texts) > MOST_TRACKED:
                self._forget(next(iter(self._texts)))
            self._changed.notify_all()

    def whole(self, receipt: Receipt, patience_s: float) -> Receipt:
        """Return what a receipt says of its text; on its way while parts of it are.

        A receipt may overtake the answer that names its part; where one is under way to that
        number, it is waited for a little.
        """
        with self._changed:
            self._changed.wait_for(
                lambda: (
                    receipt.reference in self._by_part
                    or _digits(receipt.number) not in self._sending
                ),
                patience_s,
            )
            text = self._by_part.get(receipt.reference)
            if text is None:
                return receipt
            about = replace(receipt, reference=text.reference)
            if receipt.state != "delivered":
                return about
            text.arrived.add(receipt.reference)
            return about if len(text.arrived) >= text.total else replace(about, state=None)

    def _forget(self, text_id: str) -> None:
        for part in self._texts.pop(text_id).ids:
            self._by_part.pop(part, None)


def _digits(number: str) -> str:
    return number.removeprefix("+")
