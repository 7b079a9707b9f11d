"""Our socket session as other users of VISA in the same process meet it."""

from __future__ import annotations

import logging
import threading
import time

import pytest
import pyvisa
from pyvisa.constants import StatusCode
from pyvisa.errors import VisaIOError
from pyvisa_py.tcpip import TCPIPSocketSession

from drivers import sockets
from drivers.sockets import DeadlineSocketSession


@pytest.fixture
def resource(serve):
    """Open plain pyvisa resources on a handler."""
    assert sockets.register()
    manager = pyvisa.ResourceManager("@py")
    opened = []

    def start(handler, timeout=300):
        opened.append(manager.open_resource(serve(handler).resource, open_timeout=1000))
        opened[-1].timeout = timeout
        return opened[-1]

    yield start
    for one in opened:
        one.close()


def session_of(resource):
    return resource.visalib.sessions[resource.session]


def echo(peer):
    while True:
        peer.send(peer.line().encode() + b"\n")


def test_registered_without_a_warning(caplog):
    with caplog.at_level(logging.WARNING, "pyvisa"):
        assert sockets.register()
    assert not caplog.records


@pytest.mark.parametrize(
    ("version", "fits"), [("0.8.1", True), ("0.9.0", True), ("0.7.2", False), ("1.0", False)]
)
def test_version_guard(version, fits):
    assert sockets._fits(version) is fits


def test_stock_class_stays_where_its_shape_is_unknown(monkeypatch):
    monkeypatch.delattr(TCPIPSocketSession, "_connect")
    assert not sockets._fits("0.8.1")
    monkeypatch.setattr(sockets, "_fits", lambda _: False)
    assert not sockets.register()


def test_query_with_termination_character(resource):
    one = resource(echo)
    one.read_termination = one.write_termination = "\n"
    assert isinstance(session_of(one), DeadlineSocketSession)
    assert [one.query(f"{n}?") for n in range(3)] == ["0?", "1?", "2?"]


def test_count_exact_read_keeps_the_rest(resource):
    one = resource(lambda peer: (peer.send(b"abcdef"), peer.stall()))
    assert one.read_bytes(4) == b"abcd"
    assert one.read_bytes(2) == b"ef"


def test_bytes_before_a_time_out_are_not_lost(resource):
    go = threading.Event()

    def handler(peer):
        peer.send(b"abc")
        go.wait(5)
        peer.send(b"def")
        peer.stall()

    one = resource(handler, timeout=100)
    with pytest.raises(VisaIOError) as caught:
        one.read_bytes(6)
    assert caught.value.error_code == StatusCode.error_timeout
    go.set()
    one.timeout = 5000
    assert one.read_bytes(6) == b"abcdef"


@pytest.mark.parametrize("character", ["\n", None])
def test_peer_that_closes_is_lost_at_once(resource, character):
    one = resource(lambda peer: peer.send(b"ab"), timeout=5000)
    one.read_termination = character
    begun = time.process_time()
    with pytest.raises(VisaIOError) as caught:
        one.read_bytes(6) if character is None else one.read()
    assert caught.value.error_code == StatusCode.error_connection_lost
    assert time.process_time() - begun < 2.0  # it does not spin until its time-out


def test_reset_by_peer(resource):
    def handler(peer):
        peer.line()
        peer.reset()

    one = resource(handler)
    one.write("go")
    with pytest.raises(VisaIOError) as caught:
        one.read_bytes(1)
    assert caught.value.error_code == StatusCode.error_connection_lost


def test_write_to_a_peer_that_does_not_read(resource):
    one = resource(lambda peer: peer.stall())
    with pytest.raises(VisaIOError) as caught:
        one.write_raw(bytes(40_000_000))
    assert caught.value.error_code == StatusCode.error_timeout


def test_clear_drops_what_is_there(resource):
    sent = threading.Event()

    def handler(peer):
        peer.send(b"stale\n")
        sent.set()
        echo(peer)

    one = resource(handler)
    one.read_termination = one.write_termination = "\n"
    assert sent.wait(5)
    one.clear()
    assert one.query("A?") == "A?"


def test_clear_ends_while_the_peer_streams(resource, monkeypatch):
    monkeypatch.setattr(sockets, "_CLEAR_LIMIT", 0.3)

    def handler(peer):
        while not peer.released.is_set():
            peer.send(bytes(1000))

    one = resource(handler)
    with pytest.raises(VisaIOError) as caught:
        one.clear()
    assert caught.value.error_code == StatusCode.error_timeout


def test_line_without_an_end_is_bounded(resource):
    one = resource(lambda peer: (peer.send(b"x" * 5000), peer.stall()))
    with pytest.raises(ValueError, match="without a line end"):
        session_of(one).read_line(4096, time.monotonic() + 5)


def test_descriptors_beyond_1024(resource, serve):
    """The stock class uses select(), which refuses them; poll() does not."""
    import resource as limits
    import socket

    soft, hard = limits.getrlimit(limits.RLIMIT_NOFILE)
    if hard < 1200:
        pytest.skip("this system allows no descriptors beyond 1024")
    limits.setrlimit(limits.RLIMIT_NOFILE, (max(soft, 1200), hard))
    fillers = [socket.socket() for _ in range(1050)]
    try:
        one = resource(echo)
        one.read_termination = one.write_termination = "\n"
        assert session_of(one).interface.fileno() > 1024
        assert one.query("A?") == "A?"
    finally:
        for filler in fillers:
            filler.close()
        limits.setrlimit(limits.RLIMIT_NOFILE, (soft, hard))
