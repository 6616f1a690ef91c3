from __future__ import annotations

import shutil
from datetime import date
from typing import TYPE_CHECKING

import pytest
from msgspec.structs import replace
from talks import ENGLISH

from bot import data
from bot.dialogue.records import Grower, Turn

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from bot.dialogue.loading import Flows
    from bot.dialogue.records import Channel
    from bot.dialogue.turn import Dialogue
    from bot.wording.languages import Language

MONDAY = date(2026, 3, 2)


class Phone:
    """A grower with a phone: sends texts, gets replies, and keeps the grower between them."""

    def __init__(
        self, dialogue: Dialogue, grower: Grower | None = None, channel: Channel = "sms"
    ) -> None:
        self.dialogue = dialogue
        self.grower = grower or Grower()
        self.channel: Channel = channel
        self.today = MONDAY
        self.turn = Turn((), self.grower)

    def send(self, *texts: str) -> str:
        """Send texts one after the other; the reply to the last one, as one text."""
        for text in texts:
            self.turn = self.dialogue.turn(self.grower, text, self.today, self.channel)
            self.grower = self.turn.grower
        return "\n".join(self.turn.replies)

    def remind(self, today: date) -> str:
        """Let a day come; the reminder that is put in the queue on it, or nothing."""
        self.today = today
        before = len(self.grower.waiting)
        self.grower = self.dialogue.remind(self.grower, today)
        texts = [each.body for each in self.grower.waiting[before:]]
        self.grower = replace(self.grower, waiting=self.grower.waiting[:before])
        return "\n".join(texts)

    @property
    def state(self) -> str:
        """Where the conversation stands, such as "clearing.cover"; empty when nowhere."""
        session = self.grower.session
        return f"{session.flow}.{session.state}" if session else ""


@pytest.fixture(scope="session")
def flows() -> Flows:
    """The flows as shipped."""
    return data.flows()


@pytest.fixture(scope="session")
def languages() -> dict[str, Language]:
    """The languages as shipped."""
    return data.languages()


@pytest.fixture(scope="session")
def dialogue() -> Dialogue:
    """The conversation as shipped."""
    return data.dialogue()


@pytest.fixture
def phone(dialogue: Dialogue) -> Phone:
    """A phone whose number nobody has met."""
    return Phone(dialogue)


@pytest.fixture
def planned(phone: Phone) -> Phone:
    """A phone whose owner has just got a plan, on Monday 2 March 2026."""
    phone.send(*ENGLISH)
    return phone


@pytest.fixture
def flow_folder(tmp_path: Path) -> Path:
    """A copy of the flow files, to spoil."""
    copy = tmp_path / "flows"
    shutil.copytree(str(data.folder("flows")), copy)
    return copy


@pytest.fixture
def edit(flow_folder: Path) -> Callable[[str, str, str], None]:
    """Change a text in a copied flow file; the text must stand there once."""

    def change(name: str, old: str, new: str) -> None:
        file = flow_folder / name
        text = file.read_text(encoding="utf-8")
        assert text.count(old) == 1, f"{old!r} stands {text.count(old)} times in {name}"
        file.write_text(text.replace(old, new), encoding="utf-8")

    return change
