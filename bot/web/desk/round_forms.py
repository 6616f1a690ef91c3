"""The form of a round: what somebody typed, read into a record, or shown again as it was typed.

What a record has no place for (a start that is no time, a rate that is no number) is a fault of
the form, and nothing is kept until it is mended. Everything else can be kept as a draft, and what
it lacks before it may start is said by `bot.reminders.rounds.faults`.
"""

from __future__ import annotations

import unicodedata
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from hashlib import blake2b
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import msgspec
from msgspec.structs import replace

from bot.reminders.rounds import MOST_SEGMENTS
from bot.store.rounds import Conditions, Round, moved
from bot.web.desk.showing import Fault, exchange_here
from bot.wording.folding import fold
from bot.wording.gsm import Encoding, measure, outside_gsm

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from werkzeug.datastructures import MultiDict

LONGEST_NAME = 80
LONGEST_TEXT = 1000
"""Letters of a text that are read; fewer fit into what may be sent."""

MOST_DAYS_AHEAD = 365
"""A start further off is a slip."""


class Typed(msgspec.Struct, frozen=True):
    """What a form holds, field by field, as it was typed."""

    name: str = ""
    groups: tuple[str, ...] = ()
    what: str = "text"
    """"text", or "flow" for a flow's first question."""
    texts: dict[str, str] = msgspec.field(default_factory=dict)
    flow: str = ""
    languages: tuple[str, ...] = ()
    operation: str = ""
    within: str = ""
    behind: str = ""
    not_planted: bool = False
    no_plan: bool = False
    when: str = "once"
    """"once", or "at" for the day and time in `start`."""
    start: str = ""
    rate: str = "600"


@dataclass(frozen=True, slots=True)
class Look:
    """What a text of a round costs as it is written, before names are filled in."""

    segments: int
    too_long: bool
    dear: str
    """The letters that leave a segment less than half its room."""


def of_form(form: MultiDict[str, str], languages: Iterable[str]) -> Typed:
    """Take a form as it was sent."""
    texts = {code: form.get(f"text-{code}", "") for code in languages}
    return Typed(
        name=form.get("name", ""),
        groups=tuple(form.getlist("group")),
        what=form.get("what", "text"),
        texts={code: text for code, text in texts.items() if text.strip()},
        flow=form.get("flow", ""),
        languages=tuple(form.getlist("language")),
        operation=form.get("operation", ""),
        within=form.get("within", ""),
        behind=form.get("behind", ""),
        not_planted="not_planted" in form,
        no_plan="no_plan" in form,
        when=form.get("when", "once"),
        start=form.get("start", ""),
        rate=form.get("rate", ""),
    )


def of_round(one: Round) -> Typed:
    """Write a round as its form would hold it."""
    wanted = one.conditions
    return Typed(
        name=one.name,
        groups=one.groups,
        what="flow" if one.flow else "text",
        texts=one.texts,
        flow=one.flow,
        languages=wanted.languages,
        operation=wanted.operation,
        within="" if wanted.within is None else str(wanted.within),
        behind="" if wanted.behind is None else str(wanted.behind),
        not_planted=wanted.not_planted,
        no_plan=wanted.no_plan,
        when="at" if one.start else "once",
        start=_local(one.start).strftime(_BROWSERS) if one.start else "",
        rate=str(one.rate),
    )


