"""The family's own rules (programmer's references as named in the dialect facts, section 3)."""

import numpy as np
import pytest

SET_UP = (
    ":SYST:HEAD OFF;:CHAN1:RANG 16;:CHAN2:DISP 1;:CHAN2:RANG 16;:TIM:RANG 40e-6;:TIM:POS 16e-6",
    ":TRIG:MODE EDGE;:TRIG:EDGE:SOUR CHAN2;:TRIG:LEV CHAN2,1;:TRIG:SWE TRIG;:ACQ:POIN 20000",
)


@pytest.fixture
def bench(serve):
    return serve("keysight_infiniium", seed=2)


def single(client, poll, *more):
    for message in (*SET_UP, *more):
        client.write(message)
    client.write(":SING")
    poll(client, ":ADER?", lambda r: r == "1")


@pytest.mark.parametrize(
    ("form", "order", "dtype"),
    [("BYTE", "MSBF", "i1"), ("WORD", "MSBF", ">i2"), ("WORD", "LSBF", "<i2")],
)
def test_volts_follow_from_the_preamble(bench, poll, converted, form, order, dtype):
    """Signed codes: V = (code - yreference) * yincrement + yorigin."""
    made, client = bench
    single(client, poll, f":WAV:FORM {form};:WAV:BYT {order}")
    fields = client.query(":WAV:PRE?").split(",")
    increment, origin, reference = (float(f) for f in fields[7:10])
    codes = np.frombuffer(client.block(":WAV:DATA?")[1], dtype)
    assert len(codes) == int(fields[2])
    assert (codes - reference) * increment + origin == pytest.approx(converted(made), abs=1e-5)
    assert fields[6] == "+0", "the X reference is always 0"
    assert int(fields[0]) == (1 if form == "BYTE" else 2)


def test_headers_are_on_until_switched_off(bench):
    _, client = bench
    assert client.query(":CHAN1:RANG?").startswith(":CHAN1:RANG ")
    assert float(client.query(":SYST:HEAD OFF;:CHAN1:RANG?")) > 0


def test_done_event_is_read_and_cleared(bench, poll):
    _, client = bench
    single(client, poll)
    assert client.query(":ADER?") == "0"


def test_parts_of_the_record(bench, poll):
    _, client = bench
    single(client, poll)
    whole = np.frombuffer(client.block(":WAV:DATA?")[1], "i1")
    part = np.frombuffer(client.block(":WAV:DATA? 1001,500")[1], "i1")
    assert len(part) == 500
    assert np.array_equal(part, whole[1000:1500])


def test_coupling_and_impedance_are_one_word(bench):
    made, client = bench
    client.write(":SYST:HEAD OFF")
    assert client.query(":CHAN1:INP DC50;INP?") == "DC50"
    assert made.scope.acquisition.channel(1).impedance == 50.0
    client.write(":CHAN1:IMP FIFT")
    assert client.query(":SYST:ERR? STR").startswith("-113,")


def test_segments_are_counted_in_the_preamble(bench, poll, converted):
    made, client = bench
    single(client, poll, ":ACQ:MODE SEGM;:ACQ:SEGM:COUN 3")
    fields = client.query(":WAV:PRE?").split(",")
    assert fields[3] == "3"
    client.write(":ACQ:SEGM:IND 3")
    codes = np.frombuffer(client.block(":WAV:DATA?")[1], "i1")
    assert codes * float(fields[7]) == pytest.approx(converted(made, 1, 2), abs=1e-5)
    client.write(":WAV:SEGM:ALL ON")
    assert len(client.block(":WAV:DATA?")[1]) == 3 * int(fields[2])
    times = [float(t) for t in client.query(":WAV:SEGM:XLIS?").split(",")]
    assert np.diff(times) == pytest.approx([250e-6] * 2, abs=1e-8)


def test_error_query_has_two_forms(bench):
    _, client = bench
    client.write(":SYST:HEAD OFF;:NONSENSE")
    assert client.query(":SYST:ERR?") == "-113"
    client.write(":NONSENSE")
    assert client.query(":SYST:ERR? STR").startswith('-113,"Undefined header')
