"""A gateway's HTTP in one TOML file: how texts arrive and leave, what became of them, USSD steps.

A provider's own names live in its profile, so another provider is another file and no code.
Reading a request never raises, whatever its bytes: what cannot be used is `Unreadable`.
"""

from __future__ import annotations

import codecs
import json
import re
import tomllib
from dataclasses import dataclass
from email.message import Message
from functools import lru_cache
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal
from urllib.parse import parse_qsl, urlencode

import msgspec
from msgspec import Struct, field

from bot.settings import nearest

if TYPE_CHECKING:
    from collections.abc import Mapping

Body = Literal["json", "form"]

MEDIA_TYPES: dict[Body, str] = {
    "json": "application/json",
    "form": "application/x-www-form-urlencoded",
}

CHARSETS = {"utf-8", "ascii", "iso8859-1", "cp1252", "utf-16", "utf-16-be", "utf-16-le"}
"""Character sets a request may name; any other name is taken for UTF-8."""

MOST_FIELDS = 100
"""Form fields worth reading; a webhook has about ten."""

LONGEST_KEPT = 200
"""Characters kept of a report's reason and of a gateway's reference."""

State = Literal["delivered", "failed", "unreachable"]
"""What became of a text: it arrived, it did not, or none ever will at that number."""

_OUR_ID = re.compile(r"(\+[0-9]{5,15}):([1-9][0-9]{0,14})")
"""An id as the sender gives it to a text: the number, and the text's serial."""


class ProfileError(ValueError):
    """A profile that cannot be used; the message says what to correct."""


class SmsIn(Struct, frozen=True, forbid_unknown_fields=True):
    """Names of the fields of a text that arrives, and where its replies go.

    `reply` is "response" when the answer to the webhook carries the replies (in
    `reply_field`), and "queue" when the sender sends them. An empty `id` means that the
    gateway gives texts none, so a text delivered twice cannot be recognised.
    """

    body: Body
    number: str
    text: str
    id: str = ""
    reply: Literal["response", "queue"] = "queue"
    reply_field: str = "replies"


class SmsOut(Struct, frozen=True, forbid_unknown_fields=True):
    """How a text is handed to the gateway.

    `token` names the environment variable that holds a bearer token. `reference` is the field
    of a JSON answer that holds the gateway's own name for the text. `timeout_s` is in seconds.
    `unreachable` are the statuses (4xx) that say that no text will ever reach the number.
    """

    url: str
    body: Body
    number: str
    text: str
    id: str = ""
    method: Literal["POST", "PUT"] = "POST"
    headers: dict[str, str] = field(default_factory=dict)
    timeout_s: float = 10.0
    token: str = ""
    reference: str = ""
    unreachable: list[int] = field(default_factory=list)

    def __post_init__(self) -> None:
        if not self.url.startswith(("http://", "https://")):
            raise ValueError(f"url {self.url!r} must begin with https:// or http://")
        if not self.timeout_s > 0:
            raise ValueError(f"timeout_s {self.timeout_s} must be above 0")
        for status in self.unreachable:
            if not 400 <= status <= 499:  # noqa: PLR2004 - the client errors of RFC 9110, 15.5
                raise ValueError(f"unreachable has {status}; name statuses from 400 to 499")


class Receipt(Struct, frozen=True, forbid_unknown_fields=True):
    """Names of the fields of a report on a text that was sent, and the gateway's words in it.

    `id` is the field with the id we gave the text, which holds the number as well; `reference`
    the one with the gateway's own name for it, which needs `number` beside it. One of the two
    is needed. `delivered`, `failed` (it did not arrive; another one may) and `unreachable` (no
    text will ever reach the number) are words of `state`, in capitals or not; any other word is
    a text on its way. `unreachable_reasons` are words of `reason` that make a failure final.
    """

    body: Body
    state: str
    delivered: list[str]
    failed: list[str] = field(default_factory=list)
    unreachable: list[str] = field(default_factory=list)
    unreachable_reasons: list[str] = field(default_factory=list)
    id: str = ""
    reference: str = ""
    number: str = ""
    reason: str = ""

    def __post_init__(self) -> None:
        if not self.id and not self.reference:
            raise ValueError("id or reference must name the field that tells which text it is")
        if self.reference and not self.id and not self.number:
            raise ValueError("reference needs number beside it, the field of whom the text was for")
        if self.unreachable_reasons and not self.reason:
            raise ValueError("unreachable_reasons needs reason, the field they are found in")
        seen: dict[str, str] = {}
        for name in ("delivered", "failed", "unreachable"):
            for word in map(_folded, getattr(self, name)):
                if seen.setdefault(word, name) != name:
                    raise ValueError(f"{word!r} is both {seen[word]} and {name}; name it once")

    def means(self, word: str, reason: str) -> State | None:
        """Tell what became of a text by the gateway's words; None while it is on its way."""
        word, reason = _folded(word), _folded(reason)
        if word in map(_folded, self.delivered):
            return "delivered"
        if word in map(_folded, self.unreachable):
            return "unreachable"
        if word not in map(_folded, self.failed):
            return None
        final = reason in map(_folded, self.unreachable_reasons)
        return "unreachable" if final else "failed"


