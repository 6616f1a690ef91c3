"""What is fed with strange bytes, and what may come of it.

A target takes one input and says whether it was of use. Whatever else it may answer with (`Unreadable`, `FlowError`,
`FileFault`, `ProfileError`, ValueError where that is what the docstring promises) it takes for an
answer; anything else is raised, and is a crash.
"""

from __future__ import annotations

import io
import re
import zipfile
from contextlib import suppress
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import TYPE_CHECKING
from urllib.parse import urlencode

import msgspec
import openpyxl

from bot import data
from bot.dialogue import loading
from bot.dialogue.messages import Message, asks_too_much
from bot.dialogue.slips import FlowError
from bot.enrolment.columns import FileFault
from bot.enrolment.files import open_sheet
from bot.enrolment.rows import read_rows
from bot.gateways.examples import receipt_example, sms_example, ussd_example
from bot.gateways.opening import modem_section, smpp_link
from bot.gateways.profiles import ProfileError, parse_profile, read_profile
from bot.gateways.reading import (
    Incoming,
    Report,
    Request,
    Step,
    Unreadable,
    read_receipt,
    read_sms,
    read_ussd,
)
from bot.gateways.signing import fault
from bot.web import create_app
from bot.wording.catalogue import Catalogue
from bot.wording.formats import fill, placeholders
from bot.wording.translating import read_translations
from bot.wording.words import Words
from tests.fuzzing.mutating import LONGEST

if TYPE_CHECKING:
    from collections.abc import Callable

    from bot.settings import Settings
    from bot.store.growers import Store

NOW = 1_772_434_800.0  # 2 March 2026, 07:00 UTC
UNSIGNED = ("plain-json", "plain-form")
SHIPPED = (*UNSIGNED, "plain-query", "signed-json")


@dataclass(frozen=True, slots=True)
class Target:
    """Good inputs to begin with, and what takes an input. `share` is of a thousand inputs."""

    seeds: tuple[bytes, ...]
    run: Callable[[bytes], bool]
    share: int


# Requests, as far as they are read: a line that says which, the headers' line, the query, the body


def _request_seeds() -> tuple[bytes, ...]:
    seeds = []
    for place, name in enumerate(SHIPPED):
        profile = read_profile(name)
        for part, make in enumerate((sms_example, ussd_example, receipt_example)):
            if example := make(profile, NOW):
                found = example.request
                given = found.headers.get("X-Signature", ""), found.headers.get("X-Timestamp", "")
                first = f"{place}{part}{' '.join(given)}".encode()
                lines = (first, found.content_type.encode(), found.query, found.body)
                seeds.append(b"\n".join(lines))
    return tuple(seeds)


def _split(given: bytes) -> tuple[int, int, Request]:
    which, content_type, query, body = [*given.split(b"\n", 3), b"", b"", b""][:4]
    signature, _, moment = which[2:].decode("latin-1").partition(" ")
    headers = {"x-signature": signature, "x-timestamp": moment}
    place, part = (which[0] if which else 0) % len(SHIPPED), (which[1] if which[1:] else 0) % 3
    return place, part, Request(content_type.decode("latin-1"), body, query, headers)


@cache
def _profiles() -> tuple[object, ...]:
    return tuple(read_profile(name) for name in SHIPPED)


def requests(given: bytes) -> bool:
    """Read a request as the webhooks do, and look at its signature."""
    place, part, request = _split(given)
    profile = _profiles()[place]
    if profile.signed:
        assert isinstance(fault(profile.signed, "key", request, NOW), str)
    if part == 1:
        step = read_ussd(profile, request)
        assert isinstance(step, Step | Unreadable)
        return isinstance(step, Step)
    read = (read_sms if part == 0 else read_receipt)(profile, request)
    assert all(isinstance(each, Incoming | Report | Unreadable) for each in read)
    return any(isinstance(each, Incoming | Report) for each in read)


# Requests to the app itself


def webhooks(store: Store, settings: Settings) -> Callable[[bytes], bool]:
    """Make a target that posts to the webhooks of the app, with a store behind it.

    By the profiles that ask for no signature, as no mutation would have a right one.
    """
    clients = []
    for name in UNSIGNED:
        app = create_app(
            msgspec.structs.replace(settings, gateway=name, most_requests=0), store, lambda: NOW
        )
        app.config["PROPAGATE_EXCEPTIONS"] = True
        clients.append(app.test_client())

    def post(given: bytes) -> bool:
        place, part, request = _split(given)
        answer = clients[place % len(clients)].open(
            f"/hooks/{('sms', 'ussd', 'receipt')[part]}",
            method="POST",
            query_string=request.query.decode("latin-1"),
            data=request.body,
            content_type=request.content_type.replace("\r", "") or None,
        )
        assert answer.status_code in {200, 400, 405, 413, 429}, answer.status
        return answer.status_code == 200

    return post


