"""Against the real `gammu-smsd` and its own dummy phone, whose messages are files of a folder.

What the phone was given is read from what the daemon tells a program it runs after each text
(gammu-smsd-run(7)), so gammu's own decoder says what would have gone on the air.
"""

from __future__ import annotations

import os
import resource
import shutil
import signal
import subprocess
import sys
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bot.gateways.base import Accepted, Deferred, Outgoing, Refused
from bot.gateways.modem import MOST_WAITING, Modem, ModemError, ModemGateway
from bot.gateways.reading import Incoming, Report
from bot.wording.gsm import segments, split

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

NUMBER = "+255712345678"
OTHER = "+255712345679"
TEXT = Outgoing(f"{NUMBER}:7", NUMBER, "Palilia leo.")
SAVED = "OUTB_+255712345678_+255712345678%3A7.txt"
NOW = 1_795_600_000.0

needs_daemon = pytest.mark.skipif(
    shutil.which("gammu-smsd") is None and os.environ.get("REQUIRE_MODEM") != "required",
    reason="needs Debian's gammu-smsd; REQUIRE_MODEM=required makes this a failure",
)


class Office:
    """A folder with a gateway, and a daemon with a phone that can be started and killed."""

    def __init__(self, folder: Path, timeout_s: float = 20.0) -> None:
        self.folder = folder
        self.modem = Modem(folder, "TZ", timeout_s=timeout_s)
        self.gateway = ModemGateway(self.modem)
        self.phone = folder / "phone" / "sms" / "1"
        self.phone.mkdir(parents=True)
        self.daemon: subprocess.Popen[bytes] | None = None
        (folder / "told").mkdir()
        written = folder / "gammu-smsdrc"
        configuration = written.read_text(encoding="utf-8")
        assert "connection = at\n" in configuration
        dummy = "connection = none\nmodel = dummy\n"
        told = f"runonsent = env -0 > {folder}/told/$$; true"
        configuration = configuration.replace("connection = at\n", dummy)
        configuration = configuration.replace("port = /dev/ttyUSB0", f"port = {folder}/phone")
        configuration = configuration.replace("commtimeout = 1", "commtimeout = 0")
        written.write_text(f"{configuration}receivefrequency = 0\n{told}\n", encoding="utf-8")

    def start(self, locale: str = "C.UTF-8") -> None:
        command = ["gammu-smsd", "-c", f"{self.folder}/gammu-smsdrc"]
        self.daemon = subprocess.Popen(
            [*command, "-p", f"{self.folder}/smsd.pid"],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            env={**os.environ, "LC_ALL": locale},
        )
        until(self.gateway.running)

    def stop(self, how: signal.Signals = signal.SIGTERM) -> None:
        if self.daemon is not None:
            self.daemon.send_signal(how)
            self.daemon.wait(timeout=30)
            self.daemon = None

    def told(self) -> list[dict[str, str]]:
        """What the phone was given, a text each in the order sent; once the daemon has stopped."""
        files = sorted((self.folder / "told").iterdir(), key=lambda path: path.stat().st_mtime_ns)
        given = [path.read_text(encoding="utf-8").split("\0") for path in files]
        return [dict(line.split("=", 1) for line in each if line) for each in given]

    def receive(self, place: int, *parts: str) -> None:
        """Put a message into the phone, whole at once, as the network would."""
        message = self.phone / f".{place}"
        message.write_text("".join(parts), encoding="ascii")
        message.rename(self.phone / str(place))

    def poll(self) -> list[Incoming | Report]:
        taken: list[Incoming | Report] = []

        def take(what: Incoming | Report) -> bool:
            taken.append(what)
            return True

        assert self.gateway.poll(take, take) == len(taken)
        return taken

    def received(self, wanted: int) -> list[Incoming | Report]:
        taken: list[Incoming | Report] = []
        until(lambda: len(taken) >= wanted or bool(taken.extend(self.poll())))
        return taken


def until(come: Callable[[], bool]) -> None:
    deadline = time.monotonic() + 30
    while not come():
        assert time.monotonic() < deadline, "it did not come"
        time.sleep(0.05)


