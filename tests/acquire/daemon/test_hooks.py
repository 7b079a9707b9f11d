"""The administrator's command and webhook: called with the event, bounded, and never in the way."""

from __future__ import annotations

import json
import sqlite3
import sys
import threading
from http.server import BaseHTTPRequestHandler, HTTPServer

import pytest

from acquire.daemon.config import Notify
from acquire.daemon.folder import StateFolder
from acquire.daemon.hooks import Notifier, deliver
from acquire.daemon.queue import Queue


@pytest.fixture
def webhook():
    received = []

    class Receiver(BaseHTTPRequestHandler):
        def do_POST(self):
            received.append(json.loads(self.rfile.read(int(self.headers["Content-Length"]))))
            self.send_response(204)
            self.end_headers()

        def log_message(self, *_arguments):
            """Say nothing."""

    with HTTPServer(("127.0.0.1", 0), Receiver) as server:
        thread = threading.Thread(target=server.serve_forever)
        thread.start()
        yield f"http://127.0.0.1:{server.server_port}/", received
        server.shutdown()
        thread.join(10)


def test_command_and_webhook_receive_the_event(folder, queue, webhook, tmp_path):
    address, received = webhook
    out = tmp_path / "out.json"
    code = (
        "import sys, pathlib; pathlib.Path(sys.argv[1]).write_text(sys.argv[2] + sys.stdin.read())"
    )
    queue.tell("gate_opened", condition="bare")
    wanted = Notify(command=(sys.executable, "-c", code, str(out)), webhook=address)

    deliver(queue.events()[0], wanted, queue)

    assert received[0]["data"] == {"condition": "bare"}
    assert out.read_text().startswith('gate_opened{"id": 1')


@pytest.mark.parametrize(
    "wanted",
    [
        Notify(command=("/no/such/command",)),
        Notify(command=(sys.executable, "-c", "raise SystemExit(3)")),
        Notify(command=(sys.executable, "-c", "input(); input()"), timeout="300 ms"),
        Notify(webhook="http://127.0.0.1:9/", timeout="500 ms"),
    ],
    ids=["missing", "failing", "hanging", "refused"],
)
def test_a_receiver_that_fails_becomes_an_event(queue, wanted):
    queue.tell("run_parked", reason="nobody came")

    deliver(queue.events()[0], wanted, queue)

    assert [event.name for event in queue.events()][-1] == "notify_failed"


def test_only_wanted_events_are_delivered_and_none_at_the_end_is_lost(folder, webhook, queue):
    address, received = webhook
    (folder.root / "daemon.yaml").write_text(
        f"notify: {{webhook: '{address}', events: [run_parked]}}\n"
    )
    with Notifier(StateFolder(folder.root)):
        for name in ("run_queued", "run_parked", "run_claimed", "run_parked"):
            queue.tell(name)
    assert [event["name"] for event in received] == ["run_parked", "run_parked"]


def names_told(received, count, wait_until):
    wait_until(lambda: len(received) >= count)
    return [one["data"].get("condition") for one in received]


def test_what_happened_while_no_daemon_was_there_is_told_by_the_next(
    folder, queue, webhook, wait_until
):
    address, received = webhook
    (folder.root / "daemon.yaml").write_text(f"notify: {{webhook: '{address}'}}\n")
    queue.tell("gate_opened", condition="before the first")
    with Notifier(StateFolder(folder.root)):
        queue.tell("gate_opened", condition="told")
    assert names_told(received, 1, wait_until) == ["told"]

    queue.tell("gate_opened", condition="while away")
    with Notifier(StateFolder(folder.root)):
        names_told(received, 2, wait_until)
    assert names_told(received, 2, wait_until) == ["told", "while away"]


def test_who_is_named_later_is_not_told_what_was_long_before(folder, queue, webhook, wait_until):
    address, received = webhook
    folder.notified.write_text("0\n")
    with Notifier(folder):
        pass
    queue.tell("gate_opened", condition="long before")
    (folder.root / "daemon.yaml").write_text(f"notify: {{webhook: '{address}'}}\n")
    with Notifier(StateFolder(folder.root)):
        queue.tell("gate_opened", condition="now")
    assert names_told(received, 1, wait_until) == ["now"]


def test_a_queue_file_that_fails_for_a_while_ends_no_telling(
    folder, queue, webhook, wait_until, monkeypatch
):
    address, received = webhook
    (folder.root / "daemon.yaml").write_text(f"notify: {{webhook: '{address}'}}\n")
    right, fails = Queue.events, iter([True, True])

    def events(self, *question, **more):
        if next(fails, False):
            raise sqlite3.OperationalError("database or disk is full")
        return right(self, *question, **more)

    with Notifier(StateFolder(folder.root)):
        monkeypatch.setattr(Queue, "events", events)
        queue.tell("gate_opened", condition="bare")
        assert names_told(received, 1, wait_until) == ["bare"]
