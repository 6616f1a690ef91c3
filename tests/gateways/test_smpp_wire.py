"""SMPP without a peer: its bytes, its bounds, and whatever bytes a peer may send."""

from __future__ import annotations

import asyncio
import socket
import struct
import threading
import time
from concurrent.futures import FIRST_COMPLETED, ThreadPoolExecutor, wait
from contextlib import contextmanager
from dataclasses import replace
from itertools import pairwise
from typing import TYPE_CHECKING

import msgspec
import pytest
from gsm0338 import Codec
from hypothesis import given, settings
from hypothesis import strategies as st

from bot.gateways.base import Accepted, Deferred, Outgoing, Refused
from bot.gateways.pace import SLOW_S, SLOWEST, Pace
from bot.gateways.profiles import ProfileError
from bot.gateways.smpp import SmppGateway, SmppLink, inbox, joining, receipts, session
from bot.gateways.smpp.gateway import LONGEST_RETRY_S, retry_delay
from bot.gateways.smpp.inbox import LANE_ROOM, LANES, Inbox
from bot.gateways.smpp.joining import PARTS_WAIT_S, UNHEARD_S, Ids, Joiner, Part, part_of
from bot.gateways.smpp.pdu import (
    Command,
    MalformedError,
    Message,
    Pdu,
    Status,
    Tag,
    bind_transceiver,
    body_length,
    read_deliver_sm,
    submit_sm,
)
from bot.gateways.smpp.receipts import Parts, Receipt, read_receipt
from bot.gateways.smpp.session import LinkLostError, Session
from bot.gateways.smpp.texts import decode, encode, encode_whole, reference_of
from bot.wording.gsm import segments

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from bot.gateways.profiles import State

PATIENCE_S = 20.0
NUMBER = "+255712345678"
LINK = SmppLink("127.0.0.1", 2775, "fieldbell", "SMPP_PASSWORD", "12345")
ENVIRON = {"SMPP_PASSWORD": "secret08"}


def nothing(*_: object) -> None:
    pass


class TestLink:
    @pytest.mark.parametrize(
        ("change", "message"),
        [
            ({"host": ""}, "host must not be empty"),
            ({"source": "Mirindi Growers' Union"}, "longer than 20"),
            ({"source": "Ƙasa"}, "outside ASCII"),
            ({"port": 0}, "port"),
            ({"window": 0}, "window"),
            ({"timeout_s": 0}, "timeout_s"),
            ({"alphabet": "gsm8"}, "alphabet"),
            ({"windows": 10}, "windows"),
        ],
    )
    def test_a_setting_that_makes_no_sense_is_named(
        self, change: dict[str, object], message: str
    ) -> None:
        with pytest.raises(msgspec.ValidationError, match=message):
            msgspec.convert({**msgspec.to_builtins(LINK), **change}, SmppLink)

    def test_what_the_environment_lacks_is_named(self) -> None:
        tls = msgspec.structs.replace(LINK, tls=True, tls_ca="nowhere.pem")
        ussd = msgspec.structs.replace(LINK, ussd="op")
        with pytest.raises(ProfileError, match="SMPP_PASSWORD, which is not set"):
            SmppGateway(LINK, nothing, nothing, environ={})
        with pytest.raises(ProfileError, match=r"tls_ca nowhere\.pem cannot be read: No such file"):
            SmppGateway(tls, nothing, nothing, environ=ENVIRON)
        with pytest.raises(ProfileError, match="nothing here answers it"):
            SmppGateway(ussd, nothing, nothing, environ=ENVIRON)


