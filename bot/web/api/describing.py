"""The OpenAPI document (3.1), made from the routes and the types they name."""

from __future__ import annotations

from http import HTTPStatus
from importlib.metadata import version
from typing import TYPE_CHECKING, Any

import msgspec

from bot.store.groups import LONGEST_NAME
from bot.store.people import SCOPES
from bot.web.api.shapes import NUMBER, Problem

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from msgspec import Struct

    from bot.web.api.routes import Route

ABOUT = """\
For a union's own system: enrol growers, make their plans, send rounds, read reports.

A token (`fieldbell desk token`) has scopes, and may be limited to groups; whatever is in other
groups is as good as unknown to it. A call that fails is answered with a problem (RFC 9457) that
lists every fault in what was sent. A call may be made again: what is done already stays done.
"""

PARTS: dict[str, dict[str, Any]] = {
    "number": {
        "description": "A grower's number in E.164.",
        "schema": {"type": "string", "pattern": NUMBER},
        "example": "+255655512345",
    },
    "name": {
        "description": "A group's name.",
        "schema": {
            "type": "string",
            "pattern": r"^[^/]+(/[^/]+)*$",
            "minLength": 1,
            "maxLength": LONGEST_NAME,
        },
        "example": "Mirindi North",
    },
    "id": {
        "description": "A round's id.",
        "schema": {"type": "string", "pattern": "^[0-9a-z]{1,32}$"},
        "example": "k7hmw2xp",
    },
}
"""The parts of paths, by name."""

PROBLEMS = {
    400: "The request cannot be read: a field that is missing, unknown or of another type.",
    401: "No token was given, or none that is known.",
    403: "The token lacks the scope that this needs; the detail names it.",
    404: "There is no such thing, or the token does not reach it.",
    405: "The address has no such method.",
    409: "The round is in a state that does not allow this.",
    413: "The body is too large.",
    415: "The body is not of type application/json.",
    422: "The request was read, and what it says cannot be done.",
    429: "The token has asked for too much in too short a time.",
    503: "The store is out of reach for a moment; ask again: nothing is done twice.",
}
"""What can go wrong, by status."""

_WAIT = {"description": "Seconds to wait.", "required": True, "schema": {"type": "integer"}}
_TEXT = {"required": True, "schema": {"type": "string"}}
_HEADERS: dict[int, dict[str, Any]] = {
    401: {"WWW-Authenticate": {"description": "RFC 6750.", **_TEXT}},
    403: {"WWW-Authenticate": {"description": "RFC 6750, with the scope.", **_TEXT}},
    405: {"Allow": {"description": "The methods there are.", **_TEXT}},
    429: {"Retry-After": _WAIT},
    503: {"Retry-After": _WAIT},
}

PROBLEM = "application/problem+json"


def problems_of(route: Route) -> list[int]:
    """Return the statuses of problems that a route can answer with."""
    found = {400, 405, 429, 503, *route.problems}
    if route.scope:
        found |= {401, 403}
    else:
        found -= {429, 503}
    if "{" in route.path:
        found.add(404)
    if route.body:
        found |= {413, 415, 422}
    return sorted(found)


def describe(routes: Sequence[Route], base: str) -> dict[str, Any]:
    """Describe routes under the path `base`."""
    kinds = {kind for route in routes for kind in (route.body, route.gives) if kind}
    _, schemas = msgspec.json.schema_components(
        sorted({*kinds, Problem}, key=lambda kind: kind.__name__), ref_template=_ref("{name}")
    )
    paths: dict[str, dict[str, Any]] = {}
    for route in routes:
        paths.setdefault(route.path, {})[route.method.lower()] = _operation(route)
    return {
        "openapi": "3.1.0",
        "info": {
            "title": "Fieldbell",
            "version": version("fieldbell"),
            "description": ABOUT,
        },
        "servers": [{"url": base}],
        "security": [{"token": []}],
        "paths": paths,
        "components": {
            "securitySchemes": {
                "token": {
                    "type": "http",
                    "scheme": "bearer",
                    "description": f"A token with scopes: {', '.join(SCOPES)}.",
                }
            },
            "schemas": _as_json(schemas),
            "responses": {str(status): _problem(status) for status in PROBLEMS},
        },
    }


def _operation(route: Route) -> dict[str, Any]:
    operation: dict[str, Any] = {
        "operationId": route.name,
        "summary": route.summary,
        "tags": [route.path.split("/")[1]],
        "responses": {
            str(route.status): _success(route),
            **{
                str(status): {"$ref": f"#/components/responses/{status}"}
                for status in problems_of(route)
            },
        },
    }
    if route.scope:
        operation["description"] = f"Scope: `{route.scope}`."
    else:
        operation["security"] = []
    if parameters := [*_path_parameters(route.path), *_query_parameters(route.query)]:
        operation["parameters"] = parameters
    if route.body:
        content: dict[str, Any] = {"schema": {"$ref": _ref(route.body.__name__)}}
        operation["requestBody"] = {
            "required": True,
            "content": {"application/json": content | {"example": route.example}},
        }
    return operation


def _path_parameters(path: str) -> Iterable[dict[str, Any]]:
    for part in path.split("/"):
        if part.startswith("{"):
            name = part.strip("{}")
            yield {"name": name, "in": "path", "required": True, **PARTS[name]}


def _query_parameters(query: type[Struct] | None) -> Iterable[dict[str, Any]]:
    if query is None:
        return
    _, schemas = msgspec.json.schema_components([query], ref_template=_ref("{name}"))
    about = schemas[query.__name__].get("description", "")
    for name, schema in _as_json(schemas[query.__name__]["properties"]).items():
        yield {"name": name, "in": "query", "description": about, "schema": schema}


def _success(route: Route) -> dict[str, Any]:
    answer: dict[str, Any] = {"description": HTTPStatus(route.status).phrase}
    if route.gives:
        content = {"schema": {"$ref": _ref(route.gives.__name__)}}
        answer["content"] = {"application/json": content}
    elif route.status != HTTPStatus.NO_CONTENT:
        answer["content"] = {"application/json": {"schema": {"type": "object"}}}
    if route.status == HTTPStatus.CREATED:
        answer["headers"] = {"Location": {"description": "Where it is from now on.", **_TEXT}}
    return answer


def _problem(status: int) -> dict[str, Any]:
    answer: dict[str, Any] = {
        "description": PROBLEMS[status],
        "content": {PROBLEM: {"schema": {"$ref": _ref(Problem.__name__)}}},
    }
    if status in _HEADERS:
        answer["headers"] = _HEADERS[status]
    return answer


def _ref(name: str) -> str:
    return f"#/components/schemas/{name}"


def _as_json(schemas: Mapping[str, Any]) -> dict[str, Any]:
    """Write what msgspec gives as JSON has it: lists, where it has tuples and records."""
    found: dict[str, Any] = msgspec.json.decode(msgspec.json.encode(schemas))
    return found
