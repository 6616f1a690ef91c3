"""A modem in a village office, reached through the daemon of Debian's `gammu-smsd`.

The daemon talks to the modem and exchanges files with us (gammu-smsd-files(7)). It is set up by
a file that is written on first use, `gammu-smsdrc` in the modem's folder, to which the operator
may add (a PIN, the modem's speed), and is run by the user that runs Fieldbell:

    gammu-smsd -c FOLDER/gammu-smsdrc -p FOLDER/smsd.pid

A text is handed over when the daemon has sent it, not when it has been queued: so it never lies
in a queue of which the sender knows nothing, through a night or past a STOP, and a grower's texts
keep their order. Its file is named by its id. A text sent again after a crash is found where the
daemon has put it and is not sent twice. Sent twice are, once: a text the daemon was sending when
it was killed, and one that it took longer over than `timeout_s`.

What arrives is left in the inbox until it has been taken.
"""

from __future__ import annotations

import hashlib
import logging
import os
import re
import stat
import time
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING
from urllib.parse import quote, unquote

from bot.gateways.base import Accepted, Deferred, Outcome, Outgoing, Refused
from bot.gateways.numbers import masked, read_number
from bot.gateways.reading import Incoming, Report, Unreadable

if TYPE_CHECKING:
    from collections.abc import Callable

    from bot.gateways.base import Why
    from bot.gateways.profiles import State

    OnText = Callable[[Incoming], bool]
    OnReceipt = Callable[[Report], bool]

log = logging.getLogger(__name__)

# Without RunOnFailure the daemon would send a text that fails, and those of its parts that do
# not, again every second, with all other texts behind it.
CONFIGURATION = """\
# Written once by Fieldbell; yours to add to. See gammu-smsdrc(5).
[gammu]
port = {port}
connection = at

[smsd]
service = files
logfile = {folder}/smsd.log
inboxpath = {folder}/inbox/
outboxpath = {folder}/outbox/
sentsmspath = {folder}/sent/
errorsmspath = {folder}/error/
inboxformat = detail
transmitformat = auto
deliveryreport = sms
commtimeout = 1
receivefrequency = 2
runonfailure = cd {folder}/outbox && mv -f -t {folder}/error --
"""

MOST_WAITING = 8
"""Texts in the outbox at once: a modem sends one in a few seconds, and each has its timeout."""

LOOK_S = 0.2
SWEEP_S = 60.0
SETTLED_S = 10.0
"""Seconds after which a file that is not whole is taken for all there will ever be."""

KEEP_S = 3 * 24 * 3600
"""How long it is known that a text was sent: until its report has come, or been given up."""

LARGEST = 256 * 1024
"""Bytes of a file worth reading; 255 parts, the most a text can have, take less."""

_LOG_TAIL = 64 * 1024
_E164 = re.compile(r"\+[0-9]{7,15}")
_NAME = re.compile(r"OUTB_\+[0-9]+_([^_]+)\.txt")
_OUR_ID = re.compile(r"(\+[0-9]{7,15}):([0-9]{1,9})")
_SENT = re.compile(r"ref ([0-9]*)\n")
_FOLDER = re.compile(r"[A-Za-z0-9_./+-]+")
_REPORTS: dict[str, State] = {"Delivered": "delivered", "Failed": "failed"}


class ModemError(ValueError):
    """A modem that cannot be used as set; the message says why and what to write instead."""


@dataclass(frozen=True, slots=True)
class Modem:
    """Where a modem's files are, the device it is, and how long it may take over a text.

    `country` (ISO 3166) is for numbers without their country code. `timeout_s` is best left: it
    is room for a text in two parts on a bad day (the daemon gives each 30 s), and within a
    sender's lease.
    """

    folder: Path
    country: str
    port: str = "/dev/ttyUSB0"
    timeout_s: float = 60.0


