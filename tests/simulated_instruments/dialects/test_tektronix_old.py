"""The older spelling (programmer manuals as named in the dialect facts, section 4)."""

import numpy as np
import pytest

SET_UP = (
    "HEAD OFF;:SEL:CH2 ON;:CH1:VOL 2;:CH2:VOL 2;:HOR:MAI:SCA 5e-6;:HOR:MAI:POS 2e-5",
    "TRIG:MAI:EDGE:SOU CH2;:TRIG:MAI:LEV 1;:TRIG:MAI:MOD NORM",
    "DAT:SOU CH1;:DAT:ENC RIB;:DAT:WID 1;:DAT:STAR 1;:DAT:STOP 2500;:ACQ:STOPA SEQ",
)


@pytest.fixture
def bench(serve):
    return serve("tektronix_old", seed=2)


def single(client, poll, *more):
    for message in (*SET_UP, *more):
        client.write(message)
    client.write("ACQ:STATE ON")
    poll(client, "BUSY?", lambda r: r == "0")


def test_volts_and_time_follow_from_the_preamble(bench, poll, converted):
    """V = (code - YOFf) * YMUlt + YZEro; X = XZEro + XINcr * (n - PT_Off)."""
    made, client = bench
    single(client, poll, "CH1:POS 1")
    names = ("YMU", "YOF", "YZE", "XIN", "XZE", "PT_O")
    gain, middle, zero, step, x0, point = (float(client.query(f"WFMP:{n}?")) for n in names)
    codes = np.frombuffer(client.block("CURV?")[1], "i1")
    assert (codes - middle) * gain + zero == pytest.approx(converted(made), abs=1e-9)
    record = made.scope.acquisition.record()
    assert x0 + step * (0 - point) == pytest.approx(record.timing.start + record.lag, abs=1e-12)
    assert middle == 25


def test_record_is_of_2500_points(bench, poll):
    _, client = bench
    single(client, poll)
    assert client.query("HOR:RECO?") == "2500"
    assert client.query("WFMP:NR_P?") == "2500"


@pytest.mark.parametrize(
    "header", ["WFMO?", "TRIG:A:LEV 1", "CH1:TER 50", "CH1:OFFS 1", "HOR:FAST:STATE ON", "EVM?"]
)
def test_newer_spelling_is_unknown(bench, header):
    made, client = bench
    client.write(f"*CLS;:{header}")
    client.query("*OPC?")
    assert [code for code, _ in made.scope.status.entries()] == [-113]


def test_undisplayed_waveform(bench, poll):
    _, client = bench
    single(client, poll)
    client.write("*CLS;:DAT:SOU CH4")
    client.write("CURV?")
    assert client.silent()
    client.query("*ESR?")
    assert client.query("ALLE?").startswith("2244,")
