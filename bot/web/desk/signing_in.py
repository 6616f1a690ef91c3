"""Signing in to the desk and out of it, passwords, and for admins: people and the trail."""

from __future__ import annotations

import time
from hashlib import blake2b
from math import ceil
from typing import TYPE_CHECKING, Literal, cast

from flask import abort, current_app, g, redirect, render_template, request, url_for
from limits import RateLimitItemPerHour, RateLimitItemPerMinute
from limits.strategies import MovingWindowRateLimiter

from bot.store import keys
from bot.store.errors import reaching_redis
from bot.store.people import Refusal, fold_name, tidy_groups
from bot.web.counting import Counts, place_of
from bot.web.desk.guarding import (
    again,
    begin_half,
    begin_session,
    desk_here,
    end_session,
    for_admins,
    front_page,
    local_address,
    me,
    open_to_all,
    record,
    who_is_half,
)

if TYPE_CHECKING:
    from collections.abc import Mapping

    import redis
    from flask import Blueprint
    from flask.blueprints import BlueprintSetupState
    from flask.typing import ResponseReturnValue
    from limits import RateLimitItem

    from bot.store.people import Role, User

WRONG = "That name and password do not belong together. Look at both and try again."
"""Said whether or not there is anyone of the name."""

PER_NAME = RateLimitItemPerMinute(5, 15)
"""Attempts at one name from one address: wrong ones, as a right one clears them."""
PER_ADDRESS = RateLimitItemPerMinute(60, 15)
"""Attempts from one address, right or wrong: a whole office may sign in through it."""

WRONG_CODE = (
    "That is not the code of this moment, nor one of your recovery codes. Each counts once: wait "
    "until another code is shown, and try again."
)

PER_CODE = RateLimitItemPerHour(20)
"""Codes tried for one user, from wherever: whoever sends them has the password already."""

TRAIL_PAGE = 50
"""Entries of the trail on a page."""


class Throttle:
    """Counts attempts to sign in, in the Redis of `client` and over its connections.

    Each attempt is counted before its password is looked at, so that many at once gain nothing.
    """

    def __init__(self, client: redis.Redis) -> None:
        storage = Counts(client, keys.attempts_key())
        self._limiter = MovingWindowRateLimiter(storage)

    def wait_s(self, name: str, address: str, *, code: bool = False) -> int:
        """Count an attempt. Return 0 if it may be made, else in how many seconds one may.

        `code` says that it is one at a second factor.
        """
        with reaching_redis():
            for limit, *whose in self._limits(name, address, code):
                if not self._limiter.hit(limit, *whose):
                    reset = self._limiter.get_window_stats(limit, *whose).reset_time
                    return max(1, ceil(reset - time.time()))
        return 0

    def clear(self, name: str, address: str, *, code: bool = False) -> None:
        """Forget the wrong attempts of somebody who has signed in.

        `code` says that they gave a right code, too: a password alone buys no more guesses at one.
        """
        with reaching_redis():
            for limit, *whose in self._limits(name, address, code)[1:]:
                self._limiter.clear(limit, *whose)

    @staticmethod
    def _limits(
        name: str,
        address: str,
        code: bool,  # noqa: FBT001 - as its callers have it
    ) -> list[tuple[RateLimitItem, str, str]]:
        """Return the limits of an attempt and whose they are: the address's first, then the name's."""
        place = place_of(address)
        # What is typed as a name may be of any length, and may be a password.
        digest = blake2b(name.encode("utf-8", "surrogatepass"), digest_size=16).hexdigest()
        limits: list[tuple[RateLimitItem, str, str]] = [
            (PER_ADDRESS, "address", place),
            (PER_NAME, digest, place),
        ]
        if code:
            limits.append((PER_CODE, "code", digest))
        return limits


