"""Who may see a page of the desk: sessions, roles, the proof that a form is ours, headers.

A session is a signed cookie that holds a name, the user's generation, and when they signed in and
were last seen. The user is read at every request, so that whoever was removed, signed out or
given a new password is out at once. Nothing else about a session is kept on the server.
"""

from __future__ import annotations

import logging
import re
import secrets
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import wraps
from pathlib import Path
from typing import TYPE_CHECKING, NoReturn, ParamSpec, TypeVar, cast
from urllib.parse import parse_qsl, urlencode, urlsplit
from zlib import crc32
from zoneinfo import ZoneInfo

from babel.dates import format_datetime
from flask import abort, current_app, g, redirect, render_template, request, session, url_for
from flask.sessions import SecureCookieSessionInterface
from flask_wtf.csrf import CSRFError, CSRFProtect  # type: ignore[import-untyped]
from werkzeug.exceptions import NotFound, RequestEntityTooLarge

from bot.settings import SettingsError
from bot.store.codec import RecordError
from bot.store.errors import StoreUnavailable

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from flask import Blueprint, Flask, Response
    from flask.blueprints import BlueprintSetupState
    from flask.typing import ResponseReturnValue

    from bot.settings import Settings
    from bot.store.people import People, User

log = logging.getLogger(__name__)

IDLE_S = 30 * 60
"""A session ends when nothing was asked for so long, in seconds."""
SESSION_S = 10 * 3600
"""A session ends so long after signing in, in seconds."""
HALF_S = 5 * 60
"""Whoever has given their password has so long for their code, in seconds; and so long again to set
up a second factor."""
SEEN_EVERY_S = 60
"""That somebody is here is written down no more often than this, in seconds."""

SHORTEST_SECRET = 16
"""Characters of a secret that signs sessions."""

POLICY = (
    "default-src 'none'; style-src 'self'; img-src 'self' data:; form-action 'self'; "
    "frame-ancestors 'none'; base-uri 'none'"
)
"""Content-Security-Policy of the desk: our style sheet, pictures in the page, nothing that runs."""

SHEET_S = 7 * 24 * 3600
"""How long a browser may keep the style sheet, whose address changes with it, in seconds."""

LONGEST_LOGGED = 60
"""Characters of a group's name that are logged, as somebody may have made it up."""

MOST_KEPT = 20_000
"""Characters of a form that are kept while somebody signs in again."""

PAGES = (
    ("desk.today", "Today"),
    ("desk.groups", "Groups"),
    ("desk.rounds", "Rounds"),
    ("desk.deliveries", "Deliveries"),
    ("desk.season", "Season"),
)
ADMIN_PAGES = (("desk.people", "People"), ("desk.trail", "Trail"))

_CHANGING = frozenset({"desk.password", "desk.new_password"})
_MEANWHILE = {
    "desk.password": _CHANGING,
    "desk.second_factor": _CHANGING | {"desk.second_factor", "desk.change_second_factor"},
}
"""What may be asked for while a page is still to be done with."""
_NEVER_KEPT = frozenset({"csrf_token", "code"})
_OPEN, _MOST_BYTES = "_open_to_all", "_most_bytes"


@dataclass(frozen=True, slots=True)
class Desk:
    """What the desk's pages need of the world, besides the exchange."""

    people: People
    settings: Settings
    clock: Callable[[], float]
    sheet: str
    """The style sheet's version: it is part of its address."""

    def moment(self, at: float) -> str:
        """Write a time as people here read it: "2 Mar 2026, 09:00"; "never" for 0."""
        if not at:
            return "never"
        return format_datetime(
            datetime.fromtimestamp(at, UTC),
            "d MMM y, HH:mm",
            tzinfo=ZoneInfo(self.settings.zone),
            locale="en_GB",
        )


def desk_here() -> Desk:
    """Return the desk that this request is at."""
    return cast("Desk", current_app.extensions["desk"])


# Who is asking


def me() -> User:
    """Return who is signed in. Only for pages that ask to sign in."""
    return cast("User", g.user)


