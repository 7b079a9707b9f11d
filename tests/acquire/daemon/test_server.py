"""Who may reach the API: the socket's mode, the token, the Host, the Origin, the bounds."""

from __future__ import annotations

import contextlib
import gc
import http.client
import os
import signal
import socket
import stat
import threading
import time

import pytest

from acquire.daemon import server as server_module
from acquire.daemon.folder import StateFolder
from acquire.daemon.server import ApiServer, token_of
from acquire.errors import RefusedError

RUNS = "/api/v1/runs"


@pytest.fixture(scope="module")
def served(tmp_path_factory):
    """A state folder that is served for all tests that change nothing in it."""
    folder = StateFolder(tmp_path_factory.mktemp("served") / "state")
    folder.prepare()
    with ApiServer(folder):
        yield folder


@pytest.fixture
def ask(served, ask_unix):
    return lambda *question, **headers: ask_unix(served, *question, **headers)


@pytest.fixture
def over_tcp(folder):
    """Serve the folder over TCP with more settings; give address and token."""

    @contextlib.contextmanager
    def serve(*settings):
        text = "".join(f"  {line}\n" for line in ("port: 0", *settings))
        (folder.root / "daemon.yaml").write_text(f"http:\n{text}")
        with ApiServer(folder) as server:
            yield server.address, folder.token.read_text().strip()

    return serve


# -- sockets ---------------------------------------------------------------------------------------
def test_the_unix_socket_is_for_its_user_only_whatever_the_umask(folder):
    before = os.umask(0)
    try:
        with ApiServer(folder) as server:
            mode = folder.socket.stat().st_mode
            address = server.address
        after = os.umask(0)
    finally:
        os.umask(before)

    assert stat.S_ISSOCK(mode)
    assert stat.S_IMODE(mode) == 0o600
    assert address == f"unix:{folder.socket}"
    assert after == 0  # and was put back
    assert not folder.socket.exists()


def test_the_socket_of_a_dead_daemon_is_replaced(folder, ask_unix):
    with socket.socket(socket.AF_UNIX) as dead:
        dead.bind(str(folder.socket))

    with ApiServer(folder):
        assert ask_unix(folder, "GET", RUNS).status == 200


def test_a_path_too_long_for_a_socket_is_said_to_be(folder, tmp_path):
    deep = type(folder)(tmp_path / ("d" * 60) / ("e" * 60))
    deep.prepare()

    with pytest.raises(RefusedError, match=r"shorter path.*http\.port"), ApiServer(deep):
        pass


def test_a_taken_port_is_said_to_be(folder):
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        (folder.root / "daemon.yaml").write_text(f"http: {{port: {port}}}\n")
        with pytest.raises(RefusedError, match=f"port {port} cannot be served"), ApiServer(folder):
            pass


@pytest.mark.parametrize("host", ["0.0.0.0", "::", "192.0.2.7", "bench.example"])
def test_other_machines_are_let_in_only_when_that_is_asked_for(folder, host):
    (folder.root / "daemon.yaml").write_text(f"http: {{port: 0, host: '{host}'}}\n")

    with pytest.raises(RefusedError, match="allow_remote: true"), ApiServer(folder):
        pass


def test_when_it_is_asked_for_the_token_is_needed_all_the_same(over_tcp, ask_tcp):
    with over_tcp("host: 0.0.0.0", "allow_remote: true") as (address, token):
        here = address.replace("0.0.0.0", "127.0.0.1")
        assert ask_tcp(here, None, "GET", RUNS).status == 401
        assert ask_tcp(here, token, "GET", RUNS).status == 200


def test_an_answer_over_tcp_waits_for_no_acknowledgement(over_tcp, ask_tcp, monkeypatch):
    """With Nagle's algorithm (RFC 896) every answer on a kept connection came 40 ms late."""
    made, seen = server_module.Connection.connection_made, []

    def connection_made(self, transport):
        door = transport.get_extra_info("socket")
        seen.append(door.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY))
        made(self, transport)

    monkeypatch.setattr(server_module.Connection, "connection_made", connection_made)
    with over_tcp() as (address, token):
        assert ask_tcp(address, token, "GET", RUNS).status == 200

    assert seen
    assert all(seen)


