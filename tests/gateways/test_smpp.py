"""SMPP against a peer that is not ours: the npm package `smpp` in a process of its own.

Without node or the npm registry these are skipped, unless REQUIRE_SMPP=required.
"""

from __future__ import annotations

import asyncio
import shutil
import subprocess
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from itertools import count
from typing import TYPE_CHECKING

import pytest
from smpp_peer.peer import PATIENCE_S, REQUIRED, NoPeerError, Peer, modules

from bot.exchange import Exchange, dialogue_of
from bot.gateways.base import Accepted, Deferred, Outgoing, Refused
from bot.gateways.smpp import SmppGateway, SmppLink
from bot.gateways.smpp.gateway import retry_delay
from bot.gateways.smpp.pdu import Command, Message, Pdu, submit_sm
from bot.reminders.sender import Sender
from bot.settings import Settings
from bot.wording.gsm import segments

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from bot.gateways.profiles import State
    from bot.store.growers import Store

NUMBER = "+255712345678"
TEXT = Outgoing(f"{NUMBER}:7", NUMBER, "Palilia leo & kesho")
SHORT = 0.3
"""Seconds of a timeout that a test waits for."""


@pytest.fixture(scope="module")
def npm() -> None:
    """Skip what needs a peer where there can be none."""
    try:
        modules()
    except NoPeerError as error:
        if REQUIRED:
            raise
        pytest.skip(str(error))


@pytest.fixture(scope="module")
def process(npm: None) -> Iterator[Peer]:  # noqa: ARG001 - it skips
    peer = Peer()
    yield peer
    peer.close()


@pytest.fixture
def peer(process: Peer) -> Peer:
    process.reset()
    return process


class Heard:
    """What the gateway called back with. `fail` makes the next texts fail, `hold` makes them wait."""

    def __init__(self) -> None:
        self.texts: list[tuple[str, str, str]] = []
        self.receipts: list[tuple[str, str, str, str]] = []
        self.steps: list[tuple[str, str, str]] = []
        self.screens: list[tuple[str, bool]] = []
        self.fail = 0
        self.hold: threading.Event | None = None
        self._changed = threading.Condition()

    def text(self, *told: str) -> None:
        with self._changed:
            self.texts.append(told)  # type: ignore[arg-type]
            self._changed.notify_all()
        if self.hold is not None:
            assert self.hold.wait(PATIENCE_S)
        if self.fail:
            self.fail -= 1
            raise RuntimeError("no store")

    def receipt(self, *told: str) -> None:
        with self._changed:
            self.receipts.append(told)  # type: ignore[arg-type]
            self._changed.notify_all()

    def step(self, *told: str) -> tuple[str, bool]:
        self.steps.append(told)  # type: ignore[arg-type]
        return self.screens.pop(0)

    def until(self, true: Callable[[], bool]) -> None:
        with self._changed:
            assert self._changed.wait_for(true, PATIENCE_S), (self.texts, self.receipts)


@pytest.fixture
def heard() -> Heard:
    return Heard()


class Opener:
    """Opens gateways to a peer, bound, and closes them. `waits` are those before each new try."""

    def __init__(self, heard: Heard) -> None:
        self.waits: list[float] = []
        self._heard = heard
        self._open: list[SmppGateway] = []

    def __call__(
        self,
        port: int,
        *,
        bound: bool = True,
        clock: Callable[[], float] = time.monotonic,
        **settings: object,
    ) -> SmppGateway:
        link = SmppLink("127.0.0.1", port, "fieldbell", "SMPP_PASSWORD", "12345", **settings)  # type: ignore[arg-type]
        heard = self._heard
        gateway = SmppGateway(
            link,
            heard.text,
            heard.receipt,
            heard.step if link.ussd else None,
            environ={"SMPP_PASSWORD": "secret08"},
            clock=clock,
            sleep=self._sleep,
        )
        gateway.start()
        self._open.append(gateway)
        if bound:
            assert gateway.wait_until_bound(PATIENCE_S), gateway.status
        return gateway

    async def _sleep(self, seconds: float) -> None:
        self.waits.append(seconds)
        await asyncio.sleep(0.01)

    def close(self) -> None:
        for gateway in self._open:
            gateway.close()


