"""Server-sent events over real sockets (WHATWG HTML, server-sent events: id, event, data)."""

from __future__ import annotations

import contextlib
import json
import socket
import time

import pytest

from acquire.daemon import streaming
from acquire.daemon.queue import Submission
from acquire.daemon.server import ApiServer

PATIENCE = 20.0


class Listener:
    """A listener that reads only when it is asked to."""

    def __init__(self, folder, question="", **headers):
        self.socket = socket.socket(socket.AF_UNIX)
        self.socket.settimeout(PATIENCE)
        self.socket.connect(str(folder.socket))
        lines = [f"GET /api/v1/events{question} HTTP/1.1", "Host: localhost"]
        lines += [f"{name.replace('_', '-')}: {value}" for name, value in headers.items()]
        self.socket.sendall("\r\n".join([*lines, "", ""]).encode())
        self._lines = self.socket.makefile("rb")
        self.status = int(self._lines.readline().split()[1])

    def next(self):
        """Return the fields of the next message."""
        fields = {}
        while True:
            line = self._lines.readline()
            if not line:
                raise EOFError
            name, colon, value = line.decode().rstrip("\r\n").partition(": ")
            if colon and name in ("id", "event", "data"):
                fields[name] = value
            elif line == b"\r\n" and "data" in fields:
                self._lines.readline()  # the chunk's end
                return fields

    def close(self):
        self._lines.close()
        self.socket.close()


@pytest.fixture
def listen(folder):
    with contextlib.ExitStack() as stack:

        def start(*question, **headers):
            one = Listener(folder, *question, **headers)
            stack.callback(one.close)
            return one

        yield start


def figure(ask, folder, name):
    text = ask(folder, "GET", "/metrics").text
    return float(next(line for line in text.splitlines() if line.startswith(name)).split()[1])


def test_each_message_carries_the_number_the_name_and_the_event(folder, queue, listen):
    number = queue.tell("gate_opened", None, condition="bare")
    with ApiServer(folder):
        message = listen("?after=0").next()

    assert (message["id"], message["event"]) == (str(number), "gate_opened")
    told = json.loads(message["data"])
    assert (told["id"], told["name"], told["data"]) == (
        number,
        "gate_opened",
        {"condition": "bare"},
    )


def test_events_are_replayed_by_number_across_a_restart(folder, queue, listen):
    first = [queue.tell("before", None, n=n) for n in range(3)]
    with ApiServer(folder):
        listener = listen("?after=0")
        seen = [int(listener.next()["id"]) for _ in range(2)]
    with contextlib.suppress(EOFError):
        while len(seen) <= len(first):  # what was on its way, then the end
            seen.append(int(listener.next()["id"]))
    missed = queue.tell("while_away", None)

    with ApiServer(folder):
        again = listen(Last_Event_ID=str(seen[-1]))
        later = queue.tell("after", None)
        wanted = [one for one in [*first, missed, later] if one > seen[-1]]
        assert [int(again.next()["id"]) for _ in wanted] == wanted
    assert seen + wanted == [*first, missed, later]


def test_without_a_number_only_news_are_told(folder, queue, listen):
    queue.tell("old", None)
    with ApiServer(folder):
        listener = listen()
        assert listener.status == 200
        new = queue.tell("new", None)
        assert listener.next()["id"] == str(new)


def test_events_of_one_run_are_told_alone(folder, queue, listen, recipe_text):
    runs = [queue.submit(Submission("a.yaml", recipe_text, "tunnel")).id for _ in range(2)]
    with ApiServer(folder):
        listener = listen(f"?run={runs[1]}&after=0")
        assert json.loads(listener.next()["data"])["run"] == runs[1]
        for n in range(3):
            queue.tell("step_started", runs[0], step=n)
        queue.tell("step_started", runs[1], step=9)
        assert json.loads(listener.next()["data"])["data"] == {"step": 9}


def test_a_number_from_another_state_folder_is_no_reason_to_be_silent(folder, queue, listen):
    with ApiServer(folder):
        listener = listen(Last_Event_ID="1000000")
        new = queue.tell("new", None)
        assert listener.next()["id"] == str(new)


@pytest.mark.parametrize("wrong", ["x", "-1", "1e3", str(10**30), "\u0661"])
def test_what_is_no_number_is_refused(folder, listen, wrong):
    with ApiServer(folder):
        sent = wrong.encode().decode("latin-1") if not wrong.isascii() else wrong
        assert listen(Last_Event_ID=sent).status == 422


def test_more_events_than_a_page_come_whole_and_in_order(folder, queue, listen):
    count = 3 * streaming.PAGE + 1
    with queue.change():
        for n in range(count):
            queue.note("many", None, {"n": n})
    with ApiServer(folder):
        listener = listen("?after=0")
        assert [json.loads(listener.next()["data"])["data"]["n"] for _ in range(count)] == [
            *range(count)
        ]


def test_a_listener_that_takes_nothing_is_cut_off_and_may_come_back(
    folder, queue, listen, ask_unix, wait_until
):
    with queue.change():
        for n in range(60):
            queue.note("large", None, {"n": n, "text": "x" * 50_000})
    with ApiServer(folder, listener_patience=0.3):
        slow, quick = listen("?after=0"), listen("?after=0")
        numbers = [int(quick.next()["id"]) for _ in range(60)]  # the others wait for nobody
        wait_until(lambda: figure(ask_unix, folder, "floorshot_listeners_cut_off_total") == 1)
        assert figure(ask_unix, folder, "floorshot_listeners ") == 1
        got = []
        with contextlib.suppress(EOFError, ConnectionResetError, KeyError):
            while True:
                got.append(int(slow.next()["id"]))
        again = listen(Last_Event_ID=str(got[-1] if got else 0))
        rest = [int(again.next()["id"]) for _ in range(60 - len(got))]

    assert len(got) < 60
    assert got + rest == numbers


def test_a_listener_that_goes_is_forgotten(folder, queue, listen, ask_unix, wait_until):
    with ApiServer(folder):
        listener = listen()
        wait_until(lambda: figure(ask_unix, folder, "floorshot_listeners ") == 1)
        listener.close()
        wait_until(lambda: figure(ask_unix, folder, "floorshot_listeners ") == 0)


def test_whoever_asks_for_the_head_only_is_no_listener(folder, ask_unix):
    with ApiServer(folder):
        answer = ask_unix(folder, "HEAD", "/api/v1/events")
        assert (answer.status, answer.body) == (200, b"")
        assert answer.headers["Content-Type"].startswith("text/event-stream")
        assert figure(ask_unix, folder, "floorshot_listeners ") == 0


def test_only_so_many_may_listen(folder, listen, monkeypatch):
    monkeypatch.setattr(streaming, "LISTENERS", 2)
    with ApiServer(folder):
        assert [listen().status for _ in range(2)] == [200, 200]
        assert listen().status == 503


def test_the_server_ends_although_many_listen(folder, listen):
    with ApiServer(folder):
        for _ in range(20):
            assert listen().status == 200
        started = time.monotonic()
    assert time.monotonic() - started < PATIENCE