def _folded(word: str) -> str:
    return word.strip().casefold()


class UssdAnswer(Struct, frozen=True, forbid_unknown_fields=True):
    """Names of the answer's fields: its text, and whether the session goes on (true or false)."""

    body: Body
    text: str
    more: str


class Ussd(Struct, frozen=True, forbid_unknown_fields=True):
    """Names of the fields of a USSD step, and how it is answered."""

    body: Body
    session: str
    number: str
    text: str
    answer: UssdAnswer
    id: str = ""


class Profile(Struct, frozen=True, forbid_unknown_fields=True):
    """One gateway. A part that is left out is one the gateway does not offer."""

    sms_in: SmsIn | None = None
    sms_out: SmsOut | None = None
    receipt: Receipt | None = None
    ussd: Ussd | None = None


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
    gateway's own name for the text. `reason` is empty for a text that arrived.
    """

    number: str
    state: State | None
    serial: int = 0
    id_number: str = ""
    reference: str = ""
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Unreadable:
    """A request that cannot be used, and why, for the operator's log."""

    reason: str


def read_profile(name_or_path: str) -> Profile:
    """Read a profile that comes with Fieldbell by its name, or any other by its path.

    Raises `ProfileError` for one that is missing or has a key or value nobody knows.
    """
    shipped = resources.files("bot.gateways") / "profiles"
    names = [each.name.removesuffix(".toml") for each in shipped.iterdir()]
    try:
        if name_or_path in names:
            text = (shipped / f"{name_or_path}.toml").read_text(encoding="utf-8")
        elif name_or_path.endswith(".toml"):
            text = Path(name_or_path).read_text(encoding="utf-8")
        else:
            hint = nearest(name_or_path, names)
            raise ProfileError(
                f"no gateway profile {name_or_path!r}; {hint} A profile of your own is given "
                "by its path, which ends in .toml"
            )
        values = tomllib.loads(text)
    except OSError as error:
        raise ProfileError(f"profile {name_or_path} cannot be read: {error.strerror}") from error
    except (UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise ProfileError(f"profile {name_or_path} is not TOML: {error}") from error
    _check_keys(values, name_or_path)
    try:
        return msgspec.convert(values, Profile)
    except msgspec.ValidationError as error:
        raise ProfileError(f"profile {name_or_path}: {error}") from error


def read_sms(profile: Profile, content_type: str, body: bytes) -> Incoming | Unreadable:
    """Read a text from a webhook's request. A text that was left out is an empty text."""
    names = profile.sms_in
    if names is None:
        return Unreadable("the gateway profile has no [sms_in]")
    fields = _fields(names.body, content_type, body)
    if isinstance(fields, Unreadable):
        return fields
    number = fields.get(names.number, "")
    if not number:
        return Unreadable(f"no {names.number!r}, the sender's number")
    return Incoming(number, fields.get(names.text, ""), fields.get(names.id) or None)


def read_ussd(profile: Profile, content_type: str, body: bytes) -> Step | Unreadable:
    """Read one step of a USSD session from a webhook's request."""
    names = profile.ussd
    if names is None:
        return Unreadable("the gateway profile has no [ussd]")
    fields = _fields(names.body, content_type, body)
    if isinstance(fields, Unreadable):
        return fields
    for needed, meaning in ((names.session, "the session"), (names.number, "the number")):
        if not fields.get(needed):
            return Unreadable(f"no {needed!r}, {meaning}")
    return Step(
        fields[names.session],
        fields[names.number],
        fields.get(names.text, ""),
        fields.get(names.id) or None,
    )


def read_receipt(profile: Profile, content_type: str, body: bytes) -> Report | Unreadable:
    """Read a report on a text that was sent from a webhook's request."""
    names = profile.receipt
    if names is None:
        return Unreadable("the gateway profile has no [receipt]")
    fields = _fields(names.body, content_type, body)
    if isinstance(fields, Unreadable):
        return fields
    # A part without a name is one the gateway does not send, and a form may hold a field of none.
    given = {name: fields.get(getattr(names, name), "") for name in _PARTS if getattr(names, name)}
    word = given["state"].strip()
    if not word:
        return Unreadable(f"no {names.state!r}, what became of the text")
    ours = _OUR_ID.fullmatch(given.get("id", "").strip())
    reference = given.get("reference", "")[:LONGEST_KEPT]
    if ours is None and not reference:
        return Unreadable(f"no {names.id or names.reference!r} that names a text of ours")
    id_number, serial = (ours[1], int(ours[2])) if ours else ("", 0)
    number = given.get("number") or id_number
    if not number:
        return Unreadable(f"no {names.number!r}, the number the text was for")
    reason = given.get("reason", "").strip()
    state = names.means(word, reason)
    said = "" if state == "delivered" else (reason or word)[:LONGEST_KEPT]
    return Report(number, state, serial, id_number, reference, said)


_PARTS = ("state", "id", "reference", "number", "reason")


def answer_sms(profile: Profile, replies: tuple[str, ...]) -> tuple[str, bytes]:
    """Return the content type and body that answer a text.

    With `reply = "queue"` the body carries none of the replies: they go out by the sender.
    """
    names = profile.sms_in
    if names is None:
        raise ProfileError("the gateway profile has no [sms_in]; add it to receive texts")
    carried = list(replies) if names.reply == "response" else []
    return write_body(names.body, {names.reply_field: carried})


def answer_receipt(profile: Profile) -> tuple[str, bytes]:
    """Return the content type and body that answer a report: there is nothing to say."""
    if profile.receipt is None:
        raise ProfileError("the gateway profile has no [receipt]; add it to hear what arrived")
    return write_body(profile.receipt.body, {})


def answer_ussd(profile: Profile, text: str, more: bool) -> tuple[str, bytes]:  # noqa: FBT001 - a pair: the screen, and whether the session goes on
    """Return the content type and body that answer a USSD step."""
    if profile.ussd is None:
        raise ProfileError("the gateway profile has no [ussd]; add it to serve USSD")
    answer = profile.ussd.answer
    return write_body(answer.body, {answer.text: text, answer.more: more})


def write_body(body: Body, fields: Mapping[str, str | bool | list[str]]) -> tuple[str, bytes]:
    """Return the content type and bytes of fields; a list in a form is its field repeated."""
    if body == "json":
        return MEDIA_TYPES["json"], json.dumps(fields, ensure_ascii=False).encode()
    plain = {
        name: json.dumps(value) if isinstance(value, bool) else value
        for name, value in fields.items()
    }
    return MEDIA_TYPES["form"], urlencode(plain, doseq=True).encode()


def _fields(wanted: Body, content_type: str, body: bytes) -> dict[str, str] | Unreadable:
    media_type, charset = _media(content_type)
    if media_type in MEDIA_TYPES.values() and media_type != MEDIA_TYPES[wanted]:
        return Unreadable(f"expected {MEDIA_TYPES[wanted]}, got {media_type}")
    # A byte that is no letter must not cost the grower the rest of the text.
    text = body.decode(charset, errors="replace")
    try:
        if wanted == "form":
            pairs = parse_qsl(
                text,
                keep_blank_values=True,
                encoding=charset,
                errors="replace",
                max_num_fields=MOST_FIELDS,
            )
            return {name: _sound(value) for name, value in pairs}
        values = json.loads(text)
    except (ValueError, RecursionError) as error:
        return Unreadable(f"not {MEDIA_TYPES[wanted]}: {type(error).__name__}")
    if not isinstance(values, dict):
        return Unreadable("the JSON is not an object")
    return {name: _sound(str(value)) for name, value in values.items() if _is_plain(value)}


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


def _is_plain(value: object) -> bool:
    # Gateways write numbers and ids with quotes or without.
    return isinstance(value, str | int) and not isinstance(value, bool)


def _sound(text: str) -> str:
    """Return a text without half surrogates, which JSON lets through and UTF-8 cannot hold."""
    return text.encode("utf-16", "surrogatepass").decode("utf-16", "replace")


def _check_keys(values: Mapping[str, Any], where: str) -> None:
    parts: dict[str, type[Struct]] = {
        "sms_in": SmsIn,
        "sms_out": SmsOut,
        "receipt": Receipt,
        "ussd": Ussd,
    }
    tables: list[tuple[str, object, type[Struct]]] = [(where, values, Profile)]
    tables += [(f"{where} [{name}]", values.get(name), kind) for name, kind in parts.items()]
    ussd = values.get("ussd")
    if isinstance(ussd, dict):
        tables.append((f"{where} [ussd.answer]", ussd.get("answer"), UssdAnswer))
    for place, table, kind in tables:
        if not isinstance(table, dict):
            continue
        for key in table:
            if key not in kind.__struct_fields__:
                hint = nearest(key, kind.__struct_fields__)
                raise ProfileError(f"profile {place} has an unknown key {key!r}; {hint}")