@pytest.fixture
def opened(heard: Heard) -> Iterator[Opener]:
    opener = Opener(heard)
    yield opener
    opener.close()
    left = [
        each.name for each in threading.enumerate() if each.name.startswith(("smpp", "asyncio"))
    ]
    assert left == []


def test_the_peer_reads_what_was_meant(peer: Peer, opened: Opener) -> None:
    gateway = opened(peer.port, system_type="farm", source_ton=5, source_npi=0)
    assert gateway.send(TEXT) == Accepted("m1")
    bind = peer.wait("bind")["pdu"]
    assert bind["command"] == "bind_transceiver"
    assert (bind["system_id"], bind["password"]) == ("fieldbell", "secret08")
    assert (bind["system_type"], bind["interface_version"]) == ("farm", 0x34)
    pdu = peer.wait("submit")["pdu"]
    assert (pdu["source_addr"], pdu["source_addr_ton"], pdu["source_addr_npi"]) == ("12345", 5, 0)
    assert (pdu["destination_addr"], pdu["dest_addr_ton"]) == ("255712345678", 1)
    assert (pdu["dest_addr_npi"], pdu["registered_delivery"]) == (1, 1)
    assert (pdu["data_coding"], pdu["esm_class"]) == (0, 0)
    assert pdu["short_message"] == TEXT.body


@pytest.mark.parametrize(
    "body",
    [
        "",
        "a" * 160,
        "a" * 161,
        "a" * 152 + "€" + "b" * 160,  # the pair would be cut at 153
        "[{}]" * 60,
        "ŋ" * 70,
        "ŋ" * 71,
        "ŋ" * 66 + "🌱" + "ŋ" * 70,  # the pair would be cut at 67
        "Ƙasa " * 100,
    ],
)
def test_parts_are_joined_to_the_text_by_another_reader(
    peer: Peer, opened: Opener, body: str
) -> None:
    gateway = opened(peer.port)
    assert gateway.send(Outgoing(f"{NUMBER}:300", NUMBER, body)) == Accepted("m1")
    pdus = [each["pdu"] for each in peer.all("submit")]
    assert len(pdus) == segments(body)
    assert "".join(pdu["short_message"] for pdu in pdus) == body
    if len(pdus) > 1:
        # 3GPP TS 23.040, 9.2.3.24.1: element 0, three octets, reference, total, place
        assert [pdu["udh"] for pdu in pdus] == [
            f"0003{300 % 256:02x}{len(pdus):02x}{place:02x}" for place in range(1, len(pdus) + 1)
        ]
    assert {pdu["esm_class"] for pdu in pdus} == {0x40 if len(pdus) > 1 else 0}


def test_a_long_text_goes_whole_where_the_peer_cuts_it(peer: Peer, opened: Opener) -> None:
    gateway = opened(peer.port, concatenation="payload")
    assert gateway.send(Outgoing("x:1", NUMBER, "neno " * 100)) == Accepted("m1")
    pdu = peer.wait("submit")["pdu"]
    assert pdu["message_payload"] == "neno " * 100
    assert not pdu["short_message"]


@pytest.mark.parametrize(
    ("status", "kind", "unreachable"),
    [  # SMPP v3.4 Issue 1.2, section 5.1.3
        (0x58, Deferred, None),  # ESME_RTHROTTLED
        (0x14, Deferred, None),  # ESME_RMSGQFUL
        (0x08, Deferred, None),  # ESME_RSYSERR
        (0x0A, Deferred, None),  # ESME_RINVSRCADR, the operator's to mend
        (0x45, Deferred, None),  # ESME_RSUBMITFAIL
        (0x40F, Deferred, None),  # the peer's own
        (0x0B, Refused, True),  # ESME_RINVDSTADR
        (0x01, Refused, False),  # ESME_RINVMSGLEN
    ],
)
def test_a_status_says_what_becomes_of_a_text(
    peer: Peer, opened: Opener, status: int, kind: type, *, unreachable: bool | None
) -> None:
    gateway = opened(peer.port)
    peer.behave(statuses=[status])
    outcome = gateway.send(TEXT)
    assert isinstance(outcome, kind)
    assert not isinstance(outcome, Accepted)
    assert getattr(outcome, "unreachable", None) == unreachable
    assert f"{status:#010x}" in outcome.reason


