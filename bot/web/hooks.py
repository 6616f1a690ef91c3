"""The gateway's webhooks: a text in, a USSD session step, a report on a text that was sent.

How a request and its answer are spelt, and how it is signed, is the gateway profile's affair. One
that is not signed so is 401 and does nothing. A request that cannot be used is 400 with the
reason, for the operator; when Redis is out of reach the answer is 503, and for more requests than
the settings allow it is 429, and a gateway that delivers again loses nothing.

Of several gateways each has addresses of its own, `/hooks/NAME/sms`. Those without a name are the
first's that brings anything by the web.
"""

from __future__ import annotations

import logging
import os
import time
from dataclasses import dataclass
from functools import lru_cache
from itertools import count
from typing import TYPE_CHECKING, TypeVar, cast

from flask import Blueprint, Response, abort, current_app, request
from limits import RateLimitItemPerSecond
from limits.strategies import FixedWindowRateLimiter
from werkzeug.exceptions import MethodNotAllowed

from bot.gateways.answering import answer_receipt, answer_sms, answer_ussd
from bot.gateways.numbers import LONGEST, masked, read_number
from bot.gateways.profiles import kept_apart, secret
from bot.gateways.reading import Request, Unreadable, read_receipt, read_sms, read_ussd
from bot.gateways.signing import fault
from bot.store.codec import RecordError
from bot.store.errors import StoreUnavailable
from bot.web.counting import OwnCounts, place_of

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from flask.blueprints import BlueprintSetupState

    from bot.exchange import Exchange
    from bot.gateways.profiles import Profile, Receipt, SmsIn, Ussd
    from bot.gateways.reading import Incoming, Report

log = logging.getLogger(__name__)

T = TypeVar("T")

hooks = Blueprint("hooks", __name__, url_prefix="/hooks")

RETRY_S = "30"
"""Seconds after which a gateway should deliver again what we could not take."""


@dataclass(frozen=True, slots=True)
class _Caller:
    """A gateway that asks: its name where there are several, and the key it signs with.

    `before_ids` tells its ids from another gateway's.
    """

    profile: Profile
    key: str
    name: str
    before_ids: str

    def kept(self, given: str | None) -> str | None:
        """Return an id as it is kept."""
        return given and f"{self.before_ids}{given}"

    def once(self, found: Request) -> str | None:
        """Name a request by its signature, if that covers a time; for texts that have no id.

        Then a request that somebody has caught and sends again, while its time still holds, is
        a text delivered again.
        """
        signed = self.profile.signed
        return f"signed:{found.header(signed.header)}" if signed and signed.timestamp else None


class Throttle:
    """Counts requests by the second and the address they come from, of IPv6 by its /64.

    In this process's own memory: a count in Redis would cost every text a round trip more, and
    what is to be spared is Redis. So `most` requests a second is what each process takes; 0 is
    any number. A gateway that gets 429 delivers again. `clock` gives seconds from any beginning.
    """

    def __init__(self, most: int, clock: Callable[[], float] = time.monotonic) -> None:
        self._limit = RateLimitItemPerSecond(most) if most else None
        self._limiter = FixedWindowRateLimiter(OwnCounts(clock))

    def allows(self, address: str) -> bool:
        """Count a request, and tell whether it may be taken."""
        return self._limit is None or self._limiter.hit(self._limit, place_of(address))


@hooks.record
def _prepare(state: BlueprintSetupState) -> None:
    """Read the keys that requests are signed with, so that without them nothing is served."""
    extensions = state.app.extensions
    profiles = cast("Mapping[str, Profile]", extensions["profiles"])
    callers = {
        name: _Caller(
            profile,
            secret(profile.signed.secret, os.environ) if profile.signed else "",
            name if len(profiles) > 1 else "",
            kept_apart(name, profiles),
        )
        for name, profile in profiles.items()
    }
    by_web = [each for each in callers.values() if _brings(each.profile)]
    extensions["hooks.callers"] = {"": [*by_web, *callers.values()][0], **callers}
    settings = cast("Exchange", extensions["exchange"]).settings
    extensions["hooks.throttle"] = Throttle(settings.most_requests)


def _brings(profile: Profile) -> bool:
    return any((profile.sms_in, profile.receipt, profile.ussd))


@hooks.before_request
def _not_too_many() -> Response | None:
    """Refuse what is too much before anything is read or reckoned."""
    throttle = cast("Throttle", current_app.extensions["hooks.throttle"])
    if throttle.allows(request.remote_addr or ""):
        return None
    log.warning("a request was put off: too many in this second from its address")
    answer = Response("too many requests; deliver again\n", 429, content_type="text/plain")
    answer.headers["Retry-After"] = "1"
    return answer


@hooks.route("/sms", methods=["GET", "POST"])
@hooks.route("/<gateway>/sms", methods=["GET", "POST"])
def sms(gateway: str = "") -> Response:
    """Take a text, or several. Replies are in the answer or left to the sender, by the profile."""
    caller = _caller(gateway)
    profile = caller.profile
    queue = profile.sms_in is not None and profile.sms_in.reply == "queue"
    replies: list[str] = []

    def take(text: Incoming) -> str:
        number = _e164(text.number)
        if number is None:
            return "the sender's number is not a phone number"
        if not _answered(number):
            # No fault of the gateway's, which would deliver it again and again.
            return ""
        place = next(places)
        said = _exchange().answer(
            number,
            text.text,
            message_id=caller.kept(text.id or (once and f"{once}/{place}")),
            queue=queue,
            gateway=caller.name,
        )
        if said.repeated:
            log.info("a text of %s was delivered again", masked(number))
        if not queue:
            replies.extend(said.replies)
        return ""

    found = _request(caller, profile.sms_in)
    once, places, read = caller.once(found), count(), read_sms(profile, found)
    return _take_all(read, take) or _response(answer_sms(profile, tuple(replies)))


