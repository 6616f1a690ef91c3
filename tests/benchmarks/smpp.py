"""Texts over SMPP, each with its receipt, to a peer that is not ours.

The peer is the npm package `smpp` in a process of its own. First the gateway alone, against a
bare socket; then a whole sender with its store, against the gateway alone.
"""

from __future__ import annotations

import socket
import struct
import threading
from concurrent.futures import ThreadPoolExecutor
from statistics import median
from time import perf_counter
from typing import TYPE_CHECKING

from bot.demo import BEGIN
from bot.gateways.base import Accepted, Outgoing
from bot.gateways.smpp import SmppGateway, SmppLink
from bot.gateways.smpp.pdu import Command, Message, Pdu, bind_transceiver, submit_sm
from bot.store.connecting import connect
from bot.store.groups import Groups
from tests.benchmarks.rounds import fill, sent
from tests.benchmarks.table import Row
from tests.gateways.smpp_peer.peer import Peer

if TYPE_CHECKING:
    from bot.gateways.reading import Report

GOAL = 1000
"""Texts a second that one sender must reach, each answered and its receipt in the store."""

WINDOW = 50
BODY = "Shamba la kaskazini: palilia leo. Jibu 1 ukimaliza."
PATIENCE_S = 30.0


def rows(url: str, texts: int, rounds: int) -> list[Row]:
    """Send so many texts in each round: by a sender, by the gateway alone, and bare, in turn.

    Raises `NoPeerError`.
    """
    peer = Peer()
    sender, gateway, bare = [], [], []
    try:
        peer.behave(receipts="after", again=True, quiet=True)
        for _ in range(rounds):
            sender.append(_by_sender(url, peer.port, texts))
            gateway.append(texts / _by_gateway(peer.port, texts))
            bare.append(texts / _bare(peer.port, texts))
    finally:
        peer.close()
    return [
        Row(
            f"SMPP with receipts, {WINDOW} threads",
            "a bare socket, same peer",
            median(gateway),
            median(bare),
            median(one / other for one, other in zip(gateway, bare, strict=True)),
            "texts/s",
        ),
        Row(
            "SMPP with receipts, 1 sender",
            "the gateway without a store",
            median(sender),
            median(gateway),
            median(one / other for one, other in zip(sender, gateway, strict=True)),
            "texts/s",
            f"at least {GOAL:,}/s",
            median(sender) / GOAL,
        ),
    ]


def _by_sender(url: str, port: int, texts: int) -> float:
    """A round to so many growers by a process of its own; texts a second to the last receipt."""
    with connect(url) as client:
        client.flushdb()
        fill(client, texts)
        rate = sent(url, texts, port)[0]
        counts = Groups(client).tallies([BEGIN.date()])[BEGIN.date()]
        client.flushdb()
    counted = {what: count for (what, *_), count in counts.items()}
    if (counted["sent"], counted["delivered"]) != (texts, texts):
        raise RuntimeError(f"not every text and receipt is in the store: {counted}")
    return rate


def _by_gateway(port: int, texts: int) -> float:
    """Seconds from the first text to the last receipt."""
    receipts: list[Report] = []
    done = threading.Event()

    def on_receipts(told: list[Report]) -> None:
        receipts.extend(told)
        if len(receipts) >= texts:
            done.set()

    link = SmppLink("127.0.0.1", port, "fieldbell", "PASSWORD", "12345", window=WINDOW)
    gateway = SmppGateway(link, print, on_receipts, environ={"PASSWORD": "secret08"})
    gateway.start()
    try:
        if not gateway.wait_until_bound(PATIENCE_S):
            raise RuntimeError(f"the peer does not bind: {gateway.status.reason}")
        queue = [Outgoing(f"+2557{place:08}:1", f"+2557{place:08}", BODY) for place in range(texts)]
        with ThreadPoolExecutor(WINDOW) as pool:
            began = perf_counter()
            outcomes = list(pool.map(gateway.send, queue))
            arrived = done.wait(PATIENCE_S)
            took = perf_counter() - began
        if not arrived or not all(isinstance(each, Accepted) for each in outcomes):
            raise RuntimeError("a text or its receipt was lost, and speed means nothing")
        return took
    finally:
        gateway.close()


def _bare(port: int, texts: int) -> float:
    """The same by one thread that keeps the window full and answers what it must."""
    body = submit_sm(Message("12345", "255712345678", BODY.encode(), registered_delivery=1)).body
    with socket.create_connection(("127.0.0.1", port)) as link:
        link.sendall(bind_transceiver("fieldbell", "secret08", "", 0, 0).write())
        began = perf_counter()
        read, sent, answered, receipts = b"", 0, 0, 0
        while receipts < texts:
            more = link.recv(65_536)
            if not more:
                raise RuntimeError("the peer closed the connection")
            read += more
            at, out = 0, []
            while len(read) - at >= 16:
                length, command, _, sequence = struct.unpack_from(">IIII", read, at)
                if len(read) - at < length:
                    break
                at += length
                answered += command == 0x80000004  # submit_sm_resp
                if command == Command.DELIVER_SM:
                    receipts += 1
                    out.append(Pdu(command, 0, sequence).response().write())
            read = read[at:]
            while sent < texts and sent - answered < WINDOW:
                sent += 1
                out.append(Pdu(Command.SUBMIT_SM, 0, sent, body).write())
            link.sendall(b"".join(out))
        return perf_counter() - began