def test_without_an_answer_a_text_may_have_arrived(peer: Peer, opened: Opener) -> None:
    gateway = opened(peer.port, timeout_s=SHORT)
    peer.behave(unanswered=1)
    outcome = gateway.send(TEXT)
    assert isinstance(outcome, Deferred)
    assert "may have arrived" in outcome.reason
    assert gateway.send(TEXT) == Accepted("m2")
    assert peer.count("submit") == 2  # the one repeat there can be


def test_a_second_answer_that_never_comes_leaves_it_to_a_person(peer: Peer, opened: Opener) -> None:
    gateway = opened(peer.port, timeout_s=SHORT)
    peer.behave(unanswered=2)
    first, second = gateway.send(TEXT), gateway.send(TEXT)
    assert isinstance(first, Deferred)
    assert first.why == "unknown"
    assert isinstance(second, Refused)
    assert "was sent twice" in second.reason
    assert peer.count("submit") == 2


def test_an_answer_that_comes_too_late_is_found_by_the_next_try(peer: Peer, opened: Opener) -> None:
    gateway = opened(peer.port, timeout_s=SHORT)
    peer.behave(delay_ms=int(SHORT * 2000))
    assert isinstance(gateway.send(TEXT), Deferred)
    peer.wait("answered")
    peer.tell("enquire")  # answered only after what came before it has been read
    peer.wait("enquire_link_resp")
    assert gateway.send(TEXT) == Accepted("m1")
    assert peer.count("submit") == 1


def test_parts_that_were_taken_are_not_sent_again(peer: Peer, opened: Opener) -> None:
    gateway = opened(peer.port)
    text = Outgoing(f"{NUMBER}:9", NUMBER, "a" * 400)
    peer.behave(statuses=[0, 0x08])
    begun = gateway.send(text)
    assert isinstance(begun, Deferred)
    assert begun.why == "unknown"  # a part is there, so no other gateway may have the text
    assert gateway.send(text) == Accepted("m1")
    places = [each["pdu"]["udh"][-2:] for each in peer.all("submit")]
    assert places == ["01", "02", "02", "03"]


def test_a_lost_link_comes_back(peer: Peer, opened: Opener) -> None:
    gateway = opened(peer.port)
    peer.behave(drop=1)
    outcome = gateway.send(TEXT)
    assert isinstance(outcome, Deferred)
    assert "may have arrived" in outcome.reason
    peer.wait("bind", 2)
    assert gateway.wait_until_bound(PATIENCE_S)
    assert gateway.send(TEXT) == Accepted("m2")


def test_a_refused_bind_is_tried_again_ever_more_slowly(peer: Peer, opened: Opener) -> None:
    peer.behave(bind_status=0x0E)  # ESME_RINVPASWD
    gateway = opened(peer.port, bound=False)
    peer.wait("bind", 4)
    assert not gateway.status.bound
    assert "0xe" in gateway.status.reason
    assert isinstance(gateway.send(TEXT), Deferred)
    peer.behave(bind_status=0)
    assert gateway.wait_until_bound(PATIENCE_S)
    expected = [retry_delay(tries, 0) for tries in range(1, 5)]
    assert expected == [1, 2, 4, 8]
    for wait, longest in zip(opened.waits, expected, strict=False):
        assert longest / 2 <= wait <= longest


