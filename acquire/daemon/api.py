"""The application: routes, the page's files, the guard around both, and the life of the desk."""

from __future__ import annotations

import contextlib
import logging
import sqlite3
from collections.abc import AsyncIterator, Awaitable, Callable, Mapping
from importlib import resources

import anyio
from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route as Served
from starlette.types import ASGIApp

from acquire.daemon import handlers
from acquire.daemon.answers import Refusal, error
from acquire.daemon.desk import Desk
from acquire.daemon.folder import StateFolder
from acquire.daemon.guard import Guard, Rate, need_json
from acquire.daemon.handlers import Api
from acquire.daemon.openapi import BASE
from acquire.daemon.routes import ROUTES
from acquire.daemon.streaming import Listeners

LOG = logging.getLogger("floorshot.api")

Endpoint = Callable[[Request], Awaitable[Response]]

SLOW_AT_ONCE = 2
"""Requests that parse recipes or read traces at once: the cores are for measuring."""

PAGE = {
    "/": ("index.html", "text/html; charset=utf-8"),
    "/page.css": ("page.css", "text/css; charset=utf-8"),
    "/page.js": ("page.js", "text/javascript; charset=utf-8"),
    "/traces.js": ("traces.js", "text/javascript; charset=utf-8"),
    "/result.js": ("result.js", "text/javascript; charset=utf-8"),
}
"""The page's files: nothing of a bench is in them, so they are given without a token."""

POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src data:; connect-src 'self';"
    " base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
"""What the page may do: load its own files, and ask its own daemon."""


def create(
    folder: StateFolder, desk: Desk, token: str | None, *, listener_patience: float = 30.0
) -> ASGIApp:
    """Return the application of one state folder.

    Parameters
    ----------
    desk : works on the folder's queue; opened and closed with the application.
    token : that every request has to show; None = none is asked for.
    listener_patience : how long a listener of events may take nothing. [s]
    """
    http = folder.config.http
    limiter = anyio.CapacityLimiter(SLOW_AT_ONCE)
    api = Api(folder, desk, Listeners(desk, patience=listener_patience), limiter)

    @contextlib.asynccontextmanager
    async def life(_app: Starlette) -> AsyncIterator[None]:
        await desk.open()
        try:
            yield
        finally:
            await desk.close()

    app = Starlette(
        routes=[*_routes(api), *_page_routes()],
        lifespan=life,
        exception_handlers={HTTPException: _not_served},
    )
    app.state.api = api
    return Guard(
        app,
        hosts=(http.host, *http.allowed_hosts),
        token=token,
        rate=Rate(http.requests_per_minute),
        body_limit=http.body_limit,
        open_paths=frozenset(PAGE),
    )


def _routes(api: Api) -> list[Served]:
    """Return one route a path, so that a wrong method is told every right one."""
    of_path: dict[str, dict[str, Endpoint]] = {}
    for route in ROUTES:
        path = BASE + route.path.replace("{number}", "{number:int}")
        endpoint = _endpoint(api, getattr(handlers, route.handler))
        of_path.setdefault(path, {})[route.method] = endpoint
    found = [Served(path, _by_method(of), methods=list(of)) for path, of in of_path.items()]
    found.append(Served("/metrics", _endpoint(api, handlers.figures), methods=["GET"]))
    return found


def _by_method(of: Mapping[str, Endpoint]) -> Endpoint:
    async def endpoint(request: Request) -> Response:
        if request.method == "POST":  # with or without a body; the guard looks at bodies only
            try:
                need_json(request.headers)
            except Refusal as refusal:
                return error(refusal)
        return await of["GET" if request.method == "HEAD" else request.method](request)

    return endpoint


def _endpoint(api: Api, handler: Callable[[Api, Request], Awaitable[Response]]) -> Endpoint:
    async def endpoint(request: Request) -> Response:
        try:
            return await handler(api, request)
        except Refusal as refusal:
            return error(refusal)
        except (sqlite3.Error, OSError) as why:
            LOG.warning("%s %s: %s", request.method, request.url.path, why)
            return error(Refusal(503, f"the state folder cannot be used now: {why}"))
        except Exception:
            LOG.exception("%s %s failed", request.method, request.url.path)
            return error(Refusal(500, "this is a mistake in floorshot; the daemon's log has more"))

    return endpoint


def _page_routes() -> list[Served]:
    return [Served(path, _file(*what), methods=["GET"]) for path, what in PAGE.items()]


def _file(name: str, media_type: str) -> Callable[[Request], Response]:
    content = resources.files("acquire.daemon").joinpath("page", name).read_bytes()
    headers = {"Content-Security-Policy": POLICY, "Cache-Control": "no-cache"}
    return lambda _request: Response(content, headers=headers, media_type=media_type)


def _not_served(request: Request, why: Exception) -> Response:
    """Answer what the router turns away, in the shape of all errors."""
    assert isinstance(why, HTTPException)
    place = f"{request.method} {request.url.path[:200]}"
    return error(Refusal(why.status_code, f"{place}: {why.detail}", headers=why.headers))