def message(text: str | bytes, number: str = NUMBER, **fields: str) -> str:
    """A message as gammu writes it (gammu-smsbackup(5))."""
    units = text if isinstance(text, bytes) else text.encode("utf-16-be")
    lines = {
        "PDU": "Deliver",
        "DateTime": "20261125T190000Z",
        "State": "UnRead",
        "Number": f'"{number.encode("ascii", "replace").decode()}"',
        "NumberUnicode": number.encode("utf-16-be").hex().upper(),
        "Text00": units.hex().upper(),
        "Coding": "Unicode_No_Compression",
        "Folder": "1",
        "Length": str(len(units) // 2),
        "Class": "-1",
        **fields,
        "MessageReference": fields.get("MessageReference", "0"),
    }
    written = [f"{key} = {each}" for key, each in lines.items()]
    return "\n".join(["[SMSBackup000]", *written, "", ""])


def part(text: str | bytes, place: int, total: int) -> str:
    return message(text, UDH=f"0500032A{total:02X}{place:02X}")


@pytest.fixture
def office(tmp_path: Path) -> Iterator[Office]:
    office = Office(tmp_path / "modem")
    yield office
    office.stop()


# --- With the real daemon.


@needs_daemon
@pytest.mark.parametrize(
    "body",
    [
        "Habari, palilia leo [shamba] {2} kwa €5.",
        "Déjà planté à 30 °C ? Répondez",
        "Ɗan Adam, ƙasa ta yi laushi 🌱",
        "Palilia shamba lako leo kabla ya mvua. " * 9,
        "Ɗan Adam 🌱 ƙasa " * 12,
    ],
)
def test_a_text_leaves_as_it_is_written_in_the_parts_it_is_paid_for(
    office: Office, body: str
) -> None:
    office.start()
    assert office.gateway.send(Outgoing(TEXT.id, NUMBER, body)) == Accepted("255")
    office.stop()
    [told] = office.told()
    parts = [told[f"SMS_{place}_TEXT"] for place in range(1, int(told["SMS_MESSAGES"]) + 1)]
    assert "".join(parts) == body
    assert len(parts) == segments(body)
    assert told["SMS_1_NUMBER"] == NUMBER


@needs_daemon
def test_texts_of_many_senders_leave_once_each_and_a_growers_in_order(office: Office) -> None:
    office.start()
    numbers = [f"+25571234567{digit}" for digit in range(3)]

    def serve(number: str) -> list[object]:
        return [
            office.gateway.send(Outgoing(f"{number}:{serial}", number, f"text {serial}"))
            for serial in (9, 10)
        ]

    with ThreadPoolExecutor(3) as threads:
        assert list(threads.map(serve, numbers)) == [[Accepted("255")] * 2] * 3
    office.stop()
    for number in numbers:
        texts = [each["SMS_1_TEXT"] for each in office.told() if each["SMS_1_NUMBER"] == number]
        assert texts == ["text 9", "text 10"]


@needs_daemon
def test_a_text_handed_over_twice_leaves_once(office: Office) -> None:
    office.start()
    assert office.gateway.send(TEXT) == Accepted("255")
    assert ModemGateway(office.modem).send(TEXT) == Accepted("255")
    office.stop()
    assert office.gateway.send(TEXT) == Accepted("255")
    assert len(office.told()) == 1


@needs_daemon
def test_neither_the_daemons_locale_nor_an_odd_id_changes_a_text(office: Office) -> None:
    office.start(locale="C")
    body = "Déjà planté ƙasa " * 7
    assert office.gateway.send(Outgoing("a_b/../c d_$(e)%;:1", NUMBER, body)) == Accepted("255")
    office.stop()
    [told] = office.told()
    assert told["SMS_1_NUMBER"] == NUMBER
    assert int(told["SMS_MESSAGES"]) == segments(body)


@needs_daemon
def test_a_sender_killed_as_it_waits_sends_its_text_once(office: Office) -> None:
    office.start()
    assert office.daemon is not None
    office.daemon.send_signal(signal.SIGSTOP)  # so that the text is still there when we are killed
    program = (
        "import sys; from pathlib import Path; from bot.gateways.base import Outgoing;"
        "from bot.gateways.modem import Modem, ModemGateway;"
        "ModemGateway(Modem(Path(sys.argv[1]), 'TZ')).send(Outgoing(*sys.argv[2:]))"
    )
    arguments = [str(office.folder), TEXT.id, TEXT.to, TEXT.body]
    with subprocess.Popen([sys.executable, "-c", program, *arguments]) as sender:
        until((office.folder / "outbox" / SAVED).exists)
        sender.kill()
    office.daemon.send_signal(signal.SIGCONT)
    assert office.gateway.send(TEXT) == Accepted("255")
    office.stop()
    assert [each["SMS_1_TEXT"] for each in office.told()] == [TEXT.body]


@needs_daemon
def test_a_killed_daemon_takes_up_where_it_was(office: Office) -> None:
    office.start()
    assert office.gateway.send(TEXT) == Accepted("255")
    office.stop(signal.SIGKILL)
    down = office.gateway.send(Outgoing(f"{NUMBER}:8", NUMBER, "next"))
    assert isinstance(down, Deferred)
    assert f"start it with: gammu-smsd -c {office.folder}/gammu-smsdrc" in down.reason
    assert list((office.folder / "outbox").iterdir()) == []
    office.receive(1, message("Ndiyo"))
    office.start()
    assert office.gateway.send(Outgoing(f"{NUMBER}:8", NUMBER, "next")) == Accepted("255")
    [text] = office.received(1)
    assert isinstance(text, Incoming)
    assert (text.number, text.text) == (NUMBER, "Ndiyo")
    office.stop()
    assert [each["SMS_1_TEXT"] for each in office.told()] == [TEXT.body, "next"]


@needs_daemon
def test_a_daemon_that_hangs_leaves_nothing_behind_in_its_outbox(tmp_path: Path) -> None:
    office = Office(tmp_path / "modem", timeout_s=0.5)
    office.start()
    assert office.daemon is not None
    try:
        office.daemon.send_signal(signal.SIGSTOP)
        assert office.gateway.send(TEXT) == Deferred(
            "the modem did not send the text in 0.5 s", why="unknown"
        )
        assert list((office.folder / "outbox").iterdir()) == []
    finally:
        office.daemon.send_signal(signal.SIGCONT)
        office.stop()


@needs_daemon
def test_texts_arrive_with_their_parts_joined_and_their_letters(office: Office) -> None:
    spoof = 'Ndiyo\n[SMSBackup001]\rNumberUnicode = 002B0031\n\nMessageReference = 1\n\n; "é€ 🌱'
    long = "Nimepanda ƙasa 🌱 " * 6
    units = long.encode("utf-16-be")
    cut = units.rindex("🌱".encode("utf-16-be")) + 2  # within a letter of two units
    office.receive(1, message(spoof))
    office.receive(2, part(units[cut:], 2, 2))
    office.receive(3, part(units[:cut], 1, 2))
    office.receive(4, message("jana", OTHER))
    office.start()
    taken = office.received(3)
    assert sorted((each.number, each.text) for each in taken if isinstance(each, Incoming)) == (
        sorted([(NUMBER, spoof), (NUMBER, long), (OTHER, "jana")])
    )
    assert len({each.id for each in taken if isinstance(each, Incoming)}) == 3
    assert list((office.folder / "inbox").iterdir()) == []
    assert list((office.folder / "aside").iterdir()) == []


@needs_daemon
@pytest.mark.parametrize(("said", "state"), [("Delivered", "delivered"), ("Failed", "failed")])
def test_a_report_names_the_text_it_is_on(office: Office, said: str, state: str) -> None:
    office.start()
    for text in (Outgoing(f"{OTHER}:3", OTHER, "x"), TEXT):
        assert office.gateway.send(text) == Accepted("255")
    report = {"PDU": "Status_Report", "MessageReference": "255"}
    office.receive(1, message("Pending", **report))
    office.receive(2, message(said, **{**report, "MessageReference": "254"}))
    office.receive(3, message(said, **report))
    [taken] = office.received(1)
    assert isinstance(taken, Report)
    assert (taken.number, taken.state, taken.serial, taken.id_number) == (NUMBER, state, 7, NUMBER)
    until(lambda: not office.poll() and not list((office.folder / "inbox").iterdir()))


# --- With files as the daemon leaves them.


def leave(office: Office, name: str, content: str | bytes) -> Path:
    path = office.folder / "inbox" / name
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return path


def test_without_a_daemon_nothing_is_queued(office: Office) -> None:
    stale = office.folder / "outbox" / SAVED
    stale.write_text("from before a crash")
    (office.folder / "smsd.pid").write_text(str(os.getpid()))  # a number that is another's now
    outcome = office.gateway.send(TEXT)
    assert isinstance(outcome, Deferred)
    assert "does not run" in outcome.reason
    assert not stale.exists()


@pytest.mark.parametrize("to", ["", "0712345678", "+25571234567a", "+2557/../../x", "+" + "1" * 16])
def test_a_number_that_cannot_be_dialled_is_refused(office: Office, to: str) -> None:
    assert isinstance(office.gateway.send(Outgoing("a:1", to, "x")), Refused)


class Running(ModemGateway):
    """As if a daemon ran that never looks into its outbox."""

    def running(self) -> bool:
        return True


def test_a_text_the_modem_could_not_send_is_tried_again_later(office: Office) -> None:
    gateway = Running(office.modem)
    configured = (office.folder / "gammu-smsdrc").read_text(encoding="utf-8")
    [failure] = [line for line in configured.split("\n") if line.startswith("runonfailure = ")]
    command = failure.removeprefix("runonfailure = ")

    def fail() -> None:
        until((office.folder / "outbox" / SAVED).exists)
        # The daemon appends the name and gives the whole to a shell (gammu-smsdrc(5)).
        subprocess.run(["sh", "-c", f"{command} {SAVED}"], check=True)  # noqa: S607

    daemon = threading.Thread(target=fail)
    daemon.start()
    outcome = gateway.send(TEXT)
    daemon.join()
    assert isinstance(outcome, Deferred)
    assert "could not send" in outcome.reason
    assert not list((office.folder / "error").iterdir())  # else it would pass for a second failure


def test_a_full_outbox_takes_no_more(office: Office) -> None:
    for number in range(MOST_WAITING):
        (office.folder / "outbox" / f"OUTB_+{number}_x.txt").touch()
    outcome = Running(office.modem).send(TEXT)
    assert outcome == Deferred("the modem has too many texts to send", why="busy")


def test_a_full_disk_defers_and_leaves_no_half_of_a_text(office: Office) -> None:
    limits = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (4, limits[1]))  # writing fails after 4 bytes
    try:
        outcome = Running(office.modem).send(TEXT)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, limits)
    assert outcome == Deferred("the modem's folder cannot be used: File too large", why="down")
    assert list((office.folder / "outbox").iterdir()) == []