def test_a_link_that_held_for_long_is_tried_again_soon(peer: Peer, opened: Opener) -> None:
    hours = count(step=3600)
    opened(peer.port, clock=lambda: float(next(hours)))
    for times in range(2, 6):
        peer.tell("drop")
        peer.wait("bind", times)
        peer.tell("enquire")
        peer.wait("enquire_link_resp", times - 1)
    assert len(opened.waits) >= 4
    assert all(0.5 <= wait <= 1 for wait in opened.waits)


def test_with_nobody_there_a_text_is_deferred_at_once(opened: Opener) -> None:
    gateway = opened(1, bound=False)
    outcome = gateway.send(TEXT)
    assert isinstance(outcome, Deferred)
    assert "the SMPP link is down" in outcome.reason
    gateway.close()
    assert gateway.send(TEXT) == Deferred("the SMPP link is down: closed", why="down")


@pytest.mark.parametrize("form", ["tags", "text", "both"])
@pytest.mark.parametrize("when", ["after", "before", "twice"])
def test_a_receipt_tells_what_became_of_a_text(
    peer: Peer, opened: Opener, heard: Heard, when: str, form: str
) -> None:
    gateway = opened(peer.port)
    peer.behave(receipts=when, receipt=form)
    assert gateway.send(TEXT) == Accepted("m1")
    times = 2 if when == "twice" else 1
    peer.wait("receipt_answered", times)
    assert [each["status"] for each in peer.all("receipt_answered")] == [0] * times
    assert heard.receipts == [("m1", "delivered", "", NUMBER)] * times


@pytest.mark.parametrize("when", ["after", "before"])
def test_a_long_text_is_delivered_when_all_its_parts_are(
    peer: Peer, opened: Opener, heard: Heard, when: str
) -> None:
    gateway = opened(peer.port)
    peer.behave(receipts=when)
    assert gateway.send(Outgoing(f"{NUMBER}:9", NUMBER, "a" * 400)) == Accepted("m1")
    peer.wait("receipt_answered", 3)
    assert heard.receipts == [("m1", "delivered", "", NUMBER)]


@pytest.mark.parametrize(
    ("stat", "error", "state"),
    [
        ("UNDELIV", "011", "failed"),
        ("UNDELIV", "0B", "unreachable"),
        ("EXPIRED", "000", "failed"),
        ("REJECTD", "000", "failed"),
        ("DELETED", "000", "failed"),
        ("UNKNOWN", "000", "failed"),
        ("ENROUTE", "000", None),
        ("ACCEPTD", "000", None),
    ],
)
def test_a_receipt_of_a_failure_says_why(  # noqa: PLR0913, PLR0917 - fixtures
    peer: Peer, opened: Opener, heard: Heard, stat: str, error: str, state: str | None
) -> None:
    gateway = opened(peer.port, unreachable_errors=["0B"])
    peer.behave(receipts="after", receipt="both", stat=stat, error=error)
    gateway.send(TEXT)
    peer.wait("receipt_answered")
    expected = [("m1", state, f"{stat} {error}", NUMBER)] if state else []
    assert heard.receipts == expected


@pytest.mark.parametrize(
    ("octets", "coding", "text"),
    [
        (b"Ndiyo \x00 1\x1be", 0, "Ndiyo @ 1€"),
        (b"abc", 1, "abc"),
        ("café".encode("latin-1"), 3, "café"),
        ("Ƙasa 🌱".encode("utf-16-be"), 8, "Ƙasa 🌱"),
        ("Ƙasa".encode("utf-16-be") + b"\x00", 8, "Ƙasa\ufffd"),
        ("да".encode("iso8859_5"), 6, "да"),
        (b"1", 0xF1, "1"),
        (b"1", 99, "1"),
        (b"", 0, ""),
    ],
)
def test_a_text_arrives_in_any_coding(  # noqa: PLR0913, PLR0917 - fixtures
    peer: Peer, opened: Opener, heard: Heard, octets: bytes, coding: int, text: str
) -> None:
    opened(peer.port)
    peer.tell("deliver", name="a", pdu=delivery(octets, data_coding=coding))
    assert peer.wait("delivered")["status"] == 0
    assert [told[:2] for told in heard.texts] == [(NUMBER, text)]


