"""The operator's settings: one typed object, read once at start-up.

A value comes from the environment (`FIELDBELL_` and the field's name in capitals), else from a
TOML file (keys are the field names), else from the default here. A key nobody knows is an error
that names the nearest known one: a misspelt setting must not pass for a default.

A secret may stand in a file of its own, named by its variable with `_FILE` behind it
(`FIELDBELL_SECRET_FILE=/run/secrets/fieldbell`), as containers and systemd hand secrets over.
"""

from __future__ import annotations

import difflib
import logging
import math
import re
import stat
import tomllib
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import msgspec
import phonenumbers
from msgspec import Meta, Struct

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

log = logging.getLogger(__name__)

PREFIX = "FIELDBELL_"

SECRETS = ("secret", "reviewer_key", "redis_url", "redis_password", "metrics_key")
"""Settings that nobody else may know; they are shown nowhere, and may stand in files."""

IN_FILE = "_FILE"
"""Ends the name of a variable that holds the path of a file with the secret in it."""

_PLACES = frozenset({"district", "locales"})
"""Settings that name a file or a folder, or none: empty in the environment, they are not set."""

FILE_VARIABLE = PREFIX + "SETTINGS"
REDIS_VARIABLE = "REDIS_URL"

Hour = Annotated[int, Meta(ge=0, le=24)]


class SettingsError(ValueError):
    """A setting that cannot be used; the message says which one and what to write instead."""


