"""VXI-11 by its own RPCL (TCP/IP instrument protocol 1.0, annex C), RFC 5531 and RFC 4506."""

import socket
import struct
import time

import pytest

from simulated_instruments.bench import SimulatedBench

CREATE_LINK, WRITE, READ, READ_STATUS, CLEAR, DESTROY_LINK = 10, 11, 12, 13, 15, 23
IO_TIMEOUT, INVALID_LINK, OUT_OF_RESOURCES = 15, 4, 9


class Client:
    """One link, written from the RPCL."""

    def __init__(self, resource):
        port = int(resource.split(",")[1].split(":")[0])
        self.socket = socket.create_connection(("127.0.0.1", port), timeout=5)
        self.xid = 100

    def call(self, procedure, arguments, program=0x0607AF, fragments=1):
        self.xid += 1
        body = (
            struct.pack(">IIIIIIIIII", self.xid, 0, 2, program, 1, procedure, 0, 0, 0, 0)
            + arguments
        )
        size = -(-len(body) // fragments // 4) * 4
        for start in range(0, len(body), size):
            piece = body[start : start + size]
            last = 0x80000000 if start + size >= len(body) else 0
            self.socket.sendall(struct.pack(">I", last | len(piece)) + piece)
        (mark,) = struct.unpack(">I", self.exactly(4))
        answer = self.exactly(mark & 0x7FFFFFFF)
        xid, kind, accepted, _, _, state = struct.unpack_from(">IIIIII", answer)
        assert (xid, kind, accepted) == (self.xid, 1, 0)
        self.accept = state
        return answer[24:]

    def exactly(self, count):
        data = b""
        while len(data) < count:
            piece = self.socket.recv(count - len(data))
            if not piece:
                raise EOFError
            data += piece
        return data

    def open(self):
        name = b"inst0"
        answer = self.call(
            CREATE_LINK, struct.pack(">iIII", 1, 0, 0, len(name)) + name + bytes(-len(name) % 4)
        )
        error, self.link, _, self.largest = struct.unpack(">iiII", answer)
        return error

    def write(self, text, end=True, fragments=1):
        data = text.encode()
        head = struct.pack(">iIIII", self.link, 1000, 0, 8 if end else 0, len(data))
        answer = self.call(WRITE, head + data + bytes(-len(data) % 4), fragments=fragments)
        assert struct.unpack(">iI", answer) == (0, len(data))

    def read(self, count=1 << 20, timeout=2000):
        answer = self.call(READ, struct.pack(">iIIIII", self.link, count, timeout, 0, 0, 0))
        error, reason, size = struct.unpack_from(">iiI", answer)
        return error, reason, answer[12 : 12 + size]

    def query(self, text):
        self.write(text + "\n")
        error, reason, data = self.read()
        assert (error, reason) == (0, 4), "END with the last byte"
        return data.decode().rstrip("\n")

    def close(self):
        self.socket.close()


@pytest.fixture
def bench():
    with SimulatedBench(transport="vxi11", seed=2, second_client="busy") as made:
        made.circuit.set_condition("bare")
        yield made


@pytest.fixture
def client(bench):
    made = Client(bench.resources["scope"])
    assert made.open() == 0
    yield made
    made.close()


def record(client):
    client.write(":CHAN2:DISP 1;:CHAN1:RANG 16;:CHAN2:RANG 16;:TIM:RANG 40e-6\n")
    client.write(":TRIG:SOUR CHAN2;:TRIG:LEV 1;:WAV:POIN:MODE RAW;:WAV:POIN 10000;:SING\n")
    assert client.query("*OPC?") == "1"


def test_query(client):
    assert client.query("*IDN?").startswith("QUILLMOOR INSTRUMENTS,QV-3054,")
    assert client.largest >= 1024, "RPCL: maxRecvSize is at least 1024"


def test_message_in_two_writes_and_record_in_fragments(client):
    client.write("*ID", end=False)
    client.write("N?\n", fragments=3)
    assert client.read()[2].startswith(b"QUILLMOOR")


def test_large_answer_in_pieces_ends_with_end(client):
    record(client)
    client.write(":WAV:DATA?\n")
    data, reason = b"", 0
    while not reason & 4:
        error, reason, piece = client.read(count=1000)
        assert error == 0
        data += piece
    assert data[:10] == b"#800010000"
    assert len(data) == 10_011


def test_answer_that_just_fits_carries_end(client):
    client.write("*ESE?\n")
    assert client.read(count=2) == (0, 4, b"0\n")


def test_read_with_nothing_to_come_is_unterminated(client):
    # SCPI-99: -420 Query UNTERMINATED
    begun = time.monotonic()
    assert client.read(timeout=100)[0] == IO_TIMEOUT
    assert time.monotonic() - begun >= 0.1
    assert client.query(":SYST:ERR?").startswith("-420,")


def test_new_message_while_an_answer_is_unread_is_interrupted(client):
    # SCPI-99: -410 Query INTERRUPTED; IEEE 488.2 6.3.2.3
    client.write("*IDN?\n")
    status = 0
    for _ in range(1000):
        status = struct.unpack(">iI", client.call(READ_STATUS, struct.pack(">iIII", 1, 0, 0, 0)))[1]
        if status & 16:
            break
    assert status & 16, "MAV"
    assert client.query("*ESE?") == "0"
    assert client.query(":SYST:ERR?").startswith("-410,")


def test_device_clear_frees_a_blocked_command(client):
    client.write(":TRIG:SOUR EXT;:TRIG:SWE NORM;:SING;*OPC?\n")
    assert client.read(timeout=50)[0] == IO_TIMEOUT
    assert struct.unpack(">i", client.call(CLEAR, struct.pack(">iIII", 1, 0, 0, 0))) == (0,)
    assert client.query("*ESE?") == "0"
    assert client.query(":SYST:ERR?").startswith("+0,"), "waiting for it was no query error"


def test_stall_times_out_and_goes_on(bench, client):
    record(client)
    bench.faults.inject("stall_mid_block", seconds=0.4)
    client.write(":WAV:DATA?\n")
    error, _, first = client.read(timeout=100)
    assert error == IO_TIMEOUT
    data = first
    while len(data) < 10_011:
        error, _, piece = client.read(timeout=2000)
        assert error == 0
        data += piece
    assert data[-1:] == b"\n"


def test_close_mid_block_closes_the_link(bench, client):
    record(client)
    bench.faults.inject("close_mid_block")
    client.write(":WAV:DATA?\n")
    client.read(count=4000)
    with pytest.raises((EOFError, ConnectionError)):
        client.read(count=4000)


def test_second_link_is_refused_until_the_first_is_destroyed(bench, client):
    other = Client(bench.resources["scope"])
    assert other.open() == OUT_OF_RESOURCES
    assert struct.unpack(">i", client.call(DESTROY_LINK, struct.pack(">i", 1))) == (0,)
    assert other.open() == 0
    assert other.query("*ESE?") == "0"
    other.close()


def test_call_without_a_link_and_unknown_calls(bench):
    client = Client(bench.resources["scope"])
    answer = client.call(WRITE, struct.pack(">iIIII", 1, 0, 0, 8, 0))
    assert struct.unpack_from(">i", answer) == (INVALID_LINK,)
    client.call(0, b"", program=100_000)
    assert client.accept == 1, "RFC 5531: PROG_UNAVAIL"
    client.close()
