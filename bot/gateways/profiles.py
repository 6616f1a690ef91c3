"""A gateway's HTTP in one TOML file: how texts arrive, how they leave, how USSD steps look.

A provider's own names live in its profile, so another provider is another file and no code.
Reading a request never raises, whatever its bytes: what cannot be used is `Unreadable`.
"""

from __future__ import annotations

import codecs
import json
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

    def __post_init__(self) -> None:
        if not self.url.startswith(("http://", "https://")):
            raise ValueError(f"url {self.url!r} must begin with https:// or http://")
        if not self.timeout_s > 0:
            raise ValueError(f"timeout_s {self.timeout_s} must be above 0")


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


def answer_sms(profile: Profile, replies: tuple[str, ...]) -> tuple[str, bytes]:
    """Return the content type and body that answer a text.

    With `reply = "queue"` the body carries none of the replies: they go out by the sender.
    """
    names = profile.sms_in
    if names is None:
        raise ProfileError("the gateway profile has no [sms_in]; add it to receive texts")
    carried = list(replies) if names.reply == "response" else []
    return write_body(names.body, {names.reply_field: carried})


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
    parts: dict[str, type[Struct]] = {"sms_in": SmsIn, "sms_out": SmsOut, "ussd": Ussd}
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
