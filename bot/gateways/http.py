"""A gateway reached over HTTP, as its profile describes."""

from __future__ import annotations

import os
import time
from datetime import UTC
from email.utils import parsedate_to_datetime
from http import HTTPStatus
from typing import TYPE_CHECKING

import requests

from bot.gateways.base import Accepted, Deferred, Outcome, Outgoing, Refused
from bot.gateways.profiles import Profile, ProfileError, write_body

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

_PASSING = {
    HTTPStatus.REQUEST_TIMEOUT,
    HTTPStatus.TOO_EARLY,
    HTTPStatus.TOO_MANY_REQUESTS,
    # The operator's to mend (a token, an address); the texts wait for that.
    HTTPStatus.UNAUTHORIZED,
    HTTPStatus.FORBIDDEN,
    HTTPStatus.NOT_FOUND,
}


class HttpGateway:
    """Sends texts by a profile's `[sms_out]`, over one `requests` session.

    2xx is `Accepted`. A failure that passes is `Deferred`: 408, 425, 429, 5xx, a timeout, no
    connection; what the operator must mend, 401, 403 and 404; and a redirect, which is followed
    by no text but by the operator. Any other 4xx is `Refused`, and any that the profile names as
    `unreachable` is so for good. Raises `ProfileError` when made from a profile without `[sms_out]`, or when
    `environ` lacks the token it names.
    """

    def __init__(
        self,
        profile: Profile,
        session: requests.Session,
        environ: Mapping[str, str] = os.environ,
        clock: Callable[[], float] = time.time,
    ) -> None:
        if profile.sms_out is None:
            raise ProfileError("the gateway profile has no [sms_out]; add it to send texts")
        self._out = profile.sms_out
        self._session = session
        self._clock = clock
        self._headers = dict(self._out.headers)
        if self._out.token:
            if not environ.get(self._out.token):
                raise ProfileError(
                    f"the gateway profile takes its token from {self._out.token}, "
                    "which is not set; put the token into that environment variable"
                )
            self._headers["Authorization"] = f"Bearer {environ[self._out.token]}"

    def send(self, text: Outgoing) -> Outcome:
        """Hand over one text and say what came of it."""
        fields: dict[str, str | bool | list[str]] = {
            self._out.number: text.to,
            self._out.text: text.body,
        }
        if self._out.id:
            fields[self._out.id] = text.id
        content_type, body = write_body(self._out.body, fields)
        try:
            response = self._session.request(
                self._out.method,
                self._out.url,
                data=body,
                headers={**self._headers, "Content-Type": content_type},
                timeout=self._out.timeout_s,
                allow_redirects=False,
            )
        except requests.RequestException as error:
            # Its text may hold the address with a secret in it, so only its kind is told.
            return Deferred(f"the gateway cannot be reached: {type(error).__name__}")
        return self._outcome(response)

    def _outcome(self, response: requests.Response) -> Outcome:
        status = response.status_code
        if response.ok and status < HTTPStatus.MULTIPLE_CHOICES:
            return Accepted(self._reference(response))
        reason = f"the gateway answered {status} {response.reason or ''}".rstrip()
        if status in self._out.unreachable:
            return Refused(reason, unreachable=True)
        if status < HTTPStatus.BAD_REQUEST:
            return Deferred(f"{reason}; correct the profile's url")
        if status >= HTTPStatus.INTERNAL_SERVER_ERROR or status in _PASSING:
            return Deferred(reason, self._retry_after(response.headers.get("Retry-After", "")))
        return Refused(reason)

    def _reference(self, response: requests.Response) -> str:
        if not self._out.reference:
            return ""
        try:
            answer = response.json()
        except ValueError:
            return ""
        return str(answer.get(self._out.reference, "")) if isinstance(answer, dict) else ""

    def _retry_after(self, header: str) -> float | None:
        """Return the wait a Retry-After header asks for: seconds or a date (RFC 9110, 10.2.3)."""
        header = header.strip()
        if header.isascii() and header.isdecimal():
            return float(header)
        try:
            when = parsedate_to_datetime(header)
        except ValueError:
            return None
        if when.tzinfo is None:  # "-0000" is UTC too, but of unknown origin (RFC 5322, 3.3)
            when = when.replace(tzinfo=UTC)
        return max(0.0, when.timestamp() - self._clock())