def delivery(octets: bytes, **rest: object) -> dict[str, object]:
    return {
        "source_addr": "255712345678",
        "source_addr_ton": 1,
        "source_addr_npi": 1,
        "destination_addr": "12345",
        "short_message": octets.hex(),
        **rest,
    }


@pytest.mark.parametrize("by", ["header", "wide header", "tags"])
def test_parts_that_arrive_in_any_order_and_twice_are_one_text(
    peer: Peer, opened: Opener, heard: Heard, by: str
) -> None:
    opened(peer.port)
    whole = "Ƙasa 🌱 kasa".encode("utf-16-be")
    pieces = {1: whole[:11], 2: whole[11:13], 3: whole[13:]}  # within a letter, too
    for order, place in enumerate((3, 1, 3, 2), start=1):
        pdu = delivery(pieces[place], data_coding=8)
        if by == "tags":
            pdu |= {"sar_msg_ref_num": 700, "sar_total_segments": 3, "sar_segment_seqnum": place}
        else:
            head = bytes([0, 3, 9, 3, place]) if by == "header" else bytes([8, 4, 2, 9, 3, place])
            octets = bytes([len(head)]) + head + pieces[place]
            pdu |= {"esm_class": 0x40, "short_message": octets.hex()}
        peer.tell("deliver", name=str(order), pdu=pdu)
    peer.wait("delivered", 4)
    assert [told[:2] for told in heard.texts] == [(NUMBER, "Ƙasa 🌱 kasa")]


def test_a_text_nobody_could_take_is_delivered_again_as_the_same(
    peer: Peer, opened: Opener, heard: Heard
) -> None:
    opened(peer.port)
    heard.fail = 1
    for name in ("first", "again"):
        peer.tell("deliver", name=name, pdu=delivery(b"1"))
    peer.wait("delivered", 2)
    assert [each["status"] for each in peer.all("delivered")] == [0x64, 0]  # ESME_RX_T_APPN
    first, again = heard.texts
    assert first == again


def test_the_last_part_delivered_again_completes_the_text_again_only_if_it_was_not_taken(
    peer: Peer, opened: Opener, heard: Heard
) -> None:
    opened(peer.port)
    heard.fail = 1
    for name, place in (("1", 1), ("2", 2), ("2 again", 2), ("2 once more", 2)):
        octets = bytes([5, 0, 3, 9, 2, place]) + b"ab"
        pdu = delivery(octets, esm_class=0x40)
        peer.tell("deliver", name=name, pdu=pdu)
    peer.wait("delivered", 4)
    assert [each["status"] for each in peer.all("delivered")] == [0, 0x64, 0, 0]
    failed, taken = heard.texts
    assert failed == taken
    assert taken[:2] == (NUMBER, "abab")


def test_a_text_whose_answer_was_lost_with_the_link_is_known_when_it_comes_again(
    peer: Peer, opened: Opener, heard: Heard
) -> None:
    gateway = opened(peer.port)
    heard.hold = threading.Event()
    peer.tell("deliver", name="first", pdu=delivery(b"1"))
    heard.until(lambda: len(heard.texts) == 1)
    peer.tell("drop")
    peer.wait("bind", 2)
    assert gateway.wait_until_bound(PATIENCE_S)
    heard.hold.set()
    peer.tell("deliver", name="again", pdu=delivery(b"1"))
    peer.wait("delivered")
    first, again = heard.texts
    assert first == again


def test_a_text_answered_just_before_the_link_broke_is_known_when_it_comes_again(
    peer: Peer, opened: Opener, heard: Heard
) -> None:
    gateway = opened(peer.port)
    peer.tell("deliver", name="first", pdu=delivery(b"1"))
    peer.wait("delivered")
    peer.tell("drop")
    peer.wait("bind", 2)
    assert gateway.wait_until_bound(PATIENCE_S)
    peer.tell("deliver", name="again", pdu=delivery(b"1"))
    peer.wait("delivered", 2)
    first, again = heard.texts
    assert first == again


