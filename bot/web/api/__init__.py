"""The API for a union's own system, under /api.

A call goes one way: who asks (`Authorization: Bearer fb_...`), whether they may, what was sent,
and only then what is to be done. What can be asked is in the lists of routes of the modules here;
/api/openapi.json says it to other programs.
"""

from __future__ import annotations

import logging
from functools import cache
from http import HTTPStatus
from typing import TYPE_CHECKING, Any, cast

import msgspec
from flask import Blueprint, Response, request, url_for
from limits import RateLimitItemPerMinute
from msgspec import Struct
from werkzeug.exceptions import HTTPException, MethodNotAllowed, RequestEntityTooLarge

from bot.store import keys
from bot.store.codec import RecordError
from bot.store.errors import StoreUnavailable
from bot.web.api import growers, plans, reports, rounds, shapes
from bot.web.api.describing import PROBLEM, PROBLEMS, describe
from bot.web.api.reading import read_body, read_query
from bot.web.api.routes import Api, Call, Route, problem
from bot.web.api.shapes import Problem
from bot.web.counting import Counts, Throttle

if TYPE_CHECKING:
    from flask.typing import ResponseReturnValue
    from limits import RateLimitItem

    from bot.exchange import Exchange
    from bot.store.groups import Groups
    from bot.store.people import People, Token
    from bot.store.rounds import Rounds

log = logging.getLogger(__name__)

BASE = "/api"

PER_TOKEN = RateLimitItemPerMinute(600)
"""Calls that one token may make."""

RETRY_S = "30"
"""Seconds after which to ask again when the store is out of reach."""

_CONVERTERS = {"{name}": "<path:name>", "{number}": "<number>", "{id}": "<id>"}
"""How Flask writes the parts of a path; a group's name may have a slash in it."""


@cache
def document() -> dict[str, Any]:
    """Describe the API, as OpenAPI does."""
    return describe(ROUTES, BASE)


ROUTES = [
    *growers.ROUTES,
    *plans.ROUTES,
    *reports.ROUTES,
    *rounds.ROUTES,
    Route("GET", "/openapi.json", document, None, None, "Describe the API: this document."),
]
"""All that can be asked."""


class _Nothing(shapes.Request, frozen=True):
    """The query of a route that has none."""


def create_api(
    exchange: Exchange,
    groups: Groups,
    rounds_kept: Rounds,
    people: People,
    limit: RateLimitItem = PER_TOKEN,
) -> Blueprint:
    """Make the API's blueprint. `limit` is how much one token may ask."""
    served = Api(exchange, groups, rounds_kept, people)
    throttle = Throttle(Counts(people.redis, keys.requests_key()), limit)
    blueprint = Blueprint("api", __name__, url_prefix=BASE)
    for route in ROUTES:
        _add(blueprint, route, served, throttle)

    blueprint.register_error_handler(HTTPException, _failed)
    blueprint.register_error_handler(StoreUnavailable, _unavailable)
    blueprint.register_error_handler(RecordError, _unavailable)
    # An address or a method that is not there belongs to no blueprint.
    blueprint.app_errorhandler(HTTPStatus.NOT_FOUND)(_not_there)
    blueprint.app_errorhandler(HTTPStatus.METHOD_NOT_ALLOWED)(_not_there)
    return blueprint


# One call


def _add(blueprint: Blueprint, route: Route, api: Api, throttle: Throttle) -> None:
    path = route.path
    for part, written in _CONVERTERS.items():
        path = path.replace(part, written)

    def answer(**parts: str) -> Response:
        token = _let_in(route, api.people, throttle)
        return token if isinstance(token, Response) else _answer(route, api, token, parts)

    # Answering OPTIONS by itself, Flask would ask nobody for a token.
    blueprint.add_url_rule(
        path, route.name, answer, methods=[route.method], provide_automatic_options=False
    )


def _let_in(route: Route, people: People, throttle: Throttle) -> Token | Response | None:
    """Find out whose call it is, and whether it may be made; None where anyone may."""
    if route.scope is None:
        return None
    scheme, _, secret = request.headers.get("Authorization", "").partition(" ")
    if scheme.lower() != "bearer":
        detail = "give a token: Authorization: Bearer fb_..."
        return _told(problem(401, detail), {"WWW-Authenticate": "Bearer"})
    token = people.token(secret.strip())
    if token is None:
        challenge = {"WWW-Authenticate": 'Bearer error="invalid_token"'}
        return _told(problem(401, "this token is not known; it may have been revoked"), challenge)
    if wait := throttle.wait_s(token.name):
        detail = f"the token has asked for too much; try again in {wait} s"
        return _told(problem(429, detail), {"Retry-After": str(wait)})
    if route.scope not in token.scopes:
        log.warning("(token %s) lacks the scope %s: %s", token.name, route.scope, route.name)
        challenge = {
            "WWW-Authenticate": f'Bearer error="insufficient_scope", scope="{route.scope}"'
        }
        return _told(problem(403, f"the token lacks the scope {route.scope}"), challenge)
    return token


def _answer(route: Route, api: Api, token: Token | None, parts: dict[str, str]) -> Response:
    given: dict[str, Any] = {}
    query = read_query(request.args, route.query or _Nothing)
    if isinstance(query, list):
        return _told(problem(400, "the query cannot be used", query))
    if route.query:
        given["query"] = query
    if route.body:
        if request.mimetype != "application/json":
            return _told(problem(415, "send JSON, as application/json"))
        request.max_content_length = route.most_bytes
        body = read_body(request.get_data(), route.body)
        if isinstance(body, list):
            return _told(problem(400, "the body cannot be used", body))
        given["body"] = body
    done = route.do(Call(api, token), **parts, **given) if token else route.do()
    if isinstance(done, Problem):
        return _told(done)
    answer = _json(done, route.status)
    if route.status == HTTPStatus.CREATED:
        made = cast("shapes.Round", done)
        answer.headers["Location"] = url_for("api.get_rounds_id", id=made.id)
    return answer


def _json(done: Struct | object, status: int) -> Response:
    if done is None:
        return Response(status=status)
    return Response(msgspec.json.encode(done), status, content_type="application/json")


# What fails


def _told(what: Problem, headers: dict[str, str] | None = None) -> Response:
    return Response(msgspec.json.encode(what), what.status, headers, content_type=PROBLEM)


def _failed(error: HTTPException) -> ResponseReturnValue:
    status = error.code or HTTPStatus.INTERNAL_SERVER_ERROR
    detail = PROBLEMS.get(status) or error.description or ""
    allowed = {}
    if isinstance(error, MethodNotAllowed) and error.valid_methods:
        allowed["Allow"] = ", ".join(sorted(error.valid_methods))
    answer = _told(problem(status, detail), allowed)
    if isinstance(error, RequestEntityTooLarge):
        answer.headers["Connection"] = "close"
    return answer


def _not_there(error: HTTPException) -> ResponseReturnValue:
    ours = request.path == BASE or request.path.startswith(f"{BASE}/")
    return _failed(error) if ours else error


def _unavailable(error: Exception) -> ResponseReturnValue:
    log.error("a call of the API could not be answered: %s", error)
    return _told(problem(503, "out of service for a moment; ask again"), {"Retry-After": RETRY_S})