def test_the_server_takes_no_signal_and_leaves_no_thread(folder):
    before = [signal.getsignal(number) for number in (signal.SIGINT, signal.SIGTERM)]
    threads = set(threading.enumerate())
    with ApiServer(folder):
        during = [signal.getsignal(number) for number in (signal.SIGINT, signal.SIGTERM)]

    assert during == before
    assert {one.name for one in set(threading.enumerate()) - threads} == set()


def test_a_connection_that_asks_for_nothing_is_closed(folder, monkeypatch):
    monkeypatch.setattr(server_module, "QUIET", 0.2)
    with ApiServer(folder), socket.socket(socket.AF_UNIX) as idle:
        idle.settimeout(20)
        idle.connect(str(folder.socket))
        with contextlib.suppress(ConnectionResetError):
            assert idle.recv(1) == b""


# -- the token -------------------------------------------------------------------------------------
def test_tcp_asks_for_the_token_everywhere_but_on_the_page(over_tcp, ask_tcp, folder):
    with over_tcp() as (address, token):
        for path in (RUNS, "/metrics", "/api/v1/health", "/api/v1/openapi.json", "/nothing"):
            for wrong in (
                None,
                "",
                "wrong",
                token[:-1],
                token + "x",
                "\u00e9".encode().decode("latin-1"),
            ):
                answer = ask_tcp(address, wrong, "GET", path)
                assert answer.status == 401, (path, wrong)
                assert answer.headers["WWW-Authenticate"].startswith("Bearer")
                assert token not in answer.text
        assert ask_tcp(address, token, "GET", RUNS).status == 200
        assert ask_tcp(address, None, "GET", "/").status == 200
        assert ask_tcp(address, None, "GET", RUNS, Authorization=f"Basic {token}").status == 401
    assert stat.S_IMODE(folder.token.stat().st_mode) == 0o600


def test_a_token_is_made_once_and_kept(folder):
    first = token_of(folder)

    assert len(first) >= 40
    assert token_of(folder) == first


def test_a_token_that_others_may_read_or_that_is_none_is_refused(folder):
    token_of(folder)
    folder.token.chmod(0o640)
    with pytest.raises(RefusedError, match="chmod 600"):
        token_of(folder)
    folder.token.chmod(0o600)
    folder.token.write_text("\n")
    with pytest.raises(RefusedError, match="too short"):
        token_of(folder)


# -- Host and Origin -------------------------------------------------------------------------------
@pytest.mark.parametrize(
    "host", ["evil.example", "evil.example:80", "localhost.evil.example", "127.0.0.1.evil", "", "["]
)
def test_a_foreign_host_gets_nothing(ask, host):
    answer = ask("GET", RUNS, Host=host)

    assert answer.status == 400
    assert "runs" not in answer.json


@pytest.mark.parametrize("host", ["localhost", "LOCALHOST:81", "127.0.0.1:8000", "[::1]:8000"])
def test_the_names_of_this_machine_are_answered_to(ask, host):
    assert ask("GET", RUNS, Host=host).status == 200


def test_a_name_that_the_administrator_allows_is_answered_to(over_tcp, ask_tcp):
    with over_tcp("allowed_hosts: [bench.example]") as (address, token):
        assert ask_tcp(address, token, "GET", RUNS, Host="bench.example").status == 200
        assert ask_tcp(address, token, "GET", RUNS, Host="other.example").status == 400


@pytest.mark.parametrize(
    "origin",
    ["http://evil.example", "null", "http://localhost:9", "http://localhost.evil", "http://[", ""],
)
def test_a_foreign_origin_changes_and_learns_nothing(ask, origin):
    assert ask("POST", RUNS, {}, Origin=origin).status == 403
    assert ask("GET", RUNS, Origin=origin).status == 403


def test_the_page_s_own_origin_may_ask(ask):
    assert ask("GET", RUNS, Origin="http://localhost").status == 200


# -- bounds ----------------------------------------------------------------------------------------
@pytest.mark.parametrize(
    "kind",
    ["text/plain", "application/x-www-form-urlencoded", "multipart/form-data", "", "text/json"],
)
def test_only_json_changes_anything(ask, kind):
    assert ask("POST", RUNS, "{}", Content_Type=kind).status == 415
    assert ask("POST", f"{RUNS}/1/cancel", "", Content_Type=kind).status == 415


