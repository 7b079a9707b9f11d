"""The drivers on the wire of somebody else: pyvisa-sim, which shares no code with our twins.

`foreign/devices.yaml` holds its instruments. It compares each message letter by letter, so that a
message our twins understand only because they are ours fails here; and it brings answers on USB and
GPIB, which the twins do not serve. Not here: LeCroy, whose descriptor is no text, and the two
relatives that read their records as those here do.
"""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from drivers.catalogue import DIALECTS, open_ohmmeter, open_scope, open_switch
from drivers.channels import MessageChannel, StreamChannel
from drivers.errors import AnswerError, ComplaintError
from drivers.link import Link, LinkPolicy
from drivers.profile import ScopeProfile
from drivers.scope import (
    AcquisitionRequest,
    AcquisitionStatus,
    ChannelSettings,
    TriggerSettings,
)

BACKEND = f"{Path(__file__).parent / 'foreign' / 'devices.yaml'}@sim"
POLICY = LinkPolicy(timeout=2.0, reconnects=1, backend=BACKEND)
#: dialect -> host, port, number, horizontal divisions, seconds of its record at 100 MSa/s
SCOPES = {
    "keysight_infiniivision": ("preamble", "5025", "1", 10, 0.40e-6),
    "tektronix": ("curve", "4000", "2", 10, 0.40e-6),
    "siglent_old": ("short", "5025", "3", 14, 0.42e-6),
    "rigol": ("pieces", "5555", "6", 10, 0.40e-6),
    "rohde_schwarz": ("format", "5025", "7", 10, 0.40e-6),
}
WIRES = ("TCPIP INSTR", "TCPIP SOCKET", "USB", "GPIB")
CODES = [*b"\x02\x7f@\n\n#9\xc3\xa9ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefg"]


def resource(dialect, wire):
    host, port, number, *_ = SCOPES[dialect]
    return {
        "TCPIP INSTR": f"TCPIP0::{host}::inst0::INSTR",
        "TCPIP SOCKET": f"TCPIP0::{host}::{port}::SOCKET",
        "USB": f"USB0::0x1111::0x2222::0x000{number}::0::INSTR",
        "GPIB": f"GPIB0::{number}::INSTR",
    }[wire]


def profile(dialect):
    return ScopeProfile(
        name="foreign",
        dialect=dialect,
        maker="quillmoor instruments",
        model="q.*",
        channels=4,
        vertical_ranges=(8e-3, 0.8, 8.0, 40.0),
        vertical_divisions=8,
        horizontal_divisions=SCOPES[dialect][3],
        bandwidth=500e6,
        maximum_sample_rate=1e9,
        maximum_record_length=1000,
        bits=8,
        code_bits=8,
        input_impedances=(50.0, 1e6),
        gain_accuracy=0.02,
        record_lengths=(),
        maximum_segments=1,
    )


@pytest.fixture(params=WIRES)
def wire(request):
    return request.param


@pytest.fixture(params=list(SCOPES))
def scope(request, wire):
    name = request.param
    made = open_scope(resource(name, wire), {"foreign": profile(name)}, policy=POLICY)
    made.reset()
    yield made
    made.close()


def set_up(scope):
    scope.configure_channel(ChannelSettings(1, 8.0, 0.5))
    span = SCOPES[scope.profile.dialect][4]
    state = scope.configure_acquisition(AcquisitionRequest(span, -1e-7, 50e6))
    scope.configure_edge_trigger(TriggerSettings(1, 0.25, "negative"))
    return state


def expected_volts(dialect, count):
    """The published formulas (drivers/README.md) with the numbers of the device file. [V]"""
    wire = np.array(CODES[:count], float)
    signed = np.where(wire > 127, wire - 256, wire)
    return {
        "keysight_infiniivision": (wire - 128) * 0.04 + 0.1,
        "tektronix": (signed + 2.5) * 0.04 + 0.1,
        "siglent_old": signed * (1.0 / 25) + 0.5,
        "rigol": (wire - 127 + 10) * 0.04,
        "rohde_schwarz": -5.0 + 0.04 * wire,
    }[dialect]


