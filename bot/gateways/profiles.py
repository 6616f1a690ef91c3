"""A gateway's HTTP in one TOML file: how texts arrive and leave, what became of them, USSD steps.

A provider's own names live in its profile, so another provider is another file and no code.
What is here says what a profile may hold and what each name means; `reading` uses it for what
arrives, `answering` for our answers and `http` for what leaves.

A name of a field in JSON may be a path: "message.from" is the field from of the table message,
"parts.0.id" the id of the first of a list. A name with a dot in it is found as it is too.
"""

from __future__ import annotations

import re
import tomllib
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal, get_args
from urllib.parse import urlsplit

import msgspec
from msgspec import Meta, Struct, field

from bot.gateways.signing import Signed
from bot.gateways.writing import Body, check_table, placeholders
from bot.settings import SettingsError, held_by, nearest

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

_PREFIX = re.compile(r"\+[1-9][0-9]{0,14}")
"""The beginning of a number in E.164."""

_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]*")
"""The name of one of several gateways, which stands in addresses."""

State = Literal["delivered", "failed", "unreachable"]
"""What became of a text: it arrived, it did not, or none ever will at that number."""

Method = Literal["POST", "GET"]
"""How a request arrives; what arrives by GET has its fields in the query."""

WHOLE = "."
"""The path of a whole body, for one that is a list itself."""

FAILURES = range(400, 600)
"""The statuses of failures (RFC 9110, 15.5 and 15.6)."""


class ProfileError(ValueError):
    """A profile that cannot be used; the message says what to correct."""


class SmsIn(Struct, frozen=True, forbid_unknown_fields=True):
    """Names of the fields of a text that arrives, and where its replies go.

    `reply` is "response" when the answer to the webhook carries the replies (in
    `reply_field`), and "queue" when the sender sends them. An empty `id` means that the
    gateway gives texts none, so a text delivered twice cannot be recognised; `id_header` names
    a header that holds it instead. `each` is the path of a list, where one request brings several
    texts; the other names are then those within one of them, and `id` is needed.
    """

    body: Body
    number: str
    text: str
    id: str = ""
    reply: Literal["response", "queue"] = "queue"
    reply_field: str = "replies"
    method: Method = "POST"
    id_header: str = ""
    each: str = ""

    def __post_init__(self) -> None:
        _check_arrival(self.method, self.body, self.each)
        if self.id and self.id_header:
            raise ValueError("id and id_header both say where the id is; keep one")
        if self.each and not self.id:
            raise ValueError(
                "each needs id, a field of each text: without it, a request delivered again for "
                "one of its texts would have the others answered again"
            )
        if self.each and self.reply == "response":
            raise ValueError(
                'reply = "response" cannot say which reply is whose where each is a list; '
                'write "queue"'
            )


class SmsAnswer(Struct, frozen=True, forbid_unknown_fields=True):
    """What the gateway's answer to a text means.

    `state` is the path of the word that tells. `accepted`, `later` (try again), `refused` and
    `unreachable` (no text will ever reach the number) are such words, in capitals or not; true
    and false are "true" and "false", and "" is a field that is absent. Where `accepted` has words,
    a text is accepted by one of them alone, whatever the status. `reason` is the path of what to
    tell the operator.

    By status alone, 2xx is accepted; 401, 403, 404, 408, 425, 429 and 5xx mean later; any other
    4xx is refused. `later_statuses` and `refused_statuses` change that for the ones they name.

    A body of "text" is words: "0" is the path of the first, "1" of the second.
    """

    body: Literal["json", "form", "text"] = "json"
    state: str = ""
    accepted: list[str] = field(default_factory=list)
    later: list[str] = field(default_factory=list)
    refused: list[str] = field(default_factory=list)
    unreachable: list[str] = field(default_factory=list)
    reason: str = ""
    later_statuses: list[int] = field(default_factory=list)
    refused_statuses: list[int] = field(default_factory=list)

    def __post_init__(self) -> None:
        words = {name: getattr(self, name) for name in MEANINGS}
        if any(words.values()) and not self.state:
            raise ValueError("words need state, the path where they are found")
        if self.state and not self.accepted:
            raise ValueError("state needs accepted, the words that say that a text was taken")
        _check_words(words)
        for name in ("later_statuses", "refused_statuses"):
            for status in getattr(self, name):
                if status not in FAILURES:
                    raise ValueError(f"{name} has {status}; name statuses from 400 to 599")
                if self.later_statuses.count(status) + self.refused_statuses.count(status) > 1:
                    raise ValueError(f"{status} is named twice")


