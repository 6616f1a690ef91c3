"""A gateway reached over HTTP, as its profile describes.

Texts are handed over one by one, because each is marked as sent before the next one leaves; so a
provider's way of taking many at once is of no use here. Connections are kept open instead.
"""

from __future__ import annotations

import os
import re
import ssl
import threading
import time
from collections import OrderedDict
from dataclasses import dataclass, replace
from http.cookiejar import DefaultCookiePolicy
from traceback import walk_tb
from typing import TYPE_CHECKING, Any, cast
from weakref import WeakSet

import requests
from requests.auth import HTTPBasicAuth
from requests.utils import get_auth_from_url
from urllib3.exceptions import HTTPError, NewConnectionError

from bot.gateways.base import Accepted, Deferred, Outcome, Outgoing, Refused
from bot.gateways.judging import Answer, Unsure, judge
from bot.gateways.numbers import masked
from bot.gateways.profiles import SECRETS, Profile, ProfileError, secret
from bot.gateways.reading import LONGEST_KEPT
from bot.gateways.writing import fill, write_body

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from bot.gateways.profiles import SmsOut

MOST_BYTES = 64 * 1024
"""Bytes of an answer worth reading; one that says what came of a text is far shorter."""

MOST_UNSURE = 10_000
"""Texts remembered that may have arrived."""

HIDDEN = "*****"
"""What is shown in the place of a secret."""

_NEVER_LEFT = (
    requests.exceptions.ConnectTimeout,
    requests.exceptions.SSLError,
    requests.exceptions.ProxyError,
    requests.exceptions.InvalidURL,
    requests.exceptions.InvalidSchema,
)
"""Errors before a byte of the text has left."""

_NAME = re.compile(r"[!#-'*+.^_`|~0-9A-Za-z-]+")
_VALUE = re.compile(r"([\x21-\x7e\xa0-\xff]([\x20-\x7e\xa0-\xff]*[\x21-\x7e\xa0-\xff])?)?")
"""A header's name, and its value: Latin-1, no control characters, no space around it
(RFC 9110, 5.5 and 5.6.2)."""


@dataclass(frozen=True, slots=True)
class Handover:
    """One text handed over: the gateway's answer, None where there was none, and its meaning."""

    answer: Answer | None
    outcome: Outcome


class HttpGateway:
    """Sends texts by a profile's `[sms_out]`. Many threads may call `send` at once.

    Where the profile says no more about answers: 2xx is `Accepted`. A failure that passes is
    `Deferred`: 408, 425, 429, 5xx, no connection; what the operator must mend, 401, 403, 404 and
    a certificate; and a redirect, which is followed by no text but by the operator. Any other 4xx
    is `Refused`, and any that the profile names as `unreachable` is so for good.

    A text may have arrived when the connection broke or the time ran out after it had left, or
    when the answer has a word the profile does not know. It is `Deferred` once and sent again
    under the same id; the second time it is `Refused`, for a person to look at. With
    `repeats_dropped` it is `Deferred` every time. So is one that a 502 or 504 was answered to, by
    a server that had handed it on; unless `later_statuses` say that it means no such thing.

    Raises `ProfileError` when made from a profile without `[sms_out]`, or when `environ` lacks a
    secret it names.
    """

    def __init__(
        self,
        profile: Profile,
        environ: Mapping[str, str] = os.environ,
        clock: Callable[[], float] = time.time,
    ) -> None:
        if profile.sms_out is None:
            raise ProfileError("the gateway profile has no [sms_out]; add it to send texts")
        self._out = out = profile.sms_out
        self._clock = clock
        named = {name: getattr(out, name) for name in SECRETS if getattr(out, name)}
        self._secrets = {name: secret(variable, environ) for name, variable in named.items()}
        self._headers = _headers(out, self._secrets)
        self._auth = _auth(out, self._secrets)
        self._local = threading.local()
        self._lock = threading.Lock()
        self._sessions: WeakSet[requests.Session] = WeakSet()
        self._unsure: OrderedDict[str, None] = OrderedDict()

    def send(self, text: Outgoing) -> Outcome:
        """Hand over one text and say what came of it."""
        return self.hand_over(text).outcome

    def hand_over(self, text: Outgoing) -> Handover:
        """Hand over one text, and show the answer too."""
        answer: Answer | None = None
        found: Outcome | Unsure
        try:
            answer = self._answer_to(self.request(text))
        except requests.RequestException as error:
            # Its text may hold the address with a secret in it, so only its kind is told.
            kind = type(error).__name__
            if _never_left(error):
                found = Deferred(f"the gateway cannot be reached: {kind}", why="down")
            else:
                found = Unsure(f"the gateway did not answer: {kind}")
        else:
            found = self._loggable(judge(self._out, answer, self._clock()), text.to)
        if isinstance(found, Unsure):
            found = self._once(text, found)
        return Handover(answer, found)

    def request(self, text: Outgoing) -> requests.Request:
        """Return the request that hands over a text."""
        out = self._out
        values = {
            "to": text.to if out.plus else text.to.removeprefix("+"),
            "text": text.body,
            "id": text.id,
            **self._secrets,
        }
        fields = cast("dict[str, Any]", fill(out.template, values))
        content_type, body = write_body("json" if out.body == "json" else "form", fields)
        headers = dict(self._headers)
        if out.id_header:
            headers[out.id_header] = text.id
        if out.body == "query":
            params = body.decode("ascii")
            return requests.Request(out.method, out.url, headers, params=params, auth=self._auth)
        headers = {**headers, "Content-Type": content_type}
        return requests.Request(out.method, out.url, headers, data=body, auth=self._auth)

    def close(self) -> None:
        """Close every thread's connections; a text sent after this opens new ones."""
        with self._lock:
            sessions = list(self._sessions)
        for session in sessions:
            session.close()

    def _answer_to(self, request: requests.Request) -> Answer:
        until = time.monotonic() + self._out.timeout_s
        with self._session().request(
            request.method or "",
            request.url or "",
            params=request.params,
            data=request.data,
            headers=request.headers,
            auth=request.auth,
            timeout=self._out.timeout_s,
            allow_redirects=False,
            stream=True,
        ) as response:
            phrase, body = response.reason or "", _body(response, until)
            return Answer(response.status_code, phrase, response.headers, body)

    def _session(self) -> requests.Session:
        """The session of this thread: `requests` does not promise that threads may share one."""
        session: requests.Session | None = getattr(self._local, "session", None)
        if session is None:
            session = self._local.session = _Session()
            with self._lock:
                self._sessions.add(session)
        return session

    def _once(self, text: Outgoing, found: Unsure) -> Outcome:
        """Let a text that may have arrived be sent once more, and no more than that."""
        reason = f"{found.reason}; the text may have arrived"
        if self._out.repeats_dropped:
            return Deferred(reason, why="unknown")
        with self._lock:
            again = bool(text.gateway) or text.id in self._unsure
            self._unsure[text.id] = None
            if len(self._unsure) > MOST_UNSURE:
                self._unsure.popitem(last=False)
        if again:
            return Refused(f"{reason}, and was sent twice")
        return Deferred(reason, why="unknown")

    def _loggable(self, found: Outcome | Unsure, number: str) -> Outcome | Unsure:
        """Return what the gateway said as it may be logged: one line, no secret, no number."""
        if isinstance(found, Accepted):
            return found
        reason, shown = found.reason, masked(number)
        for each in self._secrets.values():
            reason = reason.replace(each, HIDDEN)
        for each in (number, number.removeprefix("+")):
            reason = reason.replace(each, shown)
        reason = " ".join(reason.split())[:LONGEST_KEPT]
        return replace(found, reason=reason)


