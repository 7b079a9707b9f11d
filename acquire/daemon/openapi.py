"""The API as an OpenAPI 3.1 document, derived from the routes and the messages."""

from __future__ import annotations

import json
from functools import cache
from typing import Any, Literal, TypeGuard

from pydantic import BaseModel
from pydantic.json_schema import models_json_schema

from acquire.analysis import document as result_document
from acquire.daemon.messages import ErrorMessage, EventMessage
from acquire.daemon.routes import EVENTS, HDF5, OPENAPI, RESULT, ROUTES, Body, Route

BASE = "/api/v1"

REFUSALS = {
    400: "The Host is not a name of this daemon, or the request cannot be read.",
    401: "Over TCP: the token is missing or wrong.",
    403: "The Origin is another page than the daemon's own.",
    404: "There is no such thing.",
    408: "The body did not come in time.",
    409: "It cannot be done in the state that the run is in.",
    413: "The body is too long.",
    415: "The body is not application/json.",
    422: "The content is wrong; 'problems' names every place.",
    429: "Too many requests a minute.",
    503: "The queue, or the number of listeners, is at its bound, or the disk takes nothing.",
}
"""What each error status means."""

_ANYWHERE = (400, 401, 403, 429, 503)
_OF_CHANGES = (408, 413, 415)
_EVENT_STREAM = (
    "The data of each message is an EventMessage, its id the number of the event. A listener that"
    " takes nothing for 30 s is cut off; ask again with Last-Event-ID."
)


def _links() -> dict[str, Any]:
    """Return where the number of a submission leads to at once; a result comes later."""
    found: dict[str, Any] = {}
    for route in ROUTES:
        if "{number}" in route.path and not route.handler.startswith(("result", "run_file")):
            what = "schedule" if route.path.startswith("/schedules") else "run"
            number = {"number": f"$response.body#/{what}/id"}
            found[route.handler] = {"operationId": route.handler, "parameters": number}
    return found


_AFTER_SUBMITTING = {
    "links": _links(),
    "headers": {
        "Location": {
            "description": "Of the run or the schedule.",
            "required": True,
            "schema": {"type": "string", "pattern": f"^{BASE}/(runs|schedules)/[0-9]+$"},
        }
    },
}


@cache
def text() -> str:
    """Return the document as JSON."""
    return json.dumps(_document(), indent=2)


def _document() -> dict[str, Any]:
    paths: dict[str, Any] = {}
    for route in ROUTES:
        paths.setdefault(f"{BASE}{route.path}", {})[route.method.lower()] = _operation(route)
    return {
        "openapi": "3.1.0",
        "info": {
            "title": "floorshot",
            "version": "1",
            "description": "Queue, gates and results of one floorshot daemon. Times are RFC 3339.",
        },
        "paths": paths,
        "components": {
            "schemas": _schemas(),
            "securitySchemes": {
                "token": {
                    "type": "http",
                    "scheme": "bearer",
                    "description": "Over TCP: the file 'token' in the daemon's state folder.",
                }
            },
        },
        "security": [{"token": []}, {}],
    }


def _operation(route: Route) -> dict[str, Any]:
    said: dict[str, Any] = {
        "operationId": route.handler,
        "summary": route.summary,
        "parameters": _parameters(route),
        "responses": {str(status): _answer(body) for status, body in route.answers.items()},
    }
    changes = () if route.method == "GET" else _OF_CHANGES
    for status in sorted({*_ANYWHERE, *changes, *route.refusals} - route.answers.keys()):
        said["responses"][str(status)] = {
            "description": REFUSALS[status],
            "content": {"application/problem+json": {"schema": _reference(ErrorMessage)}},
        }
    if route.handler == "submit":
        for status in (200, 201):
            said["responses"][str(status)] |= _AFTER_SUBMITTING
    if route.body is not None:
        said["requestBody"] = {
            "required": True,
            "content": {"application/json": {"schema": _reference(route.body)}},
        }
    return said


def _parameters(route: Route) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = []
    if "{number}" in route.path:
        number = {"type": "integer", "minimum": 1}
        found.append({"name": "number", "in": "path", "required": True, "schema": number})
    if route.question is not None:
        schema = route.question.model_json_schema()
        found += [
            {"name": name, "in": "query", "required": False, "schema": one}
            for name, one in schema["properties"].items()
        ]
    for name, words in route.headers.items():
        found.append(
            {"name": name, "in": "header", "description": words, "schema": {"type": "string"}}
        )
    return found


def _answer(body: Body) -> dict[str, Any]:
    if body is None:
        return {"description": "Done."}
    if body == RESULT:
        schema = {"$ref": "#/components/schemas/Result"}
        return {"description": "Done.", "content": {"application/json": {"schema": schema}}}
    if body == OPENAPI:
        anything = {"application/json": {"schema": {"type": "object"}}}
        return {"description": "Done.", "content": anything}
    if isinstance(body, str):
        words = _EVENT_STREAM if body == EVENTS else "Done."
        media = {} if body == HDF5 else {"schema": {"type": "string"}}
        return {"description": words, "content": {body: media}}
    return {
        "description": "Done.",
        "content": {"application/json": {"schema": _reference(body)}},
    }


def _reference(model: type[BaseModel]) -> dict[str, str]:
    return {"$ref": f"#/components/schemas/{model.__name__}"}


def _schemas() -> dict[str, Any]:
    taken = {route.body for route in ROUTES if route.body is not None}
    given: set[type[BaseModel]] = {ErrorMessage, EventMessage}
    for route in ROUTES:
        given |= {body for body in route.answers.values() if is_model(body)}
    modes: list[tuple[type[BaseModel], Literal["validation", "serialization"]]] = [
        *((model, "validation") for model in sorted(taken, key=_name)),
        *((model, "serialization") for model in sorted(given, key=_name)),
    ]
    _, schema = models_json_schema(modes, ref_template="#/components/schemas/{model}")
    found: dict[str, Any] = schema["$defs"]
    return found | _of_result()


def _of_result() -> dict[str, Any]:
    """Return the result's own schema, its definitions beside it, where tools look for them."""
    text = json.dumps(result_document.schema())
    schema = json.loads(text.replace("#/$defs/", "#/components/schemas/Result-"))
    parts = {f"Result-{name}": part for name, part in schema.pop("$defs").items()}
    del schema["$schema"]  # that of OpenAPI 3.1 is the same
    return {"Result": schema, **parts}


def is_model(body: Body) -> TypeGuard[type[BaseModel]]:
    """Return whether an answer's body is one of our messages."""
    return isinstance(body, type)


def _name(model: type[BaseModel]) -> str:
    return model.__name__
