"""Whether a request that arrives is the gateway's: a shared token, or a signature over it.

Comparisons take the same time however much of a guess is right.
"""

from __future__ import annotations

import hmac
import re
from base64 import b64encode
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Literal
from urllib.parse import parse_qsl

from msgspec import Struct, field

if TYPE_CHECKING:
    from bot.gateways.reading import Request

Content = Literal["timestamp", "body", "query"]

_MILLISECONDS = 1e11
"""A timestamp of this and more is in milliseconds; as seconds it is the year 5138."""


class Signed(Struct, frozen=True, forbid_unknown_fields=True):
    """How each request that arrives is signed.

    `secret` names the environment variable that holds the token or the key. A "token" stands as
    it is in `header` or in the query field `query`. A signature (RFC 2104) stands in `header`,
    behind `prefix`, in hexadecimal or base64, and is over the parts in `over`, in that order, with
    `joined_by` between them; "query" is what stands behind "?" in the address. `timestamp` is the
    header with the time of signing (seconds or milliseconds since 1970, or as in RFC 3339), which
    may be `replay_s` seconds away from ours, either way.
    """

    how: Literal["hmac-sha256", "hmac-sha1", "token"]
    secret: str
    header: str = ""
    query: str = ""
    prefix: str = ""
    written: Literal["hex", "base64"] = "hex"
    over: list[Content] = field(default_factory=lambda: ["body"])
    joined_by: str = ""
    timestamp: str = ""
    replay_s: float = 300.0

    def __post_init__(self) -> None:
        if not self.secret:
            raise ValueError("secret must name an environment variable")
        if self.how == "token":
            if bool(self.header) == bool(self.query):
                raise ValueError("a token needs either header or query, where it is found")
            if self.timestamp:
                raise ValueError("a token signs nothing, so timestamp would prove nothing")
        else:
            if not self.header or self.query:
                raise ValueError("a signature needs header, where it is found, and no query")
            if not set(self.over) & {"body", "query"} or len(self.over) != len(set(self.over)):
                raise ValueError("over needs body or query, and each part once")
            if bool(self.timestamp) != ("timestamp" in self.over):
                raise ValueError(
                    "timestamp, the header, and 'timestamp' in over need each other: "
                    "a time that is not signed can be changed"
                )
        if not self.replay_s > 0:
            raise ValueError(f"replay_s {self.replay_s} must be above 0")


def fault(signed: Signed, secret: str, request: Request, now: float) -> str:
    """Return what is wrong with a request's signature, "" if nothing. `now` is in epoch seconds."""
    if signed.query:
        pairs = parse_qsl(request.query.decode("utf-8", "replace"), errors="replace")
        given = [value for name, value in pairs if name == signed.query]
        where, written = f"the query field {signed.query}", given[0] if len(given) == 1 else ""
    else:
        where, written = f"the header {signed.header}", request.header(signed.header)
    if not written:
        return f"{where} is missing"
    if signed.how == "token":
        good = _same(written, signed.prefix + secret)
        return "" if good else f"{where} has another token"
    if signed.timestamp:
        at = _moment(request.header(signed.timestamp))
        if at is None:
            return f"the header {signed.timestamp} has no time"
        if not abs(now - at) <= signed.replay_s:
            return f"signed {now - at:.0f} s ago, more than {signed.replay_s:.0f} s from our clock"
    expected = signature(signed, secret, request)
    if signed.written == "hex":  # in capitals or not
        start = len(signed.prefix)
        written = written[:start] + written[start:].lower()
    return "" if _same(written, expected) else f"{where} has another signature"


def signature(signed: Signed, secret: str, request: Request) -> str:
    """Return the signature that a request should have, with its prefix."""
    parts: dict[Content, bytes] = {
        "timestamp": _bytes(request.header(signed.timestamp)),
        "body": request.body,
        "query": request.query,
    }
    content = _bytes(signed.joined_by).join(parts[each] for each in signed.over)
    digest = hmac.digest(_bytes(secret), content, signed.how.removeprefix("hmac-"))
    return signed.prefix + (
        digest.hex() if signed.written == "hex" else b64encode(digest).decode("ascii")
    )


def _same(given: str, expected: str) -> bool:
    return hmac.compare_digest(_bytes(given), _bytes(expected))


def _bytes(text: str) -> bytes:
    return text.encode("utf-8", "surrogatepass")


def _moment(written: str) -> float | None:
    if re.fullmatch(r"[0-9]{1,16}(\.[0-9]{1,9})?", written):
        number = float(written)
        return number / 1000 if number >= _MILLISECONDS else number
    try:
        at = datetime.fromisoformat(written)
        return (at if at.tzinfo else at.replace(tzinfo=UTC)).timestamp()
    except (ValueError, OverflowError):
        return None
