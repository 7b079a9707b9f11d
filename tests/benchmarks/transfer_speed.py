"""Transfer of waveform blocks: the driver's link against a bare ``recv_into`` of the same bytes.

Run it from the project's folder::

    python tests/benchmarks/transfer_speed.py [--small]

The server is a process of its own on 127.0.0.1. The ways are measured in turn, round after round,
in shuffled order; what is printed is the median of each and its ratio to the bare one of the same
transport. ``plain`` is pyvisa's ``query_binary_values`` with its default settings, only for sizes
where it ends in a reasonable time. Paced rows let the kernel hold the server to 1 Gb/s
(SO_MAX_PACING_RATE), which is where the line, not the program, ought to be the limit.
``fetch`` is a whole ``Scope.fetch``: settings, preamble, transfer, signed codes, clipping count.
"""

from __future__ import annotations

import random
import socket
import statistics
import struct
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import pyvisa

from drivers.dialects.keysight_infiniivision import KeysightInfiniiVision
from drivers.link import Link, LinkPolicy
from drivers.profile import ScopeProfile
from drivers.scope import Identity

SIZES = {"10 kB": 10_000, "1 MB": 1_000_000, "10 MB": 10_000_000, "100 MB": 100_000_000}
ROUNDS = {10_000: 101, 1_000_000: 31, 10_000_000: 11, 100_000_000: 7}
PLAIN_UP_TO = 1_000_000
GIGABIT = 125_000_000  # bytes per second
SO_MAX_PACING_RATE = 47
HISLIP = struct.Struct("!2sBBIQ")
PIECE = 1 << 20
POLICY = LinkPolicy(timeout=30.0)


# -- the server, in a process of its own ---------------------------------------------------------
def exactly(client: socket.socket, count: int) -> bytes:
    data = b""
    while len(data) < count:
        piece = client.recv(count - len(data))
        if not piece:
            raise EOFError
        data += piece
    return data


