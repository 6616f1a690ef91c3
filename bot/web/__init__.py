"""The web app, made by `create_app`. In production: gunicorn "bot.web:create_app()"."""

from __future__ import annotations

import atexit
import os
import time
from contextlib import ExitStack
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from flask import Flask
from werkzeug.middleware.proxy_fix import ProxyFix

from bot.exchange import Exchange, dialogue_of
from bot.gateways.profiles import read_profiles
from bot.operating.health import create_health
from bot.operating.metrics import create_metrics
from bot.settings import Settings
from bot.store import keys
from bot.store.connecting import reached
from bot.store.groups import Groups
from bot.store.growers import Store
from bot.store.people import People
from bot.store.rounds import Rounds
from bot.web.api import create_api
from bot.web.counting import Counts, Throttle
from bot.web.desk import create_desk
from bot.web.hooks import hooks
from bot.web.sealing import sealed
from bot.web.trying import PER_ADDRESS, create_blueprint

if TYPE_CHECKING:
    from collections.abc import Callable

MOST_BYTES = 64 * 1024
"""Bytes of a webhook's body worth reading; a text is far smaller."""


def create_app(
    settings: Settings | None = None,
    store: Store | None = None,
    clock: Callable[[], float] = time.time,
) -> Flask:
    """Make the app. Settings are read from the environment, and Redis reached, unless given.

    Raises SettingsError, ProfileError, FlowError or EmbeddedRedisError, which say what to mend.
    """
    settings = settings or Settings.read(os.environ)
    app = Flask("bot.web", static_folder=None)
    app.config["MAX_CONTENT_LENGTH"] = MOST_BYTES
    app.wsgi_app = sealed(app.wsgi_app)  # type: ignore[method-assign, assignment]
    if settings.proxies:
        # Else whoever asks could say from where, and by https.
        n = settings.proxies
        app.wsgi_app = ProxyFix(app.wsgi_app, x_for=n, x_proto=n, x_host=n)  # type: ignore[method-assign]
    if store is None:
        # A server embedded for this process lives as long as it does.
        held = ExitStack()
        client = held.enter_context(
            reached(settings.redis_url, settings.data, settings.redis_password)
        )
        zone = ZoneInfo(settings.zone)
        store = Store(client, clock, settings.keep_texts, zone, settings.replicas)
        atexit.register(held.close)
    dialogue = dialogue_of(settings)
    exchange = Exchange(store, dialogue, settings, clock)
    groups, rounds = Groups(store.redis), Rounds(store.redis)
    people = People(store.redis, clock)
    app.extensions.update(exchange=exchange, groups=groups, rounds=rounds)
    if settings.desk_pages:
        app.register_blueprint(create_desk(people, settings, clock))
    if settings.api:
        app.register_blueprint(create_api(exchange, groups, rounds, people))
    if settings.try_pages:
        visits = Throttle(Counts(store.redis, keys.visits_key()), PER_ADDRESS)
        app.register_blueprint(create_blueprint(dialogue, settings, clock, visits))
    app.extensions["profiles"] = read_profiles(settings.gateway)
    app.register_blueprint(hooks)
    app.register_blueprint(create_health(store.redis, settings.replicas))
    if settings.metrics_key:
        app.register_blueprint(create_metrics(store.redis, settings.metrics_key, clock))
    return app
