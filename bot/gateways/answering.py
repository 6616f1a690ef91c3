"""How we answer a gateway's requests, as its profile says."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, cast

from bot.gateways.profiles import ProfileError
from bot.gateways.writing import fill, write_body

if TYPE_CHECKING:
    from bot.gateways.profiles import Profile
    from bot.gateways.reading import Step

PLAIN_TEXT = "text/plain; charset=utf-8"


def answer_sms(profile: Profile, replies: tuple[str, ...]) -> tuple[str, bytes]:
    """Return the content type and body that answer a text; a query is answered with a form.

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


def answer_ussd(profile: Profile, step: Step, screen: str, *, more: bool) -> tuple[str, bytes]:
    """Return the content type and body that answer a USSD step with a screen.

    `more` says whether the session goes on.
    """
    if profile.ussd is None:
        raise ProfileError("the gateway profile has no [ussd]; add it to serve USSD")
    answer = profile.ussd.answer
    word = answer.goes_on if more else answer.ends
    if answer.body == "text":
        return PLAIN_TEXT, (word + screen).encode()
    values = {
        "text": screen,
        "more": word or more,
        "session": step.session,
        "number": step.number,
    }
    return write_body(answer.body, cast("dict[str, Any]", fill(answer.template, values)))
