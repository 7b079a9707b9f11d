"""A 4-wire ohmmeter on a real socket."""

from __future__ import annotations

import math

import pytest

from drivers.catalogue import open_ohmmeter
from drivers.errors import AnswerError, ComplaintError
from simulated_instruments.bench import SimulatedBench


@pytest.fixture
def bench():
    with SimulatedBench(seed=5) as made:
        yield made


@pytest.fixture
def ohmmeter(bench):
    made = open_ohmmeter(bench.resources["ohmmeter"])  # the usual patience: the machine may be busy
    yield made
    made.close()


def test_closed_path(ohmmeter, bench):
    bench.circuit.set_condition("bare")
    true = bench.circuit.resistance()
    assert 0 < true < 0.1
    assert ohmmeter.resistance_4_wire() == pytest.approx(true, abs=2e-3)


def test_open_path_is_infinite(ohmmeter, bench):
    """SCPI-99 volume 1, 7.2.1.4: overload is reported as 9.9E37."""
    bench.circuit.set_condition("open_lead")
    assert ohmmeter.resistance_4_wire() == math.inf


def test_range_is_passed_on(ohmmeter, bench):
    bench.circuit.set_condition("bare")
    assert ohmmeter.resistance_4_wire(1.0) == pytest.approx(bench.circuit.resistance(), abs=2e-3)


def test_recover_and_errors(ohmmeter):
    ohmmeter.recover()
    assert ohmmeter.errors() == ()
    assert ohmmeter.identity.model == "QM-61"


def scripted(*replies):
    def handler(peer):
        left = list(replies)
        while True:
            line = peer.line()
            if line == "*IDN?":
                peer.send(b"MAKER,MODEL,1,1\n")
            elif line.endswith("?") or "?" in line:
                peer.send(left.pop(0) + b"\n")

    return handler


def test_not_a_number_is_no_result(serve, policy):
    server = serve(scripted(b"9.91E37", b'0,"No error"'))
    meter = open_ohmmeter(server.resource, policy=policy)
    try:
        with pytest.raises(AnswerError, match="not-a-number"):
            meter.resistance_4_wire()
    finally:
        meter.close()


def test_complaint_outweighs_the_value(serve, policy):
    server = serve(scripted(b"0.01", b'-222,"Data out of range"', b'0,"No error"'))
    meter = open_ohmmeter(server.resource, policy=policy)
    try:
        with pytest.raises(ComplaintError, match="-222 Data out of range"):
            meter.resistance_4_wire(1e12)
    finally:
        meter.close()
