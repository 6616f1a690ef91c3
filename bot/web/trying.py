"""The phone page: anyone plays a grower on a drawn basic phone, with the real engine.

Nothing of it is stored. Where the grower stands travels in the page's form, signed, so that only
what this server wrote is read back. What was altered, or was signed with a key that is gone, begins
anew. The pages of a language's texts (`bot.web.previewing`) belong to the same blueprint.
"""

from __future__ import annotations

import binascii
import logging
import secrets
import zlib
from base64 import urlsafe_b64decode, urlsafe_b64encode
from datetime import UTC, date, datetime, timedelta
from typing import TYPE_CHECKING, Literal
from zoneinfo import ZoneInfo

import msgspec
from flask import Blueprint, Response, render_template, request
from itsdangerous import BadSignature, Signer
from limits import RateLimitItemPerMinute
from msgspec import Struct
from msgspec.structs import replace

from bot.dialogue.records import Channel, Grower
from bot.dialogue.slips import OPENING
from bot.store.codec import RecordError, decode, encode
from bot.store.errors import StoreUnavailable
from bot.web import previewing
from bot.web.counting import place_of
from bot.wording.gsm import measure
from bot.wording.languages import SOURCE

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from bot.dialogue.turn import Dialogue
    from bot.settings import Settings
    from bot.web.counting import Throttle

log = logging.getLogger(__name__)

PER_ADDRESS = RateLimitItemPerMinute(200)
"""Pages that one address may ask for. An uploaded translation takes a tenth of a second."""

RETRY_S = "30"
"""Seconds after which to ask again when the counts are out of reach."""

TEXTS_KEPT = 20
"""Texts of the conversation that the page still shows."""

LONGEST_TEXT = 480
"""Characters of a typed text that are taken: more than any answer needs."""

MOST_BYTES = 256 * 1024
"""Bytes of the phone page's form; twenty long texts take less."""

FIRST_DAY, LAST_DAY = date(2000, 1, 1), date(2099, 12, 31)
"""Days the page can be set to."""

MOST_REMINDERS = 12
"""Reminders worked out for one press of a button; a plan owes fewer on any one day."""

POLICY = (
    "default-src 'self'; script-src 'none'; object-src 'none'; base-uri 'none'; "
    "form-action 'self'; frame-ancestors 'none'"
)
"""Content-Security-Policy of all these pages: our own style sheet, and nothing that runs."""

KEYS = (
    ("1", ""),
    ("2", "abc"),
    ("3", "def"),
    ("4", "ghi"),
    ("5", "jkl"),
    ("6", "mno"),
    ("7", "pqrs"),
    ("8", "tuv"),
    ("9", "wxyz"),
    ("*", ""),
    ("0", ""),
    ("#", ""),
)
"""The keypad, and the letters printed on each key (ITU-T E.161, from memory)."""


Way = Literal["sent", "sms", "ussd"]


class Line(Struct, array_like=True, frozen=True):
    """One text of the conversation: what the grower sent, an SMS that came, or a USSD screen."""

    way: Way
    text: str
    day: date


class Phone(Struct, array_like=True, frozen=True):
    """The drawn phone. `open` tells whether a USSD session is under way."""

    grower: Grower
    today: date
    channel: Channel = "sms"
    lines: tuple[Line, ...] = ()
    open: bool = False

    @property
    def screen(self) -> str:
        """What stands on a USSD phone's screen: the last screen that came."""
        return next((each.text for each in reversed(self.lines) if each.way == "ussd"), "")

    def showing(self, way: Way, *texts: str) -> Phone:
        """Add texts, and let go of the oldest."""
        added = tuple(Line(way, text, self.today) for text in texts)
        return replace(self, lines=(*self.lines, *added)[-TEXTS_KEPT:])


# What happens to the phone


def send(dialogue: Dialogue, phone: Phone, text: str) -> Phone:
    """Send a text, or answer the USSD screen; where no session is open, dial."""
    way = phone.channel
    if way == "ussd" and not phone.open:
        text = ""
    turn = dialogue.turn(phone.grower, text, phone.today, way)
    phone = phone.showing("sent", text) if text else phone
    phone = replace(phone, grower=turn.grower, open=turn.more and way == "ussd")
    return _arrived(phone.showing(way, *turn.replies))


