"""Texts as they arrive: parts joined, and the same delivery known when it comes again.

Source: SMPP v3.4 Issue 1.2, sections 5.2.12 (esm_class) and 5.3.2.22 to 5.3.2.24 (the sar_
parameters); 3GPP TS 23.040, 9.2.3.24 (the header that joins parts).
"""

from __future__ import annotations

import hashlib
import threading
from collections import OrderedDict
from dataclasses import dataclass, field
from typing import TYPE_CHECKING
from uuid import uuid4

from bot.gateways.smpp.pdu import Tag
from bot.gateways.smpp.texts import UDHI, decode

if TYPE_CHECKING:
    from bot.gateways.smpp.pdu import Message
    from bot.gateways.smpp.texts import Alphabet

PARTS_WAIT_S = 300.0
"""Seconds after the last part that came until a text is taken without the missing ones."""

MOST_WAITING = 4_000_000
"""Octets kept of texts that lack a part, or were taken just now; beyond it the oldest is taken as it is."""

_OVERHEAD = 100
"""What a part costs beside its octets, about."""

REPEATED_WITHIN_S = 3600.0
"""Seconds within which the same octets may be the same delivery."""

UNHEARD_S = 10.0
"""Seconds before the link broke in which an answer may have been lost."""

MOST_KNOWN = 1000
"""Deliveries remembered; a peer has far fewer in flight."""


@dataclass(frozen=True, slots=True)
class Part:
    """Where a piece belongs: part `place` of `total` (from 1), of the text with `reference`."""

    reference: int
    total: int
    place: int
    octets: bytes


def part_of(message: Message) -> Part:
    """Return the piece of a text in a message; a text in one piece is part 1 of 1."""
    octets = message.octets
    part = None
    if message.esm_class & UDHI and octets and octets[0] < len(octets):
        header, octets = octets[1 : 1 + octets[0]], octets[1 + octets[0] :]
        part = _joined_by_header(header, octets)
    part = part or _joined_by_tags(message, octets)
    if part is None or not 1 <= part.place <= part.total or part.total == 1:
        return Part(0, 1, 1, octets)
    return part


def _joined_by_header(header: bytes, octets: bytes) -> Part | None:
    """Read the concatenation element of a header: 8-bit reference (0) or 16-bit (8)."""
    at = 0
    while at + 2 <= len(header):
        kind, length = header[at], header[at + 1]
        value = header[at + 2 : at + 2 + length]
        if kind == 0 and len(value) == 3:  # noqa: PLR2004 - reference, total, place
            return Part(value[0], value[1], value[2], octets)
        if kind == 8 and len(value) == 4:  # noqa: PLR2004 - the reference has two octets
            return Part(int.from_bytes(value[:2], "big"), value[2], value[3], octets)
        at += 2 + length
    return None


def _joined_by_tags(message: Message, octets: bytes) -> Part | None:
    reference = message.tag(Tag.SAR_MSG_REF_NUM)
    total, place = message.tag(Tag.SAR_TOTAL_SEGMENTS), message.tag(Tag.SAR_SEGMENT_SEQNUM)
    if reference is None or total is None or place is None:
        return None
    return Part(_whole(reference), _whole(total), _whole(place), octets)


def _whole(value: bytes) -> int:
    return int.from_bytes(value, "big")


@dataclass(slots=True, eq=False)
class Whole:
    """A text put together from its parts, as far as they have come.

    `first` is the first of its messages that came, `at` when the last one did. `id` is ours and
    stays the same however often the text is taken. `taken` says that it has been.
    """

    first: Message
    total: int
    id: str
    at: float = 0.0
    taken: bool = False
    pieces: dict[int, bytes] = field(default_factory=dict)

    @property
    def weight(self) -> int:
        """What it costs to keep, in octets."""
        return sum(_OVERHEAD + len(octets) for octets in self.pieces.values())

    def takes(self, part: Part) -> bool:
        """Whether a part can be one of this text's, come for the first time or again."""
        known = self.pieces.get(part.place)
        return not self.taken if known is None else known == part.octets

    def text(self, alphabet: Alphabet) -> str:
        """Return the text. Octets are joined before they are read: some cut within a letter."""
        octets = b"".join(self.pieces[place] for place in sorted(self.pieces))
        return decode(octets, self.first.data_coding, alphabet)