def may_see(group: str) -> bool:
    """Whether the growers of a group are theirs to see who is signed in."""
    return me().may_see(group)


def note_refusal(what: str) -> None:
    """Log that who is signed in asked for what is not theirs to see. Never pass a whole number."""
    asked = f"{request.method} {request.endpoint}"
    log.warning("%s asked for %s, which is not theirs: %s", me().name, what, asked)


def refuse(what: str) -> NoReturn:
    """Answer 404, as for what is not there, and log what was asked for."""
    note_refusal(what)
    abort(404)


def must_see(group: str) -> None:
    """Answer 404 unless the group is theirs to see: not even that it is there is told."""
    if not may_see(group):
        refuse(f"the group {group[:LONGEST_LOGGED]!r}" if group else "growers without a group")


def must_be_admin() -> None:
    """Answer 404 to all but admins."""
    if me().role != "admin":
        refuse("what is for admins")


def record(what: str, whom: str = "", detail: str = "") -> None:
    """Write in the trail what is done by who is signed in. Never pass a text or a password."""
    desk_here().people.record(me().name, what, whom, detail)


P = ParamSpec("P")
R = TypeVar("R")
View = TypeVar("View", bound="Callable[..., object]")


def for_admins(view: Callable[P, R]) -> Callable[P, R]:
    """Make a page 404 for all but admins."""

    @wraps(view)
    def guarded(*args: P.args, **kwargs: P.kwargs) -> R:
        must_be_admin()
        return view(*args, **kwargs)

    return guarded


def open_to_all(view: View) -> View:
    """Let a page be seen without signing in."""
    setattr(view, _OPEN, True)
    return view


def takes(most_bytes: int) -> Callable[[View], View]:
    """Let a page take larger forms than the app does; for files that are uploaded."""

    def taking(view: View) -> View:
        setattr(view, _MOST_BYTES, most_bytes)
        return view

    return taking


# Sessions


def within(most_s: int, then: int, now: int) -> bool:
    """Whether less than so many seconds lie between two times.

    Either way, as the clock of the server that wrote the earlier may be a little ahead; and what
    one wrote that was far ahead does not last until that time has come.
    """
    return abs(now - then) < most_s


def begin_session(user: User) -> None:
    """Sign a user in, in a session that holds nothing of the one before."""
    now = int(desk_here().clock())
    session.clear()
    g.pop("csrf_token", None)
    session.update(name=user.name, generation=user.generation, began=now, seen=now)
    g.user = user


def begin_half(user: User) -> None:
    """Remember who has given their password, and has yet to give a code. They are not signed in."""
    session.clear()
    g.pop("csrf_token", None)
    session.update(half=user.name, generation=user.generation, began=int(desk_here().clock()))


def who_is_half() -> User | None:
    """Return who has given their password, a short while ago; None if nobody has."""
    name, now = session.get("half"), int(desk_here().clock())
    if name is None or not within(HALF_S, session["began"], now):
        return None
    user = desk_here().people.user(name)
    return user if user and user.generation == session["generation"] else None


def _first_of_all(user: User) -> str:
    """Return the page that a user must be done with before they see any other; "" if none."""
    if user.temporary:
        return "desk.password"
    required = desk_here().settings.second_factor == "required"
    return "desk.second_factor" if required and user.factor is None else ""


def end_session() -> None:
    """Forget who was signed in on this browser."""
    session.clear()
    g.pop("csrf_token", None)
    g.user = None


def _who_is_signed_in() -> User | None:
    """Return whose session it is, and note that they are here; None if it is nobody's any more."""
    name, now = session.get("name"), int(desk_here().clock())
    if name is None:
        return None
    if not within(IDLE_S, session["seen"], now) or not within(SESSION_S, session["began"], now):
        return None
    people = desk_here().people
    user = people.user(name)
    if user is None or user.generation != session["generation"]:
        return None
    if now - session["seen"] >= SEEN_EVERY_S:
        session["seen"] = now
        people.seen(name)
    return user


# At every request


