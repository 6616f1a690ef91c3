"""Requests as a gateway would send them by its profile, for an operator to compare with theirs."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any
from urllib.parse import urlencode

from bot.gateways.profiles import WHOLE, ProfileError
from bot.gateways.reading import (
    Incoming,
    Report,
    Request,
    Step,
    read_receipt,
    read_sms,
    read_ussd,
)
from bot.gateways.signing import signature
from bot.gateways.writing import write_body

if TYPE_CHECKING:
    from collections.abc import Mapping

    from bot.gateways.profiles import Profile
    from bot.gateways.signing import Signed
    from bot.gateways.writing import Body

NUMBER = "+255655512345"
KEY = "example"
"""The key or token that examples are signed with."""

MOST_PLACES = 100
"""Places of a list that an example fills; what stands further behind is not shown as a list."""


@dataclass(frozen=True, slots=True)
class Example:
    """A request, and what Fieldbell reads in it."""

    method: str
    path: str
    request: Request
    read: Incoming | Report | Step


def sms_example(profile: Profile, now: float) -> Example | None:
    """A text that arrives, None where the profile has none. `now` is in epoch seconds.

    Here and below: raises `ProfileError` where what is read is not what was meant.
    """
    names = profile.sms_in
    if names is None:
        return None
    meant = Incoming(NUMBER, "hello", "m-1" if names.id or names.id_header else None)
    fields = {names.number: NUMBER, names.text: "hello", names.id: "m-1"}
    request = _request(names.body, fields, names.each)
    if names.id_header:
        request = replace(request, headers={**request.headers, names.id_header: "m-1"})
    (read,) = read_sms(profile, _lowered(request))
    return _example("sms_in", (names.method, "/hooks/sms", request), profile, now, (meant, read))


def receipt_example(profile: Profile, now: float) -> Example | None:
    """A report on a text that arrived."""
    names = profile.receipt
    if names is None:
        return None
    word, reference = (names.delivered or ["?"])[0], "88" if names.reference else ""
    fields = {names.reference: reference, names.number: NUMBER, names.state: word}
    if names.id:
        fields[names.id] = f"{NUMBER}:7"
    serial, id_number = (7, NUMBER) if names.id else (0, "")
    meant = Report(NUMBER, "delivered", serial, id_number, reference)
    request = _request(names.body, fields, names.each)
    (read,) = read_receipt(profile, request)
    return _example(
        "receipt", (names.method, "/hooks/receipt", request), profile, now, (meant, read)
    )


def ussd_example(profile: Profile, now: float) -> Example | None:
    """The third step of a session, in which 2 was entered."""
    names = profile.ussd
    if names is None:
        return None
    text = f"1{names.so_far}2" if names.so_far else "2"
    fields = {names.session: "s-1", names.number: NUMBER, names.text: text, names.id: "3"}
    request = _request(names.body, fields)
    read = read_ussd(profile, request)
    meant = Step("s-1", NUMBER, "2", "3")
    if isinstance(read, Step) and not names.id:
        meant = replace(meant, id=read.id)
    return _example("ussd", (names.method, "/hooks/ussd", request), profile, now, (meant, read))


def _example(
    part: str,
    sent: tuple[str, str, Request],
    profile: Profile,
    now: float,
    outcome: tuple[Any, Any],
) -> Example:
    method, path, request = sent
    meant, read = outcome
    if read != meant:
        raise ProfileError(
            f"[{part}] cannot be right: of a request that says {meant} it reads {read}; "
            "do two of its names stand for one field?"
        )
    if profile.signed:
        request = _signed(profile.signed, request, now)
    query = request.query.decode("ascii")
    return Example(method, f"{path}?{query}" if query else path, request, read)


def _request(body: Body, fields: Mapping[str, str], each: str = "") -> Request:
    named = {name: value for name, value in fields.items() if name}
    if body != "json":
        encoded = urlencode(named).encode("ascii")
        if body == "query":
            return Request(query=encoded)
        content_type = write_body("form", {})[0]
        return Request(content_type, encoded, headers={"Content-Type": content_type})
    value = _nested(named)
    if each:
        value = [value] if each == WHOLE else _nested({each: [value]})
    content_type, content = write_body("json", value)
    return Request(content_type, content, headers={"Content-Type": content_type})


def _nested(fields: Mapping[str, object]) -> Any:  # noqa: ANN401 - tables and lists
    """Put each value where its path leads; one whose way is taken stands under its whole path."""
    table: dict[str, Any] = {}
    for path, value in fields.items():
        *before, last = path.split(".")
        here: Any = table
        for step in before:
            here = here.setdefault(step, {}) if isinstance(here, dict) else None
        if isinstance(here, dict) and not isinstance(here.get(last), dict):
            here[last] = value
        else:
            table[path] = value
    return _listed(table)


def _listed(value: Any) -> Any:  # noqa: ANN401 - tables and lists
    """Return tables whose names are places as lists."""
    if not isinstance(value, dict):
        return value
    inner = {name: _listed(each) for name, each in value.items()}
    if not all(name.isdecimal() and int(name) < MOST_PLACES for name in inner):
        return inner
    places = {int(name): each for name, each in inner.items()}
    return [places.get(place, {}) for place in range(max(places, default=-1) + 1)]


def _signed(signed: Signed, request: Request, now: float) -> Request:
    """Return a request that is signed with `KEY`."""
    if signed.query:
        token = urlencode({signed.query: signed.prefix + KEY}).encode("ascii")
        return replace(request, query=b"&".join(filter(None, [request.query, token])))
    headers = dict(request.headers)
    if signed.timestamp:
        headers[signed.timestamp] = str(int(now))
    request = replace(request, headers=headers)
    written = (
        signed.prefix + KEY if signed.how == "token" else signature(signed, KEY, _lowered(request))
    )
    return replace(request, headers={**headers, signed.header: written})


def _lowered(request: Request) -> Request:
    """Return a request with its headers' names as they are read, in small letters."""
    return replace(request, headers={name.lower(): v for name, v in request.headers.items()})
