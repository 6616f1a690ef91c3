"""What was heard from a grower and sent to them: lines appended in the commit that made it so.

A gateway's later word on a text ("delivered", "failed") is a line of its own, joined to its text
when they are read: so a report may come twice, late, or before we know that the text has left.
Lines are only ever added by a commit, so who has read a record and then its lines, and commits on
that record, has worked from all there were.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

import msgspec
from msgspec import Struct
from msgspec.structs import replace

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

What = Literal["heard", "sent", "refused", "delivered", "failed"]

REPORTS = frozenset({"delivered", "failed"})
"""What a line says that is a gateway's word on a text."""

ROUND = "round:"
"""Begins what a text of a round is about."""


class Line(Struct, array_like=True, frozen=True, omit_defaults=True):
    """One thing that happened to a text, at `at` (UTC epoch seconds).

    `heard` came from the grower; `sent` was taken by the gateway, or was the answer to its
    request; `refused` was not taken, for `reason`. `delivered` and `failed` are reports on the
    text with this `serial`, or this `reference` where the gateway knows only its own.
    """

    at: int
    what: What
    kind: str = ""
    body: str = ""
    serial: int = 0
    reference: str = ""
    reason: str = ""
    about: str = ""
    """The operation a reminder is about, or "round:" and the round's id."""
    segments: int = 0
    group: str = ""
    """Where a report was counted."""
    instead: tuple[Line, ...] = ()
    """The reports that this one takes the place of; what they counted is taken back."""
    gateway: str = ""
    """Which gateway took a text, or reports on it, by the name of its profile; "" is not known."""
    language: str = ""
    """The grower's language when a text was sent."""


class Failure(Struct, array_like=True, frozen=True):
    """A text that did not arrive, as the desk lists it."""

    number: str
    group: str
    line: Line


_encoder = msgspec.msgpack.Encoder()
_line = msgspec.msgpack.Decoder(Line)
_failure = msgspec.msgpack.Decoder(Failure)


def encode_line(line: Line) -> bytes:
    """Return a line as stored."""
    return _encoder.encode(line)


def encode_failure(failure: Failure) -> bytes:
    """Return a failure as stored."""
    return _encoder.encode(failure)


def decode_failure(value: bytes) -> Failure:
    """Return a stored failure."""
    return _failure.decode(value)


def decode_line(value: bytes) -> Line:
    """Return a stored line."""
    return _line.decode(value)


def joined(lines: Iterable[Line]) -> list[Line]:
    """Join each report to its text: the texts in order, `what` being the last known of each.

    "Delivered" stands against a later "failed", as gateways mix up the order of reports.
    """
    texts: list[Line] = []
    reports: list[Line] = []
    for line in lines:
        (reports if line.what in REPORTS else texts).append(line)
    for report in reports:
        for place, text in enumerate(texts):
            if text.what in {"sent", "failed"} and is_about(report, text):
                texts[place] = replace(text, what=report.what, reason=report.reason)
                break
    return texts


def spoken_of(kept: Sequence[Line], report: Line) -> tuple[Line | None, Line | None]:
    """Return the text that a report speaks of and the report on it that stands, where known."""
    texts = [each for each in kept if each.what not in REPORTS and is_about(report, each)]
    text = texts[0] if texts else None
    before = [each for each in kept if each.what in REPORTS and is_about(each, text or report)]
    return text, before[-1] if before else None


def with_early_reports(lines: Sequence[Line], kept: Sequence[Line]) -> list[Line]:
    """Add to lines about to be kept the reports that came before their texts.

    A report by the gateway's reference alone was counted as of no kind, as nobody knew of the
    text yet; it is counted anew as of its text's, together with any report by our own id.
    """
    added = []
    for text in lines:
        early = [each for each in kept if each.what in REPORTS and is_about(each, text)]
        replaced = [old for each in early for old in each.instead]
        standing = tuple(each for each in early if each not in replaced)
        if text.what == "sent" and any(not each.kind for each in standing):
            arrived = [each for each in standing if each.what == "delivered"]
            added.append(on_text((arrived or standing)[0], text, standing))
    return [*lines, *added]


def on_text(report: Line, text: Line, instead: tuple[Line, ...]) -> Line:
    """Return a report with what is known of its text, in the place of other reports on it."""
    serial = text.serial or report.serial
    return replace(report, kind=text.kind, about=text.about, serial=serial, instead=instead)


def is_about(report: Line, text: Line) -> bool:
    """Whether a report speaks of this text."""
    if report.serial:
        return report.serial == text.serial
    # Two gateways may use one reference for two texts.
    if report.gateway and text.gateway and report.gateway != text.gateway:
        return False
    return bool(report.reference) and report.reference == text.reference