def pass_days(dialogue: Dialogue, phone: Phone, day: date) -> Phone:
    """Go to another day and take the reminders due by then; no USSD session lasts that long."""
    phone = replace(phone, today=day, open=False)
    for _ in range(MOST_REMINDERS):
        grower = dialogue.remind(phone.grower, day)
        if grower == phone.grower:
            break
        phone = _arrived(replace(phone, grower=grower))
    return phone


def next_reminder(dialogue: Dialogue, phone: Phone) -> Phone | None:
    """Go on to the day of the next reminder; None when the plan owes none any more."""
    for _ in range(MOST_REMINDERS):
        plan = phone.grower.plan
        owed = plan.next_reminder if plan and not phone.grower.stopped else None
        if owed is None or owed.day > LAST_DAY:
            return None
        before = phone.lines
        phone = pass_days(dialogue, phone, max(owed.day, phone.today))
        if phone.lines != before:  # else the plan has moved, and owes the reminder later
            return phone
    return None


def _arrived(phone: Phone) -> Phone:
    """Let the texts that wait to go out arrive at once: there is no sender here."""
    waiting = phone.grower.waiting
    if not waiting:
        return phone
    phone = phone.showing("sms", *(each.body for each in waiting))
    return replace(phone, grower=replace(phone.grower, waiting=()))


# How it travels


class Sealed(Struct, array_like=True, frozen=True):
    """A phone as it travels in the page; the grower is a record as the store keeps it."""

    record: bytes
    today: date
    channel: Channel
    lines: tuple[Line, ...]
    open: bool


class Seal:
    """Writes a phone into a form field and reads it back."""

    def __init__(self, secret: str) -> None:
        # Without a secret of the operator's, phones live as long as this process.
        self._signer = Signer(secret or secrets.token_bytes(32), salt="fieldbell.try.phone")

    def write(self, phone: Phone) -> str:
        """Sign a phone. The text is readable by whoever holds it: it is their own."""
        sealed = Sealed(
            encode(1, phone.grower), phone.today, phone.channel, phone.lines, phone.open
        )
        packed = urlsafe_b64encode(zlib.compress(msgspec.msgpack.encode(sealed), 9))
        return self._signer.sign(packed).decode()

    def read(self, text: str) -> Phone | None:
        """Read a phone back; None for one that was altered, or is not of this server and age."""
        try:
            packed = urlsafe_b64decode(self._signer.unsign(text.encode()))
            sealed = msgspec.msgpack.decode(zlib.decompress(packed), type=Sealed)
            _, grower = decode(sealed.record)
        except (BadSignature, binascii.Error, zlib.error, msgspec.MsgspecError, RecordError):
            return None
        except UnicodeEncodeError:  # half a surrogate pair in what was sent
            return None
        return Phone(grower, sealed.today, sealed.channel, sealed.lines, sealed.open)


# The page


def create_blueprint(
    dialogue: Dialogue, settings: Settings, clock: Callable[[], float], throttle: Throttle
) -> Blueprint:
    """Make the pages for trying the bot and reading its texts.

    `throttle` counts what an address asks for. `clock` gives UTC epoch seconds, for the day a
    phone begins on. Where several processes serve the pages, `settings.secret` must be set, or a
    phone of one is unknown to the others.
    """
    pages = Blueprint(
        "try", __name__, url_prefix="/try", template_folder="templates", static_folder="static"
    )
    seal = Seal(settings.secret)
    names = dialogue.voice(SOURCE).offered

    def now() -> date:
        return datetime.fromtimestamp(clock(), UTC).astimezone(ZoneInfo(settings.zone)).date()

    @pages.get("")
    def phone() -> str:
        """Show a phone nobody has used; a link may name its language, channel and day."""
        began, notice = _set(dialogue, Phone(Grower(), now()), request.args)
        return page(began, notice)

    @pages.post("")
    def press() -> str:
        """Do what a button of the page says."""
        request.max_content_length = request.max_form_memory_size = MOST_BYTES
        form = request.form
        held = seal.read(form.get("state", ""))
        fresh = Phone(Grower(), now())
        if held is None:
            begun, _ = _set(dialogue, fresh, form)
            return page(begun, "That phone was not of this server, or too old. Here is a new one.")
        do = form.get("do", "")
        phone, notice = _set(dialogue, fresh if do == "begin" else held, form)
        text = form.get("text", "")[:LONGEST_TEXT]
        if key := form.get("key"):
            return page(phone, notice, _typed(text, key), key)
        if do != "send":
            phone, said = _let_pass(dialogue, phone, do)
            return page(phone, notice or said, text if phone.channel == held.channel else "")
        if not text.strip() and (phone.open or phone.channel == "sms"):
            return page(phone, "Write a text first, then send it.")
        return page(send(dialogue, phone, text), notice)

    def page(phone: Phone, notice: str = "", text: str = "", pressed: str = "") -> str:
        plan = phone.grower.plan
        return render_template(
            "try_phone.html",
            phone=phone,
            state=seal.write(phone),
            notice=notice,
            text=text,
            pressed=pressed,
            keys=KEYS,
            names=names,
            owed=plan.next_reminder if plan and not phone.grower.stopped else None,
            measure=measure,
            room=previewing.screen_room,
            longest=LONGEST_TEXT,
            days=(FIRST_DAY, LAST_DAY),
        )

    @pages.after_request
    def guarded(response: Response) -> Response:
        response.headers["Content-Security-Policy"] = POLICY
        return response

    @pages.errorhandler(413)
    def too_large(_: Exception) -> tuple[str, int]:
        return page(Phone(Grower(), now()), "That was too large to read. Here is a new phone."), 413

    _hold_back(pages, throttle)
    previewing.add_pages(pages, dialogue, settings)
    return pages


