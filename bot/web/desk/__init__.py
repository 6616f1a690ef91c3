"""The desk: pages for a union's agents, under /desk.

There is one blueprint. A module of pages has a function `register(desk)` that adds its routes to
it; every page asks to sign in first, unless it says otherwise (`bot.web.desk.guarding`).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from flask import Blueprint

from bot.web.desk import (
    deliveries,
    enrolling,
    groups,
    growers,
    guarding,
    rounds,
    season,
    second_factor,
    showing,
    signing_in,
    today,
)

if TYPE_CHECKING:
    from collections.abc import Callable

    from bot.settings import Settings
    from bot.store.people import People


def create_desk(people: People, settings: Settings, clock: Callable[[], float]) -> Blueprint:
    """Make the desk's blueprint, for an app that serves no other pages with a Flask session.

    `clock` gives UTC epoch seconds. Where several processes serve the desk, `settings.secret`
    must be set, or one does not know who signed in at another. Behind a proxy, the app must be
    told so (werkzeug's `ProxyFix`): the session's cookie is kept to https, and attempts to sign
    in are counted by address, as far as the app can see either.

    Raises SettingsError for a secret that could be guessed.
    """
    desk = Blueprint(
        "desk", "bot.web", url_prefix="/desk", template_folder="templates", static_folder="static"
    )
    guarding.guard(desk, people, settings, clock)
    signing_in.register(desk)
    second_factor.register(desk)
    enrolling.register(desk)
    for pages in (showing, today, groups, growers, rounds, deliveries, season):
        pages.register(desk)
    return desk
