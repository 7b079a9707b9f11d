"""The family's rules (programmer's guides as named in the dialect facts, section 2)."""

import numpy as np
import pytest

SET_UP = (
    ":CHAN1:RANG 16;:CHAN2:DISP 1;:CHAN2:RANG 16;:TIM:RANG 40e-6;:TIM:POS 16e-6",
    ":TRIG:MODE EDGE;:TRIG:SOUR CHAN2;:TRIG:LEV 1;:TRIG:SLOP POS",
)


@pytest.fixture
def bench(serve):
    return serve("keysight_infiniivision", seed=2)


def single(client, poll):
    for message in SET_UP:
        client.write(message)
    client.write(":SING")
    poll(client, ":OPER:COND?", lambda r: not int(r) & 8)
    client.write(":WAV:POIN:MODE RAW;:WAV:POIN 10000")


def preamble(client):
    return [float(f) for f in client.query(":WAV:PRE?").split(",")]


@pytest.mark.parametrize(
    ("form", "order", "unsigned", "dtype"),
    [
        ("BYTE", "MSBF", 1, "u1"),
        ("BYTE", "MSBF", 0, "i1"),
        ("WORD", "MSBF", 1, ">u2"),
        ("WORD", "LSBF", 1, "<u2"),
        ("WORD", "LSBF", 0, "<i2"),
    ],
)
def test_volts_follow_from_the_preamble(bench, poll, converted, form, order, unsigned, dtype):
    """V = (code - yreference) * yincrement + yorigin."""
    made, client = bench
    single(client, poll)
    client.write(f":WAV:FORM {form};:WAV:BYT {order};:WAV:UNS {unsigned}")
    fields = preamble(client)
    prefix, data = client.block(":WAV:DATA?")
    codes = np.frombuffer(data, dtype).astype(float)
    volts = (codes - fields[9]) * fields[7] + fields[8]
    stride = round(fields[4] * 1.25e9)  # two inputs of one pair: half the rate
    assert prefix == ""
    assert volts == pytest.approx(converted(made, every=stride), abs=1e-6)
    assert fields[9] == (0 if not unsigned else 128 if form == "BYTE" else 32768)
    assert fields[0] == (0 if form == "BYTE" else 1)
    assert fields[2] == len(codes) == 10_000


def test_block_has_eight_digits(bench, poll):
    _, client = bench
    single(client, poll)
    client.write(":WAV:DATA?")
    assert client.file.read(10) == b"#800010000"


def test_defaults_after_reset(bench):
    # programmer's guides: unsigned, MSBF, BYTE, 1000 points
    _, client = bench
    client.write("*RST")
    assert client.query(":WAV:UNS?;:WAV:BYT?;:WAV:FORM?;:WAV:POIN:MODE?") == "1;MSBF;BYTE;NORM"
    assert client.query(":WAV:POIN?") == "1000"


def test_clipped_samples_get_the_reserved_codes(bench, poll):
    _, client = bench
    for message in SET_UP:
        client.write(message)
    client.write(":CHAN1:RANG 4;:SING")
    poll(client, ":OPER:COND?", lambda r: not int(r) & 8)
    client.write(":WAV:POIN:MODE RAW;:WAV:POIN 10000")
    codes = np.frombuffer(client.block(":WAV:DATA?")[1], np.uint8)
    assert codes.max() == 255
    assert codes.min() == 1
    client.write(":WAV:FORM WORD")
    words = np.frombuffer(client.block(":WAV:DATA?")[1], ">u2")
    assert words.max() == 0xFFFF
    assert words.min() == 1
    assert not np.any(words[(words > 1) & (words < 0xFFFF)] & 0xFF), "8 bits shifted left"


def test_single_makes_the_sweep_normal(bench):
    _, client = bench
    assert client.query(":TRIG:SWE?") == "AUTO"
    client.write(":TRIG:SOUR EXT;:SING")
    assert client.query(":TRIG:SWE?") == "NORM"
    assert client.query(":OPER:COND?") != "0"
    client.write(":STOP")
    assert client.query(":OPER:COND?") == "0"


def test_arm_and_trigger_events_clear_when_read(bench, poll):
    _, client = bench
    single(client, poll)
    assert client.query(":TER?") == "+1"
    assert client.query(":TER?") == "+0"
    assert client.query(":AER?") == "+1"
    assert client.query(":AER?") == "+0"


def test_digitize_blocks_the_parser(bench):
    _, client = bench
    for message in SET_UP:
        client.write(message)
    client.write(":TRIG:SWE NORM;:DIG CHAN1,CHAN2")
    assert client.query(":OPER:COND?") == "0"
    assert client.query(":WAV:PRE?").split(",")[2] == "+1000"


