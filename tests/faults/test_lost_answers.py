"""Answers of Redis that are lost on their way: what they were about is done, and done once."""

from __future__ import annotations

from collections import Counter
from datetime import UTC, datetime
from threading import Event
from typing import TYPE_CHECKING, Any

import pytest
import redis
from redis.connection import AbstractConnection

from bot import data
from bot.dialogue.records import Grower, enqueue
from bot.exchange import Exchange
from bot.gateways.base import Accepted, Outgoing
from bot.reminders.sender import Sender
from bot.reminders.spreading import Spreader
from bot.settings import Settings
from bot.store.connecting import connect
from bot.store.errors import StoreUnavailable
from bot.store.groups import Groups
from bot.store.growers import NEW, Commit, Store
from bot.store.rounds import Round, Rounds
from bot.store.scripts import script

if TYPE_CHECKING:
    from collections.abc import Iterator

    from deployments import Deployment

A = "+255712345678"
NINE = datetime(2026, 3, 2, 6, 0, tzinfo=UTC).timestamp()  # 09:00 in Dar es Salaam
GROUP = "Mirindi North"


@pytest.fixture(params=["redis_server", "sentinels", "cluster"])
def redis_kind(request: pytest.FixtureRequest) -> str:
    return str(request.param)


class Line:
    """The way to Redis and back. It loses the next `losing` answers to what has `word` in it."""

    def __init__(self) -> None:
        self.losing = 0
        self.word = b""
        self.lost = 0

    def lose(self, word: bytes, times: int = 1) -> None:
        self.word, self.losing = word, times


@pytest.fixture
def line(monkeypatch: pytest.MonkeyPatch) -> Line:
    line = Line()
    send, read = AbstractConnection.send_packed_command, AbstractConnection.read_response
    concerned: set[int] = set()

    def sending(self: Any, command: Any, *args: Any, **options: Any) -> None:  # noqa: ANN401
        written = b"".join(command) if isinstance(command, list) else command
        if line.losing and line.word in written:
            concerned.add(id(self))
        send(self, command, *args, **options)

    def reading(self: Any, *args: Any, **options: Any) -> Any:  # noqa: ANN401
        answer = read(self, *args, **options)
        if id(self) in concerned:  # it came, so Redis has done it
            concerned.discard(id(self))
            line.losing -= 1
            line.lost += 1
            self.disconnect()
            raise redis.ConnectionError("the answer was lost")
        return answer

    monkeypatch.setattr(AbstractConnection, "send_packed_command", sending)
    monkeypatch.setattr(AbstractConnection, "read_response", reading)
    return line


@pytest.fixture
def store(deployment: Deployment) -> Iterator[Store]:
    """An empty store over a client as the commands make one."""
    with connect(deployment.url) as client:
        client.flushall()
        store = Store(client, lambda: NINE)
        client.script_load(
            script("commit.lua")
        )  # on every primary, as it is after any commit there
        store.commit("+255700000000", NEW, Grower(), due=None)
        store.claim(0, 1, 64)
        yield store


def exchange(store: Store) -> Exchange:
    return Exchange(store, data.dialogue(), Settings(), lambda: NINE)


def test_a_text_is_answered_once(store: Store, line: Line) -> None:
    line.lose(b"EVALSHA")
    said = exchange(store).answer(A, "hello", message_id="m-1")
    assert line.lost == 1
    assert store.load(A).commits == 1
    assert Counter(each.what for each in store.texts(A)) == {"heard": 1, "sent": 1}
    assert exchange(store).answer(A, "hello", message_id="m-1").replies == said.replies


def test_a_text_that_was_refused_and_comes_again_is_answered_once(store: Store, line: Line) -> None:
    line.lose(b"EVALSHA", times=3)
    with pytest.raises(StoreUnavailable):
        exchange(store).answer(A, "hello", message_id="m-1")
    said = exchange(store).answer(A, "hello", message_id="m-1")
    assert line.lost == 3
    assert said.repeated
    assert "1 English" in said.replies[0]
    assert store.load(A).commits == 1
    assert [each.what for each in store.texts(A)] == ["heard", "sent"]


class Taking:
    """A gateway that takes all."""

    def __init__(self) -> None:
        self.taken: list[Outgoing] = []

    def send(self, text: Outgoing) -> Accepted:
        self.taken.append(text)
        return Accepted("ref")


def sender(store: Store, gateway: Taking) -> Sender:
    return Sender(store, gateway, exchange(store).compose, Settings(), lambda: NINE)


@pytest.mark.parametrize("others", [0, 3])
def test_a_text_is_sent_and_written_down_once(store: Store, line: Line, others: int) -> None:
    """With other growers in the batch, the commit comes back with the next one's record."""
    numbers = [A, *(f"+25571234560{each}" for each in range(others))]
    for number in numbers:
        grower = enqueue(Grower(language="sw", group=GROUP), ["Habari", "Kwaheri"], "reply")
        assert store.commit(number, NEW, grower, due=NINE - 1)
    gateway = Taking()
    begun = Event()

    def send(text: Outgoing) -> Accepted:
        if text.id.startswith(A) and not begun.is_set():
            begun.set()
            line.lose(b"EVALSHA", times=2)
        return Taking.send(gateway, text)

    gateway.send = send  # type: ignore[method-assign]
    working = sender(store, gateway)
    # Whose answer was lost might have been marked by another sender; they are left, and come next.
    while working.tick():
        pass
    assert line.lost == 2
    assert Counter(each.id for each in gateway.taken) == Counter(
        f"{number}:{serial}" for number in numbers for serial in (1, 2)
    )
    for number in numbers:
        assert [each.serial for each in store.texts(number)] == [1, 2]
    day = datetime.fromtimestamp(NINE, UTC).date()
    tally = Groups(store.redis).tallies([day])[day]
    assert tally["sent", "reply", GROUP] == 2 * len(numbers)
    assert sender(store, gateway).tick() == 0


@pytest.mark.parametrize("word", [b"EVALSHA", b"EXEC"])
def test_everyone_of_a_round_is_told_and_counted_once(
    store: Store, line: Line, word: bytes
) -> None:
    numbers = [f"+2557123{each:05d}" for each in range(90)]
    groups, rounds = Groups(store.redis), Rounds(store.redis)
    groups.named(GROUP)
    grower = Grower(language="sw", group=GROUP)
    assert store.commit_many([Commit(each, NEW, grower, None) for each in numbers]) == []
    one = Round("r1", "M", "x", 1, (GROUP,), texts={"sw": "Habari"}, rate=60_000, state="running")
    rounds.shelf.add("r1", one)
    spreader = Spreader(store, groups, rounds, data.dialogue(), Settings(), lambda: NINE)
    assert spreader.tick()  # by now it holds its lock
    for _ in range(200):
        if not line.losing and line.lost < 8:
            line.lose(word)
        try:
            if not spreader.tick():
                break
        except StoreUnavailable:
            continue
    assert line.lost == 8
    line.losing = 0
    while spreader.tick():
        pass
    one = rounds.shelf.find("r1")
    assert one is not None
    assert one.state == "finished"
    for number in numbers:
        assert [each.body for each in store.load(number).grower.waiting] == ["Habari"]
    counts = rounds.progress("r1", "send").counts
    assert counts == {"chosen": 90, "language:sw": 90, "segments:sw": 90}
    spreader.release()