class Joiner:
    """Joins the parts of texts, in whatever order and however often each comes.

    A text stays here until `taken` is called for it, and a while longer, so that a part which is
    delivered again is known: before that the text is given again, after it nothing is. Other
    octets in a part's place mean that the reference has come round to a new text.

    Memory is bounded, and it is all that holds a part until the last one comes: a crash in
    between loses what came.
    """

    def __init__(self) -> None:
        self._kept: OrderedDict[tuple[str, str, int, int], Whole] = OrderedDict()
        self._weight = 0
        self._lock = threading.Lock()

    def take(self, message: Message, part: Part, now: float) -> list[Whole]:
        """Add a part and return the texts that are ready: most often one, or none yet."""
        key = (message.source, message.destination, part.reference, part.total)
        ready = []
        with self._lock:
            whole = self._kept.get(key)
            if whole and not whole.takes(part):
                if not whole.taken:
                    ready.append(whole)
                self._drop(key)
                whole = None
            if whole is None:
                whole = self._kept[key] = Whole(message, part.total, uuid4().hex)
            if whole.taken:
                return ready
            if part.place not in whole.pieces:
                self._weight += _OVERHEAD + len(part.octets)
                whole.pieces[part.place] = part.octets
            whole.at = now
            self._kept.move_to_end(key)
            if len(whole.pieces) == whole.total:
                ready.append(whole)
            while self._weight > MOST_WAITING:
                oldest = next(iter(self._kept))
                if not self._kept[oldest].taken and self._kept[oldest] not in ready:
                    ready.append(self._kept[oldest])
                self._drop(oldest)
        return ready

    def taken(self, whole: Whole) -> None:
        """Note that a text has been taken and will not be needed again."""
        with self._lock:
            whole.taken = True

    def late(self, now: float) -> list[Whole]:
        """Return the texts whose missing parts are waited for no longer, and forget old ones."""
        with self._lock:
            old = [key for key, each in self._kept.items() if each.at + PARTS_WAIT_S <= now]
            late = [self._kept[key] for key in old if not self._kept[key].taken]
            for key in old:
                if self._kept[key].taken:
                    self._drop(key)
            return late

    def _drop(self, key: tuple[str, str, int, int]) -> None:
        self._weight -= self._kept.pop(key).weight


@dataclass(slots=True)
class _Delivery:
    """A delivery that was given an id; `answered_at` is None while the peer waits for an answer."""

    id: str
    at: float
    answered_at: float | None = None


class Ids:
    """Gives each text that arrives an id, and the same one if it was delivered again.

    SMPP gives a delivery no name that outlives its session. So a delivery with the very octets of
    one that was not answered, or was answered so shortly before the link broke that the answer
    may be lost, is taken for the same one. After a crash of our own nothing is known, and one
    text, the one being worked on, may be taken twice.
    """

    def __init__(self) -> None:
        self._kept: OrderedDict[bytes, _Delivery] = OrderedDict()
        self._lock = threading.Lock()

    def of(self, body: bytes, now: float) -> str:
        """Return the id of a delivery, given the octets of its body."""
        key = _key(body)
        with self._lock:
            known = self._kept.get(key)
            if known and known.answered_at is None and now < known.at + REPEATED_WITHIN_S:
                return known.id
            self._kept[key] = known = _Delivery(uuid4().hex, now)
            self._kept.move_to_end(key)
            while len(self._kept) > MOST_KNOWN:
                self._kept.popitem(last=False)
            return known.id

    def answered(self, body: bytes, now: float) -> None:
        """Note that the peer was told that it need not deliver this again."""
        with self._lock:
            if known := self._kept.get(_key(body)):
                known.answered_at = now

    def unheard(self, body: bytes) -> None:
        """Note that the peer could not be told after all."""
        with self._lock:
            if known := self._kept.get(_key(body)):
                known.answered_at = None

    def link_lost(self, now: float) -> None:
        """Note that the link broke: what was answered just before may not have been heard."""
        with self._lock:
            for key, each in list(self._kept.items()):
                if each.answered_at is None:
                    continue
                if each.answered_at + UNHEARD_S < now:
                    del self._kept[key]
                else:
                    each.answered_at = None


def _key(body: bytes) -> bytes:
    return hashlib.blake2b(body, digest_size=16).digest()