class Served:
    """Answers of any size, made once; what was set is told again."""

    def __init__(self) -> None:
        noise = np.random.default_rng(1).integers(2, 255, 1 << 20, dtype=np.uint8).tobytes()
        self.noise = noise * (max(SIZES.values()) // len(noise) + 1)
        self.size = 0
        self.settings: dict[str, str] = {}

    def answer(self, message: str) -> list[bytes | memoryview] | None:
        if message.startswith("SIZE "):
            self.size = int(message.split()[1])
        elif message == ":WAVeform:PREamble?":
            return [b"0,0,%d,1,1e-9,0,0,0.01,0,128\n" % self.size]
        elif message.endswith("DATA?"):
            return [b"#9%09d" % self.size, memoryview(self.noise)[: self.size], b"\n"]
        elif message.endswith("?"):
            return [self.settings[message[:-1]].encode() + b"\n"]
        else:
            header, _, value = message.partition(" ")
            self.settings[header] = value
        return None


def serve_socket(client: socket.socket, served: Served) -> None:
    buffer = b""
    while True:
        piece = client.recv(1 << 16)
        if not piece:
            return
        buffer += piece
        while b"\n" in buffer:
            line, _, buffer = buffer.partition(b"\n")
            for part in served.answer(line.decode()) or ():
                client.sendall(part)


def serve_hislip(client: socket.socket, served: Served) -> None:
    while True:
        _, kind, _, parameter, length = HISLIP.unpack(exactly(client, HISLIP.size))
        payload = exactly(client, length)
        if kind == 0:
            client.sendall(HISLIP.pack(b"HS", 1, 0, 0x0100_0001, 0))
        elif kind == 17:
            client.sendall(HISLIP.pack(b"HS", 18, 0, 0, 0))
        elif kind == 15:
            client.sendall(HISLIP.pack(b"HS", 16, 0, 0, 8) + struct.pack("!Q", PIECE))
        elif kind == 7:
            parts = served.answer(payload.strip().decode()) or []
            for place, part in enumerate(parts):
                for at in range(0, len(part), PIECE):
                    piece = part[at : at + PIECE]
                    last = place == len(parts) - 1 and at + PIECE >= len(part)
                    head = HISLIP.pack(b"HS", 7 if last else 6, 0, parameter, len(piece))
                    client.sendall(head)
                    client.sendall(piece)


def server() -> None:
    """Serve both protocols; print their ports; end with standard input."""
    served = Served()

    def accept(listener: socket.socket, work: Callable[[socket.socket, Served], None]) -> None:
        while True:
            client, _ = listener.accept()
            client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            threading.Thread(target=run, args=(work, client), daemon=True).start()

    def run(work: Callable[[socket.socket, Served], None], client: socket.socket) -> None:
        try:
            work(client, served)
        except (OSError, EOFError):
            client.close()

    for work, paced in (
        (serve_socket, False),
        (serve_socket, True),
        (serve_hislip, False),
        (serve_hislip, True),
    ):
        listener = socket.create_server(("127.0.0.1", 0))
        if paced:  # accepted sockets inherit it
            listener.setsockopt(socket.SOL_SOCKET, SO_MAX_PACING_RATE, GIGABIT)
        threading.Thread(target=accept, args=(listener, work), daemon=True).start()
        print(listener.getsockname()[1], flush=True)
    sys.stdin.read()


# -- the ways --------------------------------------------------------------------------------------
class BareSocket:
    """One blocking ``recv_into`` after another, into memory that exists."""

    def __init__(self, port: int) -> None:
        self.socket = socket.create_connection(("127.0.0.1", port))
        self.socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self.head = bytearray(11)

    def take(self, view: memoryview) -> None:
        at = 0
        while at < len(view):
            at += self.socket.recv_into(view[at:])

    def read(self, out: np.ndarray) -> None:
        self.socket.sendall(b"DATA?\n")
        self.take(memoryview(self.head))
        self.take(out.data)
        self.take(memoryview(self.head)[:1])


class BareHislip(BareSocket):
    """The same, through HiSLIP's message headers."""

    def __init__(self, port: int) -> None:
        super().__init__(port)
        self.header = bytearray(HISLIP.size)
        self.socket.sendall(HISLIP.pack(b"HS", 0, 0, 0x0100_7878, 7) + b"hislip0")
        exactly(self.socket, HISLIP.size)

    def read(self, out: np.ndarray) -> None:
        self.socket.sendall(HISLIP.pack(b"HS", 7, 0, 0xFFFF_FF00, 6) + b"DATA?\n")
        view, at, kind = out.data, 0, 6
        while kind != 7:
            self.take(memoryview(self.header))
            _, kind, _, _, length = HISLIP.unpack(self.header)
            if (length == 11 and at == 0) or kind == 7:
                self.take(memoryview(self.head)[:length])
            else:
                self.take(view[at : at + length])
                at += length


def timed(work: Callable[[], object]) -> float:
    begun = time.perf_counter()
    work()
    return time.perf_counter() - begun


def scope_on(link: Link, size: int) -> KeysightInfiniiVision:
    profile = ScopeProfile(
        "x", "keysight_infiniivision", "", "", 4, (1.0,), 8, 10, 1e9, 1e9, size, 8, 8, (1e6,), 0.02
    )
    return KeysightInfiniiVision(link, Identity("", "", "", "", ""), profile)


def measure(kind: str, port: int, size: int, rounds: int, plain: bool) -> dict[str, float]:
    """Return the median time of each way. [s]"""
    socketed = kind == "socket"
    resource = (
        f"TCPIP::127.0.0.1::{port}::SOCKET"
        if socketed
        else f"TCPIP::127.0.0.1::hislip0,{port}::INSTR"
    )
    bare = BareSocket(port) if socketed else BareHislip(port)
    link = Link(resource, policy=POLICY)
    link.open()
    link.write(f"SIZE {size}")
    out, spare = np.zeros(size, np.uint8), np.zeros(size, np.uint8)
    scope = scope_on(link, size)
    ways: dict[str, Callable[[], object]] = {
        "bare": lambda: bare.read(out),
        "link": lambda: link.query_block_into("DATA?", spare),
        "fetch": lambda: scope.fetch(1),
    }
    visa = None
    if plain:
        visa = pyvisa.ResourceManager("@py").open_resource(resource, timeout=60_000)
        visa.write_termination = visa.read_termination = "\n"
        ways["plain"] = lambda: visa.query_binary_values("DATA?", "B", container=np.array)
    time.sleep(0.05)  # until the server has taken SIZE
    times: dict[str, list[float]] = {name: [] for name in ways}
    for turn in range(rounds + 1):
        order = list(ways)
        random.shuffle(order)
        for name in order:
            if name == "plain" and turn > 7:
                continue
            seconds = timed(ways[name])
            if turn:  # the first round warms up
                times[name].append(seconds)
    if not np.array_equal(out, spare):
        raise SystemExit("the link delivered other bytes than the bare socket")
    link.close()
    bare.socket.close()
    if visa is not None:
        visa.close()
    return {name: statistics.median(found) for name, found in times.items()}


def main() -> None:
    small = "--small" in sys.argv
    child = subprocess.Popen(
        [sys.executable, __file__, "--serve"], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    )
    assert child.stdout is not None
    ports = [int(child.stdout.readline()) for _ in range(4)]
    rows = [
        ("socket", ports[0], "loopback"),
        ("socket", ports[1], "1 Gb/s"),
        ("hislip", ports[2], "loopback"),
        ("hislip", ports[3], "1 Gb/s"),
    ]
    print(f"{'':8}{'':10}{'size':>8}{'bare':>12}{'link':>9}{'fetch':>9}{'plain':>9}   (ratios)")
    try:
        for kind, port, line in rows:
            for name, size in SIZES.items():
                if small and size > 1_000_000:
                    continue
                rounds = 7 if line != "loopback" and size > 1_000_000 else ROUNDS[size]
                plain = size <= PLAIN_UP_TO and line == "loopback"
                found = measure(kind, port, size, rounds, plain)
                ratios = "".join(
                    f"{found[way] / found['bare']:9.2f}" if way in found else f"{'':9}"
                    for way in ("link", "fetch", "plain")
                )
                print(
                    f"{kind:8}{line:10}{name:>8}{found['bare'] * 1e3:9.3f} ms{ratios}", flush=True
                )
    finally:
        assert child.stdin is not None
        child.stdin.close()
        child.wait(10)


if __name__ == "__main__":
    server() if "--serve" in sys.argv else main()