def test_a_body_too_large_is_not_read(ask, served):
    limit = served.config.http.body_limit

    assert ask("POST", RUNS, "x" * (limit + 1)).status == 413
    # its length said to be something else, or not said at all
    pieces = b"".join(b"%x\r\n%b\r\n" % (50_000, b"x" * 50_000) for _ in range(7)) + b"0\r\n\r\n"
    with socket.socket(socket.AF_UNIX) as raw:
        raw.settimeout(20)
        raw.connect(str(served.socket))
        head = b"POST /api/v1/runs HTTP/1.1\r\nHost: localhost\r\n"
        kind = b"Content-Type: application/json\r\nTransfer-Encoding: chunked\r\n\r\n"
        with contextlib.suppress(BrokenPipeError, ConnectionResetError):
            raw.sendall(head + kind + pieces)
        assert b" 413 " in raw.recv(1000).split(b"\r\n")[0]


def test_too_many_requests_are_turned_away(over_tcp, ask_tcp):
    with over_tcp("requests_per_minute: 5") as (address, token):
        statuses = [ask_tcp(address, token, "GET", RUNS).status for _ in range(7)]
        late = ask_tcp(address, token, "GET", RUNS)

    assert statuses[:5] == [200] * 5
    assert 429 in statuses
    assert late.status == 429
    assert late.headers["Retry-After"]


def test_what_is_no_http_is_no_harm(ask, served):
    for noise in (b"\0\1\2\r\n\r\n", b"GET\r\n\r\n", b"GET / HTTP/9.9\r\n\r\n", b"A" * 100_000):
        with socket.socket(socket.AF_UNIX) as raw:
            raw.settimeout(20)
            raw.connect(str(served.socket))
            with contextlib.suppress(BrokenPipeError, ConnectionResetError):
                raw.sendall(noise)
                raw.shutdown(socket.SHUT_WR)
                raw.recv(1000)
    assert ask("GET", RUNS).status == 200


def test_a_client_that_dies_in_its_body_is_no_harm(ask, served):
    connection = http.client.HTTPConnection("localhost")
    connection.sock = socket.socket(socket.AF_UNIX)
    connection.sock.connect(str(served.socket))
    connection.putrequest("POST", RUNS)
    connection.putheader("Content-Type", "application/json")
    connection.putheader("Content-Length", "1000")
    connection.endheaders(b"{")
    connection.close()

    assert ask("GET", RUNS).status == 200


# -- the end ---------------------------------------------------------------------------------------
def test_whoever_knocks_while_the_server_ends_is_not_forgotten(folder, monkeypatch):
    """asyncio loses a socket that was accepted when its server closes; it must not come to that."""
    lost = []
    monkeypatch.setattr("sys.unraisablehook", lambda found: lost.append(found.exc_value))
    knocked, over = [], threading.Event()

    def knock():
        while not over.is_set() and len(knocked) < 200:
            one = socket.socket(socket.AF_UNIX)
            knocked.append(one)
            one.settimeout(1.0)
            with contextlib.suppress(OSError):
                one.connect(str(folder.socket))
            over.wait(0.0005)

    for _ in range(3):
        over.clear()
        with ApiServer(folder):
            visitor = threading.Thread(target=knock)
            visitor.start()
            over.wait(0.05)
        over.set()
        visitor.join()
        while knocked:
            knocked.pop().close()
    gc.collect()

    assert lost == []


def test_a_listener_that_never_reads_is_cut_off_at_the_end(folder, queue, monkeypatch):
    lost = []
    monkeypatch.setattr("sys.unraisablehook", lambda found: lost.append(found.exc_value))
    monkeypatch.setattr(server_module, "STOPPING", 1.0)
    for _ in range(20):
        queue.tell("gate_opened", None, condition="x" * 60_000)
    with socket.socket(socket.AF_UNIX) as deaf:
        with ApiServer(folder, listener_patience=60.0):
            deaf.connect(str(folder.socket))
            deaf.sendall(b"GET /api/v1/events?after=0 HTTP/1.1\r\nHost: localhost\r\n\r\n")
            assert deaf.recv(12) == b"HTTP/1.1 200"
            begun = time.monotonic()
        assert time.monotonic() - begun < server_module.STARTING
        gc.collect()

    assert lost == []