def webhook_seeds() -> tuple[bytes, ...]:
    """Texts that lead through a season, and the examples of every profile."""
    texts = "hello 1 1.5acre 60x80 yes 5 none 40 2 150000 today plan help back STOP START done new"
    seeds = [
        f"{0 if part == 0 else 1}{part}\n{kind}\n\n".encode() + body
        for word in texts.split()
        for part, kind, body in (
            (0, "application/json", f'{{"from": "+255655512345", "text": "{word}"}}'.encode()),
            (
                1,
                "application/x-www-form-urlencoded",
                urlencode({"session": "s", "from": "+255655512345", "text": word}).encode(),
            ),
        )
    ]
    return (*seeds, *_request_seeds())


# Files that an operator or a translator gives


def profiles(given: bytes) -> bool:
    """Read a gateway profile, and the link it names."""
    try:
        profile = parse_profile(given.decode("utf-8", "replace"), "fuzzed")
        smpp_link(profile)
        modem_section(profile)
        profile.variables()
        for example in (sms_example, ussd_example, receipt_example):
            example(profile, NOW)
    except ProfileError:
        return False
    return True


def _profile_seeds() -> tuple[bytes, ...]:
    shipped = resources.files("bot.gateways") / "profiles"
    smpp = b'[smpp]\nhost = "a.example"\nport = 2775\nsystem_id = "me"\npassword = "P"\n'
    modem = b'[modem]\nfolder = "/var/lib/modem"\nport = "/dev/ttyUSB0"\n'
    return (*(each.read_bytes() for each in shipped.iterdir()), smpp, modem)


def flows(given: bytes) -> bool:
    """Read and compile one flow file. The others take half a second to read and never change."""
    name, _, text = given.partition(b"\n")
    file = name.decode("utf-8", "replace").strip() or "menu.yaml"
    try:
        raw = loading._parse(file, text.decode("utf-8", "replace"))  # noqa: SLF001
        loading._compile(file, raw, data.flows().figures, "0")  # noqa: SLF001
    except FlowError:
        return False
    return True


def _flow_seeds() -> tuple[bytes, ...]:
    seeds = []
    for each in data.folder("flows").iterdir():
        text = each.read_bytes()
        if b"\nstates:" in text:
            head, _, states = text.partition(b"\nstates:\n")
            name = each.name.encode() + b"\n"
            if len(text) < LONGEST:
                seeds.append(name + text)
            # A state by itself is quicker read; it leads to itself, as the others are not there.
            for state in _pieces(states):
                itself = state.strip().partition(b":")[0]
                alone = re.sub(rb"then: (?!end\b)\w+", b"then: " + itself, state)
                seeds.append(name + head + b"\nstates:\n" + alone)
    return tuple(seeds)


def _pieces(states: bytes) -> list[bytes]:
    pieces: list[bytes] = []
    for line in states.splitlines(keepends=True):
        if line.startswith(b"  ") and line[2:3].isalpha():
            pieces.append(b"")
        if pieces:
            pieces[-1] += line
    return pieces


def tables(given: bytes) -> bool:
    """Read an enrolment file to its end, whatever it is."""
    try:
        with open_sheet(io.BytesIO(given)) as sheet:
            for _ in read_rows(sheet, "TZ", data.languages()):
                pass
    except FileFault:
        return False
    return True


def _table_seeds() -> tuple[bytes, ...]:
    plain = (
        "Name,Phone,Village,Language,Area,Planting date,Consent\n"
        "Asha Juma,+255655512345,Mirindi,Kiswahili,1.5 acre,2026-03-20,yes\n"
        '"Baraka ""B"", son of J",0655 512 346,"Ki\njiji",en,60x80 m,12/3,no\n'
    )
    return (
        plain.encode(),
        plain.replace(",", ";").encode("utf-16"),
        plain.replace(",", "\t").encode("cp1252"),
        b"\xef\xbb\xbf" + plain.encode(),
        b"Enrolment 2026\n\nphone\n0655512345\n255655512345\n=1+1\n",
        b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + b"\0" * 600,
        b"%PDF-1.4",
        b"<html>",
    )