Meaning = Literal["accepted", "later", "refused", "unreachable"]
MEANINGS: tuple[Meaning, ...] = get_args(Meaning)


class SmsOut(Struct, frozen=True, forbid_unknown_fields=True):
    """How a text is handed to the gateway.

    `number`, `text` and `id` are the names of the fields; or `fields` is a table of them all, in
    which "{to}", "{text}" and "{id}" stand for the values, and "{token}", "{user}" and "{password}"
    for secrets. `plus` says whether a number begins with a plus. `id_header` is a header that
    takes the id, too. `repeats_dropped` says that the gateway drops a text whose id it has had, so
    that one that may have arrived can be sent again as often as it takes, and not just once.

    `token` names the environment variable that holds a token: a bearer token, or as it is in a
    `token_header` of another name than Authorization. `user` and `password` likewise, for basic
    authentication (RFC 7617). What stands in `fields` goes nowhere else. `reference` is the field
    of the answer that holds the gateway's own name for the text, `reference_header` the header.
    `timeout_s` is in seconds. `unreachable` are the statuses (4xx) that say that no text will ever
    reach the number.
    """

    url: str
    body: Body
    number: str = ""
    text: str = ""
    id: str = ""
    method: Literal["POST", "PUT", "GET"] = "POST"
    headers: dict[str, str] = field(default_factory=dict)
    timeout_s: float = 10.0
    token: str = ""
    reference: str = ""
    unreachable: list[int] = field(default_factory=list)
    fields: dict[str, Any] = field(default_factory=dict)
    plus: bool = True
    id_header: str = ""
    repeats_dropped: bool = False
    token_header: str = "Authorization"  # noqa: S105 - a header's name
    user: str = ""
    password: str = ""
    reference_header: str = ""
    answer: SmsAnswer = field(default_factory=SmsAnswer)

    def __post_init__(self) -> None:
        if not self.url.startswith(("http://", "https://")):
            raise ValueError(f"url {self.url!r} must begin with https:// or http://")
        try:
            host = urlsplit(self.url).hostname
        except ValueError as error:
            raise ValueError(f"url {self.url!r}: {error}") from error
        if not host:
            raise ValueError(f"url {self.url!r} has no host")
        if not self.timeout_s > 0:
            raise ValueError(f"timeout_s {self.timeout_s} must be above 0")
        for status in self.unreachable:
            if not 400 <= status <= 499:  # noqa: PLR2004 - the client errors of RFC 9110, 15.5
                raise ValueError(f"unreachable has {status}; name statuses from 400 to 499")
        if self.method == "GET" and self.body != "query":
            raise ValueError('a GET has no body; write body = "query"')
        self._check_fields()
        if bool(self.user) != bool(self.password):
            raise ValueError("user and password need each other")
        if self.token and self.basic and "token" not in self.secrets_in_fields:
            raise ValueError("token and user both say who sends; keep one")
        if self.repeats_dropped and not self.tells_id:
            raise ValueError("repeats_dropped needs the id in id, id_header or fields")
        if self.reference and self.reference_header:
            raise ValueError("reference and reference_header both say where it is; keep one")

    def _check_fields(self) -> None:
        named = {"number": self.number, "text": self.text}
        if self.fields:
            for name, value in {**named, "id": self.id}.items():
                if value:
                    raise ValueError(f"fields holds every field, so {name} says nothing; drop it")
        else:
            for name, value in named.items():
                if not value:
                    raise ValueError(f"{name} must name its field, or fields say them all")
        check_table(self.template, PLACEHOLDERS, nested=self.body == "json")
        for name in ("to", "text"):
            if name not in placeholders(self.template):
                raise ValueError(f"fields has no {{{name}}}")
        for name in sorted(self.secrets_in_fields):
            if not getattr(self, name):
                raise ValueError(f"{{{name}}} needs {name}, the environment variable it is in")

    @property
    def template(self) -> dict[str, Any]:
        """The table that a text's fields are made from."""
        if self.fields:
            return self.fields
        named = {self.number: "{to}", self.text: "{text}"}
        return named | {self.id: "{id}"} if self.id else named

    @property
    def secrets_in_fields(self) -> set[str]:
        """Which of `SECRETS` go in the fields, and so in no header."""
        return placeholders(self.template) & set(SECRETS)

    @property
    def basic(self) -> bool:
        """Whether `user` and `password` go in a header."""
        return bool(self.user) and not self.secrets_in_fields & {"user", "password"}

    @property
    def tells_id(self) -> bool:
        """Whether the gateway is told the text's id."""
        return bool(self.id_header) or "id" in placeholders(self.template)