class Settings(Struct, frozen=True, forbid_unknown_fields=True):
    """What an operator may set. Hours are whole local hours; numbers are written as dialled.

    Raises `SettingsError` when a value makes no sense (an unknown zone, hours that never are).
    """

    redis_url: str = ""
    """Where Redis is; empty starts the embedded server in `data`. `REDIS_URL` is read too.

    One server, Sentinels or a cluster: `bot.store.connecting` has the forms."""
    redis_password: str = ""
    """The password of Redis, where `redis_url` holds none."""
    replicas: Annotated[int, Meta(ge=0, le=5)] = 0
    """How many replicas must have what becomes true before it counts: before a text is
    acknowledged to its gateway, and before the next one is sent."""
    data: Path = Path("fieldbell-data")
    """The folder that holds everything the embedded server keeps."""
    country: str = "TZ"
    """ISO 3166 country of phone numbers given without their country code."""
    zone: str = "Africa/Dar_es_Salaam"
    """IANA time zone of growers whose own is not known."""
    waking_from: Hour = 7
    """First local hour at which a reminder may arrive."""
    waking_until: Hour = 19
    """Local hour from which no reminder arrives any more, until `waking_from` the next day."""
    remind_at: Hour = 7
    """Local hour at which a day's reminder falls due."""
    help_number: str = ""
    """A person's number for HELP and after three misread answers. The operator sets it."""
    poison_number: str = ""
    """The number for poisoning, sent with safety texts. The operator sets it: none is assumed."""
    gateway: str = "plain-json"
    """A gateway profile: the name of one that comes with Fieldbell, or a path to a TOML file; or
    several with commas between, the preferred one first."""
    district: Path | None = None
    """A YAML file of the district's own figures and units of area (`bot.agronomy.district`)."""
    locales: Path | None = None
    """A folder of languages to use instead of those that come with Fieldbell."""
    languages: str = "en,sw"
    """Languages growers may choose, by code with commas between, in the order offered."""
    fold_letters: str = ""
    """Languages, by code with commas between, whose texts go out without the letters that cost
    a text more than half its room: "ha,fr"."""
    try_pages: bool = False
    """Whether anyone may try the bot and read its texts in a browser, at /try."""
    reviewer_key: str = ""
    """Who knows it may put an uploaded translation in the place of ours; empty, nobody may."""
    proxies: Annotated[int, Meta(ge=0, le=5)] = 0
    """How many reverse proxies of the operator's stand before the web app and say, in
    X-Forwarded headers, who asked and whether by https."""
    secret: str = ""
    """Signs what a browser keeps, and makes second factors, of which there are none without it.
    Without it a new one signs each time a process starts, so set it where several processes serve
    the pages."""
    currency: str = "TZS"
    """ISO 4217 code of prices and costs."""
    segment_price: Annotated[float, Meta(ge=0)] = 0.0
    """What the operator pays for a segment, in `currency`; 0 shows segments only. It is what a
    segment is taken to cost in estimates, and over gateways that `gateway_prices` leaves out."""
    gateway_prices: str = ""
    """Gateways that cost another price a segment, by the names of their profiles, with commas
    between: "coast=18,modem=0"."""
    spend_ceiling: Annotated[float, Meta(ge=0)] = 0.0
    """What texts may come to in a month of `zone`, in `currency`; from there on rounds are paused,
    and nothing else is. 0 is no ceiling."""
    keep_texts: Annotated[int, Meta(ge=0, le=500)] = 40
    """How many of a grower's latest texts are kept, both ways, for agents to see."""
    desk_pages: bool = False
    """Whether agents may sign in to the desk, at /desk."""
    second_factor: Literal["optional", "required"] = "optional"
    """Whether whoever signs in to the desk may set up a second factor, or must. It needs `secret`."""
    api: bool = False
    """Whether other systems may use the API, at /api, with a token."""
    metrics_key: str = ""
    """Who brings it as a bearer token may read /metrics; empty, nobody may."""
    log_format: Literal["plain", "json"] = "plain"
    """How the log is written: lines for people, or a JSON object a line."""
    log_level: Literal["debug", "info", "warning", "error"] = "info"
    """The least weight of what is logged."""
    backup_to: str = ""
    """Whom backups are encrypted to: age recipients ("age1..."), with commas between."""

    most_texts: Annotated[int, Meta(ge=0)] = 100
    """How many SMS of one grower are answered in a day; 0 answers every one. Beyond it STOP still
    takes effect, and HELP is answered once. A phone that answers texts by itself, or who means to
    cost money, is held up by it."""
    most_requests: Annotated[int, Meta(ge=0)] = 200
    """How many requests a second a webhook process takes from one address; 0 takes every one."""
    countries: str = ""
    """Countries, by ISO 3166 code with commas between, whose numbers are answered; empty, all are."""

    def __post_init__(self) -> None:
        try:
            ZoneInfo(self.zone)
        except (ZoneInfoNotFoundError, ValueError, OSError) as error:
            raise SettingsError(
                f"zone {self.zone!r} is not a time zone; "
                "write an IANA name such as Africa/Dar_es_Salaam"
            ) from error
        if self.country not in phonenumbers.SUPPORTED_REGIONS:
            raise SettingsError(
                f"country {self.country!r} is not a country; write its two capital letters, as TZ"
            )
        for country in self.answered:
            if country not in phonenumbers.SUPPORTED_REGIONS:
                raise SettingsError(
                    f"countries has {country!r}, which is not a country; "
                    "write two capital letters each, as TZ,KE"
                )
        if not self.waking_from < self.waking_until:
            raise SettingsError(
                f"waking_from {self.waking_from} must come before waking_until {self.waking_until}"
            )
        if not self.waking_from <= self.remind_at < self.waking_until:
            raise SettingsError(
                f"remind_at {self.remind_at} is outside waking hours; "
                f"set an hour from {self.waking_from} to {self.waking_until - 1}"
            )
        for name in ("segment_price", "spend_ceiling"):
            if not math.isfinite(getattr(self, name)):
                raise SettingsError(f"{name} is not a number of {self.currency}; write one, as 30")
        _prices(self.gateway_prices)
        if self.second_factor == "required" and not self.secret:
            raise SettingsError(
                "second_factor is required, which needs secret, as codes are made from it; set both"
            )
        if self.spend_ceiling and not self.segment_price:
            raise SettingsError(
                "spend_ceiling needs segment_price, as texts without a price never reach it; set both"
            )

    def __repr__(self) -> str:
        """Show every setting, but of a secret only that it is set: a settings object gets into logs."""
        shown = (
            f"{name}={'(set)' if name in SECRETS and value else repr(value)}"
            for name, value in msgspec.structs.asdict(self).items()
        )
        return f"Settings({', '.join(shown)})"

    @property
    def offered(self) -> tuple[str, ...]:
        """Codes of the languages offered, in order."""
        return _codes(self.languages)

    @property
    def answered(self) -> frozenset[str]:
        """Countries whose numbers are answered; none named, all are."""
        return frozenset(_codes(self.countries))

    @property
    def folded(self) -> frozenset[str]:
        """Codes of the languages whose letters are folded."""
        return frozenset(_codes(self.fold_letters))

    @property
    def prices(self) -> dict[str, float]:
        """What a segment costs over each gateway of `gateway_prices`, by name, in `currency`."""
        return _prices(self.gateway_prices)

    @classmethod
    def read(cls, environ: Mapping[str, str], file: Path | None = None) -> Settings:
        """Read the settings from the environment and, where there is one, a TOML file.

        The environment wins over the file, and `FIELDBELL_REDIS_URL` over `REDIS_URL`. Without
        `file`, the one named by `FIELDBELL_SETTINGS` is read. Raises `SettingsError`.
        """
        if file is None and environ.get(FILE_VARIABLE):
            file = Path(environ[FILE_VARIABLE])
        values: dict[str, Any] = {} if file is None else _from_file(file)
        if REDIS_VARIABLE in environ or REDIS_VARIABLE + IN_FILE in environ:
            values["redis_url"] = held_by(REDIS_VARIABLE, environ)
        values |= _from_environment(environ)
        try:
            # Not strict, because every value of the environment is a string.
            return msgspec.convert(values, cls, strict=False, dec_hook=_path)
        except msgspec.ValidationError as error:
            if isinstance(error.__cause__, SettingsError):
                raise error.__cause__ from None
            raise SettingsError(f"{error}; correct it in the environment or the file") from error


