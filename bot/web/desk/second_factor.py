"""A second factor for signing in: set up by whoever is signed in, for themselves.

To set one up takes the password, and a code that shows that the app has the secret. To remove it,
or to get new recovery codes, takes both again. The secret is shown once, as a QR code drawn here
and as letters; until it is confirmed, its salt travels in the session's cookie, which makes no
code without the operator's secret.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from flask import abort, redirect, render_template, request, session, url_for

from bot.store.second_factor import address_of, new_salt, secret_of, step_of, tidy_code
from bot.web.desk.guarding import HALF_S, begin_session, desk_here, me, record, within
from bot.web.desk.pictures import qr_code
from bot.web.desk.signing_in import (
    WRONG_CODE,
    kind_of_code,
    password_is_wrong,
    throttle_here,
    too_many,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from flask import Blueprint
    from flask.typing import ResponseReturnValue

WRONG_PASSWORD = "The password is not right."  # noqa: S105 - said of one


def register(desk: Blueprint) -> None:
    """Add the page of one's second factor."""

    @desk.get("/second-factor")
    def second_factor() -> str:
        """Show whether there is one, and how to set it up."""
        return _page()

    @desk.post("/second-factor")
    def change_second_factor() -> ResponseReturnValue:
        """Do with one's second factor what a button says."""
        act = _ACTS.get(request.form.get("do", ""))
        if act is None:
            abort(400)
        setting_up = act in {_begun, _confirmed}
        if setting_up and not desk_here().settings.secret:
            abort(400)
        if setting_up == (me().factor is not None):
            # Done, or undone, in another window.
            return redirect(url_for("desk.second_factor"), 303)
        if wait := throttle_here().wait_s(me().name, _address(), code=act is not _begun):
            page = _page(too_many(wait), confirming=act is _confirmed)
            return page, 429, {"Retry-After": str(wait)}
        return act()


def _page(
    said: str = "",
    salt: bytes = b"",
    codes: Sequence[str] = (),
    done: str = "",
    *,
    confirming: bool = False,
) -> str:
    """Show the page; with a `salt`, the secret that is to be confirmed.

    When `confirming`, a code of it is asked for once more, and the secret is not shown again: who
    asks has a session, and need not have given the password.
    """
    settings = desk_here().settings
    secret = secret_of(settings.secret, salt) if salt else ""
    return render_template(
        "desk/second_factor.html",
        said=said,
        done=done,
        secret=" ".join(secret[place : place + 4] for place in range(0, len(secret), 4)),
        picture=qr_code(address_of(secret, me().name), "QR code of the secret") if secret else "",
        codes=codes,
        confirming=confirming or bool(secret),
        factor=me().factor,
        possible=bool(settings.secret),
        required=settings.second_factor == "required",
    )


def _begun() -> ResponseReturnValue:
    """Show a secret to whoever gives their password."""
    if password_is_wrong():
        return _page(WRONG_PASSWORD), 403
    salt = new_salt()
    session["setting_up"] = (salt.hex(), int(desk_here().clock()))
    return _page(salt=salt)


def _confirmed() -> ResponseReturnValue:
    """Take the secret that was shown, if a code of it comes."""
    salt = _salt()
    if not salt:
        return _page("That took too long. Begin once more; your app needs the new secret."), 400
    secret = secret_of(desk_here().settings.secret, salt)
    step = step_of(secret, tidy_code(request.form.get("code", "")), desk_here().clock())
    if step is None:
        said = "That is not the code of this moment. Look at the app again."
        return _page(said, confirming=True), 403
    given = desk_here().people.set_factor(me().name, salt, step)
    if given is None:
        return redirect(url_for("desk.second_factor"), 303)
    user, codes = given
    throttle_here().clear(user.name, _address(), code=True)
    begin_session(user)
    record("set up a second factor")
    return _page(codes=codes, done="Your second factor is set up. Other devices are signed out.")


def _codes_renewed() -> ResponseReturnValue:
    """Give new recovery codes in the place of the old ones."""
    if fault := _fault():
        return _page(fault), 403
    codes = desk_here().people.new_recovery_codes(me().name)
    record("made new recovery codes")
    return _page(codes=codes or (), done="The recovery codes you had before count no more.")


def _removed() -> ResponseReturnValue:
    """Take the second factor away."""
    if fault := _fault():
        return _page(fault), 403
    user = desk_here().people.drop_factor(me().name)
    if user is not None:
        begin_session(user)
        record("removed their second factor")
    return _page(done="Your second factor is removed. Other devices are signed out.")


_ACTS: dict[str, Callable[[], ResponseReturnValue]] = {
    "begin": _begun,
    "confirm": _confirmed,
    "codes": _codes_renewed,
    "remove": _removed,
}


def _fault() -> str:
    """Say why somebody is not taken for who they are; "" if password and code are theirs."""
    if password_is_wrong():
        return WRONG_PASSWORD
    if not kind_of_code(me().name):
        return WRONG_CODE
    throttle_here().clear(me().name, _address(), code=True)
    return ""


def _salt() -> bytes:
    """Return the salt of the secret that was shown to this session; empty if it is too old."""
    salt, shown = session.get("setting_up", ("", 0))
    fresh = within(HALF_S, shown, int(desk_here().clock()))
    return bytes.fromhex(salt) if fresh else b""


def _address() -> str:
    return request.remote_addr or ""
