"""Server-sent events: the event table, followed from any number on.

The ``id`` of a message is the number of its row, so a client that was cut off (by its network, or
because the daemon was started anew) asks to go on after the last one it saw and misses none. Rows
are read a few at a time and only as fast as the client takes them; nothing is kept for it, and one
that takes nothing for ``SEND_PATIENCE`` is cut off and may come back.
"""

from __future__ import annotations

from collections.abc import AsyncIterator

from sse_starlette import EventSourceResponse, ServerSentEvent
from sse_starlette.sse import SendTimeoutError
from starlette.types import Receive, Scope, Send

from acquire.daemon.answers import Refusal
from acquire.daemon.desk import Desk
from acquire.daemon.messages import EventMessage
from acquire.daemon.queue import Queue

PAGE = 50
"""Events read at once for one listener."""

PING = 15.0
"""Between two comments to a listener that has nothing to hear. [s]"""

LISTENERS = 200
"""Listeners at once; one more is turned away."""


class Listeners:
    """Everyone who follows the events of one server.

    Attributes
    ----------
    patience : how long a listener may take nothing before it is cut off. [s]
    """

    def __init__(self, desk: Desk, *, patience: float = 30.0) -> None:
        self._desk = desk
        self.patience = patience
        self.count = 0
        self.cut_off = 0

    async def follow(self, after: int | None, run: int | None) -> EventSourceResponse:
        """Return an answer that tells events after a number, or only those still to come.

        Raises
        ------
        Refusal
            If there are too many listeners already.
        """
        if self.count >= LISTENERS:
            raise Refusal(
                503,
                f"{LISTENERS} listeners follow the events already",
                headers={"Retry-After": "5"},
            )
        last = await self._desk.work(Queue.last_event)
        # a number from another state folder is no reason to be silent until this one reaches it
        start = last if after is None else min(after, last)
        return _Stream(self, self._events(start, run))

    async def _events(self, after: int, run: int | None) -> AsyncIterator[ServerSentEvent]:
        while not self._desk.closing:
            seen_by_desk = self._desk.last_event
            rows = await self._desk.work(Queue.events, after, run=run, limit=PAGE)
            for row in rows:
                text = EventMessage.of(row).model_dump_json()
                yield ServerSentEvent(text, event=row.name, id=str(row.id))
            if rows:
                after = rows[-1].id
            if len(rows) < PAGE:
                after = max(after, seen_by_desk)
                await self._desk.news(after, PING)


class _Stream(EventSourceResponse):
    def __init__(self, listeners: Listeners, events: AsyncIterator[ServerSentEvent]) -> None:
        super().__init__(events, ping=PING, send_timeout=listeners.patience)
        self._listeners = listeners

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        self._listeners.count += 1
        try:
            await super().__call__(scope, receive, send)
        except SendTimeoutError:
            self._listeners.cut_off += 1
            scope["state"]["abort"]()  # closing would wait until what is unread has been read
        finally:
            self._listeners.count -= 1