class ModemGateway:
    """Sends and receives by one modem; any number of threads and processes may do so at once.

    The folders and the daemon's configuration are made if they are missing. Raises `ModemError`
    where they cannot be, or the daemon could not read their names. `clock` gives UTC epoch
    seconds.
    """

    def __init__(self, modem: Modem, clock: Callable[[], float] = time.time) -> None:
        folder = modem.folder.absolute()
        if not _FOLDER.fullmatch(str(folder)):
            raise ModemError(f"the modem's folder {folder} must have a name without spaces")
        self._modem = modem
        self._clock = clock
        self._folder = folder
        self._inbox, self._outbox, self._sent, self._error, self._aside = (
            folder / name for name in ("inbox", "outbox", "sent", "error", "aside")
        )
        self._swept = 0.0
        try:
            for each in (self._inbox, self._outbox, self._sent, self._error, self._aside):
                each.mkdir(mode=0o700, parents=True, exist_ok=True)
            with suppress(FileExistsError), (folder / "gammu-smsdrc").open("x") as file:
                file.write(CONFIGURATION.format(folder=folder, port=modem.port))
        except OSError as error:
            raise ModemError(f"the modem's folder {folder}: {error.strerror}") from error

    def send(self, text: Outgoing) -> Outcome:
        """Give a text to the daemon and wait until it has sent it, or could not."""
        if not _E164.fullmatch(text.to):
            return Refused("the number is not one that a modem can dial")
        name = f"OUTB_{text.to}_{quote(text.id, safe='+').replace('_', '%5F')}.txt"
        try:
            return self._sending(name, text.body)
        except OSError as error:
            return _unusable(error, "unknown")

    def _sending(self, name: str, body: str) -> Outcome:
        queued = self._outbox / name
        if (self._sent / name).exists():
            return Accepted(self._reference(name))
        if not self.running():
            queued.unlink(missing_ok=True)  # or it would leave whenever the daemon is started
            command = f"gammu-smsd -c {self._folder}/gammu-smsdrc -p {self._folder}/smsd.pid"
            return Deferred(
                f"the modem's daemon does not run; start it with: {command}", why="down"
            )
        if not queued.exists():
            if len(list(self._outbox.glob("OUT*"))) >= MOST_WAITING:
                return Deferred("the modem has too many texts to send", why="busy")
            # With its byte order mark, UTF-16 is read whatever the daemon's locale.
            try:
                _write(queued, body.encode("utf-16", "replace"))
            except OSError as error:
                return _unusable(error, "down")
        reason = "the modem could not send the text; smsd.log in its folder says why"
        deadline = time.monotonic() + self._modem.timeout_s
        while queued.exists():
            if time.monotonic() >= deadline:
                queued.unlink(missing_ok=True)
                reason = f"the modem did not send the text in {self._modem.timeout_s:g} s"
                break
            time.sleep(LOOK_S)
        if (self._sent / name).exists():
            return Accepted(self._reference(name))
        (self._error / name).unlink(missing_ok=True)
        # A part of it may have left, or the modem have sent it and not said so.
        return Deferred(reason, why="unknown")

    def running(self) -> bool:
        """Whether the daemon runs: its pid file may have outlived it, and the number be another's."""
        try:
            pid = int((self._folder / "smsd.pid").read_text(encoding="ascii"))
            return Path(f"/proc/{pid}/comm").read_text(encoding="utf-8") == "gammu-smsd\n"
        except (OSError, ValueError):
            return False

    def _reference(self, name: str) -> str:
        """Return the network's number for a sent text, 0 to 255, or "" where it is not known.

        Reports name a text by it. The daemon tells it in its log only, so it is kept in the
        sent text's file, in place of the text.
        """
        sent = self._sent / name
        with suppress(OSError):
            if known := _SENT.fullmatch(sent.read_text(encoding="ascii", errors="replace")):
                return known[1]
        reference = ""
        with suppress(OSError):
            with (self._folder / "smsd.log").open("rb") as file:
                file.seek(max(0, file.seek(0, os.SEEK_END) - _LOG_TAIL))
                tail = file.read().decode("utf-8", "replace")
            told = rf"Transmitted {re.escape(name)} \(total: .*message reference 0x([0-9a-f]{{2}})$"
            found = re.findall(told, tail, re.MULTILINE)
            reference = str(int(found[-1], 16)) if found else ""
            _write(sent, f"ref {reference}\n".encode("ascii"))
        return reference

    def poll(self, on_text: OnText, on_receipt: OnReceipt) -> int:
        """Give what has arrived to `on_text` and `on_receipt`; return how much they took.

        What they take is deleted. When they return False, it cannot be taken now: the rest waits
        too. When they raise, that grower's texts wait, and those of others do not. A text may be
        given again after a crash, under the same id. What cannot be read is put into `aside`.
        """
        self._sweep()
        taken = 0
        held: set[str] = set()
        for path in self._waiting():
            try:
                read = self._read(path)
                if isinstance(read, Unreadable):
                    self._put_aside(path, read.reason)
                if read is None or isinstance(read, Unreadable) or read.number in held:
                    continue
                if isinstance(read, Report) and read.state is None:
                    path.unlink(missing_ok=True)
                    continue
                try:
                    took = on_text(read) if isinstance(read, Incoming) else on_receipt(read)
                except Exception:
                    log.exception("taking what %s sent failed; it waits", masked(read.number))
                    held.add(read.number)
                    continue
                if not took:
                    break
                taken += 1
                path.unlink(missing_ok=True)
            except OSError as error:
                log.warning("a file in the modem's inbox stays there: %s", error.strerror)
        return taken

    def _waiting(self) -> list[Path]:
        try:
            return sorted(self._inbox.iterdir())  # their names begin with the time
        except OSError as error:
            log.warning("the modem's inbox cannot be read: %s", error.strerror)
            return []

    def _read(self, path: Path) -> Incoming | Report | Unreadable | None:
        """Read a file, or None if it is not whole yet."""
        status = path.lstat()
        if not stat.S_ISREG(status.st_mode) or status.st_size > LARGEST:
            return Unreadable("not a text's file")
        parts = _parts(path.read_bytes())
        if len(parts) < max((part.total for part in parts), default=1):
            if abs(self._clock() - status.st_mtime) < SETTLED_S:
                return None
            if not parts:
                return Unreadable("not a text in gammu's detailed format")
        parts.sort(key=lambda part: part.place)
        first = parts[0]
        number = read_number(first.number, self._modem.country)
        if number is None:
            return Unreadable("not from a phone number")
        if first.data:
            return Unreadable("data, not a text")
        # A letter of two units may lie across two parts, so they are joined before they are read.
        text = b"".join(part.text for part in parts).decode("utf-16-be", "replace")
        if first.report:
            return self._report(number, text, first.reference)
        # The daemon may save a text again after a crash, under another name; and under one name
        # two texts of the same second. So its id is made of what it says, and when.
        whole = "\n".join((number, first.at or path.name, first.header, text))
        digest = hashlib.sha256(whole.encode("utf-8", "surrogateescape")).hexdigest()
        return Incoming(number, text.replace("\0", ""), f"modem:{digest[:32]}")

    def _report(self, number: str, text: str, reference: str) -> Report:
        """Read a report: on the latest text to its number that has its reference, if any has.

        A text in parts has its last part's reference, so the report on that is the text's.
        """
        about = [
            (path.stat().st_mtime, path.name)
            for path in self._sent.glob(f"OUTB_{number}_*.txt")
            if self._reference(path.name) == reference
        ]
        name = _NAME.fullmatch(max(about)[1]) if about else None
        ours = _OUR_ID.fullmatch(unquote(name[1])) if name else None
        state = _REPORTS.get(text) if ours else None
        serial, id_number = (int(ours[2]), ours[1]) if ours else (0, "")
        reason = "the network could not deliver it" if state == "failed" else ""
        return Report(number, state, serial, id_number, reason=reason)

    def _put_aside(self, path: Path, reason: str) -> None:
        log.warning("put %a aside: %s", path.name[:6], reason)  # the rest may be a number
        name = os.fsencode(path.name)[:200]
        path.rename(self._aside / os.fsdecode(b"%d-%s" % (time.time_ns(), name)))

    def _sweep(self) -> None:
        """Forget texts sent long ago, and withdraw those whose sender was killed as it waited."""
        if time.monotonic() < self._swept + SWEEP_S:
            return
        self._swept = time.monotonic()
        ages = ((self._outbox, 2 * self._modem.timeout_s), (self._sent, KEEP_S))
        for folder, most in ages:
            with suppress(OSError):
                for path in folder.glob("OUTB_*"):
                    if self._clock() - path.stat().st_mtime > most:
                        path.unlink(missing_ok=True)


