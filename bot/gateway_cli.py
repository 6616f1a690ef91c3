"""The commands `fieldbell gateway`: what a gateway's profile means, and one text sent by it."""

from __future__ import annotations

import json
import os
import re
import time
from base64 import b64encode
from itertools import product
from typing import TYPE_CHECKING
from urllib.parse import quote, quote_plus

import click

from bot.gateways.answering import answer_receipt, answer_sms, answer_ussd
from bot.gateways.base import Accepted, Deferred, Outcome, Outgoing
from bot.gateways.examples import (
    KEY,
    NUMBER,
    receipt_example,
    sms_example,
    ussd_example,
)
from bot.gateways.http import HIDDEN, HttpGateway
from bot.gateways.numbers import read_number
from bot.gateways.opening import modem_section, smpp_link
from bot.gateways.profiles import Profile, read_profile
from bot.gateways.reading import Incoming, Step
from bot.settings import Settings, held_by
from bot.words_files import Refused

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping

    from bot.gateways.examples import Example
    from bot.gateways.judging import Answer
    from bot.gateways.profiles import SmsOut
    from bot.gateways.reading import Report
    from bot.gateways.signing import Signed

MOST_SHOWN = 4000
"""Characters of an answer that are shown."""

_SECRETIVE = re.compile(r"auth|token|secret|passw|api-?key|cookie", re.IGNORECASE)
"""Headers whose values are shown to nobody, wherever they come from."""


@click.group()
def gateway() -> None:
    """Look over a gateway's profile, and try it."""


@gateway.command()
@click.argument("profile")
def check(profile: str) -> None:
    """Say what a profile means, with an example of every request and answer.

    PROFILE is a TOML file, or the name of a profile that comes with Fieldbell.
    """
    click.echo("\n".join(describe(profile, read_profile(profile), os.environ, time.time())))


@gateway.command("try")
@click.argument("profile")
@click.argument("number")
@click.argument("text", default="This is a trial text from Fieldbell.")
@click.option("--dry-run", is_flag=True, help="Show what would be sent, and send nothing.")
@click.pass_context
def try_(context: click.Context, profile: str, number: str, text: str, dry_run: bool) -> None:  # noqa: FBT001 - click's own
    """Send one TEXT to NUMBER by a profile, and show what was said both ways.

    The exit status is 1 if the gateway did not take it.
    """
    settings = Settings.read(os.environ, context.obj)
    to = read_number(number, settings.country)
    if to is None:
        raise Refused(f"{number}: not a phone number; write it as {NUMBER}")
    read = read_profile(profile)
    if read.smpp is not None or read.modem is not None:
        raise Refused(
            f"{profile} does not send over HTTP, and its connection is held by `fieldbell send`; "
            "run that, and text HELP from your own phone"
        )
    # In milliseconds, so that no gateway takes it for the repeat of another text.
    outgoing = Outgoing(f"{to}:{time.time_ns() // 1_000_000}", to, text)
    sender = None if dry_run else HttpGateway(read)
    click.echo("\n".join(_shown_request(read, outgoing)))
    if sender is None:
        click.echo("\nNothing was sent.")
        return
    try:
        handover = sender.hand_over(outgoing)
    finally:
        sender.close()
    if handover.answer:
        click.echo()
        click.echo("\n".join(_shown_answer(handover.answer, _secrets(read, os.environ))))
    click.echo(f"\n{_in_words(handover.outcome)}")
    if not isinstance(handover.outcome, Accepted):
        context.exit(1)


# What a profile means


def describe(name: str, profile: Profile, environ: Mapping[str, str], now: float) -> Iterator[str]:
    """Say in plain words what a profile means. `now` is in epoch seconds.

    Raises `ProfileError` where it cannot be used after all.
    """
    parts = {
        "texts that arrive": profile.sms_in,
        "texts that leave": profile.sms_out,
        "reports on them": profile.receipt,
        "USSD": profile.ussd,
    }
    yield f"{name} can be used."
    if link := smpp_link(profile):
        secure = ", with TLS" if link.tls else ", in the clear: only within your own network"
        yield f"Texts leave and arrive over SMPP, at {link.host}, port {link.port}{secure}."
        set_ = "set" if held_by(link.password, environ) else "not set yet"
        yield f"The password is taken from {link.password}; {set_}."
        yield "USSD comes that way too." if link.ussd else "It has nothing on USSD."
    elif modem := modem_section(profile):
        yield f"Texts leave and arrive by the modem {modem.port}, through {modem.folder}."
    else:
        for what, part in parts.items():
            if part is None:
                yield f"It has nothing on {what}."
    if profile.prefixes:
        yield f"Beside other gateways it takes numbers that begin with {', '.join(profile.prefixes)}."
    if profile.rate:
        yield f"At most {profile.rate:g} texts a second leave by it, from each process that sends."
    variables = profile.variables()
    if variables:
        yield ""
        yield "Environment variables"
    for variable, what in variables.items():
        yield f"  {variable}: {what}; {'set' if held_by(variable, environ) else 'not set yet'}"
    if profile.signed or profile.sms_in or profile.receipt or profile.ussd:
        yield from _on_signing(profile.signed)
    yield from _on_texts_in(profile, now)
    if profile.sms_out:
        yield from _on_texts_out(profile, profile.sms_out)
    yield from _on_reports(profile, now)
    yield from _on_ussd(profile, now)