def held_by(variable: str, environ: Mapping[str, str]) -> str:
    """Return the secret that an environment variable holds, or the file that one with `_FILE` names.

    Empty where neither is set. The file's last line end is no part of it. Raises `SettingsError`
    for a file that cannot be read, and where both are set.
    """
    named = environ.get(variable + IN_FILE, "")
    if not named:
        return environ.get(variable, "")
    if environ.get(variable):
        raise SettingsError(f"{variable} and {variable}{IN_FILE} are both set; keep one")
    try:
        return Path(named).read_text(encoding="utf-8").removesuffix("\n").removesuffix("\r")
    except OSError as error:
        raise SettingsError(
            f"{variable}{IN_FILE} names {named}, which cannot be read: {error.strerror}"
        ) from error
    except UnicodeDecodeError as error:
        raise SettingsError(
            f"{variable}{IN_FILE} names {named}, which is not UTF-8 text; write it anew"
        ) from error


def _codes(written: str) -> tuple[str, ...]:
    return tuple(code.strip() for code in written.split(",") if code.strip())


def _prices(written: str) -> dict[str, float]:
    prices: dict[str, float] = {}
    for each in _codes(written):
        # A name may hold "=", as names of files may; a price does not.
        name, _, price = map(str.strip, each.rpartition("="))
        if not name or not _PRICE.fullmatch(price):
            raise SettingsError(
                f"gateway_prices has {each!r}; write a gateway's name, = and what a segment costs, "
                "from 0, with commas between: coast=18.5,modem=0"
            )
        if name in prices:
            raise SettingsError(f"gateway_prices has two prices for {name!r}; leave one")
        prices[name] = float(price)
    return prices


_PRICE = re.compile(r"[0-9]{1,12}(\.[0-9]{1,6})?")


def nearest(wrong: str, known: Iterable[str]) -> str:
    """Return the known name most like a wrong one, as the end of an error message."""
    names = sorted(known)
    close = difflib.get_close_matches(wrong, names, n=1, cutoff=0.5)
    return f"did you mean {close[0]}?" if close else f"known are {', '.join(names)}"


def _from_file(file: Path) -> dict[str, Any]:
    try:
        values = tomllib.loads(file.read_text(encoding="utf-8"))
    except OSError as error:
        raise SettingsError(f"settings file {file} cannot be read: {error.strerror}") from error
    except ValueError as error:
        raise SettingsError(f"settings file {file} is not TOML: {error}") from error
    kept = [name for name in SECRETS if _tells(name, values.get(name))]
    if kept and file.stat().st_mode & stat.S_IROTH:
        log.warning(
            "everybody on this machine can read %s, and it holds %s: chmod o-r it, or set %s",
            file,
            " and ".join(kept),
            PREFIX + kept[0].upper() + IN_FILE,
        )
    for key in values:
        if key not in Settings.__struct_fields__:
            hint = nearest(key, Settings.__struct_fields__)
            raise SettingsError(f"{file} has an unknown key {key!r}; {hint}")
    return values


def _tells(name: str, value: object) -> bool:
    """Whether a secret is in a value. An address of Redis without a password gives nothing away."""
    return bool(value) and (name != "redis_url" or bool(_PASSWORD.search(str(value))))


_PASSWORD = re.compile(r"//[^/]*:.+@|password=")


def _from_environment(environ: Mapping[str, str]) -> dict[str, str]:
    variables = {PREFIX + field.upper(): field for field in Settings.__struct_fields__}
    in_files = {PREFIX + name.upper() + IN_FILE: PREFIX + name.upper() for name in SECRETS}
    values = {}
    for variable, value in environ.items():
        if variable in in_files:
            if value:
                values[variables[in_files[variable]]] = held_by(in_files[variable], environ)
        elif variable in variables:
            if value or variables[variable] not in _PLACES:
                values[variables[variable]] = value
        elif variable.startswith(PREFIX) and variable != FILE_VARIABLE:
            hint = nearest(variable, {*variables, *in_files, FILE_VARIABLE})
            raise SettingsError(f"unknown environment variable {variable}; {hint}")
    return values


def _path(wanted: type[object], value: object) -> object:
    if wanted is Path and isinstance(value, str):
        return Path(value)
    raise TypeError(f"expected {wanted.__name__}, got {value!r}")