@dataclass(frozen=True, slots=True)
class _Part:
    """One message of a file. `header` is in hexadecimal, `place` counts from 1 to `total`."""

    number: str
    text: bytes
    at: str
    header: str
    reference: str
    data: bool
    report: bool
    place: int
    total: int


def _parts(raw: bytes) -> list[_Part]:
    """Read the finished messages of a file in gammu's detailed format (gammu-smsbackup(5)).

    A grower may write anything, and the daemon writes the text into comments. So a line ends in
    a line feed and nothing else, what begins with a semicolon is no field, and numbers and texts
    are read from their hexadecimal.
    """
    parts = []
    fields: dict[str, str] = {}
    for line in raw.decode("utf-8", "replace").split("\n")[:-1]:
        if line.startswith("[SMSBackup"):
            fields = {}
        key, equals, value = line.partition("=")
        if equals:
            fields[key.strip()] = value.strip()
        if not line and "MessageReference" in fields:  # the last field, and an empty line
            with suppress(ValueError):
                parts.append(_part(fields))
            fields = {}
    return parts


def _part(fields: dict[str, str]) -> _Part:
    """Make a part of its fields. Raises ValueError."""
    header = bytes.fromhex(fields.get("UDH", ""))
    place = total = 1
    rest = header[1:]
    while len(rest) > 1:
        element, length = rest[0], rest[1]
        # Parts with a reference of one or two octets (3GPP TS 23.040, 9.2.3.24.1 and .8).
        if (element, length) in {(0x00, 3), (0x08, 4)} and len(rest) >= 2 + length:
            total, place = rest[length], rest[length + 1]
        rest = rest[2 + length :]
    lines = [fields[key] for key in sorted(fields) if re.fullmatch(r"Text[0-9]+", key)]
    return _Part(
        bytes.fromhex(fields.get("NumberUnicode", "")).decode("utf-16-be", "replace"),
        bytes.fromhex("".join(lines)),
        fields.get("DateTime", ""),
        header.hex(),
        fields["MessageReference"],
        fields.get("Coding", "").startswith("8bit"),
        fields.get("PDU") == "Status_Report",
        place,
        max(1, total),
    )


def _unusable(error: OSError, why: Why) -> Deferred:
    return Deferred(f"the modem's folder cannot be used: {error.strerror}", why=why)


def _write(path: Path, content: bytes) -> None:
    """Write a file so that it is there whole or not at all, even if the power fails."""
    draft = path.with_name(f".{path.name}")
    try:
        with draft.open("wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        draft.replace(path)
    finally:
        draft.unlink(missing_ok=True)