class TestPdu:
    def test_the_bind_of_the_specification(self) -> None:
        """SMPP v3.4 Issue 1.2, section 3.2.2, the sample PDU; but as a transceiver (9, section
        4.1.5) where that is a transmitter (2), and of version 0x34 (section 5.2.4), not 0.
        """
        sample = bytes.fromhex(
            "0000002F 00000002 00000000 00000001"
            "534D50503354455354 00 7365637265743038 00 5355424D495431 00 00 01 01 00"
        )
        written = replace(bind_transceiver("SMPP3TEST", "secret08", "SUBMIT1", 1, 1), sequence=1)
        expected = bytearray(sample)
        expected[7] = 9
        expected[-4] = 0x34
        assert written.write() == bytes(expected)

    @pytest.mark.parametrize("length", [0, 15, 70_001, 0xFFFFFFFF])
    def test_a_length_that_is_a_lie_is_told(self, length: int) -> None:
        with pytest.raises(MalformedError, match=str(length)):
            body_length(struct.pack(">IIII", length, 5, 0, 1))

    def test_what_is_too_long_for_a_short_message_is_a_payload(self) -> None:
        """SMPP v3.4 Issue 1.2, sections 4.4.1 (254 octets) and 5.3.2.32 (tag 0x0424)."""
        body = submit_sm(Message("1", "2", b"x" * 255)).body
        assert body.endswith(b"\x00" + struct.pack(">HH", 0x0424, 255) + b"x" * 255)
        assert b"\x04\x24" not in submit_sm(Message("1", "2", b"x" * 254)).body

    def test_a_payload_is_read_as_the_text(self) -> None:
        message = read_deliver_sm(deliver(Message("1", "2", b"x" * 300)))
        assert message is not None
        assert message.octets == b"x" * 300

    @pytest.mark.parametrize("body", [b"", b"\0", b"\xff" * 40, b"\0\1\1255712345678\0\1\1"])
    def test_a_body_that_is_cut_short_is_no_message(self, body: bytes) -> None:
        assert read_deliver_sm(Pdu(Command.DELIVER_SM, 0, 1, body)) is None


def deliver(message: Message, sequence: int = 1) -> Pdu:
    """A deliver_sm has the fields of a submit_sm (SMPP v3.4 Issue 1.2, sections 4.4.1, 4.6.1)."""
    return Pdu(Command.DELIVER_SM, 0, sequence, submit_sm(message).body)


def message_of(part: Part) -> Message:
    head = bytes([5, 0, 3, part.reference, part.total, part.place])
    return Message("1", "2", head + part.octets, esm_class=0x40)


class TestTexts:
    @given(
        st.text(st.characters(codec="utf-8", exclude_characters="\0"), max_size=700)
        | st.text("ab€[ξ\n@", max_size=700),
        st.sampled_from(["gsm7", "latin1"]),
    )
    def test_parts_fit_a_short_message_and_are_the_text(self, text: str, alphabet: str) -> None:
        parts = encode(text, alphabet, 7)  # type: ignore[arg-type]
        for part in parts:
            head = 6 if part.esm_class else 0
            assert bool(head) == (len(parts) > 1)
            assert part.data_coding in {0, 8}
            letters = decode(part.octets[head:], part.data_coding, alphabet)  # type: ignore[arg-type]
            if part.data_coding == 8:
                assert len(part.octets) <= 140
            else:  # seven bits a septet, the header in whole septets
                assert len(Codec().encode(letters)[0]) <= (153 if head else 160)
        joined = b"".join(part.octets[6 if part.esm_class else 0 :] for part in parts)
        assert decode(joined, parts[0].data_coding, alphabet) == text  # type: ignore[arg-type]
        if alphabet == "gsm7":
            assert len(parts) == segments(text)

    def test_latin1_goes_as_the_default_and_the_euro_as_ucs2(self) -> None:
        [plain] = encode("café", "latin1", 1)
        assert (plain.octets, plain.data_coding) == (b"caf\xe9", 0)
        euros = encode("€" * 71, "latin1", 1)
        assert [(len(each.octets), each.data_coding) for each in euros] == [(140, 8), (14, 8)]
        assert encode_whole("€", "latin1").data_coding == 8

    def test_a_reference_follows_the_serial(self) -> None:
        assert [reference_of(f"{NUMBER}:{serial}") for serial in (1, 2, 255, 256)] == [1, 2, 255, 0]
        assert reference_of("other") == reference_of("other")
        assert 0 <= reference_of("") <= 255

    @given(st.binary(max_size=60), st.integers(0, 255), st.sampled_from(["gsm7", "latin1"]))
    def test_any_octets_in_any_coding_are_some_text(
        self, octets: bytes, coding: int, alphabet: str
    ) -> None:
        text = decode(octets, coding, alphabet)  # type: ignore[arg-type]
        assert "\0" not in text
        text.encode()  # no half surrogates, which a store could not keep

    @pytest.mark.parametrize(
        ("octets", "coding", "text"),
        [  # 3GPP TS 23.038, section 4: class and alphabet in the low bits
            (b"\x00", 0x11, "@"),
            (b"\xe9", 0x15, "é"),
            ("ŋ".encode("utf-16-be"), 0x19, "ŋ"),
            (b"\x00", 0xF1, "@"),
            (b"\xe9", 0xF5, "é"),
        ],
    )
    def test_codings_of_the_air_that_some_peers_pass_on(
        self, octets: bytes, coding: int, text: str
    ) -> None:
        assert decode(octets, coding, "gsm7") == text