def test_the_same_words_twice_are_two_texts(peer: Peer, opened: Opener, heard: Heard) -> None:
    """Even one right behind the other, as after an outage."""
    opened(peer.port)
    octets = submit_sm(Message("255712345678", "12345", b"1", source_ton=1)).body
    pdus = [Pdu(Command.DELIVER_SM, 0, 900 + place, octets).write() for place in range(20)]
    peer.tell("raw", hex=b"".join(pdus).hex())
    heard.until(lambda: len(heard.texts) == 20)
    assert {told[:2] for told in heard.texts} == {(NUMBER, "1")}
    assert len({told[2] for told in heard.texts}) == 20


def test_texts_of_one_number_keep_their_order(peer: Peer, opened: Opener, heard: Heard) -> None:
    opened(peer.port)
    for place in range(50):
        peer.tell("deliver", name="a", pdu=delivery(f"{place}".encode()))
    peer.wait("delivered", 50)
    assert [told[1] for told in heard.texts] == [str(place) for place in range(50)]


def test_each_side_asks_whether_the_other_is_there(peer: Peer, opened: Opener) -> None:
    opened(peer.port, enquire_s=0.05, timeout_s=SHORT)
    peer.tell("enquire")
    peer.wait("enquire_link_resp")
    peer.wait("enquire_link", 3)
    peer.behave(silent_links=True)
    peer.wait("bind", 2)
    assert opened.waits


def test_a_peer_that_takes_leave_is_called_again(peer: Peer, opened: Opener) -> None:
    gateway = opened(peer.port)
    peer.tell("unbind")
    peer.wait("unbind_resp")
    peer.wait("bind", 2)
    assert gateway.wait_until_bound(PATIENCE_S)
    assert gateway.send(TEXT) == Accepted("m1")


def test_closing_waits_for_texts_in_flight_and_takes_leave(peer: Peer, opened: Opener) -> None:
    gateway = opened(peer.port)
    peer.behave(delay_ms=200)
    with ThreadPoolExecutor(5) as pool:
        texts = [Outgoing(f"{NUMBER}:{serial}", NUMBER, "neno") for serial in range(1, 6)]
        outcomes = [pool.submit(gateway.send, text) for text in texts]
        peer.wait("submit", 5)
        gateway.close()
        assert all(isinstance(each.result(), Accepted) for each in outcomes)
    peer.wait("unbind")


def test_many_threads_each_get_their_own_answer(peer: Peer, opened: Opener, heard: Heard) -> None:
    gateway = opened(peer.port, window=20)
    peer.behave(receipts="after")
    numbers = [f"+2557{place:08}" for place in range(300)]
    with ThreadPoolExecutor(30) as pool:
        outcomes = pool.map(lambda to: gateway.send(Outgoing(f"{to}:1", to, to)), numbers)
        given = {
            to: outcome.reference
            for to, outcome in zip(numbers, outcomes, strict=True)
            if isinstance(outcome, Accepted)
        }
    said = {f"+{each['pdu']['destination_addr']}": each["id"] for each in peer.all("submit")}
    assert given == said
    heard.until(lambda: len(heard.receipts) == len(numbers))
    assert {number: reference for reference, _, _, number in heard.receipts} == given


