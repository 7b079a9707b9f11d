"""VXI-11 servers that misbehave below the level of messages (VXI-11 rev 1.0; RFC 5531 for the RPC).

Each row is one in which a stock pyvisa-py 0.8.1 client hangs, spins or raises a bare exception.
"""

from __future__ import annotations

import struct
import time

import pytest

from drivers.errors import AnswerError, LinkLostError, TimedOutError

CREATE_LINK, DEVICE_WRITE, DEVICE_READ, DEVICE_CLEAR, DESTROY_LINK = 10, 11, 12, 15, 23
END = 4  # reason bit of a read
PATIENCE = 6.0


@pytest.fixture(autouse=True)
def _bounded():
    begun = time.monotonic()
    yield
    assert time.monotonic() - begun < PATIENCE


def words(*values):
    return struct.pack(f"!{len(values)}I", *values)


def opaque(data):
    return words(len(data)) + data + bytes(-len(data) % 4)


class Rpc:
    """One ONC RPC connection."""

    def __init__(self, peer):
        self.peer = peer

    def exactly(self, count):
        data = b""
        while len(data) < count:
            piece = self.peer.connection.recv(count - len(data))
            if not piece:
                raise EOFError
            data += piece
        return data

    def call(self):
        """Return (transaction, procedure, arguments)."""
        (mark,) = struct.unpack("!I", self.exactly(4))
        record = self.exactly(mark & 0x7FFF_FFFF)
        xid, _, _, _, _, procedure = struct.unpack_from("!6I", record)
        return xid, procedure, record[40:]

    def reply(self, xid, results):
        record = words(xid, 1, 0, 0, 0, 0) + results
        self.peer.send(words(len(record) | 0x8000_0000) + record)


def vxi11(read, largest=1 << 20):
    """Return a handler that opens a link properly and leaves reads to a test."""

    def handler(peer):
        rpc, asked = Rpc(peer), [b""]
        while True:
            xid, procedure, arguments = rpc.call()
            if procedure == CREATE_LINK:
                rpc.reply(xid, words(0, 1, 0, largest))
            elif procedure == DEVICE_WRITE:
                size = struct.unpack_from("!I", arguments, 16)[0]
                asked[0] = arguments[20 : 20 + size]
                rpc.reply(xid, words(0, size))
            elif procedure == DEVICE_READ and asked[0].startswith(b"*IDN?"):
                rpc.reply(xid, words(0, END) + opaque(b"A,B,1,1\n"))
            elif procedure == DEVICE_READ:
                read(rpc, xid, struct.unpack_from("!I", arguments, 4)[0])
            elif procedure == DEVICE_CLEAR:
                peer.stall()
            else:
                rpc.reply(xid, words(0))

    return handler


def resource(server):
    return f"TCPIP::127.0.0.1,{server.port}::inst0::INSTR"


def says_time_out(rpc, xid, _count):
    rpc.reply(xid, words(15, 0) + opaque(b""))


def says_device_error(rpc, xid, _count):
    rpc.reply(xid, words(17, 0) + opaque(b""))


def stall(rpc, _xid, _count):
    rpc.peer.stall()


def fin(_rpc, _xid, _count):
    raise EOFError


def reset(rpc, _xid, _count):
    rpc.peer.reset()
    raise EOFError


def short_block(rpc, xid, _count):
    rpc.reply(xid, words(0, END) + opaque(b"#6100000" + bytes(50)))


def long_block(rpc, xid, _count):
    rpc.reply(xid, words(0, END) + opaque(b"#15abcdefghij\n"))


def garbage_record(rpc, _xid, _count):
    rpc.peer.send(b"no RPC record, whatever it may be......")
    rpc.peer.stall()


def endless_empty_reads(rpc, xid, _count):
    """Neither data nor END, for ever: each call is answered at once."""
    rpc.reply(xid, words(0, 0) + opaque(b""))


ROWS = [
    (says_time_out, TimedOutError),
    (says_device_error, LinkLostError),
    (stall, TimedOutError),
    (fin, LinkLostError),
    (reset, LinkLostError),
    (short_block, AnswerError),
    (long_block, AnswerError),
    (garbage_record, (LinkLostError, TimedOutError)),
    (endless_empty_reads, TimedOutError),
]


@pytest.mark.parametrize(("read", "error"), ROWS, ids=[f.__name__ for f, _ in ROWS])
def test_block(serve, connect, read, error):
    link = connect(resource(serve(vxi11(read))))
    assert link.query("*IDN?") == "A,B,1,1"
    with pytest.raises(error) as caught:
        link.query_block("DATA?")
    assert caught.value.instrument == link.label
    with pytest.raises(LinkLostError, match="must be reopened"):
        link.query("*IDN?")
    link.reopen()
    assert link.query("*IDN?") == "A,B,1,1"


def test_clear_that_is_never_answered(serve, connect):
    link = connect(resource(serve(vxi11(stall))))
    with pytest.raises((TimedOutError, LinkLostError)):
        link.clear()
    assert not link.usable


def test_server_that_accepts_and_says_nothing(serve, connect):
    with pytest.raises(LinkLostError, match="no connection"):
        connect(resource(serve(lambda peer: peer.stall())))


@pytest.mark.parametrize("piece", [1, 3, 1000, 65536, 1 << 20])
def test_block_in_pieces_of_any_size(serve, connect, piece):
    """Also where an answer is a multiple of what is asked for at once."""
    data = bytes(range(256)) * 512
    answer = b"#6131072" + data + b"\n" if piece >= 1000 else b"#15ab\ncd\n"
    at = [0]

    def read(rpc, xid, count):
        part = answer[at[0] : at[0] + min(count, piece)]
        at[0] += len(part)
        rpc.reply(xid, words(0, END if at[0] >= len(answer) else 0) + opaque(part))

    got = connect(resource(serve(vxi11(read)))).query_block("DATA?").tobytes()
    assert got == (data if piece >= 1000 else b"ab\ncd")
