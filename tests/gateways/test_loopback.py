from __future__ import annotations

from bot.gateways.base import Accepted, Deferred, Outgoing, Refused
from bot.gateways.loopback import Delivered, LoopbackGateway

FIRST = Outgoing("+255712345678:1", "+255712345678", "Habari")
SECOND = Outgoing("+255712345678:2", "+255712345678", "ya shamba?")


def test_texts_are_kept_with_their_time_and_told() -> None:
    times = iter([10.0, 20.0])
    heard: list[Delivered] = []
    gateway = LoopbackGateway(lambda: next(times), heard.append)
    assert gateway.send(FIRST) == Accepted(FIRST.id)
    assert gateway.send(SECOND) == Accepted(SECOND.id)
    assert gateway.ledger == heard == [Delivered(FIRST, 10.0), Delivered(SECOND, 20.0)]


def test_a_repeat_is_accepted_but_not_delivered() -> None:
    gateway = LoopbackGateway(lambda: 0.0)
    for _ in range(3):
        assert gateway.send(FIRST) == Accepted(FIRST.id)
    assert (len(gateway.ledger), gateway.repeats) == (1, 2)


def test_it_fails_as_told() -> None:
    gateway = LoopbackGateway(lambda: 0.0)
    gateway.failures += [Deferred("busy", 5.0), Refused("no such number")]
    assert gateway.send(FIRST) == Deferred("busy", 5.0)
    assert gateway.send(FIRST) == Refused("no such number")
    assert gateway.ledger == []
    assert gateway.send(FIRST) == Accepted(FIRST.id)
