"""The family's rules (programmer manuals as named in the dialect facts, section 4)."""

import numpy as np
import pytest

SET_UP = (
    "HEAD OFF;:SEL:CH2 ON;:CH1:SCA 2;:CH2:SCA 2;:HOR:SCA 4e-6;:HOR:RECO 10000",
    "HOR:DEL:MOD OFF;:HOR:POS 10;:TRIG:A:EDGE:SOU CH2;:TRIG:A:LEV 1;:TRIG:A:MOD NORM",
    "DAT:SOU CH1;:DAT:STAR 1;:DAT:STOP 10000;:ACQ:STOPA SEQ",
)
NAMES = [
    "BYT_NR", "BIT_NR", "ENCDG", "BN_FMT", "BYT_OR", "WFID", "NR_PT", "PT_FMT", "XUNIT", "XINCR",
    "XZERO", "PT_OFF", "YUNIT", "YMULT", "YOFF", "YZERO", "NR_FR",
]  # fmt: skip


@pytest.fixture
def bench(serve):
    return serve("tektronix", seed=2)


def single(client, poll, *more):
    for message in (*SET_UP, *more):
        client.write(message)
    client.write("ACQ:STATE ON")
    poll(client, "BUSY?", lambda r: r == "0")


def preamble(client):
    return {
        name: float(client.query(f"WFMO:{name}?"))
        for name in ("YMULT", "YOFF", "YZERO", "XZERO", "XINCR")
    }


@pytest.mark.parametrize(
    ("encoding", "width", "dtype"),
    [
        ("RIB", 1, "i1"),
        ("RPB", 1, "u1"),
        ("RIB", 2, ">i2"),
        ("RPB", 2, ">u2"),
        ("SRI", 2, "<i2"),
        ("SRP", 2, "<u2"),
    ],
)
def test_volts_follow_from_the_preamble(bench, poll, converted, encoding, width, dtype):
    """V = (code - YOFf) * YMUlt + YZEro."""
    made, client = bench
    single(client, poll, f"DAT:ENC {encoding};:DAT:WID {width}")
    scale = preamble(client)
    codes = np.frombuffer(client.block("CURV?")[1], dtype)
    volts = (codes - scale["YOFF"]) * scale["YMULT"] + scale["YZERO"]
    assert len(codes) == 10_000
    assert volts == pytest.approx(converted(made), abs=1e-9)
    if width == 2:
        assert not np.any(codes & 0xFF), "8-bit data asked for as two bytes have a zero low byte"


def test_worked_step_of_the_manual(bench, poll):
    # MSO4000 manual p2-485: 1 V per division is 40 mV per level, 25 levels a division
    _, client = bench
    single(client, poll, "CH1:SCA 1")
    assert preamble(client)["YMULT"] == pytest.approx(40e-3)


def test_headers_are_on_until_switched_off(bench):
    _, client = bench
    assert client.query("CH1:SCA?").startswith(":CH1:SCALE ")
    assert client.query("VERB OFF;:CH1:SCA?").startswith(":CH1:SCA ")
    assert float(client.query("HEAD OFF;:CH1:SCA?")) > 0
    client.write("*RST")
    assert client.query("CH1:SCA?").startswith(":CH1:SCALE ")


def test_curve_carries_its_header_too(bench, poll):
    _, client = bench
    single(client, poll, "HEAD OFF")
    client.write("HEAD ON")
    assert client.block("CURV?")[0] == ":CURVE "


def test_whole_preamble_is_in_the_order_of_the_manual(bench, poll):
    _, client = bench
    single(client, poll)
    assert len(client.query("WFMO?").split(";")) == len(NAMES)
    client.write("HEAD ON")
    units = client.query("WFMO?").removeprefix(":WFMOUTPRE ").split(";")
    assert [u.split(" ")[0] for u in units] == NAMES


def test_window_is_one_based_and_inclusive_and_does_not_follow_the_record(bench, poll, converted):
    made, client = bench
    single(client, poll)
    whole = preamble(client)
    client.write("DAT:STAR 101;:DAT:STOP 300")
    part = preamble(client)
    codes = np.frombuffer(client.block("CURV?")[1], np.int8)
    assert len(codes) == 200
    assert client.query("WFMO:NR_P?") == "200"
    assert part["XZERO"] - whole["XZERO"] == pytest.approx(100 * whole["XINCR"], rel=1e-6)
    assert codes * part["YMULT"] == pytest.approx(converted(made)[100:300], abs=1e-9)
    client.write("HOR:RECO 1000")
    assert client.query("DAT:STOP?") == "300"


