"""A client of the tests' own: a plain socket, so that no code of the drivers is on either end."""

from __future__ import annotations

import dataclasses
import socket
import time

import numpy as np
import pytest

from simulated_instruments.bench import SimulatedBench
from simulated_instruments.scenario import Input, Scenario
from simulated_instruments.scpi import Command, Instrument
from simulated_instruments.values import Number


class Talk:
    """Write, query and read blocks by the rules of IEEE 488.2, with a time limit on everything."""

    def __init__(self, resource: str, timeout: float = 5.0) -> None:
        self.port = int(resource.split("::")[2])
        self.socket = socket.create_connection(("127.0.0.1", self.port), timeout=timeout)
        self.socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self.file = self.socket.makefile("rb")

    def write(self, message: str) -> None:
        self.socket.sendall(message.encode() + b"\n")

    def line(self) -> str:
        return self.file.readline().decode().rstrip("\n")

    def query(self, message: str) -> str:
        self.write(message)
        return self.line()

    def block(self, message: str) -> tuple[str, bytes]:
        """Return what stands ahead of ``#``, and the payload."""
        self.write(message)
        prefix = b""
        while not prefix.endswith(b"#"):
            character = self.file.read(1)
            assert character, "the link ended ahead of a block"
            prefix += character
        count = int(self.file.read(int(self.file.read(1))))
        data = self.file.read(count)
        assert len(data) == count
        assert self.file.read(1) == b"\n"
        return prefix[:-1].decode(), data

    def silent(self, seconds: float = 0.2) -> bool:
        """Whether nothing comes."""
        self.socket.settimeout(seconds)
        try:
            return not self.socket.recv(1, socket.MSG_PEEK)
        except TimeoutError:
            return True
        finally:
            self.socket.settimeout(5.0)

    def close(self) -> None:
        self.file.close()
        self.socket.close()


@pytest.fixture
def talk():
    """Make clients; all are closed at the end."""
    made = []

    def connect(resource: str, timeout: float = 5.0) -> Talk:
        made.append(Talk(resource, timeout))
        return made[-1]

    yield connect
    for one in made:
        one.close()


@pytest.fixture
def serve(talk):
    """Start a bench with the bare link in circuit; return it and a client of its scope."""
    benches = []

    def start(dialect: str = "keysight_infiniivision", **arguments):
        bench = SimulatedBench(dialect=dialect, **arguments).start()
        benches.append(bench)
        bench.circuit.set_condition("bare")
        return bench, talk(bench.resources["scope"])

    yield start
    for bench in benches:
        bench.close()


@pytest.fixture
def converted():
    """Return what the converter of a bench's scope holds. Shape (samples,). [V]"""

    def volts(bench, number=1, segment=0, every=1):
        acquisition = bench.scope.acquisition
        record = acquisition.record(segment)
        channel = record.channels[number - 1]
        count = record.timing.samples // every
        codes = np.concatenate(list(acquisition.pieces(number, segment, 0, count, every)))
        return codes * acquisition.step_volts(channel) + channel.offset

    return volts


@pytest.fixture
def poll():
    """Ask until the reply is as wished; at most two seconds."""

    def until(client, question, wish):
        deadline = time.monotonic() + 2.0
        seen = []
        while time.monotonic() < deadline:
            seen.append(client.query(question))
            if wish(seen[-1]):
                return seen
        raise AssertionError(f"{question} never became as wished: {seen[-1]}")

    return until


class Supply(Instrument):
    """The power supply of the standard's and the manuals' examples."""

    def __init__(self) -> None:
        self.level, self.protection, self.current = 0.0, 0.0, 1.5
        super().__init__()

    def table(self):
        volts = (Number("V"),)
        return (
            Command(
                "[SOURce:]VOLTage[:LEVel]",
                volts,
                lambda _, v: setattr(self, "level", v),
                lambda _: f"{self.level:g}",
            ),
            Command(
                "[SOURce:]VOLTage:PROTection",
                volts,
                lambda _, v: setattr(self, "protection", v),
                lambda _: f"{self.protection:g}",
            ),
            Command("[SOURce:]CURRent", query=lambda _: f"{self.current:g}"),
            Command("MEASure:VOLTage", query=lambda _: "measured volts"),
            Command("MEASure:CURRent", query=lambda _: "measured amperes"),
            Command("STATus:QUEStionable", query=lambda _: "0"),
            Command("OUTPut<n>:POLarity", query=lambda s: f"normal {s[0]}"),
        )


@pytest.fixture
def supply():
    return Supply()


@pytest.fixture
def quiet():
    """Return the demonstration's scenario without anything random, pickup or carriers."""
    inputs = tuple(
        Input(i.quantity, i.transfer) if i.quantity else Input() for i in Scenario().inputs
    )
    return dataclasses.replace(
        Scenario(),
        inputs=inputs,
        amplitude_jitter=0.0,
        drift=0.0,
        wander=(0.0, 1.0),
        trigger_jitter=0.0,
        contact_scatter=0.0,
    )