def register(desk: Blueprint) -> None:  # noqa: C901 - the pages, one after the other
    """Add the pages of signing in, of people and of the trail."""

    @desk.record_once
    def set_up(state: BlueprintSetupState) -> None:
        extensions = state.app.extensions
        extensions["desk.throttle"] = Throttle(extensions["desk"].people.redis)

    @desk.get("/sign-in")
    @open_to_all
    def sign_in() -> ResponseReturnValue:
        """Ask for a name and a password."""
        goal = local_address(request.args.get("next", ""))
        if g.user is not None:
            return redirect(goal or front_page(), 303)
        return _sign_in_page(goal=goal)

    @desk.post("/sign-in")
    @open_to_all
    def signing_in() -> ResponseReturnValue:
        """Look at a name and a password, or at the code that was asked for after them."""
        return _code_given() if "code" in request.form else _signed_in()

    @desk.post("/sign-out")
    @open_to_all
    def sign_out() -> ResponseReturnValue:
        """End every session of who is signed in, on all their devices."""
        if g.user is not None:
            desk_here().people.sign_out(me().name)
            record("signed out")
        end_session()
        return redirect(url_for("desk.sign_in"), 303)

    @desk.get("/password")
    def password() -> str:
        """Show where a password is changed."""
        return render_template("desk/password.html", said="", done=request.args.get("done"))

    @desk.post("/password")
    def new_password() -> ResponseReturnValue:
        """Change the password of who is signed in."""
        return _password_changed()

    @desk.get("/people")
    @for_admins
    def people() -> str:
        """List who may use the desk."""
        return _people_page()

    @desk.post("/people")
    @for_admins
    def add_person() -> ResponseReturnValue:
        """Add somebody, and show their temporary password once."""
        return _added()

    @desk.post("/people/<name>")
    @for_admins
    def person(name: str) -> ResponseReturnValue:
        """Do to somebody what a button says."""
        return _done_to(name)

    @desk.get("/trail")
    @for_admins
    def trail() -> str:
        """Show what was done at the desk, the latest first."""
        found = desk_here().people.recent(TRAIL_PAGE + 1, request.args.get("before", ""))
        shown = found[:TRAIL_PAGE]
        return render_template(
            "desk/audit.html",
            entries=[entry for _, entry in shown],
            older=shown[-1][0] if len(found) > TRAIL_PAGE else "",
            newest="before" not in request.args,
        )


# Signing in


def _sign_in_page(name: str = "", goal: str = "", kept: str = "", said: str = "") -> str:
    return render_template("desk/sign_in.html", name=name, next=goal, kept=kept, said=said)


def _signed_in() -> ResponseReturnValue:
    form, people = request.form, desk_here().people
    name, goal = fold_name(form.get("name", "")), local_address(form.get("next", ""))
    kept, address = form.get("kept", ""), request.remote_addr or ""
    throttle = throttle_here()
    if wait := throttle.wait_s(name, address):
        page = _sign_in_page(name, goal, kept, too_many(wait))
        return page, 429, {"Retry-After": str(wait)}
    user = people.check(name, form.get("password", ""))
    if user is None:
        # What is no one's name is not written down: it may be a password in the wrong place.
        known = people.user(name)
        if known:
            people.record("", "could not sign in as", known.name, address)
        else:
            people.record("", "gave a name that nobody has", detail=address)
        return _sign_in_page(name, goal, kept, WRONG), 403
    if user.factor:
        begin_half(user)
        return _code_page(goal, kept)
    return _let_in(user, "signed in", goal, kept)


def _code_page(goal: str, kept: str, said: str = "") -> str:
    return render_template("desk/sign_in_code.html", next=goal, kept=kept, said=said)


def _code_given() -> ResponseReturnValue:
    form, address = request.form, request.remote_addr or ""
    goal, kept = local_address(form.get("next", "")), form.get("kept", "")
    user = who_is_half()
    if user is None:
        end_session()
        return _sign_in_page("", goal, kept, "That took too long. Sign in once more."), 403
    if wait := throttle_here().wait_s(user.name, address, code=True):
        return _code_page(goal, kept, too_many(wait)), 429, {"Retry-After": str(wait)}
    kind = kind_of_code(user.name)
    if not kind:
        return _code_page(goal, kept, WRONG_CODE), 403
    with_code = "signed in with a code" if kind == "code" else "signed in with a recovery code"
    return _let_in(user, with_code, goal, kept)


def _let_in(user: User, how: str, goal: str, kept: str) -> ResponseReturnValue:
    """Begin a session, and show what was asked for before."""
    address = request.remote_addr or ""
    throttle_here().clear(user.name, address, code=user.factor is not None)
    begin_session(user)
    desk_here().people.seen(user.name)
    record(how, detail=address)
    if user.temporary:
        return redirect(url_for("desk.password", next=goal), 303)
    if kept and goal:
        return again(kept, goal, "This was not sent, as you had been signed out.", 200)
    return redirect(goal or front_page(), 303)