class _Session(requests.Session):
    """A session without cookies, which would join texts to different people.

    No redirect is looked at, either: what it leads to must not see the token or the number.
    """

    def __init__(self) -> None:
        super().__init__()
        self.cookies.set_policy(DefaultCookiePolicy(allowed_domains=[]))

    def get_redirect_target(self, resp: requests.Response) -> None:  # noqa: ARG002
        """Say that there is none."""
        return


def _headers(out: SmsOut, secrets: Mapping[str, str]) -> dict[str, str]:
    """The headers of every request; `Accept-Encoding` so that no answer unfolds to a longer one."""
    headers = {"Accept-Encoding": "identity", **out.headers}
    if "token" in secrets and "token" not in out.secrets_in_fields:
        bearer = out.token_header.lower() == "authorization"
        headers[out.token_header] = f"Bearer {secrets['token']}" if bearer else secrets["token"]
    for name, value in headers.items():
        if not _NAME.fullmatch(name):
            raise ProfileError(f"{name!r} cannot be the name of a header")
        if not _VALUE.fullmatch(value):
            raise ProfileError(
                f"what the header {name} would hold has letters no header may have, or a space at "
                "an end; correct it in the profile or in the environment variable it comes from"
            )
    return headers


def _auth(out: SmsOut, secrets: Mapping[str, str]) -> Callable[..., Any]:
    """What authenticates a request. Without any, `requests` would ask the user's own .netrc."""
    user, password = get_auth_from_url(out.url)
    if "user" in secrets and out.basic:
        user, password = secrets["user"], secrets["password"]
    if user or password:
        return HTTPBasicAuth(user.encode(), password.encode())
    return lambda request: request


def _never_left(error: requests.RequestException) -> bool:
    """Tell whether a request failed before a byte of it had left."""
    if isinstance(error, requests.exceptions.SSLError) and _after_handshake(error):
        return False
    reason = getattr(error.args[0], "reason", None) if error.args else None
    return isinstance(error, _NEVER_LEFT) or isinstance(reason, NewConnectionError)


def _after_handshake(error: BaseException) -> bool:
    """Tell whether TLS failed on a connection that it had been agreed on, and a text could leave."""
    cause: BaseException | None = error
    while cause is not None and not isinstance(cause, ssl.SSLError):
        cause = cause.__context__
    frames = walk_tb(cause.__traceback__) if cause else ()
    names = [frame.f_code.co_name for frame, _ in frames]
    return bool(names) and "do_handshake" not in names


def _body(response: requests.Response, until: float) -> bytes | None:
    """The body of an answer, None where it breaks off, is too long or takes too long to come."""
    body = b""
    try:
        while read := response.raw.read1(MOST_BYTES + 1 - len(body), decode_content=False):
            body += read
            if len(body) > MOST_BYTES or time.monotonic() > until:
                return None
    except (HTTPError, OSError):
        return None
    return body
