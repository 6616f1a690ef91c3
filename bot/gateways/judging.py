"""What a gateway's answer to a text means, by what its profile says of answers."""

from __future__ import annotations

import json
import re
from dataclasses import dataclass
from datetime import UTC
from email.utils import parsedate_to_datetime
from http import HTTPStatus
from typing import TYPE_CHECKING

from bot.gateways.base import Accepted, Deferred, Outcome, Refused
from bot.gateways.profiles import MEANINGS, is_among
from bot.gateways.reading import LONGEST_KEPT, parsed, value_at, word_at

if TYPE_CHECKING:
    from collections.abc import Mapping

    from bot.gateways.profiles import Meaning, SmsAnswer, SmsOut

_PASSING = {
    HTTPStatus.REQUEST_TIMEOUT,
    HTTPStatus.TOO_EARLY,
    HTTPStatus.TOO_MANY_REQUESTS,
    # The operator's to mend (a token, an address); the texts wait for that.
    HTTPStatus.UNAUTHORIZED,
    HTTPStatus.FORBIDDEN,
    HTTPStatus.NOT_FOUND,
}

_BEHIND = {HTTPStatus.BAD_GATEWAY, HTTPStatus.GATEWAY_TIMEOUT}
"""What one says who handed the text on and got no good answer (RFC 9110, 15.6.3 and 15.6.5)."""

_BETWEEN_WORDS = re.compile(r"[\s,;:|=]+")


@dataclass(frozen=True, slots=True)
class Answer:
    """What a gateway answered. `headers` may be asked in capitals or not.

    `body` is None where it broke off, was too long, or took too long to come.
    """

    status: int
    phrase: str
    headers: Mapping[str, str]
    body: bytes | None


@dataclass(frozen=True, slots=True)
class Unsure:
    """The text may have arrived: nothing that came back says whether it did."""

    reason: str


def judge(out: SmsOut, answer: Answer, now: float) -> Outcome | Unsure:
    """Say what came of a text. `now` is in UTC epoch seconds. Never raises, whatever the bytes."""
    fields = _fields(out.answer, answer.body or b"")
    word = _word(fields, out.answer.state)
    reason = f"the gateway answered {answer.status} {answer.phrase}".rstrip()
    if said := word_at(fields, out.answer.reason) or word:
        reason += f": {said}"
    status = answer.status
    if HTTPStatus.MULTIPLE_CHOICES <= status < HTTPStatus.BAD_REQUEST:
        return Deferred(f"{reason}; correct the profile's url")
    if status < HTTPStatus.BAD_REQUEST:
        meaning = _of_success(out.answer, answer, word)
    else:
        meaning = _of_failure(out, status, word)
    match meaning:
        case "accepted":
            return Accepted(_reference(out, answer, fields))
        case "refused":
            return Refused(reason)
        case "unreachable":
            return Refused(reason, unreachable=True)
        case "later":
            wait = retry_after(answer.headers.get("Retry-After", ""), now)
            sure = status not in _BEHIND or status in out.answer.later_statuses
            return Deferred(reason, wait, "later" if sure else "unknown")
        case None:
            return Unsure(reason)


def _of_success(rules: SmsAnswer, answer: Answer, word: str) -> Meaning | None:
    if not rules.state:
        return "accepted"
    if answer.body is None:
        return None
    return next((each for each in MEANINGS if is_among(word, getattr(rules, each))), None)


def _of_failure(out: SmsOut, status: int, word: str) -> Meaning:
    rules = out.answer
    # The page of a failure is often not the gateway's own, so what is absent says nothing.
    if status in out.unreachable or (word and is_among(word, rules.unreachable)):
        return "unreachable"
    if status in rules.refused_statuses:
        return "refused"
    passes = status >= HTTPStatus.INTERNAL_SERVER_ERROR or status in _PASSING
    if passes or status in rules.later_statuses or (word and is_among(word, rules.later)):
        return "later"
    return "refused"


def _fields(rules: SmsAnswer, body: bytes) -> object:
    """What an answer spells, None where it cannot be read."""
    text = body.decode("utf-8", "replace")
    if rules.body == "text":
        return [word for word in _BETWEEN_WORDS.split(text) if word]
    try:
        return parsed(rules.body, text)
    except (ValueError, RecursionError):
        return None


def _word(fields: object, path: str) -> str:
    """The word at a path; true and false are words too."""
    found = value_at(fields, path)
    return json.dumps(found) if isinstance(found, bool) else word_at(fields, path)


def _reference(out: SmsOut, answer: Answer, fields: object) -> str:
    if out.reference_header:
        return answer.headers.get(out.reference_header, "")[:LONGEST_KEPT]
    return word_at(fields, out.reference)[:LONGEST_KEPT]


def retry_after(header: str, now: float) -> float | None:
    """Return the seconds that a Retry-After header asks for, in seconds or by a date.

    RFC 9110, section 10.2.3. None where it says neither.
    """
    header = header.strip()
    if header.isascii() and header.isdecimal():
        return float(header)
    try:
        when = parsedate_to_datetime(header)
    except (ValueError, OverflowError):
        return None
    if when.tzinfo is None:  # "-0000" is UTC too, but of unknown origin (RFC 5322, 3.3)
        when = when.replace(tzinfo=UTC)
    return max(0.0, when.timestamp() - now)
