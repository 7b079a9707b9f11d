"""HiSLIP by the message tables of IVI-6.1 (header, types, error codes; numbers from memory)."""

import socket
import struct

import pytest

from simulated_instruments.bench import SimulatedBench

HEADER = ">2sBBIQ"


class Client:
    """One session, written from the specification's tables."""

    def __init__(self, resource):
        port = int(resource.split(",")[1].split(":")[0])
        self.sync = socket.create_connection(("127.0.0.1", port), timeout=5)
        self.send(self.sync, 0, 0, 0x0100_5858, b"hislip0")
        kind, self.control, parameter, self.text = self.receive(self.sync)
        self.refused = kind == 2
        if self.refused:
            return
        assert kind == 1
        self.version, self.number = parameter >> 16, parameter & 0xFFFF
        self.back = socket.create_connection(("127.0.0.1", port), timeout=5)
        self.send(self.back, 17, 0, self.number)
        assert self.receive(self.back)[0] == 18
        self.message = 0xFFFF_FF00

    @staticmethod
    def send(link, kind, control, parameter, payload=b""):
        link.sendall(struct.pack(HEADER, b"HS", kind, control, parameter, len(payload)) + payload)

    @staticmethod
    def exactly(link, count):
        data = b""
        while len(data) < count:
            piece = link.recv(count - len(data))
            if not piece:
                raise EOFError
            data += piece
        return data

    def receive(self, link):
        mark, kind, control, parameter, length = struct.unpack(HEADER, self.exactly(link, 16))
        assert mark == b"HS"
        return kind, control, parameter, self.exactly(link, length)

    def write(self, text, parts=1):
        self.message = (self.message + 2) & 0xFFFFFFFF
        data = text.encode() + b"\n"
        size = -(-len(data) // parts)
        for start in range(0, len(data), size):
            last = start + size >= len(data)
            self.send(self.sync, 7 if last else 6, 0, self.message, data[start : start + size])

    def read(self):
        data, pieces = b"", 0
        while True:
            kind, _, number, payload = self.receive(self.sync)
            assert number == self.message, "an answer carries the number of its message"
            data, pieces = data + payload, pieces + 1
            if kind == 7:
                return data, pieces
            assert kind == 6

    def query(self, text):
        self.write(text)
        return self.read()[0].decode().rstrip("\n")

    def close(self):
        self.sync.close()
        if not self.refused:
            self.back.close()


@pytest.fixture
def bench():
    with SimulatedBench(transport="hislip", seed=2, second_client="busy") as made:
        made.circuit.set_condition("bare")
        yield made


@pytest.fixture
def client(bench):
    made = Client(bench.resources["scope"])
    yield made
    made.close()


def record(client):
    client.write(":CHAN2:DISP 1;:CHAN1:RANG 16;:CHAN2:RANG 16;:TIM:RANG 40e-6")
    client.write(":TRIG:SOUR CHAN2;:TRIG:LEV 1;:WAV:POIN:MODE RAW;:WAV:POIN 10000;:SING")
    assert client.query("*OPC?") == "1"


def test_session_opens_synchronised_in_protocol_one(client):
    assert client.version == 0x0100
    assert client.control & 1 == 0, "bit 0: prefers overlap"
    assert client.query("*IDN?").startswith("QUILLMOOR INSTRUMENTS,QV-3054,")


def test_message_in_several_pieces(client):
    client.write("*IDN?", parts=3)
    assert client.read()[0].startswith(b"QUILLMOOR")


def test_large_answer_keeps_to_the_agreed_message_size(client):
    client.send(client.back, 15, 0, 0, (1024).to_bytes(8, "big"))
    kind, _, _, payload = client.receive(client.back)
    assert kind == 16
    assert len(payload) == 8
    record(client)
    client.write(":WAV:DATA?")
    data, pieces = client.read()
    assert data[:10] == b"#800010000"
    assert len(data) == 10 + 10_000 + 1
    assert pieces >= 10


def test_device_clear_frees_a_blocked_command(client):
    client.write(":TRIG:SOUR EXT;:TRIG:SWE NORM;:SING;*OPC?")
    client.send(client.back, 19, 0, 0)
    assert client.receive(client.back)[0] == 23
    client.write("*IDN?")  # discarded: the clear is not complete
    client.send(client.sync, 8, 0, 0)
    assert client.receive(client.sync)[0] == 9
    assert client.query("*ESE?") == "0"


def test_status_query_tells_the_status_byte(client):
    client.write("NONSENSE")
    assert client.query("*OPC?") == "1"
    client.send(client.back, 21, 0, client.message)
    kind, status, _, _ = client.receive(client.back)
    assert kind == 22
    assert status & 4


def test_second_client_is_refused(bench, client):
    other = Client(bench.resources["scope"])
    assert other.refused
    assert other.control == 4, "maximum number of clients exceeded"
    other.close()
    assert client.query("*ESE?") == "0"


def test_wrong_start_is_a_fatal_error(bench):
    port = int(bench.resources["scope"].split(",")[1].split(":")[0])
    with socket.create_connection(("127.0.0.1", port), timeout=5) as link:
        Client.send(link, 7, 0, 0, b"*IDN?\n")
        assert struct.unpack(HEADER, Client.exactly(link, 16))[1] == 2
    with socket.create_connection(("127.0.0.1", port), timeout=5) as link:
        link.sendall(b"*IDN?\n" + bytes(10))
        assert struct.unpack(HEADER, Client.exactly(link, 16))[1:3] == (2, 1)


def test_close_mid_block_closes_the_link(bench, client):
    record(client)
    bench.faults.inject("close_mid_block")
    client.write(":WAV:DATA?")
    with pytest.raises((EOFError, ConnectionError)):
        client.read()


def test_short_block_ends_with_end(bench, client):
    record(client)
    bench.faults.inject("short_block")
    client.write(":WAV:DATA?")
    data, _ = client.read()
    assert data[:10] == b"#800010000"
    assert len(data) == 10 + 5_000 + 1
    assert client.query("*ESE?") == "0"


def test_stall_can_be_cleared(bench, client):
    record(client)
    bench.faults.inject("stall_mid_block", seconds=60)
    client.write(":WAV:DATA?")
    client.send(client.back, 19, 0, 0)
    assert client.receive(client.back)[0] == 23
    client.send(client.sync, 8, 0, 0)
    kinds = []
    while not kinds or kinds[-1] != 9:
        kinds.append(client.receive(client.sync)[0])
    assert set(kinds) <= {6, 9}
    assert client.query("*ESE?") == "0"