def _hold_back(pages: Blueprint, throttle: Throttle) -> None:
    """Have no address ask for more pages than it may."""

    @pages.before_request
    def let_in() -> Response | None:
        if request.endpoint == "try.static":
            return None
        wait = throttle.wait_s(place_of(request.remote_addr or ""))
        if not wait:
            return None
        log.warning("a page for trying the bot was put off: too many in a minute from its address")
        said = f"Too many pages were asked for from your address. Wait {wait} s and try again.\n"
        return _put_off(said, 429, str(wait))

    @pages.errorhandler(StoreUnavailable)
    def unavailable(error: StoreUnavailable) -> Response:
        log.error("a page for trying the bot could not be shown: %s", error)
        return _put_off("Out of service for a moment. Go back and try again.\n", 503, RETRY_S)


def _put_off(said: str, status: int, retry_s: str) -> Response:
    answer = Response(said, status, content_type="text/plain")
    answer.headers["Retry-After"] = retry_s
    return answer


def _set(dialogue: Dialogue, phone: Phone, form: Mapping[str, str]) -> tuple[Phone, str]:
    """Bring the phone to the language, channel and day that the form names.

    Fields that name nothing known change nothing; a day that is none is told.
    """
    language, channel = form.get("language", ""), form.get("channel", "")
    grower = phone.grower
    if language in dialogue.voices and language != grower.language:
        session = grower.session
        if session is not None and session.flow == OPENING:
            session = session.aside  # the language need not be asked any more
        phone = replace(phone, grower=replace(grower, language=language, session=session))
    if channel in ("sms", "ussd") and channel != phone.channel:
        phone = replace(phone, channel=channel, open=False)
    written = form.get("today", "").strip()
    if not written or written == phone.today.isoformat():
        return phone, ""
    try:
        day = date.fromisoformat(written)
    except ValueError:
        return phone, "That is no day; write it as 2026-03-20."
    if not FIRST_DAY <= day <= LAST_DAY:
        return phone, f"Choose a day from {FIRST_DAY} to {LAST_DAY}."
    return pass_days(dialogue, phone, day), ""


def _let_pass(dialogue: Dialogue, phone: Phone, do: str) -> tuple[Phone, str]:
    """Let a day pass, or all days until the next reminder; say why where none comes."""
    if do == "day" and phone.today < LAST_DAY:
        return pass_days(dialogue, phone, phone.today + timedelta(days=1)), ""
    if do == "jump":
        reminded = next_reminder(dialogue, phone)
        if reminded is None:
            return phone, "No reminder is owed: there is no plan yet, or nothing in it is open."
        return reminded, ""
    return phone, ""


def _typed(text: str, key: str) -> str:
    """Type a key after a text, as a keypad does; "C" takes the last character back."""
    if key == "C":
        return text[:-1]
    return (text + key)[:LONGEST_TEXT] if key in dict(KEYS) else text
