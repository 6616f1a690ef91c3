"""SMPP on the wire: its PDUs, from bytes and back.

Source: SMPP v3.4 Issue 1.2: section 3.2 (the header), 4 (the PDUs), 5.1.2 (command ids), 5.1.3
(statuses), 5.3.2 (optional parameters). The two PDUs with a text in them, submit_sm and
deliver_sm, are written and read by `smpp34`, a live library whose codec leaves the octets of a
text and of a parameter as they are, and reads a parameter that is cut short as absent. The rest
is a header of sixteen octets and a string or two.

Of the same library the session is not used, nor that of any other on PyPI: `smpp34` acknowledges
a text before anyone has taken it, `aiosmpplib` knows no TLS and drops the link on any status that
is not in its list, and `smpplib` is for one thread and loses its place in the stream when a PDU
arrives slowly.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass, replace
from enum import IntEnum

from smpp34 import DeliverSm, SmppError, SubmitSm, Tlv, decode

HEADER = struct.Struct(">IIII")
"""command_length, command_id, command_status, sequence_number."""

LONGEST = 70_000
"""Octets of the longest PDU worth reading: a message_payload has at most 65,535."""

LONGEST_SHORT = 254
"""Octets a short_message holds; a longer text goes into a message_payload (section 4.4.1)."""

MOST_SEQUENCE = 0x7FFFFFFF
"""Sequence numbers go from 1 to this, and begin again (section 3.2)."""

VERSION = 0x34
RESPONSE = 0x80000000
"""The bit that tells a response from a request."""


class Command(IntEnum):
    """Command ids (section 5.1.2.1). A response's is its request's with the top bit set."""

    GENERIC_NACK = 0x80000000
    SUBMIT_SM = 0x00000004
    DELIVER_SM = 0x00000005
    UNBIND = 0x00000006
    BIND_TRANSCEIVER = 0x00000009
    ENQUIRE_LINK = 0x00000015
    ALERT_NOTIFICATION = 0x00000102


class Status(IntEnum):
    """The statuses that decide what we do (section 5.1.3); any other is told by its number."""

    OK = 0x00000000
    INVALID_MESSAGE_LENGTH = 0x00000001
    INVALID_COMMAND_LENGTH = 0x00000002
    INVALID_COMMAND_ID = 0x00000003
    SYSTEM_ERROR = 0x00000008
    INVALID_DESTINATION = 0x0000000B
    QUEUE_FULL = 0x00000014
    THROTTLED = 0x00000058
    TEMPORARY_APP_ERROR = 0x00000064
    PERMANENT_APP_ERROR = 0x00000065
    REJECTED_BY_APP = 0x00000066


class Tag(IntEnum):
    """Tags of the optional parameters that we write or read (section 5.3.2)."""

    RECEIPTED_MESSAGE_ID = 0x001E
    SAR_MSG_REF_NUM = 0x020C
    SAR_TOTAL_SEGMENTS = 0x020E
    SAR_SEGMENT_SEQNUM = 0x020F
    NETWORK_ERROR_CODE = 0x0423
    MESSAGE_PAYLOAD = 0x0424
    MESSAGE_STATE = 0x0427
    USSD_SERVICE_OP = 0x0501
    ITS_SESSION_INFO = 0x1383


class MalformedError(ValueError):
    """Bytes that are no PDU; what follows them cannot be read either."""


@dataclass(frozen=True, slots=True)
class Pdu:
    """Any PDU: its header, and its body as it came."""

    command: int
    status: int
    sequence: int
    body: bytes = b""

    @property
    def request(self) -> bool:
        """Whether the other side waits for a response."""
        return not self.command & RESPONSE

    def write(self) -> bytes:
        """Return the PDU's bytes."""
        length = HEADER.size + len(self.body)
        return HEADER.pack(length, self.command, self.status, self.sequence) + self.body

    def response(self, status: int = Status.OK) -> Pdu:
        """Return the response to this request. A message_id, where one belongs, is empty."""
        body = b"\0" if self.command == Command.DELIVER_SM else b""
        return Pdu(self.command | RESPONSE, status, self.sequence, body)

    def nack(self, status: int) -> Pdu:
        """Return the generic_nack of a PDU that nobody here understands (section 4.3)."""
        return Pdu(Command.GENERIC_NACK, status, self.sequence)


