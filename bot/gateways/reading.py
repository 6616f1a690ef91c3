"""What arrives from a gateway, read as its profile says: texts, USSD steps, reports.

Reading a request never raises, whatever its bytes: what cannot be used is `Unreadable`.
"""

from __future__ import annotations

import codecs
import hashlib
import json
import re
from dataclasses import dataclass, field
from email.message import Message
from functools import lru_cache
from typing import TYPE_CHECKING
from urllib.parse import parse_qsl

from bot.gateways.profiles import WHOLE
from bot.gateways.writing import MEDIA_TYPES

if TYPE_CHECKING:
    from collections.abc import Mapping

    from bot.gateways.profiles import Profile, Receipt, State
    from bot.gateways.writing import Body

CHARSETS = {"utf-8", "ascii", "iso8859-1", "cp1252", "utf-16", "utf-16-be", "utf-16-le"}
"""Character sets a request may name; any other name is taken for UTF-8."""

MOST_FIELDS = 100
"""Form fields worth reading; a webhook has about ten."""

LONGEST_KEPT = 200
"""Characters kept of a report's reason and of a gateway's reference."""

_OUR_ID = re.compile(r"(\+[0-9]{5,15}):([1-9][0-9]{0,14})")
"""An id as the sender gives it to a text: the number, and the text's serial."""

_CODE = re.compile(r"\*[0-9*]+#")
"""A USSD code as it is dialled; gateways that tell it have it as the first step's text."""


@dataclass(frozen=True, slots=True)
class Request:
    """What arrived, in bytes. `query` is what stands behind "?" in the address."""

    content_type: str = ""
    body: bytes = b""
    query: bytes = b""
    headers: Mapping[str, str] = field(default_factory=dict)
    """Names in small letters."""

    def header(self, name: str) -> str:
        """Return a header, "" if it is absent."""
        return self.headers.get(name.lower(), "")


@dataclass(frozen=True, slots=True)
class Incoming:
    """A text that arrived. `number` is as the gateway wrote it; `id` is None if it gave none."""

    number: str
    text: str
    id: str | None = None


@dataclass(frozen=True, slots=True)
class Step:
    """One step of a USSD session: what was entered, empty when the code was just dialled."""

    session: str
    number: str
    text: str
    id: str | None = None


@dataclass(frozen=True, slots=True)
class Report:
    """What became of a text; `state` is None while it is on its way.

    `number` is as the gateway wrote it, or as our id has it; `id_number` is the number in our id
    and `serial` the text's, "" and 0 where our id did not come back. `reference` is the
    gateway's own name for the text. `reason` is empty for a text that arrived. `gateway` is whose
    report it is, "" where there is only one.
    """

    number: str
    state: State | None
    serial: int = 0
    id_number: str = ""
    reference: str = ""
    reason: str = ""
    gateway: str = ""


@dataclass(frozen=True, slots=True)
class Unreadable:
    """A request that cannot be used, or one of those it brings, and why, for the operator."""

    reason: str


def read_sms(profile: Profile, request: Request) -> list[Incoming | Unreadable]:
    """Read the texts of a webhook's request. A text that was left out is an empty text."""
    names = profile.sms_in
    if names is None:
        return [Unreadable("the gateway profile has no [sms_in]")]
    read: list[Incoming | Unreadable] = []
    for each in _items(names.body, names.each, request):
        if isinstance(each, Unreadable):
            read.append(each)
        elif number := word_at(each, names.number):
            given = request.header(names.id_header) or word_at(each, names.id)
            read.append(Incoming(number, word_at(each, names.text), given or None))
        else:
            read.append(Unreadable(f"no {names.number!r}, the sender's number"))
    return read


def read_ussd(profile: Profile, request: Request) -> Step | Unreadable:
    """Read one step of a USSD session from a webhook's request."""
    names = profile.ussd
    if names is None:
        return Unreadable("the gateway profile has no [ussd]")
    fields = _value(names.body, request)
    if isinstance(fields, Unreadable):
        return fields
    session, number = word_at(fields, names.session), word_at(fields, names.number)
    if not session:
        return Unreadable(f"no {names.session!r}, the session")
    if not number:
        return Unreadable(f"no {names.number!r}, the number")
    text, given = word_at(fields, names.text), word_at(fields, names.id)
    if _CODE.fullmatch(text.strip()):
        text = ""
    if names.so_far:
        # All that was entered so far is another one at each step, so it can tell a repeat.
        given = given or hashlib.sha256(text.encode()).hexdigest()[:16]
        text = text.rpartition(names.so_far)[2]
    return Step(session, number, text, given or None)