class TestJoining:
    @given(
        st.lists(st.binary(min_size=1, max_size=20), min_size=2, max_size=9),
        st.data(),
    )
    def test_parts_in_any_order_and_number_are_one_text(
        self, pieces: list[bytes], data: st.DataObject
    ) -> None:
        parts = [Part(9, len(pieces), place, octets) for place, octets in enumerate(pieces, 1)]
        order = data.draw(st.permutations([*parts, *parts]))
        joiner, ready = Joiner(), []
        for part in order:
            for whole in joiner.take(message_of(part), part_of(message_of(part)), 0.0):
                joiner.taken(whole)
                ready.append(whole.text("latin1"))
        assert ready == [b"".join(pieces).decode("latin-1").replace("\0", "")]

    @given(st.binary(max_size=12), st.sampled_from([0, 0x40]), st.binary(max_size=3))
    def test_any_header_is_read_as_some_part(
        self, octets: bytes, esm_class: int, value: bytes
    ) -> None:
        tags = tuple((int(tag), value) for tag in (Tag.SAR_MSG_REF_NUM, Tag.SAR_TOTAL_SEGMENTS))
        tags += ((int(Tag.SAR_SEGMENT_SEQNUM), value),)
        part = part_of(Message("1", "2", octets, esm_class=esm_class, tags=tags))
        assert 1 <= part.place <= part.total

    def test_a_text_that_lacks_a_part_is_taken_after_a_while(self) -> None:
        joiner = Joiner()
        for place in (3, 1):
            part = Part(9, 3, place, b"%d" % place)
            assert joiner.take(message_of(part), part, 100.0) == []
        assert joiner.late(100.0 + PARTS_WAIT_S - 1) == []
        [whole] = joiner.late(100.0 + PARTS_WAIT_S)
        assert whole.text("gsm7") == "13"
        assert joiner.late(100.0 + PARTS_WAIT_S) == [whole]  # it could not be taken
        joiner.taken(whole)
        assert joiner.late(100.0 + PARTS_WAIT_S) == []

    def test_a_reference_that_comes_round_begins_a_new_text(self) -> None:
        joiner = Joiner()
        first, second = Part(9, 2, 1, b"old "), Part(9, 2, 1, b"new ")
        assert joiner.take(message_of(first), first, 0.0) == []
        [old] = joiner.take(message_of(second), second, 1.0)
        assert old.text("gsm7") == "old "
        last = Part(9, 2, 2, b"text")
        [new] = joiner.take(message_of(last), last, 2.0)
        assert new.text("gsm7") == "new text"
        assert new.id != old.id

    def test_a_part_that_comes_after_its_text_was_taken_without_it_is_not_lost(self) -> None:
        joiner = Joiner()
        first, second = Part(9, 2, 1, b"half"), Part(9, 2, 2, b"rest")
        joiner.take(message_of(first), first, 0.0)
        [whole] = joiner.late(PARTS_WAIT_S)
        joiner.taken(whole)
        assert joiner.take(message_of(second), second, PARTS_WAIT_S) == []
        [late] = joiner.late(2 * PARTS_WAIT_S)
        assert late.text("gsm7") == "rest"

    def test_memory_is_bounded(self, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(joining, "MOST_WAITING", 2000)
        joiner, ready = Joiner(), []
        for reference in range(50):
            part = Part(reference, 2, 1, b"x" * 100)
            ready += joiner.take(message_of(part), part, 0.0)
        assert len(ready) == 50 - 2000 // 200
        assert [each.first.octets[3] for each in ready] == list(range(40))  # the oldest first


class TestIds:
    def test_what_was_not_answered_is_the_same_when_it_comes_again(self) -> None:
        ids = Ids()
        assert ids.of(b"1", 0.0) == ids.of(b"1", 1.0)
        assert ids.of(b"1", 0.0) != ids.of(b"2", 0.0)

    def test_what_was_answered_is_not(self) -> None:
        ids = Ids()
        first = ids.of(b"1", 0.0)
        ids.answered(b"1", 1.0)
        assert ids.of(b"1", 2.0) != first

    @pytest.mark.parametrize(("later", "same"), [(UNHEARD_S - 1, True), (UNHEARD_S + 1, False)])
    def test_an_answer_just_before_the_link_broke_may_not_have_been_heard(
        self, later: float, *, same: bool
    ) -> None:
        ids = Ids()
        first = ids.of(b"1", 0.0)
        ids.answered(b"1", 0.0)
        ids.link_lost(later)
        assert (ids.of(b"1", later + 1) == first) is same

    def test_memory_is_bounded(self) -> None:
        ids = Ids()
        first = ids.of(b"first", 0.0)
        for place in range(joining.MOST_KNOWN):
            ids.of(b"%d" % place, 0.0)
        assert ids.of(b"first", 0.0) != first


RECEIPT = (  # SMPP v3.4 Issue 1.2, appendix B
    b"id:0012617184 sub:001 dlvrd:001 submit date:0309271108 done date:0309271108 "
    b"stat:DELIVRD err:000 text:stat:UNDELIV id:9"
)


class TestReceipts:
    def test_the_text_of_a_receipt(self) -> None:
        """A text quoted in it does not count."""
        receipt = read_receipt(Message("1", "2", RECEIPT, esm_class=4), NUMBER)
        assert receipt == Receipt("0012617184", "delivered", "", NUMBER)

    def test_its_parameters_go_before_its_text(self) -> None:
        tags = ((0x001E, b"m7\0"), (0x0427, b"\5"))
        receipt = read_receipt(Message("1", "2", RECEIPT, esm_class=4, tags=tags), NUMBER)
        assert receipt == Receipt("m7", "failed", "UNDELIV 000", NUMBER)

    def test_an_id_in_hexadecimal_is_decimal_in_the_text(self) -> None:
        """0xC085E0 is 12617184."""
        assert receipts.plain_id("C085E0", hex_ids=True) == "12617184"
        receipt = read_receipt(Message("1", "2", RECEIPT, esm_class=4), NUMBER, hex_ids=True)
        assert receipt is not None
        assert receipt.reference == "12617184"
        tagged = Message("1", "2", b"", esm_class=4, tags=((0x001E, b"00C085e0\0"),))
        receipt = read_receipt(tagged, NUMBER, hex_ids=True)
        assert receipt is not None
        assert receipt.reference == "12617184"
        assert receipts.plain_id("not hex", hex_ids=True) == "not hex"

    @pytest.mark.parametrize(
        ("code", "state"),
        [
            (b"\3\0\1", "unreachable"),  # GSM: unknown subscriber (TS 29.002; from memory)
            (b"\3\0\33", "failed"),  # GSM: absent subscriber
            (b"\1\0\1", "failed"),  # not GSM
            (b"", "failed"),
        ],
    )
    def test_a_number_that_is_nobodys(self, code: bytes, state: str) -> None:
        tags = ((0x0423, code), (0x001E, b"m7"), (0x0427, b"\5"))
        receipt = read_receipt(Message("1", "2", b"", esm_class=4, tags=tags), NUMBER)
        assert receipt is not None
        assert receipt.state == state

    @pytest.mark.parametrize("esm_class", [0, 0x08, 0x10, 0x20])
    def test_any_other_report_is_none(self, esm_class: int) -> None:
        assert read_receipt(Message("1", "2", RECEIPT, esm_class=esm_class), NUMBER) is None

    def test_parts_and_other_texts_do_not_mix(self) -> None:
        parts = Parts()
        parts.accepted("a:1", 2, "m1")
        parts.accepted("a:1", 2, "m2")

        def told(reference: str, state: State = "delivered") -> tuple[str, str | None]:
            told = parts.whole(Receipt(reference, state, "", NUMBER), 0.0)
            return told.reference, told.state

        assert told("m1") == ("m1", None)
        assert told("m1") == ("m1", None)  # twice is not two parts
        assert told("m9") == ("m9", "delivered")
        assert told("m2") == ("m1", "delivered")
        assert told("m2", "failed") == ("m1", "failed")

    def test_memory_is_bounded(self, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(receipts, "MOST_TRACKED", 2)
        parts = Parts()
        for text in range(3):
            parts.accepted(f"a:{text}", 2, f"m{text}")
        oldest, newest = (
            parts.whole(Receipt(reference, "delivered", "", NUMBER), 0.0).state
            for reference in ("m0", "m2")
        )
        assert (oldest, newest) == ("delivered", None)


class TestPace:
    def test_a_rate_is_kept(self) -> None:
        pace = Pace(4)
        assert [pace.wait(0.0, 10) for _ in range(4)] == [0, 0.25, 0.5, 0.75]
        assert pace.wait(0.0, 0.5) is None  # too long to wait, and no place taken
        assert pace.wait(0.0, 10) == 1.0
        assert pace.wait(9.0, 10) == 0

    def test_without_a_rate_nothing_waits(self) -> None:
        pace = Pace(0)
        assert {pace.wait(0.0, 0) for _ in range(1000)} == {0}

    def test_patience_is_half_the_pace_for_a_while(self) -> None:
        pace = Pace(0)
        for _ in range(100):
            pace.wait(5.0, 0)
        pace.throttled(5.5)
        pace.throttled(5.6)  # of the same moment
        assert pace.rate(6.0) == 50
        pace.throttled(10.0)
        assert pace.rate(10.0 + SLOW_S - 1) == 25
        assert pace.rate(10.0 + SLOW_S) == 0

    def test_the_pace_never_ends(self) -> None:
        pace = Pace(2)
        for second in range(0, 60, 2):
            pace.throttled(float(second))
        assert pace.rate(60.0) == SLOWEST

    def test_a_pace_slower_than_that_stays_as_slow(self) -> None:
        pace = Pace(0.1)
        pace.throttled(0.0)
        assert pace.rate(1.0) == 0.1


@given(st.integers(0, 10**6), st.floats(0, 1))
def test_waits_grow_and_end(tries: int, chance: float) -> None:
    assert 0.5 <= retry_delay(tries, chance) <= LONGEST_RETRY_S
    assert retry_delay(tries, chance) <= retry_delay(tries + 1, chance)


class Memory:
    """A writer that keeps what is written."""

    def __init__(self) -> None:
        self.written = b""
        self.unread = 0
        self.transport = self

    def write(self, octets: bytes) -> None:
        self.written += octets

    def get_write_buffer_size(self) -> int:
        return self.unread

    def is_closing(self) -> bool:
        return False

    def close(self) -> None:
        pass

    def abort(self) -> None:
        pass

    async def wait_closed(self) -> None:
        pass


def run_session(octets: bytes, unread: int = 0) -> tuple[str, list[Pdu], bytes]:
    """Let a session read these octets to their end; what it said, took and wrote."""
    taken: list[Pdu] = []

    async def main() -> tuple[str, bytes]:
        reader, writer = asyncio.StreamReader(), Memory()
        writer.unread = unread
        reader.feed_data(octets)
        reader.feed_eof()
        talk = Session(reader, writer, 5.0, lambda _, pdu: taken.append(pdu))  # type: ignore[arg-type]
        try:
            said = await talk.run(Pdu(Command.BIND_TRANSCEIVER, 0, 0), 5.0, lambda: None)
        except LinkLostError as error:
            said = str(error)
        return said, writer.written

    said, written = asyncio.run(main())
    return said, taken, written


PDUS = st.builds(
    Pdu,
    st.sampled_from([*Command, 0x80000004, 0x80000005, 0x80000009, 0x80000015, 0x103, 0x21])
    | st.integers(0, 0xFFFFFFFF),
    st.sampled_from([0, 0x58, 0xFFFFFFFF]),
    st.integers(0, 3) | st.integers(0, 0xFFFFFFFF),
    st.binary(max_size=40),
).map(Pdu.write)


@settings(max_examples=300)
@given(st.lists(PDUS | st.binary(max_size=30), max_size=8).map(b"".join))
def test_whatever_the_peer_sends_only_ends_the_session(octets: bytes) -> None:
    said, _, _ = run_session(octets)
    assert said


def test_a_peer_that_does_not_read_is_left() -> None:
    enquire = Pdu(Command.ENQUIRE_LINK, 0, 7).write()
    said, _, written = run_session(enquire * 3, unread=session.MOST_UNREAD + 1)
    assert "does not read" in said
    assert written.endswith(Pdu(0x80000015, 0, 7).write())


BODIES = st.binary(max_size=120) | st.builds(
    Message,
    st.text("+0123456789a", max_size=20),
    st.just("12345"),
    st.binary(max_size=80),
    st.integers(0, 255),
    st.integers(0, 255),
    st.integers(0, 9),
    tags=st.lists(
        st.tuples(st.sampled_from([int(tag) for tag in Tag]), st.binary(max_size=70)), max_size=4
    ).map(tuple),
    service_type=st.sampled_from(["", "USSD"]),
).map(lambda message: submit_sm(message).body)


@settings(max_examples=100)
@given(st.lists(BODIES, max_size=20), st.sampled_from(["", "op", "both", "service_type"]))
def test_whatever_is_delivered_is_answered_once(bodies: list[bytes], ussd: str) -> None:
    answered: list[int] = []

    def answer(pdu: Pdu, status: int) -> bool:
        if status in {Status.OK, Status.PERMANENT_APP_ERROR}:
            answered.append(pdu.sequence)
        return True

    link = msgspec.structs.replace(LINK, ussd=ussd)
    box = Inbox(link, Parts(), submit_sm, nothing, nothing, lambda *_: ("1 Ndiyo", True))  # type: ignore[arg-type]
    box.start()
    for sequence, body in enumerate(bodies):
        box.deliver(
            Pdu(Command.DELIVER_SM, 0, sequence, body),
            lambda pdu, status: (
                answered.append(pdu.sequence) is None
                and status in {Status.OK, Status.PERMANENT_APP_ERROR}
            ),
        )
    box.close()
    assert sorted(answered) == list(range(len(bodies)))


def test_what_the_lanes_cannot_hold_is_left_with_the_peer() -> None:
    gate = threading.Event()
    answers: list[int] = []

    def answer(_: Pdu, status: int) -> bool:
        answers.append(status)
        return True

    def hold(*_: object) -> None:
        assert gate.wait(PATIENCE_S)

    box = Inbox(LINK, Parts(), nothing, hold, nothing, None)
    box.start()
    for sequence in range(LANES * LANE_ROOM + LANES + 1):
        box.deliver(deliver(Message("1", "2", b"x"), sequence), answer)
    full = answers.count(Status.TEMPORARY_APP_ERROR)
    assert full == len(answers) > 0  # one number, one lane
    gate.set()
    box.close()
    assert answers.count(Status.OK) == LANES * LANE_ROOM + LANES + 1 - full


def test_late_parts_are_taken_by_the_lanes(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(joining, "PARTS_WAIT_S", 0.0)
    texts: list[tuple[str, ...]] = []
    failing = [RuntimeError("no store")]

    def take(*told: str) -> None:
        texts.append(told)
        if failing:
            raise failing.pop()

    box = Inbox(LINK, Parts(), nothing, take, nothing, None)
    part = Part(9, 2, 2, b"half")
    for look in (1, 2):
        box.start()
        if look == 1:
            box.deliver(deliver(message_of(part)), lambda *_: True)
        else:
            box.look_for_late()
        box.close()
    box.start()
    box.look_for_late()
    box.look_for_late()
    box.close()
    assert [told[:2] for told in texts] == [("1", "half")] * 2
    assert texts[0] == texts[1]


class Scripted:
    """A peer written out by hand: it binds whoever comes, and answers when it is told to."""

    def __init__(self) -> None:
        self._server = socket.create_server(("127.0.0.1", 0))
        self._server.settimeout(PATIENCE_S)
        self.port: int = self._server.getsockname()[1]

    def bind(self) -> None:
        self.link, _ = self._server.accept()
        self.link.settimeout(PATIENCE_S)
        bind = self.read()
        self.link.sendall(Pdu(0x80000009, 0, bind.sequence, b"peer\0").write())

    def read(self) -> Pdu:
        head = self._exactly(16)
        _, command, status, sequence = struct.unpack(">IIII", head)
        return Pdu(command, status, sequence, self._exactly(body_length(head)))

    def accept(self, submit: Pdu, name: bytes) -> None:
        self.link.sendall(Pdu(0x80000004, 0, submit.sequence, name + b"\0").write())

    def _exactly(self, count: int) -> bytes:
        octets = b""
        while len(octets) < count:
            more = self.link.recv(count - len(octets))
            assert more, "the link was closed"
            octets += more
        return octets

    def close(self) -> None:
        self.link.close()
        self._server.close()


@pytest.fixture
def scripted() -> Iterator[Scripted]:
    peer = Scripted()
    yield peer
    peer.close()


@contextmanager
def bound(
    scripted: Scripted, clock: Callable[[], float] = time.monotonic, **settings: object
) -> Iterator[SmppGateway]:
    """A gateway with a window of 3, bound to the peer; then closed, and no thread of it left."""
    given = {"window": 3, "timeout_s": PATIENCE_S, **settings}
    link = msgspec.structs.replace(LINK, port=scripted.port, **given)
    gateway = SmppGateway(link, nothing, nothing, environ=ENVIRON, clock=clock)
    gateway.start()
    scripted.bind()
    assert gateway.wait_until_bound(PATIENCE_S)
    yield gateway
    scripted.link.close()
    gateway.close()
    assert [each for each in threading.enumerate() if each.name.startswith("smpp")] == []


@pytest.fixture
def gateway(scripted: Scripted) -> Iterator[SmppGateway]:
    with bound(scripted) as gateway:
        yield gateway


def test_no_more_than_the_window_waits_and_answers_may_come_in_any_order(
    scripted: Scripted, gateway: SmppGateway
) -> None:
    with ThreadPoolExecutor(5) as pool:
        sent = [
            pool.submit(gateway.send, Outgoing(f"{NUMBER}:{place}", NUMBER, f"{place}"))
            for place in range(5)
        ]
        first = [scripted.read() for _ in range(3)]
        assert gateway.status.in_flight == 3
        scripted.link.settimeout(0.1)
        with pytest.raises(TimeoutError):
            scripted.read()  # the fourth waits
        scripted.link.settimeout(PATIENCE_S)
        for submit in reversed(first):
            scripted.accept(submit, submit.body[-1:])
        for _ in range(2):
            submit = scripted.read()
            scripted.accept(submit, submit.body[-1:])
        outcomes = [each.result() for each in sent]
    assert outcomes == [Accepted(f"{place}") for place in range(5)]
    sequences = [each.sequence for each in first]
    assert all(later == earlier + 1 for earlier, later in pairwise(sequences))


def test_a_nack_of_a_submit_is_its_answer(scripted: Scripted, gateway: SmppGateway) -> None:
    with ThreadPoolExecutor(1) as pool:
        sent = pool.submit(gateway.send, Outgoing("x:1", NUMBER, "a"))
        scripted.link.sendall(scripted.read().nack(Status.INVALID_COMMAND_LENGTH).write())
        assert sent.result() == Refused("the peer answered 0x00000002")


def test_an_answer_of_another_kind_is_none(scripted: Scripted, gateway: SmppGateway) -> None:
    with ThreadPoolExecutor(1) as pool:
        sent = pool.submit(gateway.send, Outgoing("x:1", NUMBER, "a"))
        submit = scripted.read()
        scripted.link.sendall(Pdu(0x80000015, 0, submit.sequence).write())
        scripted.accept(submit, b"m1")
        assert sent.result() == Accepted("m1")


def test_a_text_of_more_parts_than_can_be_counted_is_refused(gateway: SmppGateway) -> None:
    outcome = gateway.send(Outgoing("x:1", NUMBER, "a" * 153 * 256))
    assert isinstance(outcome, Refused)
    assert "256 parts" in outcome.reason


def test_a_link_closed_under_texts_in_flight_defers_them(
    scripted: Scripted, gateway: SmppGateway
) -> None:
    with ThreadPoolExecutor(3) as pool:
        sent = [
            pool.submit(gateway.send, Outgoing(f"x:{place}", NUMBER, "a")) for place in range(3)
        ]
        for _ in sent:
            scripted.read()
        scripted.link.close()
        for each in sent:
            outcome = each.result()
            assert isinstance(outcome, Deferred)
            assert "may have arrived" in outcome.reason


def text(serial: int) -> Outgoing:
    return Outgoing(f"{NUMBER}:{serial}", NUMBER, "a")


def test_a_text_that_cannot_leave_in_time_by_the_rate_is_deferred(scripted: Scripted) -> None:
    with bound(scripted, rate=2, timeout_s=0.3) as gateway, ThreadPoolExecutor(1) as pool:
        sent = pool.submit(gateway.send, text(1))
        scripted.accept(scripted.read(), b"m1")
        assert sent.result() == Accepted("m1")
        outcome = gateway.send(text(2))
    assert isinstance(outcome, Deferred)
    assert "no room now" in outcome.reason


def test_a_text_waits_its_turn_by_the_rate(scripted: Scripted) -> None:
    with bound(scripted, rate=50) as gateway, ThreadPoolExecutor(3) as pool:
        sent = [pool.submit(gateway.send, text(serial)) for serial in range(3)]
        for _ in sent:
            scripted.accept(scripted.read(), b"m")
        assert [each.result() for each in sent] == [Accepted("m")] * 3


def test_a_peer_that_asks_for_patience_gets_half_the_pace(scripted: Scripted) -> None:
    with (
        bound(scripted, clock=lambda: 0.0, rate=5, timeout_s=0.5) as gateway,
        ThreadPoolExecutor(1) as pool,
    ):
        for serial, status in ((1, Status.THROTTLED), (2, Status.OK)):
            sent = pool.submit(gateway.send, text(serial))
            scripted.link.sendall(scripted.read().response(status).write())
            assert isinstance(sent.result(), Accepted if status == Status.OK else Deferred)
        # On a clock that stands still the third would leave after 0.4 s, but now after 0.6.
        outcome = gateway.send(text(3))
    assert isinstance(outcome, Deferred)
    assert "no room now" in outcome.reason


def test_a_text_that_finds_no_place_in_the_window_is_deferred(scripted: Scripted) -> None:
    with bound(scripted, window=1, timeout_s=0.3) as gateway, ThreadPoolExecutor(3) as pool:
        outcomes = list(pool.map(gateway.send, map(text, range(3))))
    reasons = [outcome.reason for outcome in outcomes if isinstance(outcome, Deferred)]
    assert len(reasons) == 3
    assert "1 texts are waiting for the peer already" in reasons


def test_a_text_that_still_waits_when_the_gateway_closes_is_deferred(scripted: Scripted) -> None:
    with bound(scripted, rate=0.1) as gateway, ThreadPoolExecutor(2) as pool:
        sent = [pool.submit(gateway.send, text(serial)) for serial in range(2)]
        scripted.accept(scripted.read(), b"m1")
        [first, *_], _ = wait(sent, PATIENCE_S, FIRST_COMPLETED)
        assert first.result() == Accepted("m1")
        scripted.link.close()
        gateway.close()
        [second] = [each for each in sent if each is not first]
        assert isinstance(second.result(PATIENCE_S), Deferred)


def test_an_error_of_our_own_costs_the_link_and_no_more(
    scripted: Scripted, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    def fail(*_: object) -> None:
        raise KeyError("ours")

    with bound(scripted) as gateway:
        with monkeypatch.context() as patched:
            patched.setattr(Inbox, "deliver", fail)
            scripted.link.sendall(deliver(Message("1", "2", b"x")).write())
            scripted.link.close()
            scripted.bind()
        assert "KeyError: 'ours'" in caplog.text
        assert gateway.wait_until_bound(PATIENCE_S)


def test_a_gateway_that_was_never_started_defers_and_closes() -> None:
    gateway = SmppGateway(LINK, nothing, nothing, environ=ENVIRON)
    assert gateway.send(Outgoing("x:1", NUMBER, "a")) == Deferred(
        "the SMPP link is down: not started", why="down"
    )
    gateway.close()


def test_a_gateway_is_started_once(gateway: SmppGateway) -> None:
    with pytest.raises(RuntimeError, match="started already"):
        gateway.start()


def test_a_receipt_that_nobody_claims_does_not_hold_its_lane_for_good(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(inbox, "PATIENCE_S", 0.05)
    told: list[tuple[str, ...]] = []
    parts = Parts()
    box = Inbox(LINK, parts, nothing, nothing, lambda *each: told.append(each), None)
    box.start()
    with parts.sending("255712345678"):
        message = Message("255712345678", "2", RECEIPT, esm_class=4, source_ton=1)
        box.deliver(deliver(message), lambda *_: True)
        box.close()
    assert told == [("0012617184", "delivered", "", NUMBER)]
