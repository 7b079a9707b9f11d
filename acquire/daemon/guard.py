"""What every request has to pass before anything looks at it.

From the cheapest check to the dearest: the Host (a page elsewhere whose name was pointed at this
machine), the Origin, the rate, the token, the kind of body and its size.
"""

from __future__ import annotations

import asyncio
import hmac
import time
from collections import OrderedDict
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field

from starlette.datastructures import Headers
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from acquire.daemon.answers import Refusal, error

LOCAL = frozenset({"localhost", "127.0.0.1", "[::1]"})
"""Names of this machine that are always answered to."""

SAFE = frozenset({"GET", "HEAD", "OPTIONS"})
"""Methods that change nothing."""

BODY_PATIENCE = 15.0
"""Within this time a request's body has to be there. [s]"""

CLIENTS = 1000
"""How many clients' rates are remembered; the longest silent one is forgotten first."""

HEADERS = (
    (b"x-content-type-options", b"nosniff"),
    (b"referrer-policy", b"no-referrer"),
    (b"x-frame-options", b"DENY"),
    (b"cross-origin-resource-policy", b"same-origin"),
)
"""Sent with every answer."""


@dataclass
class Rate:
    """A bucket of tokens for each client, refilled evenly; a full one allows a burst.

    Attributes
    ----------
    per_minute : requests that a client may send in a minute.
    """

    per_minute: int
    monotonic: Callable[[], float] = time.monotonic
    _left: OrderedDict[str, tuple[float, float]] = field(default_factory=OrderedDict, init=False)

    def allows(self, client: str) -> bool:
        """Take one from the client's bucket; False where it is empty."""
        now = self.monotonic()
        left, at = self._left.pop(client, (float(self.per_minute), now))
        left = min(float(self.per_minute), left + (now - at) * self.per_minute / 60.0)
        self._left[client] = (max(0.0, left - 1.0), now)
        while len(self._left) > CLIENTS:
            self._left.popitem(last=False)
        return left >= 1.0


@dataclass
class Guard:
    """An ASGI application around another one.

    Attributes
    ----------
    app : what is guarded.
    hosts : names that are answered to, besides those of this machine; without a port.
    token : None = none is asked for (a Unix socket, guarded by its mode).
    body_limit : longest body. [byte]
    open_paths : answered without a token.
    """

    app: ASGIApp
    hosts: Iterable[str]
    token: str | None
    rate: Rate
    body_limit: int
    open_paths: frozenset[str] = frozenset()

    def __post_init__(self) -> None:
        self.hosts = LOCAL | {name.lower() for name in self.hosts}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Check one request, and pass it on."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)  # the life span; other protocols have no route
            return

        async def sending(message: Message) -> None:
            if message["type"] == "http.response.start":
                message = {**message, "headers": [*message.get("headers", ()), *HEADERS]}
            await send(message)

        try:
            headers = Headers(scope=scope)
            self._check(scope, headers)
            if scope["method"] not in SAFE:
                receive = _again(await self._body(headers, receive), receive)
        except Refusal as refusal:
            await error(refusal)(scope, receive, sending)
            return
        await self.app(scope, receive, sending)

    def _check(self, scope: Scope, headers: Headers) -> None:
        host = headers.get("host", "")
        if without_port(host) not in self.hosts:
            raise Refusal(
                400,
                f"Host {host[:100]!r}: not a name of this daemon; use localhost, or let its"
                " administrator add the name to http.allowed_hosts in daemon.yaml",
            )
        origin = headers.get("origin")
        if origin is not None and origin.lower() not in _own(host):
            raise Refusal(403, f"Origin {origin[:100]!r}: only this daemon's own page may ask")
        client = scope.get("client") or ("the Unix socket",)
        if not self.rate.allows(str(client[0])):
            raise Refusal(
                429,
                f"more than {self.rate.per_minute} requests a minute; wait, or follow"
                " /api/v1/events instead of asking again and again",
                headers={"Retry-After": "1"},
            )
        if scope["path"] not in self.open_paths:
            self._authenticate(headers)

    def _authenticate(self, headers: Headers) -> None:
        if self.token is None:
            return
        kind, _, given = headers.get("authorization", "").partition(" ")
        right = hmac.compare_digest(given.strip().encode("utf-8", "replace"), self.token.encode())
        if kind.lower() != "bearer" or not right:
            raise Refusal(
                401,
                "a token is needed: send 'Authorization: Bearer ...' with what stands in the file"
                " 'token' of the daemon's state folder",
                headers={"WWW-Authenticate": 'Bearer realm="floorshot"'},
            )

    async def _body(self, headers: Headers, receive: Receive) -> bytes:
        length = headers.get("content-length", "")
        if length.isdigit() and int(length) > self.body_limit:
            raise self._too_large()
        try:
            async with asyncio.timeout(BODY_PATIENCE):
                body = await self._whole(receive)
        except TimeoutError as late:
            raise Refusal(408, f"the body did not come within {BODY_PATIENCE:g} s") from late
        if body:
            need_json(headers)
        return body

    async def _whole(self, receive: Receive) -> bytes:
        body = bytearray()
        while True:
            message = await receive()
            if message["type"] == "http.disconnect":
                raise Refusal(400, "the client went away before its body was there")
            body += message.get("body", b"")
            if len(body) > self.body_limit:
                raise self._too_large()
            if not message.get("more_body", False):
                return bytes(body)

    def _too_large(self) -> Refusal:
        return Refusal(413, f"the body is longer than {self.body_limit} bytes")


def need_json(headers: Headers) -> None:
    """Turn away what says that it is no JSON: a form on a foreign page cannot say that it is.

    Raises
    ------
    Refusal
        With 415.
    """
    kind = headers.get("content-type", "").partition(";")[0].strip().lower()
    if kind != "application/json":
        raise Refusal(
            415, f"Content-Type {kind[:100]!r}: changes are asked for in application/json only"
        )


def without_port(host: str) -> str:
    """Return the name in a Host header, in lower case: ``[::1]:8000`` gives ``[::1]``."""
    host = host.lower()
    if host.startswith("["):
        inside, bracket, port = host.partition("]")
        return inside + bracket if not port or port.startswith(":") else host
    return host.partition(":")[0]


def _own(host: str) -> tuple[str, str]:
    """Return the origins of our own page: as it was asked for, or behind a proxy with TLS."""
    return f"http://{host.lower()}", f"https://{host.lower()}"


def _again(body: bytes, receive: Receive) -> Receive:
    """Return a ``receive`` that first gives a body that was read already."""
    given = False

    async def receive_again() -> Message:
        nonlocal given
        if given:
            return await receive()
        given = True
        return {"type": "http.request", "body": body, "more_body": False}

    return receive_again