def guard(desk: Blueprint, people: People, settings: Settings, clock: Callable[[], float]) -> None:
    """Have every page of a blueprint ask to sign in, and give its answers their headers."""
    if settings.secret and len(settings.secret) < SHORTEST_SECRET:
        raise SettingsError(
            f"the secret is short enough to be guessed; "
            f"set FIELDBELL_SECRET to {SHORTEST_SECRET} characters or more"
        )
    csrf = CSRFProtect()

    sheet = f"{crc32(Path(desk.root_path, 'static', 'desk.css').read_bytes()):08x}"

    @desk.record_once
    def set_up(state: BlueprintSetupState) -> None:
        _set_up(cast("Flask", state.app), csrf, settings)
        state.app.extensions["desk"] = Desk(people, settings, clock, sheet)

    @desk.before_request
    def let_in() -> ResponseReturnValue | None:
        g.user = None
        if request.endpoint == "desk.static":
            return None
        g.user = _who_is_signed_in()
        view = current_app.view_functions[cast("str", request.endpoint)]
        if most_bytes := getattr(view, _MOST_BYTES, 0):
            # Before the form is read for its token.
            request.max_content_length = most_bytes
        if hasattr(view, _OPEN):
            csrf.protect()
        elif g.user is None:
            return _ask_to_sign_in()
        else:
            csrf.protect()
            first = _first_of_all(g.user)
            if first and request.endpoint not in _MEANWHILE[first]:
                return redirect(url_for(first), 303)
        return None

    @desk.after_request
    def sealed(response: Response) -> Response:
        response.headers["Content-Security-Policy"] = POLICY
        response.headers["Referrer-Policy"] = "same-origin"
        if request.endpoint == "desk.static":
            response.headers["Cache-Control"] = f"public, max-age={SHEET_S}"
        else:
            # Of a file that is downloaded, too, which Flask would let a browser keep.
            response.headers["Cache-Control"] = "no-store"
        return response

    @desk.context_processor
    def for_templates() -> dict[str, object]:
        return {
            "me": g.get("user"),
            "here": f"{request.script_root}{request.path}",
            "pages": _pages(),
            "moment": desk_here().moment,
            "sheet": url_for("desk.static", filename="desk.css", v=desk_here().sheet),
        }

    desk.register_error_handler(CSRFError, _not_ours)
    desk.register_error_handler(NotFound, _not_found)
    desk.register_error_handler(RequestEntityTooLarge, _too_large)
    desk.register_error_handler(StoreUnavailable, _unavailable)
    desk.register_error_handler(RecordError, _unavailable)


class _Sessions(SecureCookieSessionInterface):
    def get_cookie_name(self, app: Flask) -> str:
        """Name the cookie so that by https a browser takes none that came by plain http."""
        name = super().get_cookie_name(app)
        return f"__Secure-{name}" if request.is_secure else name

    def get_cookie_path(self, app: Flask) -> str:  # noqa: ARG002 - Flask's signature
        """Keep the cookie to the desk, wherever a proxy has put it."""
        return f"{request.script_root}/desk"

    def get_cookie_secure(self, app: Flask) -> bool:  # noqa: ARG002 - Flask's signature
        """Keep the cookie to https where the page came by it; plain http is for trying."""
        return request.is_secure


def _set_up(app: Flask, csrf: CSRFProtect, settings: Settings) -> None:
    # Without a secret of the operator's, sessions live as long as this process.
    app.secret_key = settings.secret or secrets.token_bytes(32)
    app.session_interface = _Sessions()
    app.config.update(
        SESSION_COOKIE_NAME="fieldbell_desk",
        SESSION_COOKIE_HTTPONLY=True,
        SESSION_COOKIE_SAMESITE="Lax",
        # Only the desk's own requests are looked at, in `let_in`; a form lives as long as its
        # session does.
        WTF_CSRF_CHECK_DEFAULT=False,
        WTF_CSRF_TIME_LIMIT=None,
    )
    csrf.init_app(app)


def _pages() -> list[tuple[str, str]]:
    """List the pages that are there for who is asking: endpoints and what they are called."""
    user = g.get("user")
    if user is None or _first_of_all(user):
        return []
    offered = (*PAGES, *(ADMIN_PAGES if user.role == "admin" else ()))
    return [each for each in offered if each[0] in current_app.view_functions]