def body_length(first: bytes) -> int:
    """Return how many octets follow a header. Raises `MalformedError` where that is a lie."""
    length: int = HEADER.unpack(first)[0]
    if not HEADER.size <= length <= LONGEST:
        raise MalformedError(f"a PDU cannot have {length} octets")
    return length - HEADER.size


def read(first: bytes, body: bytes) -> Pdu:
    """Return a PDU from its header and the octets behind it."""
    _, command, status, sequence = HEADER.unpack(first)
    return Pdu(command, status, sequence, body)


def first_string(pdu: Pdu) -> str:
    """Return the string a response begins with: a message_id, or the peer's system_id."""
    return pdu.body.partition(b"\0")[0].decode("latin-1")


def bind_transceiver(system_id: str, password: str, system_type: str, ton: int, npi: int) -> Pdu:
    """Return the request that opens a session both ways (section 4.1.5)."""
    strings = b"".join(each.encode() + b"\0" for each in (system_id, password, system_type))
    return Pdu(Command.BIND_TRANSCEIVER, 0, 0, strings + bytes([VERSION, ton, npi, 0]))


@dataclass(frozen=True, slots=True)
class Message:
    """A text on its way in or out: what submit_sm and deliver_sm have in common.

    `octets` is the text as encoded, header and all. `tags` are its optional parameters.
    """

    source: str
    destination: str
    octets: bytes
    data_coding: int = 0
    esm_class: int = 0
    source_ton: int = 0
    source_npi: int = 0
    destination_ton: int = 0
    destination_npi: int = 0
    registered_delivery: int = 0
    service_type: str = ""
    tags: tuple[tuple[int, bytes], ...] = ()

    def tag(self, wanted: Tag) -> bytes | None:
        """Return the value of an optional parameter."""
        return next((value for tag, value in self.tags if tag == wanted), None)

    @property
    def payload(self) -> bytes:
        """What a message_payload holds; empty where there is none."""
        return self.tag(Tag.MESSAGE_PAYLOAD) or b""


def submit_sm(message: Message) -> Pdu:
    """Return the request that hands a text over (section 4.4.1).

    What does not fit a short_message goes into a message_payload (section 5.3.2.32).
    """
    tags, octets = list(message.tags), message.octets
    if len(octets) > LONGEST_SHORT:
        tags.append((Tag.MESSAGE_PAYLOAD, octets))
        octets = b""
    written = SubmitSm(
        message.source,
        message.destination,
        octets,
        service_type=message.service_type,
        source_addr_ton=message.source_ton,
        source_addr_npi=message.source_npi,
        dest_addr_ton=message.destination_ton,
        dest_addr_npi=message.destination_npi,
        esm_class=message.esm_class,
        registered_delivery=message.registered_delivery,
        data_coding=message.data_coding,
        tlvs=[Tlv(tag, value) for tag, value in tags],
    ).encode()
    return Pdu(Command.SUBMIT_SM, 0, 0, written[HEADER.size :])


def read_deliver_sm(pdu: Pdu) -> Message | None:
    """Return the text in a deliver_sm (section 4.6.1), or None where it cannot be read."""
    try:
        read = decode(pdu.write())
    except SmppError:
        return None
    if not isinstance(read, DeliverSm):
        return None
    message = Message(
        source=read.source_addr,
        destination=read.destination_addr,
        octets=read.short_message,
        data_coding=read.data_coding,
        esm_class=read.esm_class,
        source_ton=read.source_addr_ton,
        source_npi=read.source_addr_npi,
        destination_ton=read.dest_addr_ton,
        destination_npi=read.dest_addr_npi,
        service_type=read.service_type,
        tags=tuple((each.tag, each.value) for each in read.tlvs),
    )
    return message if message.octets else replace(message, octets=message.payload)