def read(typed: Typed, was: Round, mine: Sequence[str]) -> Round | list[Fault]:
    """Read a form into the round it is of, or say what is wrong. `mine` are groups to choose."""
    found: list[Fault] = []
    name = " ".join(typed.name.split())
    if len(name) > LONGEST_NAME or not name.isprintable():
        found.append(Fault("name", f"Write the name in at most {LONGEST_NAME} letters."))
    if not set(typed.groups) <= set(mine):
        found.append(Fault("groups", "Choose among your groups; another was there before."))
    texts = {code: _tidy(text) for code, text in typed.texts.items()}
    found += [
        Fault(f"text-{code}", f"Write the text in at most {LONGEST_TEXT} letters.")
        for code, text in texts.items()
        if len(text) > LONGEST_TEXT
    ]
    asks = typed.what == "flow"
    if asks and not typed.flow:
        found.append(Fault("flow", "Choose which question is asked."))
    if asks and texts:
        both = "There is a text as well. Clear it, or choose to send the text."
        found.append(Fault(f"text-{next(iter(texts))}", both))
    numbers = {
        field: _count(field, getattr(typed, field), found) for field in ("within", "behind", "rate")
    }
    if not typed.rate.strip():
        found.append(Fault("rate", "Say how many texts may go out in a minute."))
    start = _start(typed, found)
    if found:
        return found
    return replace(
        was,
        name=name,
        groups=tuple(each for each in mine if each in typed.groups),
        conditions=Conditions(
            typed.languages,
            typed.operation,
            numbers["within"],
            numbers["behind"],
            typed.not_planted,
            typed.no_plan,
        ),
        texts={} if asks else texts,
        flow=typed.flow if asks else "",
        start=start,
        rate=numbers["rate"] or 0,
        state="draft",
    )


def looked_at(texts: Mapping[str, str]) -> dict[str, Look]:
    """Measure texts, by language, as they would go out."""
    folded = exchange_here().settings.folded
    found = {}
    for code, text in texts.items():
        body = fold(_tidy(text)) if code in folded else _tidy(text)
        size = measure(body)
        dear = "".join(outside_gsm(body)) if size.encoding is Encoding.UCS2 else ""
        found[code] = Look(size.segments, size.segments > MOST_SEGMENTS, dear)
    return found


def version_of(one: Round) -> str:
    """Tell a round from itself after a change; its state is no part of it."""
    return blake2b(msgspec.json.encode(moved(one, "draft")), digest_size=8).hexdigest()


_BROWSERS = "%Y-%m-%dT%H:%M"
_WAYS = (_BROWSERS, "%Y-%m-%dT%H:%M:%S", "%Y-%m-%d %H:%M", "%d/%m/%Y %H:%M", "%d.%m.%Y %H:%M")
"""How a time is sent by a browser, and written where a browser knows no such field."""


def _start(typed: Typed, found: list[Fault]) -> int:
    """Read when a round starts: UTC epoch seconds, 0 for at once."""
    if typed.when != "at":
        return 0
    zone = ZoneInfo(exchange_here().settings.zone)
    now = datetime.fromtimestamp(exchange_here().clock(), UTC)
    for way in _WAYS:
        try:
            start = datetime.strptime(typed.start.strip(), way).replace(tzinfo=zone)
        except ValueError:
            continue
        if not now <= start <= now + timedelta(days=MOST_DAYS_AHEAD):
            found.append(Fault("start", "Choose a time from now to a year ahead, or at once."))
            return 0
        return int(start.timestamp())
    found.append(Fault("start", "Write day and time as 2026-03-31 09:00 or 31/3/2026 09:00."))
    return 0


def _local(at: int) -> datetime:
    return datetime.fromtimestamp(at, UTC).astimezone(ZoneInfo(exchange_here().settings.zone))


_LONGEST_COUNT = 6
"""Digits of a number that are read."""

_NUMBERS = {"within": "Due within", "behind": "Behind by", "rate": "Texts in a minute"}


def _count(field: str, written: str, found: list[Fault]) -> int | None:
    """Read a number of days or texts; None for nothing, or for what is no number."""
    written = written.strip()
    if not written:
        return None
    if not (written.isascii() and written.isdigit() and len(written) <= _LONGEST_COUNT):
        found.append(Fault(field, f"{_NUMBERS[field]}: write a whole number in digits."))
        return None
    return int(written)


def _tidy(text: str) -> str:
    """Return a text with plain line ends, without control letters, and no blanks around it."""
    lines = text.replace("\r\n", "\n").replace("\r", "\n")
    return "".join(
        each for each in lines if each == "\n" or unicodedata.category(each) != "Cc"
    ).strip()