def throttle_here() -> Throttle:
    """Return what counts attempts at this desk."""
    return cast("Throttle", current_app.extensions["desk.throttle"])


def too_many(wait_s: int) -> str:
    """Say that there were too many attempts, and when another may be made."""
    minutes = ceil(wait_s / 60)
    return f"Too many attempts. Try again in {minutes} minute{'s' if minutes > 1 else ''}."


def password_is_wrong() -> bool:
    """Whether what was typed is not the password of who is signed in; the trail tells of it."""
    people, name = desk_here().people, me().name
    if people.check(name, request.form.get("password", "")):
        return False
    people.record("", "gave a wrong password as", name, request.remote_addr or "")
    return True


def kind_of_code(name: str) -> Literal["", "code", "recovery"]:
    """Take the code that was typed for a user, and return of what kind it is; "" if it is wrong.

    The trail tells of a wrong one.
    """
    people = desk_here().people
    kind = people.spend(name, request.form.get("code", ""), desk_here().settings.secret)
    if not kind:
        people.record("", "gave a wrong code as", name, request.remote_addr or "")
    return kind


def _password_changed() -> ResponseReturnValue:
    form, people, user = request.form, desk_here().people, me()
    address = request.remote_addr or ""
    throttle = throttle_here()
    new = form.get("new_password", "")
    said, status = "", 400
    if wait := throttle.wait_s(user.name, address):
        said, status = too_many(wait), 429
    elif password_is_wrong():
        said, status = "The present password is not right.", 403
    elif new != form.get("new_password_again", ""):
        said = "The two new passwords are not the same."
    elif new == form.get("password", ""):
        said = "The new password is the present one; choose another."
    else:
        changed = people.set_password(user.name, new)
        if not isinstance(changed, Refusal):
            throttle.clear(user.name, address)
            begin_session(changed)
            record("changed their password")
            goal = local_address(form.get("next", ""))
            return redirect(goal or url_for("desk.password", done=1), 303)
        said = f"{changed.reason[0].upper()}{changed.reason[1:]}."
    return render_template("desk/password.html", said=said, done=None), status


# People


def _people_page(
    said: str = "", secret: str = "", whose: str = "", typed: Mapping[str, str] | None = None
) -> str:
    return render_template(
        "desk/people.html",
        users=desk_here().people.users(),
        said=said,
        secret=secret,
        whose=whose,
        typed=typed or {},
    )


def _role_and_groups() -> tuple[Role, tuple[str, ...]]:
    role: Role = "admin" if request.form.get("role") == "admin" else "agent"
    return role, tidy_groups(request.form.get("groups", "").splitlines())


def _added() -> ResponseReturnValue:
    name = fold_name(request.form.get("name", ""))
    role, groups = _role_and_groups()
    secret = desk_here().people.add(name, role, groups)
    if isinstance(secret, Refusal):
        said = f"Nobody was added: {secret.reason}."
        return _people_page(said=said, typed=request.form), 400
    record("added", name, "; ".join((role, *groups)))
    return _people_page(secret=secret, whose=name)


def _done_to(name: str) -> ResponseReturnValue:
    people, do = desk_here().people, request.form.get("do", "")
    user = people.user(name)
    if user is None:
        return _people_page(said=f"Nobody is called {name} any more."), 404
    if user.name == me().name and do != "change":
        return _people_page(said="Another admin must do that to you."), 400
    if do == "change":
        role, groups = _role_and_groups()
        # An admin stays one until another takes it from them, so one is always left.
        role = "admin" if user.name == me().name else role
        people.change(user.name, role, groups)
        record("changed", user.name, "; ".join((role, *groups)))
    elif do == "password":
        secret = people.reset_password(user.name)
        record("gave a new password to", user.name)
        return _people_page(secret=secret or "", whose=user.name)
    elif do == "sign-out":
        people.sign_out(user.name)
        record("ended the sessions of", user.name)
    elif do == "remove":
        people.remove(user.name)
        record("removed", user.name)
    else:
        abort(400)
    return redirect(url_for("desk.people"), 303)
