"""The gateway's webhooks: a text in, a USSD session step, a report on a text that was sent.

How a request and its answer are spelt is the gateway profile's affair. A request that cannot
be used is 400 with the reason, for the operator; when Redis is out of reach the answer is 503,
and a gateway that delivers again loses nothing.
"""

from __future__ import annotations

import logging
from functools import lru_cache
from typing import TYPE_CHECKING, cast

from flask import Blueprint, Response, current_app, request

from bot.gateways.numbers import LONGEST, masked, read_number
from bot.gateways.profiles import (
    Unreadable,
    answer_receipt,
    answer_sms,
    answer_ussd,
    read_receipt,
    read_sms,
    read_ussd,
)
from bot.store.codec import RecordError
from bot.store.errors import StoreUnavailable

if TYPE_CHECKING:
    from bot.exchange import Exchange
    from bot.gateways.profiles import Profile

log = logging.getLogger(__name__)

hooks = Blueprint("hooks", __name__, url_prefix="/hooks")

RETRY_S = "30"
"""Seconds after which a gateway should deliver again what we could not take."""


@hooks.post("/sms")
def sms() -> Response:
    """Take a text. The replies are in the answer, or left to the sender, as the profile says."""
    profile = _profile()
    incoming = read_sms(profile, request.content_type or "", request.get_data())
    if isinstance(incoming, Unreadable):
        return _refused(incoming.reason)
    number = _e164(incoming.number)
    if number is None:
        return _refused("the sender's number is not a phone number")
    queue = profile.sms_in is not None and profile.sms_in.reply == "queue"
    said = _exchange().answer(number, incoming.text, message_id=incoming.id, queue=queue)
    if said.repeated:
        log.info("a text of %s was delivered again", masked(number))
    content_type, body = answer_sms(profile, () if queue else said.replies)
    return Response(body, content_type=content_type)


@hooks.post("/ussd")
def ussd() -> Response:
    """Take one step of a USSD session and answer with a screen within the same request."""
    profile = _profile()
    step = read_ussd(profile, request.content_type or "", request.get_data())
    if isinstance(step, Unreadable):
        return _refused(step.reason)
    number = _e164(step.number)
    if number is None:
        return _refused("the caller's number is not a phone number")
    # A step's id is unique within its session only.
    message_id = f"{step.session}/{step.id}" if step.id else None
    said = _exchange().answer(number, step.text, channel="ussd", message_id=message_id)
    content_type, body = answer_ussd(profile, said.replies[0], said.more)
    return Response(body, content_type=content_type)


@hooks.post("/receipt")
def receipt() -> Response:
    """Take a report on a text that was sent. One that tells us nothing is taken all the same."""
    profile = _profile()
    report = read_receipt(profile, request.content_type or "", request.get_data())
    if isinstance(report, Unreadable):
        return _refused(report.reason)
    number = _e164(report.number)
    if number is None:
        return _refused("the number the text was for is not a phone number")
    if report.id_number not in {"", number}:
        return _refused("the id is that of a text to another number")
    if report.state is not None:
        news = _exchange().receipt(
            number,
            report.state,
            serial=report.serial,
            reference=report.reference,
            reason=report.reason,
        )
        log.info("a text to %s: %s%s", masked(number), report.state, "" if news else ", no news")
    content_type, body = answer_receipt(profile)
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


def _profile() -> Profile:
    return cast("Profile", current_app.extensions["profile"])