@pytest.mark.parametrize(("by", "service_type"), [("op", ""), ("both", "USSD")])
def test_a_ussd_session_from_the_code_to_the_last_screen(
    peer: Peer, opened: Opener, heard: Heard, by: str, service_type: str
) -> None:
    """SMPP v3.4 Issue 1.2, 5.3.2.44: 1 PSSR indication, 2 USSR request, 18 USSR confirm, 17 PSSR
    response; 5.3.2.43: session number, then a count in the upper bits and the end in the lowest.
    """
    opened(peer.port, ussd=by)
    heard.screens = [("Shamba lina nini?\n1 Nyasi", True), ("Asante", False)]
    steps = ((1, b"*123#", "2a00"), (18, b"1", "2a02"))
    for times, (op, text, info) in enumerate(steps, start=1):
        extra = {"ussd_service_op": op, "its_session_info": info}
        peer.tell("deliver", name=str(op), pdu=delivery(text, **extra))
        peer.wait("submit", times)
    session = f"{NUMBER}/42"
    assert heard.steps == [(session, NUMBER, ""), (session, NUMBER, "1")]
    ask, last = (each["pdu"] for each in peer.all("submit"))
    assert (ask["short_message"], ask["ussd_service_op"]) == ("Shamba lina nini?\n1 Nyasi", 2)
    assert (last["short_message"], last["ussd_service_op"]) == ("Asante", 17)
    assert (ask["its_session_info"], last["its_session_info"]) == ("2a02", "2a05")
    assert {each["service_type"] for each in (ask, last)} == {service_type}
    assert {each["destination_addr"] for each in (ask, last)} == {"255712345678"}
    assert {each["source_addr"] for each in (ask, last)} == {"12345"}
    assert heard.texts == []


def test_a_ussd_session_told_by_its_service_type_alone(
    peer: Peer, opened: Opener, heard: Heard
) -> None:
    opened(peer.port, ussd="service_type")
    heard.screens = [("1 Ndiyo", True), ("Asante", False)]
    for times, text in enumerate((b"*123#", b"1"), start=1):
        peer.tell("deliver", name="a", pdu=delivery(text, service_type="USSD"))
        peer.wait("submit", times)
    assert heard.steps == [(NUMBER, NUMBER, ""), (NUMBER, NUMBER, "1")]
    assert [each["pdu"]["service_type"] for each in peer.all("submit")] == ["USSD", "USSD"]
    assert all("ussd_service_op" not in each["pdu"] for each in peer.all("submit"))


def test_a_screen_that_is_refused_is_told_in_the_log(
    peer: Peer, opened: Opener, heard: Heard, caplog: pytest.LogCaptureFixture
) -> None:
    opened(peer.port, ussd="op")
    heard.screens = [("1 Ndiyo", True)]
    peer.behave(statuses=[0x0B])
    peer.tell("deliver", name="a", pdu=delivery(b"*123#", ussd_service_op=0))
    peer.wait("submit")
    peer.tell("enquire")
    peer.wait("enquire_link_resp")
    opened.close()
    assert "a USSD screen was refused: status 0x0000000b" in caplog.text
    assert peer.wait("submit")["pdu"]["ussd_service_op"] == 2


def test_who_hangs_up_gets_no_screen(peer: Peer, opened: Opener, heard: Heard) -> None:
    opened(peer.port, ussd="op")
    extra = {"ussd_service_op": 18, "its_session_info": "2a03"}
    peer.tell("deliver", name="a", pdu=delivery(b"", **extra))
    assert peer.wait("delivered")["status"] == 0
    assert heard.steps == []


@pytest.mark.parametrize(
    ("sent", "nack", "enquire_s"),
    [
        # Half a header: what comes next is read as the other half.
        ("00000010", 0x03, SHORT),
        # Half a body, and then nothing.
        ("00000020000000050000000000000001ff", None, PATIENCE_S),
        # Shorter than a header, and longer than anything: ESME_RINVCMDLEN. Then "GET / HTTP/1.1".
        ("0000000f000000150000000000000001", 0x02, PATIENCE_S),
        ("7fffffff000000050000000000000001", 0x02, PATIENCE_S),
        ("474554202f20485454502f312e310d0a", 0x02, PATIENCE_S),
    ],
)
def test_a_peer_that_loses_its_place_is_left_and_called_again(
    peer: Peer, opened: Opener, sent: str, nack: int | None, enquire_s: float
) -> None:
    gateway = opened(peer.port, timeout_s=SHORT, enquire_s=enquire_s)
    peer.tell("raw", hex=sent)
    peer.wait("bind", 2)
    assert {each["status"] for each in peer.all("generic_nack")} == ({nack} if nack else set())
    assert gateway.wait_until_bound(PATIENCE_S)
    assert isinstance(gateway.send(TEXT), Accepted)