def _on_signing(signed: Signed | None) -> Iterator[str]:
    yield ""
    yield "Who may send requests"
    if signed is None:
        yield "  Anyone who knows the address: nothing is signed. Let only the gateway reach it."
        return
    if signed.query:
        yield f"  Who knows the token, in the query field {signed.query}. It is seen in logs of"
        yield "  addresses, as web servers keep them."
    elif signed.how == "token":
        yield f"  Who knows the token, in the header {signed.header}."
    else:
        over = ", ".join(signed.over)
        yield f"  Who signs with the key: {signed.how} over {over}, joined by {signed.joined_by!r},"
        yield f"  in {signed.header} as {signed.written} behind {signed.prefix!r}."
    if signed.how != "token" and not signed.timestamp:
        yield "  No time is signed, so whoever has seen a request can send it again."
    if signed.timestamp:
        yield f"  The time in {signed.timestamp} may be {signed.replay_s:g} s from ours."
    yield f'  The examples are signed with "{KEY}".'


def _on_texts_in(profile: Profile, now: float) -> Iterator[str]:
    names, example = profile.sms_in, sms_example(profile, now)
    if names is None or example is None:
        return
    yield ""
    yield "Texts that arrive"
    if names.each:
        yield f"  One request brings several, in the list at {names.each}."
    if not names.id and not names.id_header:
        yield "  They have no id, so a text that is delivered twice is answered twice."
    if names.reply == "queue":
        yield "  The sender sends the replies."
    else:
        yield f"  The answer carries the replies, in {names.reply_field}."
    yield from _exchange(example, answer_sms(profile, ("Welcome!",)))


def _on_texts_out(profile: Profile, out: SmsOut) -> Iterator[str]:
    yield ""
    yield "Texts that leave"
    for line in _shown_request(profile, Outgoing(f"{NUMBER}:7", NUMBER, "Weed soon.")):
        yield f"    {line}".rstrip()
    rules = out.answer
    if rules.state:
        where = f"word {rules.state}" if rules.body == "text" else rules.state
        yield f"  Taken: 2xx with {_or(rules.accepted)} at {where} of the answer ({rules.body})."
    else:
        yield "  Taken: 2xx."
    later = ["401, 403, 404, 408, 425, 429, 5xx", *map(str, rules.later_statuses)]
    yield f"  To be sent again later: {_either(later, rules.later)}; no connection; a redirect."
    refused = ["any other 4xx", *map(str, rules.refused_statuses)]
    yield f"  Refused: {_either(refused, rules.refused)}."
    if out.unreachable or rules.unreachable:
        lost = _either(map(str, out.unreachable), rules.unreachable)
        yield f"  Refused, as no text will ever reach the number: {lost}."
    again = (
        "it is sent again until there is, for the gateway drops repeats"
        if out.repeats_dropped
        else "it is sent once more, with the same id"
    )
    yield f"  No answer within {out.timeout_s:g} s or one not named here: {again}."
    behind = [str(each) for each in (502, 504) if each not in rules.later_statuses]
    held = ", ".join(["No answer", *behind])
    yield f"  {held}: it may have arrived, so no other gateway is given it."
    if out.reference or out.reference_header:
        where = out.reference_header or f"{out.reference} of the answer"
        yield f"  The gateway's own name for a text is at {where}."
    if out.url.startswith("http://"):
        yield "  The address is not https: whoever is on the way can read the texts and the secrets."


def _on_reports(profile: Profile, now: float) -> Iterator[str]:
    names, example = profile.receipt, receipt_example(profile, now)
    if names is None or example is None:
        return
    yield ""
    yield "Reports on texts that left"
    if names.each:
        yield f"  One request brings several, in the list at {names.each}."
    yield f"  Arrived: {_or(names.delivered)} at {names.state}. Not arrived: {_or(names.failed)}."
    if names.unreachable or names.unreachable_reasons:
        final = [*names.unreachable, *names.unreachable_reasons]
        yield f"  No text will ever reach the number: {_or(final)}."
    out = profile.sms_out
    by_id = names.id and out and out.tells_id
    by_reference = names.reference and out and (out.reference or out.reference_header)
    if not by_id and not by_reference:
        yield "  Nothing links a report to its text: send our id with a text, or name the reference."
    yield from _exchange(example, answer_receipt(profile))


