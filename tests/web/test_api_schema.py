"""The API against its own description: schemathesis asks whatever that allows, and does not."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest
import schemathesis
from api_calls import GROWER, ROUND, Union
from hypothesis import HealthCheck
from hypothesis import settings as examples
from msgspec.structs import replace
from openapi_spec_validator import OpenAPIV31SpecValidator
from schemathesis.config import SchemathesisConfig

from bot.web.api import document

if TYPE_CHECKING:
    import redis
    from flask import Flask
    from schemathesis import Case

CONFIG = {
    "checks": {
        # What is well formed may still say what cannot be done: a sheet that leaves questions
        # open, work that no plan has, a language that is not on offer.
        "positive_data_acceptance": {
            "expected-statuses": ["2xx", "401", "403", "404", "409", "422"]
        }
    }
}
ID = "k7hmw2xp"
"""The round of the examples."""


class Stocked(Union):
    """A union with what the examples speak of, each time anew."""

    def __init__(self, client: redis.Redis) -> None:
        super().__init__(client)
        self.enrol(GROWER)
        assert self.plan().status_code == 200
        made = self.ask("POST", "/rounds", ROUND).get_json()
        one = self.rounds.shelf.find(made["id"])
        assert one is not None
        self.rounds.shelf.add(ID, replace(one, id=ID))
        self._kept = {key: client.dump(key) for key in client.scan_iter()}

    def stock(self) -> None:
        """Put everything back."""
        pipe = self.store.redis.pipeline()
        pipe.flushall()
        for key, value in self._kept.items():
            pipe.restore(key, 0, value)
        pipe.execute()


class Door:
    """The app of the test that runs: what is asked is known before there is an app."""

    app: Flask

    def __call__(self, environ: dict[str, Any], start_response: Any) -> Any:  # noqa: ANN401 - WSGI's
        return self.app(environ, start_response)


DOOR = Door()
api = schemathesis.openapi.from_dict(document(), config=SchemathesisConfig.from_dict(CONFIG))
api.app = DOOR


@pytest.fixture
def union(redis_client: redis.Redis) -> Stocked:
    union = Stocked(redis_client)
    DOOR.app = union.app
    return union


def ask(case: Case, union: Stocked) -> None:
    union.stock()
    case.call_and_validate(headers={"Authorization": f"Bearer {union.secret}"})


@api.parametrize()
@examples(max_examples=25, deadline=None, suppress_health_check=list(HealthCheck), derandomize=True)
def test_it_is_what_it_says(case: Case, union: Stocked) -> None:
    ask(case, union)


@pytest.mark.slow
@api.parametrize()
@examples(max_examples=300, deadline=None, suppress_health_check=list(HealthCheck))
def test_it_is_what_it_says_at_length(case: Case, union: Stocked) -> None:
    ask(case, union)


def test_the_description_is_openapi() -> None:
    OpenAPIV31SpecValidator(document()).validate()