def front_page() -> str:
    """Return the address of the page that somebody who has signed in sees first."""
    if first := _first_of_all(me()):
        return url_for(first)
    pages = _pages()
    return url_for(pages[0][0] if pages else "desk.password")


# Signing in, and coming back


def _ask_to_sign_in() -> ResponseReturnValue:
    was_signed_in = "name" in session
    end_session()
    if request.method in {"GET", "HEAD"}:
        return redirect(url_for("desk.sign_in", next=_asked_for()), 302)
    kept = kept_form(request.form.items(multi=True)) if _came_from_here() else ""
    page = render_template(
        "desk/sign_in.html",
        name="",
        next=_asked_for(),
        kept=kept,
        said="You have been signed out, and nothing was done yet. Sign in to go on."
        if was_signed_in
        else "Sign in first.",
    )
    return page, 403


def _asked_for() -> str:
    """Return the address asked for, with its query."""
    return f"{request.script_root}{request.full_path.rstrip('?')}"


def local_address(written: str) -> str:
    """Return an address within the desk as it was given; "" for any other."""
    root = url_for("desk.sign_in").removesuffix("/sign-in")
    try:
        parts = urlsplit(written)
    except ValueError:
        return ""
    within = parts.path == root or parts.path.startswith(f"{root}/")
    if parts.scheme or parts.netloc or not within or not written.startswith(root):
        return ""
    # A browser takes a backslash for a slash, and goes to where dots lead, "%2e" being one.
    dotted = re.sub("%2e", ".", parts.path, flags=re.IGNORECASE)
    if "\\" in written or ".." in dotted or "//" in parts.path or not written.isprintable():
        return ""
    return written


def kept_form(fields: Iterable[tuple[str, str]]) -> str:
    """Write the fields of a form into one; without passwords and codes, "" if they are too long."""
    kept = urlencode(
        [
            (name, value)
            for name, value in fields
            if name not in _NEVER_KEPT and "password" not in name
        ]
    )
    return kept if len(kept) <= MOST_KEPT else ""


def again(kept: str, address: str, said: str, status: int) -> ResponseReturnValue:
    """Show a form that was not taken, to be looked over and sent once more by its sender."""
    page = render_template(
        "desk/said.html",
        title="Look it over and send it again" if kept else "That was not taken",
        said=said,
        address=address,
        fields=parse_qsl(kept, keep_blank_values=True),
        files=list(request.files),
    )
    return page, status


def _came_from_here() -> bool:
    """Whether a form was sent from a page of ours, as browsers tell of every form they send."""
    return request.headers.get("Origin", "") == request.host_url.rstrip("/")


# When something is wrong


def _not_ours(error: CSRFError) -> ResponseReturnValue:
    """Take nothing from a form whose page is not of this session; show it again if it was ours."""
    log.info("a form was not taken: %s", error.description)
    if request.endpoint == "desk.signing_in":
        page = render_template(
            "desk/sign_in.html",
            name=request.form.get("name", ""),
            next=local_address(request.form.get("next", "")),
            kept="",
            said="That page had grown old. Please sign in once more.",
        )
        return page, 400
    kept = kept_form(request.form.items(multi=True)) if _came_from_here() else ""
    return again(kept, _asked_for(), "The page it came from had grown old. Nothing was done.", 400)


def _not_found(_: NotFound) -> ResponseReturnValue:
    return _say("Not found", "There is no such page, or it is not yours to see."), 404


def _too_large(_: RequestEntityTooLarge) -> ResponseReturnValue:
    return _say("Too large", "What you sent is larger than this page takes. Nothing was done."), 413


def _unavailable(error: Exception) -> ResponseReturnValue:
    log.error("a page of the desk could not be shown: %s", error)
    said = "The records cannot be reached at this moment. Go back and try again in a minute."
    return _say("Out of service for a moment", said), 503, {"Retry-After": "60"}


def _say(title: str, said: str) -> str:
    return render_template("desk/said.html", title=title, said=said, fields=[], files=[])