def read_receipt(profile: Profile, request: Request) -> list[Report | Unreadable]:
    """Read the reports on texts that were sent from a webhook's request."""
    names = profile.receipt
    if names is None:
        return [Unreadable("the gateway profile has no [receipt]")]
    return [
        each if isinstance(each, Unreadable) else _report(names, each)
        for each in _items(names.body, names.each, request)
    ]


def _report(names: Receipt, fields: object) -> Report | Unreadable:
    word = word_at(fields, names.state).strip()
    if not word:
        return Unreadable(f"no {names.state!r}, what became of the text")
    ours = _OUR_ID.fullmatch(word_at(fields, names.id).strip())
    reference = word_at(fields, names.reference)[:LONGEST_KEPT]
    if ours is None and not reference:
        return Unreadable(f"no {names.id or names.reference!r} that names a text of ours")
    id_number, serial = (ours[1], int(ours[2])) if ours else ("", 0)
    number = word_at(fields, names.number) or id_number
    if not number:
        return Unreadable(f"no {names.number!r}, the number the text was for")
    reason = word_at(fields, names.reason).strip()
    state = names.means(word, reason)
    said = "" if state == "delivered" else (reason or word)[:LONGEST_KEPT]
    return Report(number, state, serial, id_number, reference, said)


def word_at(fields: object, path: str) -> str:
    """Return the text or whole number at a path, "" where there is none or the path is empty."""
    found = value_at(fields, path)
    # Gateways write numbers and ids with quotes or without.
    if isinstance(found, bool) or not isinstance(found, str | int):
        return ""
    return _sound(str(found))


def value_at(value: object, path: str) -> object:
    """Return what is at a path of tables and lists, None where there is nothing."""
    if not path:
        return None
    if isinstance(value, dict) and path in value:
        return value[path]
    for step in path.split("."):
        if isinstance(value, dict):
            value = value.get(step)
        elif isinstance(value, list) and step.isdecimal() and int(step) < len(value):
            value = value[int(step)]
        else:
            return None
    return value


def parsed(body: Body, text: str, charset: str = "utf-8") -> object:
    """Return the fields that a text spells. Raises `ValueError` or `RecursionError`."""
    if body == "json":
        return json.loads(text)
    return dict(
        parse_qsl(
            text,
            keep_blank_values=True,
            encoding=charset,
            errors="replace",
            max_num_fields=MOST_FIELDS,
        )
    )


def _items(body: Body, each: str, request: Request) -> list[object]:
    """What a request brings, one by one; an `Unreadable` where it brings nothing of use."""
    value = _value(body, request, whole=each == WHOLE)
    if isinstance(value, Unreadable) or not each:
        return [value]
    found = value if each == WHOLE else value_at(value, each)
    return found if isinstance(found, list) else [Unreadable(f"no list at {each!r}")]


def _value(wanted: Body, request: Request, *, whole: bool = False) -> object:
    """The fields of a request, or `Unreadable`. With `whole`, JSON need not be an object."""
    if wanted == "query":
        charset, text = "utf-8", request.query.decode("utf-8", "replace")
    else:
        media_type, charset = _media(request.content_type)
        if media_type in MEDIA_TYPES.values() and media_type != MEDIA_TYPES[wanted]:
            return Unreadable(f"expected {MEDIA_TYPES[wanted]}, got {media_type}")
        # A byte that is no letter must not cost the grower the rest of the text.
        text = request.body.decode(charset, errors="replace")
    try:
        value = parsed(wanted, text, charset)
    except (ValueError, RecursionError) as error:
        expected = "a query" if wanted == "query" else MEDIA_TYPES[wanted]
        return Unreadable(f"not {expected}: {type(error).__name__}")
    if not whole and not isinstance(value, dict):
        return Unreadable("the JSON is not an object")
    return value


@lru_cache(maxsize=64)  # a gateway writes the same header on every request
def _media(content_type: str) -> tuple[str, str]:
    """The media type and the character set that a Content-Type header names."""
    header = Message()
    header["content-type"] = " ".join(content_type.split())
    return header.get_content_type(), _charset(str(header.get_param("charset", "utf-8")))


def _charset(name: str) -> str:
    # Python's other codecs include ones that are no character set.
    try:
        found = codecs.lookup(name).name
    except (LookupError, ValueError):
        return "utf-8"
    return found if found in CHARSETS else "utf-8"


def _sound(text: str) -> str:
    """Return a text without half surrogates, which JSON lets through and UTF-8 cannot hold."""
    return text.encode("utf-16", "surrogatepass").decode("utf-16", "replace")
