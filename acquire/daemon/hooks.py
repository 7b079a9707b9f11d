"""Telling the outside: a command or a webhook that the machine's administrator has named.

Runs in a thread of its own on the event table, so that a slow or dead receiver delays nothing. What
was not delivered is told as an event, and is not tried again: the event table is the record. How
far the telling is lies in a file: a gate that opened while no daemon was there is told, too.
"""

from __future__ import annotations

import json
import logging
import math
import sqlite3
import subprocess
import threading
import urllib.request
from dataclasses import asdict
from types import TracebackType

from acquire.daemon.config import Notify
from acquire.daemon.folder import StateFolder
from acquire.daemon.queue import Queue
from acquire.daemon.store import StoredEvent

_LOG = logging.getLogger(__name__)

POLL = 0.5
"""How often the event table is asked for news. [s]"""


class Notifier:
    """Delivers events while used as a context; idle where the configuration names nobody."""

    def __init__(self, folder: StateFolder) -> None:
        self._folder = folder
        self._wanted = folder.config.notify
        self._seen = 0
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="notify", daemon=True)

    def __enter__(self) -> Notifier:
        if self._wanted.command or self._wanted.webhook:
            queue = self._folder.queue()
            self._seen = int(min(self._told_before(), queue.last_event()))
            queue.close()
            self._thread.start()
        else:  # who is named later is not told what was long before
            self._folder.notified.unlink(missing_ok=True)
        return self

    def _told_before(self) -> float:
        """Return the number of the event that was told last; without end where none was."""
        try:
            return int(self._folder.notified.read_text("ascii"))
        except (OSError, ValueError):
            return math.inf

    def __exit__(
        self,
        kind: type[BaseException] | None,
        problem: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._stop.set()
        if self._thread.is_alive():
            self._thread.join(2 * self._wanted.timeout + 1.0)

    def _run(self) -> None:
        queue = self._folder.queue()
        try:
            while True:
                last_round = self._stop.wait(POLL)
                try:
                    self._tell_news(queue)
                except sqlite3.Error as why:  # a full or failing disk may be mended
                    _LOG.warning("queue file: %s; trying again", why)
                if last_round:
                    return
        finally:
            queue.close()

    def _tell_news(self, queue: Queue) -> None:
        news = queue.events(self._seen)
        for event in news:
            self._seen = event.id
            if event.name in self._wanted.events:
                deliver(event, self._wanted, queue)
        if news:
            self._keep_place()

    def _keep_place(self) -> None:
        """Write down how far the telling is, for the next daemon; a kill may tell one twice."""
        part = self._folder.notified.with_suffix(".part")
        try:
            part.write_text(f"{self._seen}\n", "ascii")
            part.replace(self._folder.notified)
        except OSError as why:
            _LOG.warning("%s: cannot be written (%s)", self._folder.notified, why)


def deliver(event: StoredEvent, wanted: Notify, queue: Queue) -> None:
    """Tell one event to everyone named; a failure becomes an event, never an exception."""
    text = json.dumps(asdict(event))
    for receiver in (_by_command, _by_webhook):
        try:
            receiver(event.name, text, wanted)
        except (OSError, subprocess.SubprocessError, ValueError) as why:
            queue.tell("notify_failed", event.run, event=event.name, error=str(why)[:500])


def _by_command(name: str, text: str, wanted: Notify) -> None:
    if wanted.command:
        subprocess.run(  # noqa: S603 - the administrator's own command, without a shell
            [*wanted.command, name],
            input=text.encode(),
            timeout=wanted.timeout,
            check=True,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )


def _by_webhook(_name: str, text: str, wanted: Notify) -> None:
    if wanted.webhook is None:
        return
    request = urllib.request.Request(  # noqa: S310 - the pattern of the setting allows http(s) only
        wanted.webhook, data=text.encode(), headers={"Content-Type": "application/json"}
    )
    with urllib.request.urlopen(request, timeout=wanted.timeout) as answer:  # noqa: S310 - as above
        answer.read(1000)