def test_offset_is_subtracted_and_position_moves_up(bench, poll, converted):
    made, client = bench
    single(client, poll, "CH2:OFFS 6;:CH2:POS 1;:DAT:SOU CH2")
    channel = made.scope.acquisition.record().channels[1]
    assert channel.offset == pytest.approx(6.0 - 1 * 2.0)  # level at the centre of the screen
    scale = preamble(client)
    codes = np.frombuffer(client.block("CURV?")[1], np.int8)
    volts = (codes - scale["YOFF"]) * scale["YMULT"] + scale["YZERO"]
    assert volts == pytest.approx(converted(made, 2), abs=1e-9)
    assert (scale["YZERO"], scale["YOFF"]) == (6.0, 25.0)


def test_saturation_has_no_reserved_code(bench, poll):
    _, client = bench
    single(client, poll, "CH1:SCA 0.2")
    codes = np.frombuffer(client.block("CURV?")[1], np.int8)
    assert (codes.min(), codes.max()) == (-128, 127)


def test_waveform_that_is_not_displayed_gives_nothing_and_two_events(bench, poll):
    # TDS programmer p2-84: events 2244 and 420
    _, client = bench
    single(client, poll)
    client.write("*CLS;:DAT:SOU CH3")
    client.write("CURV?")
    assert client.silent()
    assert client.query("ALLE?") == '1,"No events to report - new events pending *ESR?"'
    assert int(client.query("*ESR?"))
    assert [part for part in client.query("ALLE?").split(",") if part.isdigit()] == ["2244", "420"]
    assert client.query("EVENT?") == "0"


def test_trigger_state_lags_behind_arming(bench):
    made, client = bench
    for message in SET_UP:
        client.write(message)
    made.scope.acquisition._stale = 0.2
    client.write("TRIG:A:EDGE:SOU EXT;:ACQ:STATE ON")
    assert client.query("TRIG:STATE?") == "SAVE", "still that of the time before"
    assert client.query("BUSY?") == "1"


def test_trigger_states(bench, poll):
    _, client = bench
    for message in SET_UP:
        client.write(message)
    client.write("TRIG:A:EDGE:SOU EXT;:ACQ:STATE ON")
    poll(client, "TRIG:STATE?", lambda r: r == "READY")
    client.write("TRIG FORC")
    poll(client, "TRIG:STATE?", lambda r: r == "SAVE")
    assert client.query("ACQ:STATE?") == "0"


def test_delay_mode_decides_what_position_means(bench):
    made, client = bench
    client.write("HOR:SCA 4e-6;:HOR:POS 10")
    client.query("*OPC?")
    assert made.scope.acquisition.timing.start == pytest.approx(-20e-6)
    client.write("HOR:DEL:MOD OFF")
    client.query("*OPC?")
    assert made.scope.acquisition.timing.start == pytest.approx(-4e-6)


def test_record_length_is_one_of_the_list_and_sets_the_rate(bench):
    _, client = bench
    client.write("HEAD OFF;:HOR:SCA 4e-6;:HOR:RECO 90000")
    assert client.query("HOR:RECO?") == "100000"
    assert float(client.query("HOR:SAMPLER?")) == pytest.approx(2.5e9)
    assert float(client.query("HOR:SCA 3e-6;:HOR:SCA?")) == pytest.approx(4e-6)


def test_impedance_coupling_and_bandwidth(bench):
    _, client = bench
    client.write("HEAD OFF;:CH1:TER 50;:CH1:COUP AC;:CH1:BAN TWE")
    assert client.query("CH1:TER?;:CH1:COUP?;:CH1:BAN?") == "5.000000E+01;AC;2.000000E+07"
    client.write("CH1:TER 75")
    assert int(client.query("*ESR?")) & 16


def test_frames_come_in_one_curve_with_time_stamps(bench, poll, converted):
    made, client = bench
    single(client, poll, "HOR:FAST:STATE ON;:HOR:FAST:COUN 3")
    assert client.query("WFMO:NR_FR?") == "3"
    codes = np.frombuffer(client.block("CURV?")[1], np.int8).reshape(3, 10_000)
    for frame in range(3):
        assert codes[frame] * 0.08 == pytest.approx(converted(made, 1, frame), abs=1e-9)
    reply = client.query("HOR:FAST:TIMES:ALL:CH1? 1,3").split(",")
    assert reply[:2] == ["1", "3"]
    stamps = [s.strip('"') for s in reply[2:]]
    seconds = [float(s.split(":")[2].replace(" ", "")) for s in stamps]
    assert np.diff(seconds) == pytest.approx([250e-6] * 2, abs=1e-8)
    client.write("DAT:FRAMESTAR 2;:DAT:FRAMESTOP 2")
    assert np.array_equal(np.frombuffer(client.block("CURV?")[1], np.int8), codes[1])
