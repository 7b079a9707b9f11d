"""The family's rules (user manuals as named in the dialect facts, section 8a)."""

import numpy as np
import pytest

SET_UP = (
    "CHAN1:SCAL 2;:CHAN2:STAT ON;:CHAN2:SCAL 2;:TIM:SCAL 4e-6;:TIM:POS 2e-5;:ACQ:POIN 20000",
    "TRIG:A:SOUR CH2;:TRIG:A:LEV2 1;:TRIG:A:MODE NORM;:CHAN1:DATA:POIN DMAX",
)


@pytest.fixture
def bench(serve):
    return serve("rohde_schwarz", seed=2)


def single(client, poll, *more):
    for message in (*SET_UP, *more):
        client.write(message)
    client.write("SING")
    poll(client, "ACQ:STAT?", lambda r: r == "COMP")


@pytest.mark.parametrize(
    ("form", "order", "dtype", "doubt"),
    [
        ("UINT,8", "MSBF", "u1", 1.0),  # two of the ten bits are cut off
        ("UINT,16", "MSBF", ">u2", 0.001),
        ("UINT,16", "LSBF", "<u2", 0.001),
    ],
)
def test_volts_follow_from_origin_and_increment(bench, poll, converted, form, order, dtype, doubt):
    """V = yOrigin + yIncrement * code; t = xOrigin + n * xIncrement."""
    made, client = bench
    single(client, poll, f"FORM {form};:FORM:BORD {order}")
    origin, increment = (float(client.query(f"CHAN1:DATA:{n}?")) for n in ("YOR", "YINC"))
    start, stop, count, each = (float(f) for f in client.query("CHAN1:DATA:HEAD?").split(","))
    codes = np.frombuffer(client.block("CHAN1:DATA?")[1], dtype)
    assert len(codes) == count
    assert each == 1
    assert origin + increment * codes == pytest.approx(converted(made), abs=doubt * 0.08 + 1e-6)
    step = float(client.query("CHAN1:DATA:XINC?"))
    assert stop - start == pytest.approx((count - 1) * step, rel=1e-6)
    assert start == pytest.approx(-4e-6, rel=1e-6)


def test_worked_example_of_the_manual(bench, poll):
    # RTB2000 manual p244: the origin is the same for 8 and 16 bits, the increment 1/256;
    # the screen's centre is 127.5
    _, client = bench
    single(client, poll)
    eight = [float(client.query(f"FORM UINT,8;:CHAN1:DATA:{n}?")) for n in ("YOR", "YINC")]
    sixteen = [float(client.query(f"FORM UINT,16;:CHAN1:DATA:{n}?")) for n in ("YOR", "YINC")]
    assert eight[0] == sixteen[0]
    assert eight[1] / sixteen[1] == pytest.approx(256)
    assert eight[0] + 127.5 * eight[1] == pytest.approx(0.0, abs=1e-9)


def test_sixteen_bits_are_shifted_left(bench, poll):
    _, client = bench
    single(client, poll, "FORM UINT,16")
    codes = np.frombuffer(client.block("CHAN1:DATA?")[1], ">u2")
    assert not np.any(codes & 0x3F), "ten bits"


def test_defaults_after_reset_are_ascii_and_high_byte_first(bench, poll):
    _, client = bench
    client.write("*RST")
    assert client.query("FORM?;:FORM:BORD?") == "ASC,0;MSBF"
    single(client, poll)
    assert len(client.query("CHAN1:DATA?").split(",")) == int(client.query("CHAN1:DATA:POIN?"))


def test_screen_points_come_without_a_word_while_running(bench):
    _, client = bench
    for message in SET_UP:
        client.write(message)
    client.write("FORM UINT,8;:TRIG:A:MODE AUTO;:SING;*OPC?")
    client.line()
    assert len(client.block("CHAN1:DATA?")[1]) == 20_000
    client.write("RUN")
    assert len(client.block("CHAN1:DATA?")[1]) < 1300
    assert client.query("SYST:ERR?") == '0,"No error"'


def test_dc_is_fifty_ohms(bench):
    made, client = bench
    for word, impedance in (("DC", 50.0), ("DCL", 1e6)):
        assert client.query(f"CHAN1:COUP {word};COUP?") == word
        assert made.scope.acquisition.channel(1).impedance == impedance


def test_interrupted_acquisition_says_so(bench):
    _, client = bench
    for message in SET_UP:
        client.write(message)
    client.write("TRIG:A:SOUR EXT;:SING")
    assert client.query("ACQ:STAT?") == "RUN"
    client.write("STOP")
    assert client.query("ACQ:STAT?") == "BRE"


def test_history_counts_backwards_from_the_newest(bench, poll, converted):
    made, client = bench
    single(client, poll, "FORM UINT,16;:ACQ:NSIN:COUN 3")
    times = [float(t) for t in client.query("CHAN1:HIST:TSR:ALL?").split(",")]
    assert times == pytest.approx([-500e-6, -250e-6, 0.0], abs=1e-8), "oldest first, to the newest"
    origin, increment = (float(client.query(f"CHAN1:DATA:{n}?")) for n in ("YOR", "YINC"))
    for current, segment in ((0, 2), (-2, 0)):
        client.write(f"CHAN1:HIST:CURR {current}")
        codes = np.frombuffer(client.block("CHAN1:DATA?")[1], ">u2")
        assert origin + increment * codes == pytest.approx(converted(made, 1, segment), abs=1e-4)
    client.write("CHAN1:HIST:CURR -3")
    assert client.query("SYST:ERR?").startswith("-222,")


def test_formats_that_do_not_exist(bench):
    _, client = bench
    client.write("FORM UINT,12")
    client.write("FORM INT,8")
    assert client.query("SYST:ERR:ALL?").startswith("-224,")