@hooks.route("/ussd", methods=["GET", "POST"])
@hooks.route("/<gateway>/ussd", methods=["GET", "POST"])
def ussd(gateway: str = "") -> Response:
    """Take one step of a USSD session and answer with a screen within the same request."""
    caller = _caller(gateway)
    profile = caller.profile
    found = _request(caller, profile.ussd)
    step = read_ussd(profile, found)
    if isinstance(step, Unreadable):
        return _refused(step.reason)
    number = _e164(step.number)
    if number is None:
        return _refused("the caller's number is not a phone number")
    if not _answered(number):
        return _refused("the caller's number is of a country that is not answered")
    # A step's id is unique within its session only.
    given = f"{step.session}/{step.id}" if step.id else caller.once(found)
    message_id = caller.kept(given)
    said = _exchange().answer(number, step.text, channel="ussd", message_id=message_id)
    return _response(answer_ussd(profile, step, said.replies[0], more=said.more))


@hooks.route("/receipt", methods=["GET", "POST"])
@hooks.route("/<gateway>/receipt", methods=["GET", "POST"])
def receipt(gateway: str = "") -> Response:
    """Take reports on texts that were sent. One that tells us nothing is taken all the same."""
    caller = _caller(gateway)
    read = read_receipt(caller.profile, _request(caller, caller.profile.receipt))
    taken = _take_all(read, lambda report: _take_report(report, caller.name))
    return taken or _response(answer_receipt(caller.profile))


def _take_report(report: Report, gateway: str) -> str:
    number = _e164(report.number)
    if number is None:
        return "the number the text was for is not a phone number"
    if report.id_number not in {"", number}:
        return "the id is that of a text to another number"
    if report.state is not None:
        news = _exchange().receipt(
            number,
            report.state,
            serial=report.serial,
            reference=report.reference,
            reason=report.reason,
            gateway=gateway,
        )
        log.info("a text to %s: %s%s", masked(number), report.state, "" if news else ", no news")
    return ""


def _request(caller: _Caller, part: SmsIn | Ussd | Receipt | None) -> Request:
    """The request, if it comes by the part's method and is the gateway's; else 405 or 401."""
    method = part.method if part else "POST"
    if request.method != method:
        raise MethodNotAllowed([method, "OPTIONS"])
    found = Request(
        request.content_type or "",
        request.get_data(),
        request.query_string,
        # Werkzeug's finds a name however it is spelt.
        cast("Mapping[str, str]", request.headers),
    )
    signed = caller.profile.signed
    if signed and (wrong := fault(signed, caller.key, found, _exchange().clock())):
        log.warning("a request was refused as not the gateway's: %s", wrong)
        abort(Response("not signed as agreed\n", 401, content_type="text/plain"))
    return found


def _answered(number: str) -> bool:
    """Whether a number's country is answered; the operator is told of one that is not."""
    if _exchange().answers(number):
        return True
    log.warning("%s is of a country that is not answered", masked(number))
    return False


def _take_all(read: list[T | Unreadable], take: Callable[[T], str]) -> Response | None:
    """Take all that a request brought; `take` returns why one cannot be used, "" if it can.

    Return a refusal if none could be used. Were a request refused for a few, the gateway would
    deliver it again and again. Raises `RecordError`, of the first it met, when the others have
    been taken.
    """
    refused: list[str] = []
    broken: RecordError | None = None
    for each in read:
        try:
            refused.append(each.reason if isinstance(each, Unreadable) else take(each))
        except RecordError as error:
            broken = broken or error
    if broken:
        raise broken
    if refused and all(refused):
        return _refused(refused[0])
    for reason in filter(None, refused):
        log.warning("one of several in a request cannot be used: %s", reason)
    return None


def _response(answer: tuple[str, bytes]) -> Response:
    content_type, body = answer
    return Response(body, content_type=content_type)


@hooks.errorhandler(StoreUnavailable)
@hooks.errorhandler(RecordError)
def unavailable(error: Exception) -> Response:
    """Ask the gateway to deliver again; nothing has happened.

    So too for a grower whose stored record cannot be read, until someone has mended it.
    """
    log.error("a text or a report could not be taken: %s", error)
    answer = Response(
        "out of service for a moment; deliver again\n", 503, content_type="text/plain"
    )
    answer.headers["Retry-After"] = RETRY_S
    return answer


def _refused(reason: str) -> Response:
    log.warning("a request was refused: %s", reason)
    return Response(f"{reason}\n", 400, content_type="text/plain")


def _e164(written: str) -> str | None:
    return _read_number(written.strip()[:LONGEST], _exchange().settings.country)


# Every step of a USSD session brings the same number, and reading one costs as much as a turn's
# wording. Of what is written only so much is kept as is read.
_read_number = lru_cache(maxsize=1024)(read_number)


def _exchange() -> Exchange:
    return cast("Exchange", current_app.extensions["exchange"])


def _caller(name: str) -> _Caller:
    """The gateway of this name, "" for the first; 404 where there is none."""
    callers = cast("Mapping[str, _Caller]", current_app.extensions["hooks.callers"])
    if name not in callers:
        abort(404)
    return callers[name]