@pytest.mark.parametrize("command", ["00000103", "00000021", "0000ffff"])
def test_a_request_we_do_not_know_is_nacked_and_the_link_goes_on(
    peer: Peer, opened: Opener, command: str
) -> None:
    gateway = opened(peer.port)
    peer.tell("raw", hex=f"00000012{command}000000000000000affff")
    nack = peer.wait("generic_nack")
    assert (nack["status"], nack["sequence"]) == (0x03, 10)  # ESME_RINVCMDID
    assert gateway.send(TEXT) == Accepted("m1")
    assert peer.count("bind") == 1


def test_answers_nobody_asked_for_are_left_aside(peer: Peer, opened: Opener) -> None:
    gateway = opened(peer.port)
    for command in ("80000004", "80000000", "80000015", "80000009", "8000ffff", "00000102"):
        peer.tell("raw", hex=f"00000010{command}0000000000777777")
    assert gateway.send(TEXT) == Accepted("m1")
    assert peer.count("bind") == 1


def test_a_grower_is_answered_and_the_delivery_is_known(peer: Peer, store: Store) -> None:
    settings = Settings()
    exchange = Exchange(store, dialogue_of(settings), settings, time.time)

    def on_text(number: str, text: str, message_id: str) -> None:
        exchange.answer(number, text, message_id=message_id, queue=True)

    def on_receipt(reference: str, state: State, reason: str, number: str) -> None:
        exchange.receipt(number, state, reference=reference, reason=reason)

    link = SmppLink("127.0.0.1", peer.port, "fieldbell", "SMPP_PASSWORD", "12345")
    gateway = SmppGateway(link, on_text, on_receipt, environ={"SMPP_PASSWORD": "secret08"})
    gateway.start()
    try:
        assert gateway.wait_until_bound(PATIENCE_S)
        peer.behave(receipts="after")
        peer.tell("deliver", name="a", pdu=delivery(b"habari"))
        assert peer.wait("delivered")["status"] == 0
        Sender(store, gateway, exchange.compose, settings, time.time).deliver(NUMBER)
        assert peer.wait("receipt_answered")["status"] == 0
    finally:
        gateway.close()
    lines = [(line.what, line.reference) for line in store.lines(NUMBER)]
    assert sorted(lines) == [("delivered", "m1"), ("heard", ""), ("sent", "m1")]


@pytest.fixture(scope="module")
def certificate(
    npm: None,  # noqa: ARG001 - it skips
    tmp_path_factory: pytest.TempPathFactory,
) -> tuple[Path, Path]:
    """A key and its certificate for 127.0.0.1, signed by itself."""
    openssl = shutil.which("openssl")
    if openssl is None:
        pytest.skip("openssl is not installed")
    folder = tmp_path_factory.mktemp("tls")
    key, cert = folder / "key.pem", folder / "cert.pem"
    subprocess.run(
        [
            *(openssl, "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256"),
            *("-nodes", "-days", "2", "-subj", "/CN=peer", "-addext"),
            *("subjectAltName=IP:127.0.0.1", "-keyout", str(key), "-out", str(cert)),
        ],
        check=True,
        capture_output=True,
    )
    return key, cert


def test_tls_only_with_a_certificate_that_is_trusted(
    certificate: tuple[Path, Path], opened: Opener, heard: Heard
) -> None:
    peer = Peer(*certificate)
    try:
        stranger = opened(peer.port, bound=False, tls=True)
        peer.wait("error")
        assert isinstance(stranger.send(TEXT), Deferred)
        stranger.close()
        assert peer.count("bind") == 0
        gateway = opened(peer.port, tls=True, tls_ca=str(certificate[1]))
        peer.behave(receipts="after")
        assert gateway.send(Outgoing(f"{NUMBER}:8", NUMBER, "a" * 400)) == Accepted("m1")
        heard.until(lambda: len(heard.receipts) == 1)
        gateway.close()
        peer.wait("unbind")
    finally:
        opened.close()
        peer.close()