SECRETS = ("token", "user", "password")
PLACEHOLDERS = ("to", "text", "id", *SECRETS)


class Receipt(Struct, frozen=True, forbid_unknown_fields=True):
    """Names of the fields of a report on a text that was sent, and the gateway's words in it.

    `id` is the field with the id we gave the text, which holds the number as well; `reference`
    the one with the gateway's own name for it, which needs `number` beside it. One of the two
    is needed. `delivered`, `failed` (it did not arrive; another one may) and `unreachable` (no
    text will ever reach the number) are words of `state`, in capitals or not; any other word is
    a text on its way. `unreachable_reasons` are words of `reason` that make a failure final.
    `each` is the path of a list, where one request brings several reports.
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
    method: Method = "POST"
    each: str = ""

    def __post_init__(self) -> None:
        _check_arrival(self.method, self.body, self.each)
        if not self.id and not self.reference:
            raise ValueError("id or reference must name the field that tells which text it is")
        if self.reference and not self.id and not self.number:
            raise ValueError("reference needs number beside it, the field of whom the text was for")
        if self.unreachable_reasons and not self.reason:
            raise ValueError("unreachable_reasons needs reason, the field they are found in")
        _check_words({name: getattr(self, name) for name in get_args(State)})

    def means(self, word: str, reason: str) -> State | None:
        """Tell what became of a text by the gateway's words; None while it is on its way."""
        if is_among(word, self.delivered):
            return "delivered"
        if is_among(word, self.unreachable):
            return "unreachable"
        if not is_among(word, self.failed):
            return None
        return "unreachable" if is_among(reason, self.unreachable_reasons) else "failed"


class UssdAnswer(Struct, frozen=True, forbid_unknown_fields=True):
    """How a screen is told, and whether the session goes on.

    `text` and `more` are the names of the two fields; or `fields` is a table of them all, in
    which "{text}", "{more}", "{session}" and "{number}" stand for the values. `more` is true or
    false, or else `goes_on` or `ends`. A body of "text" is one of these two words and the screen.
    """

    body: Literal["json", "form", "text"]
    text: str = ""
    more: str = ""
    fields: dict[str, Any] = field(default_factory=dict)
    goes_on: str = ""
    ends: str = ""

    def __post_init__(self) -> None:
        if (self.goes_on or self.ends) and self.goes_on == self.ends:
            raise ValueError(f"goes_on and ends are both {self.ends!r}")
        if self.body == "text":
            if self.text or self.more or self.fields:
                raise ValueError("a body of text has no fields; keep goes_on and ends alone")
            if not self.goes_on or not self.ends:
                raise ValueError("a body of text needs goes_on and ends, which stand before it")
            return
        if bool(self.goes_on) != bool(self.ends):
            raise ValueError("goes_on and ends need each other")
        if bool(self.fields) == bool(self.text and self.more) or (
            self.fields and (self.text or self.more)
        ):
            raise ValueError("write text and more, the names of the two fields, or else fields")
        check_table(self.template, SCREEN_PLACEHOLDERS, nested=self.body == "json")
        for name in ("text", "more"):
            if name not in placeholders(self.template):
                raise ValueError(f"fields has no {{{name}}}")

    @property
    def template(self) -> dict[str, Any]:
        """The table that an answer's fields are made from."""
        return self.fields or {self.text: "{text}", self.more: "{more}"}