def test_raw_needs_a_stopped_acquisition(bench):
    _, client = bench
    for message in SET_UP:
        client.write(message)
    client.write(":TRIG:SOUR EXT;:TRIG:SWE NORM;:SING;:WAV:POIN:MODE RAW")
    client.write(":WAV:DATA?")
    assert client.query(":SYST:ERR?").startswith("-221,")


def test_nothing_recorded_is_stale_data(bench):
    _, client = bench
    client.write(":WAV:DATA?")
    assert client.query(":SYST:ERR?").startswith("-230,")


def test_source_that_is_not_displayed_conflicts(bench, poll):
    _, client = bench
    single(client, poll)
    client.write(":WAV:SOUR CHAN3")
    client.write(":WAV:DATA?")
    assert client.query(":SYST:ERR?").startswith("-221,")


def test_ranges_are_those_of_the_model_and_beyond_them_is_an_error(bench):
    _, client = bench
    assert float(client.query(":CHAN1:RANG 5;RANG?")) == 8.0
    assert float(client.query(":CHAN1:SCAL 0.001;SCAL?")) == 0.001
    assert float(client.query(":CHAN1:RANG 100;RANG?")) == 40.0
    assert client.query(":SYST:ERR?").startswith("-222,")
    assert client.query(":SYST:ERR?") == '+0,"No error"'


def test_probe_factor_scales_range_level_and_volts(bench, poll, converted):
    made, client = bench
    for message in SET_UP:
        client.write(message)
    client.write(":CHAN2:PROB 10")
    assert float(client.query(":CHAN2:RANG?")) == 160.0
    assert float(client.query(":TRIG:LEV?")) == 10.0
    client.write(":SING")
    poll(client, ":OPER:COND?", lambda r: not int(r) & 8)
    client.write(":WAV:POIN:MODE RAW;:WAV:POIN 10000;:WAV:SOUR CHAN2")
    fields = preamble(client)
    codes = np.frombuffer(client.block(":WAV:DATA?")[1], np.uint8).astype(float)
    volts = (codes - fields[9]) * fields[7] + fields[8]
    assert volts[9000:].mean() == pytest.approx(10 * converted(made, 2)[45000:].mean(), rel=0.01)


def test_inputs_of_a_pair_share_rate_and_memory(bench):
    _, client = bench
    client.write(":TIM:RANG 1e-3")
    alone = float(client.query(":ACQ:SRAT?")), int(client.query(":ACQ:POIN?"))
    client.write(":CHAN2:DISP 1")
    paired = float(client.query(":ACQ:SRAT?")), int(client.query(":ACQ:POIN?"))
    assert paired == (alone[0] / 2, alone[1] / 2)


def test_time_of_the_first_point_follows_position_and_reference(bench, poll):
    _, client = bench
    single(client, poll)
    assert preamble(client)[5] == pytest.approx(-4e-6)
    client.write(":TIM:REF LEFT;:TIM:POS 0;:SING")
    poll(client, ":OPER:COND?", lambda r: not int(r) & 8)
    assert preamble(client)[5] == pytest.approx(-4e-6)  # a tenth of 40 us ahead of the trigger


def test_segments(bench, poll, converted):
    made, client = bench
    for message in SET_UP:
        client.write(message)
    client.write(":ACQ:MODE SEGM;:ACQ:SEGM:COUN 4;:SING")
    poll(client, ":OPER:COND?", lambda r: not int(r) & 8)
    client.write(":WAV:POIN:MODE RAW;:WAV:POIN 10000")
    assert client.query(":WAV:SEGM:COUN?") == "4"
    tags = []
    for index in range(1, 5):
        client.write(f":ACQ:SEGM:IND {index}")
        tags.append(float(client.query(":WAV:SEGM:TTAG?")))
    assert np.diff(tags) == pytest.approx([250e-6] * 3, abs=1e-8)
    codes = np.frombuffer(client.block(":WAV:DATA?")[1], np.uint8)
    fields = preamble(client)
    volts = (codes.astype(float) - fields[9]) * fields[7] + fields[8]
    assert volts == pytest.approx(converted(made, 1, 3, every=5), abs=1e-6)


def test_ascii_is_format_four(bench, poll):
    _, client = bench
    single(client, poll)
    client.write(":WAV:POIN 100;:WAV:FORM ASC")
    assert preamble(client)[0] == 4
    values = client.block(":WAV:DATA?")[1].decode().split(",")
    assert len(values) == 100
    assert max(abs(float(v)) for v in values) < 8.1
