"""The one thread in which the API works on the queue file.

A SQLite connection belongs to the thread that opened it, and a write waits for the disk; neither
may happen in the event loop.
"""

from __future__ import annotations

import asyncio
import logging
import sqlite3
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import Concatenate, ParamSpec, TypeVar

from acquire.daemon.folder import StateFolder
from acquire.daemon.queue import Queue

_LOG = logging.getLogger(__name__)

P = ParamSpec("P")
T = TypeVar("T")

POLL = 0.25
"""How often the event table is asked whether other processes have added to it. [s]"""


class Desk:
    """Works on the queue in order; tells those who wait when there are new events.

    Attributes
    ----------
    closing : set when the server is about to end.
    """

    def __init__(self, folder: StateFolder) -> None:
        self._folder = folder
        self._thread = ThreadPoolExecutor(1, "api-queue")
        self._queue: Queue | None = None
        self._news = asyncio.Condition()
        self._watch: asyncio.Task[None] | None = None
        self.closing = False
        self.last_event = 0

    async def open(self) -> None:
        """Open the queue file and begin to watch its events."""
        self._queue = await asyncio.wrap_future(self._thread.submit(self._folder.queue))
        self.last_event = await self.work(Queue.last_event)
        self._watch = asyncio.create_task(self._look())

    async def close(self) -> None:
        """Wake everyone who waits, and close the queue file."""
        await self.wake_all()
        if self._watch is not None:
            self._watch.cancel()
            await asyncio.wait([self._watch])
        if self._queue is not None:
            await self.work(Queue.close)
        self._thread.shutdown()

    async def work(
        self, do: Callable[Concatenate[Queue, P], T], /, *args: P.args, **kwargs: P.kwargs
    ) -> T:
        """Have something done on the queue, in its thread."""
        assert self._queue is not None
        queue = self._queue
        return await asyncio.wrap_future(self._thread.submit(lambda: do(queue, *args, **kwargs)))

    async def news(self, after: int, patience: float) -> None:
        """Wait until there is an event with a number above ``after``, at most ``patience``. [s]"""
        async with self._news:
            try:
                async with asyncio.timeout(patience):
                    await self._news.wait_for(lambda: self.closing or self.last_event > after)
            except TimeoutError:
                return

    async def wake_all(self) -> None:
        """Say that the server is about to end."""
        self.closing = True
        async with self._news:
            self._news.notify_all()

    async def _look(self) -> None:
        while not self.closing:
            try:
                last = await self.work(Queue.last_event)
            except sqlite3.Error as why:  # a full or failing disk may be mended
                _LOG.warning("queue file: %s; trying again", why)
                last = self.last_event
            if last != self.last_event:
                async with self._news:
                    self.last_event = last
                    self._news.notify_all()
            await asyncio.sleep(POLL)