SCREEN_PLACEHOLDERS = ("text", "more", "session", "number")


class Ussd(Struct, frozen=True, forbid_unknown_fields=True):
    """Names of the fields of a USSD step, and how it is answered.

    `so_far` is what stands between the inputs where `text` holds all of a session so far, as
    "1*2*3"; empty, `text` is the last input alone.
    """

    body: Body
    session: str
    number: str
    text: str
    answer: UssdAnswer
    id: str = ""
    method: Method = "POST"
    so_far: str = ""

    def __post_init__(self) -> None:
        _check_arrival(self.method, self.body, "")
        for name in ("session", "number", "text"):
            if not getattr(self, name):
                raise ValueError(f"{name} must name its field")


class Profile(Struct, frozen=True, forbid_unknown_fields=True):
    """One gateway. A part that is left out is one the gateway does not offer.

    `signed` holds for all that arrives; without it, whoever knows the address may write to it.
    Texts leave by `sms_out`, or by `smpp` or `modem` (`bot.gateways.opening` knows their keys),
    by which they arrive too; `at_once` is how many a sender hands over together.

    Beside other gateways it takes numbers that begin with one of `prefixes` ("+25575"), or all
    numbers where there are none. `rate` is how many texts a second may leave, 0 for no limit; each
    sender process counts for itself.
    """

    sms_in: SmsIn | None = None
    sms_out: SmsOut | None = None
    receipt: Receipt | None = None
    ussd: Ussd | None = None
    signed: Signed | None = None
    smpp: dict[str, Any] | None = None
    modem: dict[str, Any] | None = None
    at_once: Annotated[int, Meta(ge=1, le=200)] = 1
    prefixes: list[str] = field(default_factory=list)
    rate: Annotated[float, Meta(ge=0, le=1000)] = 0.0

    def __post_init__(self) -> None:
        for place, prefix in enumerate(self.prefixes):
            if not _PREFIX.fullmatch(prefix):
                raise ValueError(
                    f"prefixes has {prefix!r}; write the beginning of a number as it is dialled "
                    'from abroad, "+25575"'
                )
            if prefix in self.prefixes[:place]:
                raise ValueError(f"prefixes has {prefix} twice; name it once")
        ways = [name for name in ("sms_out", "smpp", "modem") if getattr(self, name) is not None]
        if len(ways) > 1:
            raise ValueError(f"{' and '.join(ways)} both say how texts leave; keep one")
        if self.signed is None or self.signed.how == "token":
            return
        for name in ("sms_in", "receipt", "ussd"):
            part: SmsIn | Receipt | Ussd | None = getattr(self, name)
            if part is None:
                continue
            signs = "query" if part.body == "query" else "body"
            if signs not in self.signed.over:
                raise ValueError(
                    f"signed does not cover {name}, whose fields are in the {signs}; "
                    f"write {signs!r} in over"
                )
            if name == "sms_in" and self.sms_in is not None and self.sms_in.id_header:
                raise ValueError(
                    "a signature does not cover the header in id_header, so a text could be "
                    "repeated under another id; take the id from a field"
                )

    def variables(self) -> dict[str, str]:
        """Return the environment variables to set, and what each holds."""
        found: dict[str, str] = {}
        if self.signed:
            found[self.signed.secret] = (
                "the token that requests bring"
                if self.signed.how == "token"
                else "the key that requests are signed with"
            )
        for name in SECRETS:
            if self.sms_out and (variable := getattr(self.sms_out, name)):
                found[variable] = f"the {name} to send texts with"
        return found


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
    except OSError as error:
        raise ProfileError(f"profile {name_or_path} cannot be read: {error.strerror}") from error
    except UnicodeDecodeError as error:
        raise ProfileError(f"profile {name_or_path} is not TOML: {error}") from error
    return parse_profile(text, name_or_path)