def test_a_folder_that_is_gone_is_no_exception(office: Office) -> None:
    gateway = Running(office.modem)
    for name in ("inbox", "outbox", "sent"):
        (office.folder / name).rmdir()
        (office.folder / name).touch()
    outcome = gateway.send(TEXT)
    assert isinstance(outcome, Deferred)
    assert "Not a directory" in outcome.reason
    assert office.poll() == []


def test_a_text_is_deleted_only_when_it_was_taken(office: Office) -> None:
    names = [f"IN{number}.txt" for number in range(3)]
    for name, number in zip(names, (NUMBER, NUMBER, OTHER), strict=True):
        leave(office, name, message(name, number))
    seen: list[str] = []

    def fails(text: Incoming) -> bool:
        seen.append(text.text)
        if text.number == NUMBER:
            raise RuntimeError("a record that cannot be read")
        return True

    def nothing(_: Incoming | Report) -> bool:
        return False

    assert office.gateway.poll(nothing, nothing) == 0
    assert office.gateway.poll(fails, nothing) == 1
    assert seen == [names[0], names[2]]  # the second waits for the first, the other's does not
    assert [each.text for each in office.poll() if isinstance(each, Incoming)] == names[:2]
    assert office.poll() == []


def test_a_text_saved_again_after_a_crash_has_the_same_id(office: Office) -> None:
    leave(office, "IN20261125_190000_00_+255712345678_00.txt", message("1"))
    leave(office, "IN20261125_190000_01_+255712345678_00.txt", message("1"))
    leave(office, "IN20261125_190000_02_+255712345678_00.txt", message("2"))
    leave(office, "IN20261125_190001_00_+255712345678_00.txt", message("1", DateTime="later"))
    first, again, other, later = (each.id for each in office.poll() if isinstance(each, Incoming))
    assert first == again
    assert len({first, other, later}) == 3


