"""A profile leads to the gateway it describes, and what arrives by it to the exchange."""

from __future__ import annotations

import threading
from typing import TYPE_CHECKING

import pytest
from test_modem import message

from bot import data
from bot.exchange import Exchange
from bot.gateways import opening
from bot.gateways.base import Deferred, Outgoing
from bot.gateways.http import HttpGateway
from bot.gateways.modem import ModemGateway
from bot.gateways.opening import opened, opened_all
from bot.gateways.profiles import ProfileError, read_profile
from bot.receiving import Receiver
from bot.settings import Settings
from bot.store.errors import StoreUnavailable

if TYPE_CHECKING:
    from pathlib import Path

    from bot.store.growers import Store

NUMBER = "+255712345601"
NINE = 1_772_431_200.0


class Heard:
    """Keeps what it is given; a fault in `failures` is raised instead."""

    def __init__(self) -> None:
        self.texts: list[tuple[str, str, str | None]] = []
        self.reports: list[tuple[str, str, dict[str, str | int]]] = []
        self.failures: list[Exception] = []
        self.news = threading.Condition()

    def text(self, number: str, text: str, message_id: str | None) -> None:
        with self.news:
            if self.failures:
                raise self.failures.pop()
            self.texts.append((number, text, message_id))
            self.news.notify_all()

    def report(self, number: str, state: str, **told: str | int) -> None:
        with self.news:
            self.reports.append((number, state, told))
            self.news.notify_all()

    def step(self, session: str, number: str, text: str) -> tuple[str, bool]:
        return f"{session} {number} {text}", False


def profile(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "gateway.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_a_profile_of_web_requests_opens_that(tmp_path: Path) -> None:
    with opened(read_profile("plain-json"), Heard(), "TZ") as gateway:
        assert isinstance(gateway, HttpGateway)
    assert read_profile("plain-json").at_once == 1
    del tmp_path


def test_a_modem_is_opened_and_what_it_brings_is_taken(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(opening, "POLL_S", 0.05)
    heard = Heard()
    heard.failures.append(StoreUnavailable("gone for a moment"))
    path = profile(tmp_path, f'[modem]\nfolder = "{tmp_path}/modem"\n')
    with opened(read_profile(str(path)), heard, "TZ") as gateway:
        assert isinstance(gateway, ModemGateway)
        inbox = tmp_path / "modem" / "inbox"
        (inbox / "IN20260302_090000_00_+255712345601_00.smsbackup").write_text(
            message("habari", NUMBER), encoding="utf-8"
        )
        with heard.news:
            assert heard.news.wait_for(lambda: heard.texts, timeout=30)
    assert [(number, text) for number, text, _ in heard.texts] == [(NUMBER, "habari")]
    assert heard.texts[0][2]
    assert not any(thread.name == "modem" for thread in threading.enumerate())


def test_what_two_gateways_bring_is_kept_apart(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(opening, "POLL_S", 0.05)
    heard = Heard()
    profiles = {}
    for name in ("one", "two"):
        path = tmp_path / f"{name}.toml"
        path.write_text(f'[modem]\nfolder = "{tmp_path}/{name}"\n', encoding="utf-8")
        profiles[name] = read_profile(str(path))
    with opened_all(profiles, heard, "TZ") as router:
        for name in profiles:
            inbox = tmp_path / name / "inbox"
            (inbox / "IN20260302_090000_00_+255712345601_00.smsbackup").write_text(
                message("habari", NUMBER), encoding="utf-8"
            )
        with heard.news:
            assert heard.news.wait_for(lambda: len(heard.texts) == 2, timeout=30)
        down = router.send(Outgoing(f"{NUMBER}:1", NUMBER, "x"))
    ids = sorted(each or "" for _, _, each in heard.texts)
    assert [each.partition("/")[0] for each in ids] == [ids[0], "two"]
    assert ids[1] == f"two/{ids[0]}"
    assert isinstance(down, Deferred)
    assert down.reason.startswith("one: the modem's daemon does not run")
    assert "; two: the modem's daemon does not run" in down.reason


def test_reports_of_two_gateways_name_theirs_and_of_one_alone_none() -> None:
    for names, expected in ((["one"], [""]), (["one", "two"], ["one", "two"])):
        heard = Heard()
        profiles = {name: read_profile("plain-json") for name in names}
        for name in names:
            opening.heard_by(heard, name, profiles).report(NUMBER, "delivered", reference="7")
        assert [told["gateway"] for _, _, told in heard.reports] == expected


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("[modem]\nfoldr = 'x'\n", "folder"),
        ("[modem]\n", "folder"),
        ("[smpp]\nhots = 'x'\n", "host"),
        ("[smpp]\nhost = 'x'\nport = 'y'\n", "port"),
        ("at_once = 0\n[modem]\nfolder = 'x'\n", "at_once"),
        ("[modem]\nfolder = 'x'\n[smpp]\nhost = 'x'\n", "one"),
    ],
)
def test_a_slip_in_a_profile_is_said(tmp_path: Path, text: str, said: str) -> None:
    with (
        pytest.raises(ProfileError, match=said),
        opened(read_profile(str(profile(tmp_path, text))), Heard(), "TZ"),
    ):
        pass


def test_what_arrives_goes_to_the_exchange(store: Store) -> None:
    exchange = Exchange(store, data.dialogue(), Settings(), lambda: NINE)
    receiver = Receiver(exchange)
    receiver.text("0712345601", "hello", "m-1")
    receiver.text("255712345601", "hello", "m-1")  # delivered again
    grower = store.load(NUMBER).grower
    assert [text.kind for text in grower.waiting] == ["reply"]
    screen, more = receiver.step("s-1", NUMBER, "")
    assert more
    assert screen
    receiver.report(NUMBER, "delivered", reference="nothing we sent")
    for number in ("", "Fieldbell", "12"):
        receiver.text(number, "hello", None)
        receiver.report(number, "failed", serial=1)
        assert receiver.step("s-1", number, "1") == ("", False)
    assert list(store.growers()) == [NUMBER]