def workbooks(given: bytes) -> bool:
    """Read a workbook whose sheet is the input, and the input as a workbook."""
    if given.startswith(b"PK"):
        return tables(given)
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as archive:
        for name, part in _parts().items():
            archive.writestr(name, given if name == _SHEET else part)
    return tables(packed.getvalue())


_SHEET = "xl/worksheets/sheet1.xml"


@cache
def _workbook() -> bytes:
    book = openpyxl.Workbook()
    book.active.append(["Name", "Phone", "Village"])
    book.active.append(["Asha", "+255655512345", "Mirindi"])
    book.active.append([1.5, 655512346, None])
    book.active.merge_cells("C2:C3")
    packed = io.BytesIO()
    book.save(packed)
    return packed.getvalue()


@cache
def _parts() -> dict[str, bytes]:
    with zipfile.ZipFile(io.BytesIO(_workbook())) as archive:
        return {name: archive.read(name) for name in archive.namelist()}


def translations(given: bytes) -> bool:
    """Read a .po as growers' texts and as a translator's file; no text may reach into a value."""
    with suppress(ValueError):
        read_translations(given, "sw")
    try:
        catalogue = Catalogue.read(given)
    except ValueError:
        return False
    for message in _ASKED:
        if not asks_too_much(message, catalogue):
            said = catalogue.text(message.msgid, message.context)
            filled = fill(said, dict.fromkeys(placeholders(message.msgid), _SECRET))
            assert "Secret" not in filled
    for n in (0, 1, 2, 11, 10**6):
        catalogue.plural("{days} day late", "{days} days late", n, "report.late")
    return True


class _Secret:
    """A value that shows no more of itself than its one word."""

    def __str__(self) -> str:
        return "value"


_SECRET = _Secret()
_ASKED = (
    Message("menu.hello", "Hello {name}", ""),
    Message("stop", "Stop", ""),
    Message("sentences.call", "Call {number}.", ""),
)
_PO = (
    b'msgid ""\nmsgstr ""\n"Content-Type: text/plain; charset=utf-8\\n"\n'
    b'"Plural-Forms: nplurals=2; plural=(n != 1);\\n"\n'
    b'"PO-Revision-Date: 2026-01-31 12:00+0000\\n"\n\n'
    b'#. a note\nmsgctxt "menu.hello"\nmsgid "Hello {name}"\nmsgstr "Habari {name}"\n\n'
    b'msgctxt "stop"\nmsgid "Stop"\nmsgstr "Acha"\n\n#, fuzzy\nmsgctxt "sentences.call"\n'
    b'#| msgid "Ring {number}."\nmsgid "Call {number}."\nmsgstr "Piga {number}."\n\n'
    b'msgctxt "report.late"\nmsgid "{days} day late"\nmsgid_plural "{days} days late"\n'
    b'msgstr[0] "siku {days}"\nmsgstr[1] "siku {days}"\n'
)


def words(given: bytes) -> bool:
    """Read a words.yaml, and ask it for the words of a text."""
    try:
        read = Words.read(given.decode("utf-8", "replace"))
    except ValueError:
        return False
    for text in ("stop", "1.5", "yes", "mon"):
        for ask in (read.command, read.answer, read.number, read.day, read.month):
            ask(text)
    return True


def _word_seeds() -> tuple[bytes, ...]:
    """The English file's least part, which is quicker read than all of it, and each other part."""
    whole = (data.folder("locales") / "en" / "words.yaml").read_bytes()
    parts: list[bytes] = []
    for line in whole.splitlines(keepends=True):
        if line[:1].isalpha():
            parts.append(b"")
        if parts and not line.startswith(b"#"):
            parts[-1] += line
    needed = b"language locale status reviewer commands answers units numbers days weekdays".split()
    least = b"".join(part for part in parts if part.partition(b":")[0] in needed)
    return (least, *(least + part for part in parts if part not in least))


TARGETS = {
    "requests": Target(_request_seeds(), requests, 260),
    "profiles": Target(_profile_seeds(), profiles, 180),
    "flows": Target(_flow_seeds(), flows, 160),
    "tables": Target(_table_seeds(), tables, 120),
    "workbooks": Target((_parts()[_SHEET], _workbook()), workbooks, 40),
    "translations": Target((_PO,), translations, 80),
    "words": Target(_word_seeds(), words, 30),
}
WEBHOOK_SHARE = 130
"""Of a thousand inputs, those that go through the app and a store."""