def test_a_text_half_written_is_left_until_it_is_whole(office: Office) -> None:
    whole = part("kwa", 1, 2) + part("nza", 2, 2)
    path = leave(office, "IN1.txt", whole[:-1])
    assert office.poll() == []
    path.write_text(whole[: len(whole) // 2])
    assert office.poll() == []
    path.write_text(whole)
    assert [each.text for each in office.poll() if isinstance(each, Incoming)] == ["kwanza"]


def test_what_is_never_completed_is_taken_as_it_is_or_put_aside(office: Office) -> None:
    for name, content in (("IN1.txt", part("nza", 2, 2)), ("IN2.txt", message("x")[:-1])):
        path = leave(office, name, content)
        os.utime(path, (NOW, NOW))
    assert [each.text for each in office.poll() if isinstance(each, Incoming)] == ["nza"]
    assert [path.name.partition("-")[2] for path in aside(office)] == ["IN2.txt"]


def aside(office: Office) -> list[Path]:
    return list((office.folder / "aside").iterdir())


@pytest.mark.parametrize(
    "content",
    [
        message("promo", "MPROMO"),
        message("ad", "15543"),
        message(b"\x01\x02", Coding="8bit"),
        message("x", UDH="zz"),
        message("x", NumberUnicode="D800"),
        b"\x00" * 100,
        b"a" * 300_000,
    ],
)
def test_what_is_no_growers_text_is_put_aside(office: Office, content: str | bytes) -> None:
    os.utime(leave(office, "IN1.txt", content), (NOW, NOW))
    leave(office, "IN2.txt", message("1"))
    assert len(office.poll()) == 1
    assert len(aside(office)) == 1
    assert list((office.folder / "inbox").iterdir()) == []


def test_hostile_names_are_put_aside_unread(office: Office) -> None:
    inbox = os.fsencode(office.folder / "inbox")
    for name in (b"\xff\xfe; rm -rf", b"a" * 255, b"..\n%s"):
        Path(os.fsdecode(inbox + b"/" + name)).touch()
        os.utime(inbox + b"/" + name, (NOW, NOW))
    os.mkfifo(inbox + b"/IN1")  # opened, it would wait for ever
    (office.folder / "inbox" / "IN2").symlink_to("/etc/passwd")
    (office.folder / "inbox" / "IN3").mkdir()
    assert office.poll() == []
    assert len(aside(office)) == 6


@given(content=st.binary(max_size=300) | st.text(max_size=300).map(lambda text: text.encode()))
@settings(max_examples=60, deadline=None)
def test_no_content_is_an_exception(
    content: bytes, tmp_path_factory: pytest.TempPathFactory
) -> None:
    folder = tmp_path_factory.mktemp("modem")
    gateway = ModemGateway(Modem(folder, "TZ"))
    inbox = folder / "inbox" / "IN1.txt"
    for around in (content, b"[SMSBackup000]\nMessageReference = 0\nText00 = " + content + b"\n\n"):
        inbox.write_bytes(around)
        os.utime(inbox, (NOW, NOW))
        assert gateway.poll(lambda _: True, lambda _: True) == 0
        assert not inbox.exists()


@given(
    text=st.builds(
        str.__mul__,
        st.text(st.characters(exclude_characters="\0", exclude_categories=["Cs"]), max_size=40),
        st.integers(1, 30),
    )
)
@settings(max_examples=60, deadline=None)
def test_any_text_comes_out_of_its_parts(
    text: str, tmp_path_factory: pytest.TempPathFactory
) -> None:
    folder = tmp_path_factory.mktemp("modem")
    gateway = ModemGateway(Modem(folder, "TZ"))
    parts = split(text)
    written = [part(each, place, len(parts)) for place, each in enumerate(parts, 1)]
    (folder / "inbox" / "IN1.txt").write_text("".join(reversed(written)))
    taken: list[str] = []
    assert gateway.poll(lambda each: not taken.append(each.text), lambda _: True) == 1
    assert taken == [text]


def test_old_files_are_swept_away(office: Office) -> None:
    names = ("sent/OUTB_+1_old.txt", "sent/OUTB_+1_new.txt", "outbox/OUTB_+1_orphan.txt")
    for name in names:
        (office.folder / name).touch()
    for name, age in zip(names, (4 * 24 * 3600, 3600, 3600), strict=True):
        os.utime(office.folder / name, (time.time() - age, time.time() - age))
    office.poll()
    assert [name for name in names if (office.folder / name).exists()] == [names[1]]


def test_the_operators_configuration_is_left_alone(office: Office) -> None:
    (office.folder / "gammu-smsdrc").write_text("PIN = 1234")
    ModemGateway(office.modem)
    assert (office.folder / "gammu-smsdrc").read_text() == "PIN = 1234"


def test_a_folder_the_daemon_could_not_read_the_name_of_is_an_error(tmp_path: Path) -> None:
    with pytest.raises(ModemError, match="without spaces"):
        ModemGateway(Modem(tmp_path / "my modem", "TZ"))
    (tmp_path / "file").touch()
    with pytest.raises(ModemError, match="Not a directory"):
        ModemGateway(Modem(tmp_path / "file" / "modem", "TZ"))
