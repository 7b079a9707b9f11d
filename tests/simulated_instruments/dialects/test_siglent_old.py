"""The family's own rules (programming guides as named in the dialect facts, section 6)."""

import numpy as np
import pytest

SET_UP = (
    "CHDR OFF;C1:VDIV 2;C2:TRA ON;C2:VDIV 2;TDIV 5E-6;TRDL 2E-5;MSIZ 7K",
    "TRSE EDGE,SR,C2,HT,OFF;C2:TRLV 1;WFSU SP,0,NP,0,FP,0",
)


@pytest.fixture
def bench(serve):
    return serve("siglent_old", seed=2)


def single(client, poll, *more):
    for message in (*SET_UP, *more):
        client.write(message)
    client.write("TRMD SINGLE")
    poll(client, "INR?", lambda r: int(r) & 1)


def waveform(client):
    prefix, data = client.block("C1:WF? DAT2")
    assert client.file.read(1) == b"\n", "two line feeds end a waveform"
    return prefix, np.frombuffer(data, np.int8)


def test_volts_and_time_follow_from_settings(bench, poll, converted):
    """V = code * (vdiv/25) - offset; the first point is at TRDL - TDIV * 14 / 2."""
    made, client = bench
    single(client, poll, "C1:OFST -0.4")
    prefix, codes = waveform(client)
    vdiv, offset, tdiv, delay, rate = (
        float(client.query(q)) for q in ("C1:VDIV?", "C1:OFST?", "TDIV?", "TRDL?", "SARA?")
    )
    assert prefix == "ALL,"
    assert codes * vdiv / 25 - offset == pytest.approx(converted(made), abs=1e-6)
    timing = made.scope.acquisition.record().timing
    assert delay - tdiv * 14 / 2 == pytest.approx(timing.start)
    assert rate == pytest.approx(1 / timing.step)


def test_header_and_nine_digits(bench, poll):
    _, client = bench
    single(client, poll)
    client.write("CHDR SHORT;C1:WF? DAT2")
    assert client.file.read(21) == b"C1:WF ALL,#9000007000"


def test_window(bench, poll):
    _, client = bench
    single(client, poll)
    _, whole = waveform(client)
    client.write("WFSU SP,4,NP,100,FP,1000")
    _, part = waveform(client)
    assert len(part) == 100
    assert np.abs(part.astype(int) - whole[1000:1400:4]).max() < 8, "the same waveform, other noise"


def test_rate_carries_its_unit_with_headers(bench):
    _, client = bench
    assert client.query("SARA?").startswith("SARA ")
    assert client.query("SARA?").endswith("Sa/s")


def test_end_codes_saturate(bench, poll):
    _, client = bench
    single(client, poll, "C1:VDIV 0.2")
    _, codes = waveform(client)
    assert (codes.min(), codes.max()) == (-128, 127)


def test_sample_status_words(bench):
    _, client = bench
    client.write("CHDR OFF;TRSE EDGE,SR,EX;STOP")
    assert client.query("SAST?") == "Stop"