def test_wire_that_was_meant(scope, wire):
    kind = StreamChannel if wire == "TCPIP SOCKET" else MessageChannel
    assert type(scope.link._channel) is kind
    assert type(scope) is DIALECTS[scope.profile.dialect]


def test_configuration_is_read_back(scope):
    got = scope.configure_channel(ChannelSettings(2, 8.0, 0.5, "AC", 1e6))
    assert (got.vertical_range, got.vertical_offset) == pytest.approx((8.0, 0.5))
    assert (got.coupling, got.input_impedance, got.enabled) == ("AC", 1e6, True)
    got = scope.configure_channel(ChannelSettings(2, 0.8, 0.0, "DC", 50.0, enabled=False))
    assert got.vertical_range == pytest.approx(0.8)
    assert (got.coupling, got.input_impedance, got.enabled) == ("DC", 50.0, False)
    state = set_up(scope)
    assert state.sample_rate == pytest.approx(1e8)
    assert state.acquisition_start_time == pytest.approx(-1e-7, rel=1e-3)
    trigger = scope.configure_edge_trigger(TriggerSettings(2, -0.25, "positive"))
    assert (trigger.source, trigger.slope) == (2, "positive")
    assert trigger.level == pytest.approx(-0.25)
    assert scope.errors() == ()


def test_record_is_fetched(scope):
    state = set_up(scope)
    assert scope.initiate().confirmed
    assert scope.wait_complete(2.0) is AcquisitionStatus.COMPLETE
    for _ in range(2):  # nothing of the first answer is left for the second
        trace = scope.fetch(1)
        assert trace.codes.shape == (state.record_length,)
        expected = expected_volts(scope.profile.dialect, state.record_length)
        assert trace.volts() == pytest.approx(expected, abs=1e-9)
        assert trace.start == pytest.approx(-1e-7, rel=1e-3)
        assert trace.step == pytest.approx(1e-8)


def test_a_message_that_it_does_not_know_is_a_complaint(scope):
    scope.link.write("NO:SUCH 1")
    assert len(scope.errors()) == 1
    assert scope.errors() == ()
    scope.link.write("NO:SUCH 1")
    with pytest.raises(ComplaintError, match="setting up channel 1"):
        scope.configure_channel(ChannelSettings(1, 8.0))


# -- relay units, ohmmeters ------------------------------------------------------------------------
def test_relays_that_tell_the_closed_list():
    switch = open_switch("GPIB0::4::INSTR", policy=POLICY)
    try:
        assert switch.readback == "contact"
        switch.close_channels([101, 110])
        assert switch.closed_channels([101, 102, 110]) == {101, 110}
        with pytest.raises(AnswerError, match=r"still reports \(@101\) as closed"):
            switch.open_channels([101])
    finally:
        switch.close()


def test_relays_that_answer_for_each_channel():
    switch = open_switch("TCPIP0::relays::inst0::INSTR", policy=POLICY)
    try:
        switch.close_channels([101])
        assert switch.closed_channels([101, 102]) == {101}
        with pytest.raises(AnswerError, match=r"still reports \(@101\) as closed"):
            switch.open_channels([101])
        with pytest.raises(ComplaintError, match=r"-113 Undefined header"):
            switch.close_channels([102])
    finally:
        switch.close()


@pytest.mark.parametrize(
    "where",
    [
        "TCPIP0::localhost::inst0::INSTR",
        "USB0::0x1111::0x2222::0x1234::0::INSTR",
        "GPIB0::9::INSTR",
    ],
)
def test_ohmmeter(where):
    meter = open_ohmmeter(where, policy=POLICY)
    try:
        assert meter.identity.model == "QM-61"
        assert meter.resistance_4_wire() == pytest.approx(0.021)
        assert meter.resistance_4_wire(1.0) == math.inf
        meter.recover()
        assert meter.errors() == ()
    finally:
        meter.close()


def test_backend_from_the_environment(monkeypatch):
    monkeypatch.setenv("PYVISA_LIBRARY", BACKEND)
    link = Link("GPIB0::9::INSTR", policy=LinkPolicy(timeout=2.0))
    link.open()
    assert link.query("*IDN?").startswith("QUILLMOOR")
    link.close()
