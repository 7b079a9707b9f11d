"""HiSLIP servers that misbehave below the level of messages (IVI-6.1).

Each row is one of those in which a stock pyvisa-py 0.8.1 client hangs, spins, loses its place or
raises a bare exception.
"""

from __future__ import annotations

import struct
import time

import pytest

from drivers.errors import AnswerError, DriverError, LinkLostError, TimedOutError

HEADER = struct.Struct("!2sBBIQ")
INITIALIZE, INITIALIZE_RESPONSE = 0, 1
DATA, DATA_END = 6, 7
INTERRUPTED, ASYNC_INTERRUPTED = 13, 14
ASYNC_MAXIMUM, ASYNC_MAXIMUM_RESPONSE = 15, 16
ASYNC_INITIALIZE, ASYNC_INITIALIZE_RESPONSE = 17, 18
PATIENCE = 6.0


@pytest.fixture(autouse=True)
def _bounded():
    begun = time.monotonic()
    yield
    assert time.monotonic() - begun < PATIENCE


class Wire:
    """One HiSLIP connection at the level of its messages."""

    def __init__(self, peer):
        self.peer = peer
        self.others = []

    def exactly(self, count):
        data = b""
        while len(data) < count:
            piece = self.peer.connection.recv(count - len(data))
            if not piece:
                raise EOFError
            data += piece
        return data

    def receive(self):
        _, kind, control, parameter, length = HEADER.unpack(self.exactly(HEADER.size))
        return kind, control, parameter, self.exactly(length)

    def send(self, kind, parameter=0, payload=b"", control=0):
        self.peer.send(HEADER.pack(b"HS", kind, control, parameter, len(payload)) + payload)


def hislip(misbehave):
    """Return a handler that opens a session properly and leaves the first answer to a test."""

    def handler(peer):
        wire = Wire(peer)
        while True:
            kind, _, parameter, payload = wire.receive()
            if kind == INITIALIZE:
                wire.send(INITIALIZE_RESPONSE, 0x0100_0001)
            elif kind == ASYNC_INITIALIZE:
                wire.send(ASYNC_INITIALIZE_RESPONSE)
            elif kind == ASYNC_MAXIMUM:
                wire.send(ASYNC_MAXIMUM_RESPONSE, payload=struct.pack("!Q", 1 << 20))
            elif kind == DATA_END and payload.strip() == b"*IDN?":
                wire.send(DATA_END, parameter, b"A,B,1,1\n")
            elif kind == DATA_END:
                misbehave(wire, parameter)

    return handler


def resource(server):
    return f"TCPIP::127.0.0.1::hislip0,{server.port}::INSTR"


BLOCK = b"#6100000"


def end_too_early(wire, number):
    """A block that declares more than it holds: the stock client spins for ever."""
    wire.send(DATA_END, number, BLOCK + bytes(50))


def end_is_missing(wire, number):
    wire.send(DATA, number, BLOCK + bytes(100_000) + b"\n")
    wire.peer.stall()


def stall_inside_a_message(wire, number):
    wire.peer.send(HEADER.pack(b"HS", DATA_END, 0, number, 100_009) + BLOCK + bytes(10))
    wire.peer.stall()


def stall_between_messages(wire, number):
    wire.send(DATA, number, BLOCK + bytes(10))
    wire.peer.stall()


def trickle(wire, number):
    wire.send(DATA, number, BLOCK)
    while not wire.peer.released.wait(0.03):
        wire.send(DATA, number, b"\0")


def fin_inside_a_message(wire, number):
    wire.peer.send(HEADER.pack(b"HS", DATA_END, 0, number, 100_009) + BLOCK + bytes(10))
    raise EOFError


def reset_inside_a_message(wire, number):
    wire.peer.send(HEADER.pack(b"HS", DATA_END, 0, number, 100_009) + BLOCK + bytes(10))
    wire.peer.reset()
    raise EOFError


def garbage_on_the_wire(wire, _number):
    wire.peer.send(b"this is no HiSLIP at all, whatever it may be")
    wire.peer.stall()


def long_block(wire, number):
    wire.send(DATA_END, number, b"#15abcdefghij\n")


def interrupted(wire, number):
    wire.send(INTERRUPTED, number)
    wire.peer.stall()


def answer_to_an_older_question(wire, number):
    wire.send(DATA_END, (number - 2) & 0xFFFF_FFFF, b"#13old\n")
    wire.peer.stall()


def indefinite_length(wire, number):
    wire.send(DATA_END, number, b"#0abc\n")


ROWS = [
    (end_too_early, AnswerError),
    (end_is_missing, TimedOutError),
    (stall_inside_a_message, TimedOutError),
    (stall_between_messages, TimedOutError),
    (trickle, TimedOutError),
    (fin_inside_a_message, LinkLostError),
    (reset_inside_a_message, LinkLostError),
    (garbage_on_the_wire, LinkLostError),
    (long_block, AnswerError),
    (interrupted, TimedOutError),
    (answer_to_an_older_question, TimedOutError),
    (indefinite_length, AnswerError),
]


@pytest.mark.parametrize(("misbehave", "error"), ROWS, ids=[f.__name__ for f, _ in ROWS])
def test_block(serve, connect, misbehave, error):
    server = serve(hislip(misbehave))
    link = connect(resource(server))
    assert link.query("*IDN?") == "A,B,1,1"
    with pytest.raises(error) as caught:
        link.query_block("DATA?")
    assert caught.value.instrument == link.label
    with pytest.raises(LinkLostError, match="must be reopened"):
        link.query("*IDN?")
    link.reopen()
    assert link.query("*IDN?") == "A,B,1,1"


@pytest.mark.parametrize("misbehave", [stall_inside_a_message, fin_inside_a_message])
def test_close_of_a_broken_session_ends(serve, connect, misbehave):
    link = connect(resource(serve(hislip(misbehave))))
    with pytest.raises(DriverError):
        link.query("A?")
    link.close()
    link.close()


def test_clear_while_the_server_ignores_it(serve, connect):
    """A device clear that nobody acknowledges ends by the deadline."""
    link = connect(resource(serve(hislip(trickle))))
    with pytest.raises((TimedOutError, LinkLostError)):
        link.clear()
    assert not link.usable


def test_server_that_accepts_and_says_nothing(serve, connect):
    with pytest.raises(LinkLostError, match="no connection"):
        connect(resource(serve(lambda peer: peer.stall())))


def test_no_line_end_at_the_end_of_a_block(serve, connect):
    """END alone is enough where the transport has one."""
    server = serve(hislip(lambda wire, number: wire.send(DATA_END, number, b"#13abc")))
    assert connect(resource(server)).query_block("DATA?").tobytes() == b"abc"


def test_block_in_many_messages_split_anywhere(serve, connect):
    data = bytes(range(256)) * 300
    wire_bytes = b"#576800" + data + b"\n"

    def split(wire, number):
        for at in range(0, len(wire_bytes), 7001):
            rest = at + 7001 >= len(wire_bytes)
            wire.send(DATA_END if rest else DATA, number, wire_bytes[at : at + 7001])

    assert connect(resource(serve(hislip(split)))).query_block("DATA?").tobytes() == data
