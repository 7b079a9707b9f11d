"""Telling the outside: a command or a webhook that the machine's administrator has named.

Runs in a thread of its own on the event table, so that a slow or dead receiver delays nothing. What
was not delivered is told as an event, and is not tried again: the event table is the record.
"""

from __future__ import annotations

import json
import subprocess
import threading
import urllib.request
from dataclasses import asdict
from types import TracebackType

from acquire.daemon.config import Notify
from acquire.daemon.folder import StateFolder
from acquire.daemon.queue import Queue
from acquire.daemon.store import StoredEvent

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
            self._seen = queue.last_event()
            queue.close()
            self._thread.start()
        return self

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
                for event in queue.events(self._seen):
                    self._seen = event.id
                    if event.name in self._wanted.events:
                        deliver(event, self._wanted, queue)
                if last_round:
                    return
        finally:
            queue.close()


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
