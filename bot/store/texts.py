"""What was heard from a grower and sent to them: lines appended in the commit that made it so.

A gateway's later word on a text ("delivered", "failed") is a line of its own, joined to its text
when they are read: so a report may come twice, late, or before we know that the text has left.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

import msgspec
from msgspec import Struct
from msgspec.structs import replace

if TYPE_CHECKING:
    from collections.abc import Iterable

What = Literal["heard", "sent", "refused", "delivered", "failed"]


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
        (reports if line.what in {"delivered", "failed"} else texts).append(line)
    for report in reports:
        for place, text in enumerate(texts):
            if text.what in {"sent", "failed"} and is_about(report, text):
                texts[place] = replace(text, what=report.what, reason=report.reason)
                break
    return texts


def is_about(report: Line, text: Line) -> bool:
    """Whether a report speaks of this text."""
    if report.serial:
        return report.serial == text.serial
    return bool(report.reference) and report.reference == text.reference
