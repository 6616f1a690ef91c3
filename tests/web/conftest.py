from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING

import pytest

from bot.settings import Settings
from bot.web import create_app

if TYPE_CHECKING:
    from flask import Flask
    from flask.testing import FlaskClient

    from bot.store.growers import Store

NINE = datetime(2026, 3, 2, 6, 0, tzinfo=UTC).timestamp()  # 09:00 in Dar es Salaam


@pytest.fixture
def app(store: Store) -> Flask:
    """The app with the JSON profile, where a text's replies are in the answer.

    However quick a test is, it is not one request too many.
    """
    return create_app(Settings(most_requests=0), store, lambda: NINE)


@pytest.fixture
def client(app: Flask) -> FlaskClient:
    return app.test_client()


@pytest.fixture
def form_client(store: Store) -> FlaskClient:
    """A client of the app with the form profile, which leaves replies to the sender."""
    return create_app(Settings(gateway="plain-form"), store, lambda: NINE).test_client()
