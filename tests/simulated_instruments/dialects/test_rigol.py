"""The family's rules (programming guides as named in the dialect facts, section 5)."""

import numpy as np
import pytest

SET_UP = (
    ":CHAN1:SCAL 2;:CHAN2:DISP 1;:CHAN2:SCAL 2;:TIM:SCAL 5e-6;:TIM:OFFS 2e-5;:ACQ:MDEP 6000",
    ":TRIG:MODE EDGE;:TRIG:EDG:SOUR CHAN2;:TRIG:EDG:LEV 1",
)


@pytest.fixture
def bench(serve):
    return serve("rigol", seed=2)


def single(client, poll, *more):
    for message in (*SET_UP, *more):
        client.write(message)
    client.write(":SING")
    poll(client, ":TRIG:STAT?", lambda r: r != "STOP")
    poll(client, ":TRIG:STAT?", lambda r: r == "STOP")
    client.write(":WAV:MODE RAW")


def read(client):
    """Decode V = (code - yreference - yorigin) * yincrement."""
    fields = [float(f) for f in client.query(":WAV:PRE?").split(",")]
    form = client.query(":WAV:FORM?")
    client.write(f":WAV:STAR 1;:WAV:STOP {int(fields[2])}")
    codes = np.frombuffer(client.block(":WAV:DATA?")[1], "u1" if form == "BYTE" else "<u2")
    return fields, (codes.astype(float) - fields[9] - fields[8]) * fields[7]


@pytest.mark.parametrize("form", ["BYTE", "WORD"])
def test_volts_follow_from_the_preamble(bench, poll, converted, form):
    made, client = bench
    single(client, poll, f":WAV:FORM {form}", ":CHAN1:OFFS 0.8")
    fields, volts = read(client)
    assert len(volts) == 6000
    assert volts == pytest.approx(converted(made), abs=1e-6)
    assert fields[1] == 2, "type is the read mode: RAW"
    assert fields[8] == 10, "yorigin in codes: 0.8 V of 0.08 V"


def test_positive_offset_moves_the_trace_up(bench, poll):
    made, client = bench
    single(client, poll, ":CHAN1:OFFS 2")
    assert made.scope.acquisition.record().channels[0].offset == pytest.approx(-2.0)


def test_screen_points_and_memory(bench, poll):
    _, client = bench
    single(client, poll)
    assert client.query(":WAV:PRE?").split(",")[2] == "6000"
    client.write(":WAV:MODE NORM")
    fields = client.query(":WAV:PRE?").split(",")
    assert fields[1:3] == ["0", "1200"]
    assert float(fields[4]) == pytest.approx(5e-6 / 100)


def test_raw_is_refused_while_running(bench):
    _, client = bench
    client.write(":RUN;:WAV:MODE RAW")
    client.write(":WAV:DATA?")
    assert client.query(":SYST:ERR?").startswith("67,")


def test_one_read_is_limited_and_more_gives_an_empty_block(bench, poll, converted):
    # DS1000Z-E guide p2-180: 125000 points of WORD in one read
    made, client = bench
    single(client, poll, ":ACQ:MDEP 600000;:TIM:SCAL 5e-5", ":WAV:FORM WORD")
    client.write(":WAV:STAR 1;:WAV:STOP 300000")
    assert client.block(":WAV:DATA?")[1] == b""
    assert client.query(":SYST:ERR?").startswith("-222,")
    parts = []
    for first in (1, 125_001, 250_001):
        client.write(f":WAV:STAR {first};:WAV:STOP {min(first + 124_999, 300_000)}")
        parts.append(np.frombuffer(client.block(":WAV:DATA?")[1], "<u2"))
    codes = np.concatenate(parts).astype(float)
    assert (codes - 127) * 0.08 == pytest.approx(converted(made)[:300_000], abs=1e-6)


def test_status_still_says_stop_right_after_single(bench):
    made, client = bench
    made.scope.acquisition._stale = 0.2
    client.write(":TRIG:EDG:SOUR EXT;:SING")
    assert client.query(":TRIG:STAT?") == "STOP"
    assert client.query(":TRIG:SWE?") == "SING"


def test_memory_depth_depends_on_the_inputs_that_are_on(bench):
    _, client = bench
    client.write(":ACQ:MDEP 12000")
    assert client.query(":ACQ:MDEP?") == "12000"
    client.write(":CHAN2:DISP 1")
    assert client.query(":ACQ:MDEP?") == "6000"
    client.write(":ACQ:MDEP 12000")
    assert client.query(":SYST:ERR?").startswith("-222,")


def test_recorded_frames(bench, poll, converted):
    made, client = bench
    for message in SET_UP:
        client.write(message)
    client.write(":TRIG:SWE NORM;:FUNC:WREC:ENAB 1;:FUNC:WREC:FEND 3;:FUNC:WREC:OPER RUN")
    poll(client, ":FUNC:WREC:OPER?", lambda r: r == "STOP")
    assert client.query(":FUNC:WREP:FMAX?") == "3"
    client.write(":FUNC:WREP:FCUR 3;:WAV:MODE RAW")
    assert read(client)[1] == pytest.approx(converted(made, 1, 2), abs=1e-6)


def test_saturated_codes_are_the_end_codes(bench, poll):
    _, client = bench
    single(client, poll, ":CHAN1:SCAL 0.2")
    client.write(":WAV:STAR 1;:WAV:STOP 6000")
    codes = np.frombuffer(client.block(":WAV:DATA?")[1], "u1")
    assert (codes.min(), codes.max()) == (0, 255)


def test_level_beyond_the_screen_is_refused(bench):
    _, client = bench
    client.write(":TRIG:EDG:SOUR CHAN1;:CHAN1:SCAL 0.1;:TRIG:EDG:LEV 0.2;:TRIG:EDG:LEV 5")
    assert client.query(":SYST:ERR?").startswith("-222,")
    assert float(client.query(":TRIG:EDG:LEV?")) == 0.2