def parse_profile(text: str, name: str) -> Profile:
    """Read the text of a profile; `name` is what errors call it. Raises `ProfileError`."""
    try:
        values = tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        raise ProfileError(f"profile {name} is not TOML: {error}") from error
    _check_keys(values, Profile, name)
    try:
        return msgspec.convert(values, Profile)
    except msgspec.ValidationError as error:
        raise ProfileError(f"profile {name}: {error}") from error


def places_of(written: str) -> list[str]:
    """Return where the profiles are that a setting names, in the order of preference."""
    return [place.strip() for place in written.split(",") if place.strip()]


def name_of(place: str) -> str:
    """Return the name of the profile at a place: its own, or that of its file without ".toml"."""
    return Path(place).stem if place.endswith(".toml") else place


def read_profiles(written: str) -> dict[str, Profile]:
    """Read one or more profiles, with commas between, in the order of preference.

    Each has a name: its own where it comes with Fieldbell, else that of its file without ".toml".
    Raises `ProfileError` as `read_profile` does, and where names cannot tell gateways apart.
    """
    places = places_of(written)
    if not places:
        raise ProfileError("no gateway is named; write the name of a profile, or a path to one")
    profiles: dict[str, Profile] = {}
    for place in places:
        name = name_of(place)
        if name in profiles:
            raise ProfileError(
                f"two gateways are named {name}; rename the file of one, as gateways are told "
                "apart by the names of their files"
            )
        profiles[name] = read_profile(place)
        if len(places) > 1 and not _NAME.fullmatch(name):
            raise ProfileError(
                f"a gateway is named {name!r}, which cannot stand in an address; "
                "rename its file to letters, digits and hyphens"
            )
    return profiles


def kept_apart(name: str, profiles: Mapping[str, Profile]) -> str:
    """Return what is put before ids of what arrives by a gateway: nothing for the first of all.

    So ids that are remembered stay good when a second gateway is added behind the first.
    """
    return "" if name == next(iter(profiles)) else f"{name}/"


def secret(variable: str, environ: Mapping[str, str]) -> str:
    """Return what an environment variable holds, or the file that it names with `_FILE` behind it.

    Raises `ProfileError` where there is nothing.
    """
    try:
        held = held_by(variable, environ)
    except SettingsError as error:
        raise ProfileError(str(error)) from error
    if not held:
        raise ProfileError(
            f"the gateway profile takes a secret from {variable}, which is not set; "
            "put it into that environment variable"
        )
    return held


def is_among(word: str, words: Iterable[str]) -> bool:
    """Tell whether a word is one of these, in capitals or not."""
    return _folded(word) in map(_folded, words)


def _folded(word: str) -> str:
    return word.strip().casefold()


def _check_arrival(method: Method, body: Body, each: str) -> None:
    if method == "GET" and body != "query":
        raise ValueError('a GET has no body; write body = "query"')
    if each and body != "json":
        raise ValueError(f'each is the path of a list in JSON, and body is "{body}"')


def _check_words(words: Mapping[Any, list[str]]) -> None:
    """Raise `ValueError` for a word with two meanings."""
    seen: dict[str, str] = {}
    for name, each in words.items():
        for word in map(_folded, each):
            if seen.setdefault(word, name) != name:
                raise ValueError(f"{word!r} is both {seen[word]} and {name}; name it once")


def _check_keys(values: Mapping[str, Any], kind: type[Struct], where: str, part: str = "") -> None:
    """Raise `ProfileError` for a key nobody knows, however deep."""
    fields = {each.name: each.type for each in msgspec.structs.fields(kind)}
    for key, value in values.items():
        if key not in fields:
            place = f"{where} [{part}]" if part else where
            hint = nearest(key, fields)
            raise ProfileError(f"profile {place} has an unknown key {key!r}; {hint}")
        for each in (fields[key], *get_args(fields[key])):
            if isinstance(value, dict) and isinstance(each, type) and issubclass(each, Struct):
                _check_keys(value, each, where, f"{part}.{key}" if part else key)