def _on_ussd(profile: Profile, now: float) -> Iterator[str]:
    names, example = profile.ussd, ussd_example(profile, now)
    if names is None or example is None or not isinstance(example.read, Step):
        return
    yield ""
    yield "USSD"
    if names.so_far:
        sep = names.so_far
        yield f"  A step has all inputs so far. Of an input with {sep} in it, as 40{sep}60, only what"
        yield "  stands behind it is read."
    else:
        yield "  A step has the last input alone."
    if not names.id and not names.so_far:
        yield "  Steps have no id, so one that is delivered twice is taken for two."
    yield from _exchange(example, answer_ussd(profile, example.read, "How big?", more=True))
    yield "  and at the end:"
    yield from _answer(answer_ussd(profile, example.read, "Goodbye.", more=False))


def _exchange(example: Example, answer: tuple[str, bytes]) -> Iterator[str]:
    yield "  For example"
    yield f"    {example.method} {example.path}"
    for name, value in example.request.headers.items():
        yield f"    {name}: {value}"
    if example.request.body:
        yield ""
        yield f"    {example.request.body.decode()}"
    yield f"  is read as {_read(example.read)}"
    yield "  and answered with"
    yield from _answer(answer)


def _read(read: Incoming | Report | Step) -> str:
    match read:
        case Incoming(number, text, given):
            named = f', with the id "{given}"' if given else ""
            return f'"{text}" from {number}{named}'
        case Step(session, number, text, given):
            named = f', with the id "{given}"' if given else ""
            return f'"{text}" from {number} in the session "{session}"{named}'
    which = f"our text {read.serial}" if read.serial else f'the text "{read.reference}"'
    return f"{which} to {read.number}: {read.state}"


def _answer(answer: tuple[str, bytes]) -> Iterator[str]:
    content_type, body = answer
    yield "    200 OK"
    yield f"    Content-Type: {content_type}"
    if body:
        yield ""
        yield f"    {body.decode()}"


def _either(statuses: Iterable[str], words: Iterable[str]) -> str:
    return ", ".join([*statuses, *map(_quoted, words)])


def _or(words: Iterable[str]) -> str:
    return " or ".join(map(_quoted, words)) or "nothing"


def _quoted(word: str) -> str:
    return f'"{word}"' if word else "no such field"


# One text


def _shown_request(profile: Profile, text: Outgoing) -> Iterator[str]:
    """The request as it goes out, but made without the secrets, so that none can be shown."""
    without = HttpGateway(profile, dict.fromkeys(profile.variables(), HIDDEN))
    request = without.request(text).prepare()
    id_header = profile.sms_out.id_header if profile.sms_out else ""
    url = (request.url or "").replace(quote(HIDDEN), HIDDEN)
    yield f"{request.method} {re.sub('//[^/@]*@', f'//{HIDDEN}@', url)}"
    for name, value in request.headers.items():
        shown = name == id_header or not _SECRETIVE.search(name)
        yield f"{name}: {value if shown else HIDDEN}"
    if request.body:
        yield ""
        body = request.body.decode() if isinstance(request.body, bytes) else request.body
        yield body.replace(quote(HIDDEN), HIDDEN)


def _shown_answer(answer: Answer, secrets: Iterable[str]) -> Iterator[str]:
    yield _plain(f"{answer.status} {answer.phrase}", secrets)
    for name, value in answer.headers.items():
        yield _plain(f"{name}: {HIDDEN if _SECRETIVE.search(name) else value}", secrets)
    yield ""
    if answer.body is None:
        yield "(the rest of the answer did not come, or is too long)"
        return
    body = _plain(answer.body.decode("utf-8", "replace"), secrets)
    yield body[:MOST_SHOWN]
    if len(body) > MOST_SHOWN:
        yield f"(and {len(body) - MOST_SHOWN} characters more)"


def _secrets(profile: Profile, environ: Mapping[str, str]) -> set[str]:
    """Every secret of a profile, in the ways an answer might repeat it."""
    values = [held for name in profile.variables() if (held := held_by(name, environ))]
    pairs = [b64encode(f"{a}:{b}".encode()).decode() for a, b in product(values, values)]
    spelt = [(quote(each), quote_plus(each), json.dumps(each)[1:-1]) for each in values]
    return {*values, *pairs, *(way for each in spelt for way in each)}


def _plain(text: str, secrets: Iterable[str]) -> str:
    """Return a text as a terminal may show it: no secret, and nothing that controls it."""
    for secret in sorted(secrets, key=len, reverse=True):
        text = text.replace(secret, HIDDEN)
    return "".join(each if each.isprintable() or each == "\n" else "\ufffd" for each in text)


def _in_words(outcome: Outcome) -> str:
    match outcome:
        case Accepted(reference):
            named = f" as {_plain(reference, ())}" if reference else ""
            return f"The gateway took it{named}."
        case Deferred(reason, wait):
            soon = "later" if wait is None else f"after {wait:.0f} s"
            return f"To be tried again {soon}: {_plain(reason, ())}"
    lost = ", and no text will ever reach the number" if outcome.unreachable else ""
    return f"Refused{lost}: {_plain(outcome.reason, ())}"
