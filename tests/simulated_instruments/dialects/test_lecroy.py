"""The family's own rules (makers' manuals as named in the dialect facts, section 9).

Offsets of the descriptor are those of the template printed in the X-Stream manual (p282-284).
"""

import struct

import numpy as np
import pytest

SET_UP = (
    "CHDR OFF;CORD LO;CFMT DEF9,WORD,BIN;C1:VDIV 2;C2:TRA ON;C2:VDIV 2;TDIV 5E-6;TRDL -2.1E-5",
    "MSIZ 10000;TRSE EDGE,SR,C2;C2:TRLV 1;WFSU SP,0,NP,0,FP,0,SN,0",
)


@pytest.fixture
def bench(serve):
    return serve("lecroy", seed=2)


def single(client, poll, *more):
    for message in (*SET_UP, *more):
        client.write(message)
    client.write("TRMD SINGLE")
    poll(client, "INR?", lambda r: int(r) & 1)


def field(blob, kind, place, order="<"):
    return struct.unpack_from(order + kind, blob, place)[0]


@pytest.mark.parametrize(("width", "order"), [("WORD", "LO"), ("WORD", "HI"), ("BYTE", "LO")])
def test_volts_and_time_follow_from_the_descriptor(bench, poll, converted, width, order):
    """V = VERTICAL_GAIN * code - VERTICAL_OFFSET; t = HORIZ_OFFSET + i * HORIZ_INTERVAL."""
    made, client = bench
    single(client, poll, f"CFMT DEF9,{width},BIN;CORD {order};C1:OFST 0.5")
    prefix, blob = client.block("C1:WF? ALL")
    sign = "<" if order == "LO" else ">"
    assert prefix == "ALL,"
    assert blob[:8] == b"WAVEDESC"
    assert field(blob, "h", 32, sign) == (width == "WORD")
    assert struct.unpack_from("<h", blob, 34)[0] in (0, 1, 256)
    length, text, times, size = (field(blob, "i", n, sign) for n in (36, 40, 48, 60))
    assert (length, text, times) == (350, 0, 0)
    assert len(blob) == length + text + times + size
    codes = np.frombuffer(blob, f"{sign}i2" if width == "WORD" else "i1", offset=length)
    assert len(codes) == field(blob, "i", 116, sign)
    gain, offset = field(blob, "f", 156, sign), field(blob, "f", 160, sign)
    coarse = 0 if width == "WORD" else 0.064
    assert gain * codes - offset == pytest.approx(converted(made), abs=1e-5 + coarse)
    record = made.scope.acquisition.record()
    assert field(blob, "f", 176, sign) == pytest.approx(record.timing.step)
    assert field(blob, "d", 180, sign) == pytest.approx(record.timing.start + record.lag)
    assert field(blob, "h", 172, sign) == 12


def test_grid_edges_are_in_the_descriptor_and_saturation_lies_beyond(bench, poll):
    _, client = bench
    single(client, poll, "C1:VDIV 0.2")
    _, blob = client.block("C1:WF? ALL")
    codes = np.frombuffer(blob, "<i2", offset=350)
    high, low = field(blob, "f", 164), field(blob, "f", 168)
    assert codes.max() > high
    assert codes.min() < low
    assert field(blob, "f", 156) * high == pytest.approx(0.8, rel=1e-6), "four divisions"


def test_byte_is_the_high_byte_of_the_word(bench, poll):
    _, client = bench
    single(client, poll)
    words = np.frombuffer(client.block("C1:WF? DAT1")[1], "<i2")
    client.write("CFMT DEF9,BYTE,BIN")
    assert np.array_equal(np.frombuffer(client.block("C1:WF? DAT1")[1], "i1"), words >> 8)


def test_descriptor_alone(bench, poll):
    _, client = bench
    single(client, poll)
    prefix, blob = client.block("C1:WF? DESC")
    assert prefix == "DESC,"
    assert len(blob) == 350


def test_sequence_has_a_time_and_an_offset_for_each_segment(bench, poll, converted):
    made, client = bench
    single(client, poll, "SEQ ON,3")
    _, blob = client.block("C1:WF? ALL")
    assert field(blob, "i", 144) == 3
    assert field(blob, "i", 48) == 3 * 16
    pairs = np.frombuffer(blob, "<f8", count=6, offset=350).reshape(3, 2)
    assert np.diff(pairs[:, 0]) == pytest.approx([250e-6] * 2, abs=1e-8)
    records = made.scope.acquisition.records
    assert pairs[:, 1] == pytest.approx([r.timing.start + r.lag for r in records])
    assert len(set(pairs[:, 1])) == 3
    codes = np.frombuffer(blob, "<i2", offset=350 + 48).reshape(3, -1)
    gain, offset = field(blob, "f", 156), field(blob, "f", 160)
    assert gain * codes[2] - offset == pytest.approx(converted(made, 1, 2), abs=1e-5)
    client.write("WFSU SN,2")
    assert np.array_equal(np.frombuffer(client.block("C1:WF? DAT1")[1], "<i2"), codes[1])


def test_delay_is_a_percentage_when_positive_and_seconds_when_negative(bench):
    made, client = bench
    for text, start in (("20", -10e-6), ("-2E-5", -5e-6), ("0", -25e-6)):
        client.write(f"TDIV 5E-6;TRDL {text}")
        client.query("*OPC?")
        assert made.scope.acquisition.timing.start == pytest.approx(start), text


def test_long_and_short_headers_are_equal(bench):
    _, client = bench
    assert client.query("COMM_HEADER OFF;C1:VOLT_DIV 0.5;C1:VDIV?") == client.query("C1:VOLT_DIV?")
    assert client.query("COMM_HEADER LONG;TRIG_MODE?").startswith("TRIG_MODE ")


def test_attenuation_is_not_in_the_offset(bench):
    made, client = bench
    client.write("CHDR OFF;C1:ATTN 10;C1:OFST 0.5")
    assert float(client.query("C1:OFST?")) == 0.5
    assert made.scope.acquisition.channel(1).offset == -0.5


def test_wait_blocks_until_the_acquisition_ends(bench):
    _, client = bench
    for message in SET_UP:
        client.write(message)
    assert client.query("TRMD SINGLE;WAIT;*OPC?;TRMD?") == "1;STOP"
