"""Any answer to a decoder: an AnswerError, or the values that the published formula gives.

Half of the numbers are ordinary and half are not (none, huge, SCPI's infinity and not-a-number,
words), and the codes are any bytes. Nothing may crash, hang, or take memory for a claim. The
formulas are those that drivers/README.md names the manuals for, spelt out again here.
"""

import contextlib
import math
import struct
import tracemalloc

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from drivers import scpi, timestamps
from drivers.decode import CodeReader
from drivers.dialects import (
    keysight_infiniium,
    keysight_infiniivision,
    lecroy,
    ohmmeters,
    relay_units,
    rigol,
    rohde_schwarz,
    short_headers,
    siglent_old,
    tektronix,
)
from drivers.errors import AnswerError
from drivers.profile import ScopeProfile
from drivers.scpi_scope import ScpiScope
from drivers.trace import Trace

ODD = st.sampled_from(
    ("", "nan", "inf", "9.9E37", "-9.9E37", "9.91E37", "1E308", "-1E308", "1E-320", "1E999", "0",
     "-1", "²", "٣", "1,2", '"', "1e", "0x10", "9" * 20, "ON", "\0", "UINT,8", "RI", "MSB")
)  # fmt: skip
NUMBER = st.floats(-1e6, 1e6).map(lambda v: f"{v:.6E}") | st.integers(-300, 300).map(str)
ANY = ODD | NUMBER | st.text(max_size=12)
CODES = st.binary(max_size=64)


def reads(data, *, width, unsigned):
    """The codes of a block, as a driver makes them while it arrives, in two pieces."""
    own = np.frombuffer(bytearray(data), np.uint8)
    reader = CodeReader(width=width, unsigned=unsigned)
    half = len(data) // 4 * 2
    reader(memoryview(own)[:half])
    reader(memoryview(own)[half:])
    return reader.codes(own)


def codes_of(data, *, width, unsigned, order="<"):
    """The plain numbers in a block, without any code of the drivers."""
    sign = {(8, True): "B", (8, False): "b", (16, True): "H", (16, False): "h"}[width, unsigned]
    count = len(data) * 8 // width
    return np.array(struct.unpack(f"{order}{count}{sign}", data), float)


def check(made, expected, span):
    """A record that was accepted: the right dtype, and the volts of the formula."""
    assert isinstance(made, Trace)
    assert made.codes.dtype in (np.int8, np.int16)
    assert made.codes.flags.c_contiguous
    assert all(map(math.isfinite, (made.gain, made.offset, made.start, made.step)))
    assert made.step > 0
    found = made.volts()
    assert found.shape == expected.shape
    with np.errstate(over="ignore"):
        assert np.all(np.isclose(found, expected, rtol=1e-9, atol=1e-9 * span, equal_nan=False))


def spoiled(good):
    """Lists of answers like ``good``, with up to two of them replaced by anything."""
    places = st.dictionaries(st.integers(0, len(good) - 1), ANY, max_size=2)
    return places.map(lambda new: [new.get(i, value) for i, value in enumerate(good)])


def preamble(good):
    """Texts like the comma-separated ``good``, or any text at all."""
    return spoiled(good.split(",")).map(",".join) | st.text(max_size=80)


@given(preamble("0,0,8,1,4e-9,-2e-6,0,0.04,0.1,128"), CODES)
@example("nan,0,8,1,4e-9,-2e-6,0,0.04,0.1,128", b"")
@example("9.91E37,0,8,1,4e-9,-2e-6,0,0.04,0.1,128", b"")
@example("9.9E37,0,8,1,4e-9,-2e-6,0,0.04,0.1,128", b"")
@example("0,0,8,1,4e-9,-2e-6,0,1E37,1E37,1E37", b"1")
def test_infiniivision(text, data):
    """V = (u - yreference) * yincrement + yorigin."""
    with contextlib.suppress(AnswerError):
        scale = keysight_infiniivision.scaling(text)
        seen = reads(data[: len(data) // 2 * 2], width=scale.width, unsigned=True)
        made = keysight_infiniivision.trace(seen, scale, 8, text)
        f = scpi.numbers(text)
        u = codes_of(data[: len(data) // 2 * 2], width=(8, 16)[int(f[0])], unsigned=True)
        check(made, (u - f[9]) * f[7] + f[8], abs(f[7]) * (abs(f[9]) + 65536) + abs(f[8]))


@given(preamble("1,0,8,1,4e-9,-2e-6,0,0.04,0.1,0"), CODES)
@example("9.91E37,0,8,1,4e-9,-2e-6,0,0.04,0.1,0", b"")
def test_infiniium(text, data):
    """V = (code - yreference) * yincrement + yorigin, codes signed."""
    with contextlib.suppress(AnswerError):
        scale = keysight_infiniium.scaling(text)
        data = data[: len(data) // 2 * 2]
        made = keysight_infiniium.trace(
            reads(data, width=scale.width, unsigned=False), scale, 8, text
        )
        f = scpi.numbers(",".join(text.split(",")[:10]))
        c = codes_of(data, width={1: 8, 2: 16}[int(f[0])], unsigned=False)
        check(made, (c - f[9]) * f[7] + f[8], abs(f[7]) * (abs(f[9]) + 65536) + abs(f[8]))


@given(preamble("0,0,8,1,4e-9,-2e-6,0,0.04,12,128"), CODES, st.sampled_from([8, 12]))
@example("9.91E37,0,8,1,4e-9,-2e-6,0,0.04,12,128", b"", 8)
def test_rigol(text, data, bits):
    """V = (u - yreference - yorigin) * yincrement."""
    with contextlib.suppress(AnswerError):
        scale = rigol.scaling(text)
        data = data[: len(data) // 2 * 2]
        made = rigol.trace(reads(data, width=scale.width, unsigned=True), scale, bits, text)
        f = scpi.numbers(text)
        u = codes_of(data, width=(8, 16)[int(f[0])], unsigned=True)
        check(made, (u - f[9] - f[8]) * f[7], abs(f[7]) * (abs(f[9]) + abs(f[8]) + 65536))


@given(
    spoiled(["UINT,8", "-1E-6,1E-6,8,1", "-1E-6", "4e-9", "-0.5", "0.04"]), CODES,
    st.sampled_from([8, 16]),
)  # fmt: skip
@example(["UINT,8", "-1E-6,1E-6,9.9E37,1", "-1E-6", "4e-9", "-0.5", "0.04"], b"", 8)
def test_rohde_schwarz(answers, data, width):
    """V = yOrigin + yIncrement * u."""
    with contextlib.suppress(AnswerError):
        _, scale = rohde_schwarz._scaling(answers, width)
        data = data[: len(data) // 2 * 2]
        made = rohde_schwarz.trace(reads(data, width=width, unsigned=True), scale, 10, "")
        origin, increment = map(scpi.number, answers[4:])
        u = codes_of(data, width=width, unsigned=True)
        check(made, origin + increment * u, abs(origin) + 65536 * abs(increment))


@given(
    spoiled(["1", "RI", "LSB", "8", "1E-9", "-1E-6", "0", "4E-3", "0", "0"]), CODES, st.booleans()
)
@example(["1", "RI", "LSB", "8", "1E-9", "-1E-6", "0", "1E30", "1E30", "0"], b"", True)
def test_tektronix(answers, data, old):
    """V = (code - YOFf) * YMUlt + YZEro, codes signed."""
    fields = dict(zip(tektronix._FIELDS, answers, strict=True))
    with contextlib.suppress(AnswerError):
        scale = tektronix.scaling(fields)
        data = data[: len(data) // 2 * 2]
        made = tektronix.trace(
            reads(data, width=scale.width, unsigned=False), scale, 8, "", old=old
        )
        multiplier, offset, zero = (scpi.number(fields[n]) for n in ("YMUlt", "YOFf", "YZEro"))
        c = codes_of(data, width=8 * scpi.integer(fields["BYT_Nr"]), unsigned=False)
        span = abs(multiplier) * (65536 + abs(offset)) + abs(zero)
        check(made, (c - offset) * multiplier + zero, span)


class Answers:
    """Stands for the link: each query is answered by the next text."""

    label = "scope"

    def __init__(self, answers):
        self._answers = iter(answers)

    def ask(self, _command, read, **_options):
        return read(next(self._answers))


@given(spoiled(["200 mV", "0.1V", "1.00us", "-5.0ns", "1.00GSa/s"]), CODES)
@example(["200 mV", "0.1V", "1.00us", "-5.0ns", "0Sa/s"], b"1")
@example(["200 mV", "0.1V", "1.00us", "-5.0ns", "9.9E37"], b"1")
@example(["200 mV", "9.91E37", "1.00us", "-5.0ns", "1"], b"1")
def test_siglent_old(answers, data):
    """V = code * (vdiv / 25) - offset, codes signed."""
    scope = siglent_old.SiglentOld.__new__(siglent_old.SiglentOld)
    scope.link, scope.profile = Answers(answers), PROFILE
    with contextlib.suppress(AnswerError):
        scale = scope._scaling(1)
        made = siglent_old.trace(reads(data, width=8, unsigned=False), scale, "")
        per_division, offset = map(scpi.suffixed_number, answers[:2])
        c = codes_of(data, width=8, unsigned=False)
        expected = c * (per_division / 25) - offset
        check(made, expected, abs(per_division) * 128 + abs(offset))


def described(changes, codes, times):
    """A WF? ALL block: the descriptor of the published template, with fields changed."""
    fields = {
        "COMM_TYPE": 0, "COMM_ORDER": 1, "WAVE_DESCRIPTOR": 346, "TRIGTIME_ARRAY": len(times),
        "WAVE_ARRAY_1": len(codes), "WAVE_ARRAY_COUNT": len(codes),
        "LAST_VALID_PNT": len(codes) - 1, "SUBARRAY_COUNT": 1, "VERTICAL_GAIN": 0.01,
        "VERTICAL_OFFSET": 0.1, "MAX_VALUE": 127, "MIN_VALUE": -128,
        "HORIZ_INTERVAL": 1e-9, "HORIZ_OFFSET": -1e-6,
    }  # fmt: skip
    block = bytearray(346)
    block[:8] = b"WAVEDESC"
    for name, value in (fields | changes).items():
        at, form = lecroy._FIELDS[name]
        struct.pack_into("<" + form, block, at, value)
    return bytes(block) + times + codes


@st.composite
def changes(draw):
    found = {}
    for name in draw(st.sets(st.sampled_from(sorted(lecroy._FIELDS)), max_size=3)):
        form = lecroy._FIELDS[name][1]
        found[name] = draw(
            {
                "h": st.integers(-(1 << 15), (1 << 15) - 1),
                "i": st.integers(-(1 << 31), (1 << 31) - 1) | st.integers(-400, 400),
                "f": st.floats(width=32),
                "d": st.floats(),
            }[form]
        )
    return found


@given(changes(), CODES, st.binary(max_size=40), st.integers(0, 3))
@example({}, b"12", b"123", 0)
@example({"TRIGTIME_ARRAY": -2, "WAVE_ARRAY_1": 0, "WAVE_ARRAY_COUNT": 0}, b"", b"", 0)
@example({"WAVE_ARRAY_1": -1, "WAVE_ARRAY_COUNT": -1}, b"12", b"", 0)
def test_lecroy(new, codes, times, segment):
    """V = gain * code - offset, codes signed."""
    block = described(new, codes, times)
    with contextlib.suppress(AnswerError):
        made = lecroy.trace(np.frombuffer(bytearray(block), np.uint8), 8, segment)
        head = lecroy.descriptor(block)
        order = ">" if head.big_endian else "<"
        data = block[head.data_at : head.data_at + head.data]
        c = codes_of(data, width=head.width, unsigned=False, order=order)
        gain, offset = float(head.gain), float(head.offset)
        check(made, gain * c - offset, abs(gain) * 65536 + abs(offset))


@given(st.binary(max_size=400))
def test_any_bytes_as_a_descriptor(block):
    with contextlib.suppress(AnswerError):
        lecroy.descriptor(b"WAVEDESC" + block)


READERS = {
    "number": scpi.number, "positive": scpi.positive, "integer": scpi.integer,
    "suffixed": scpi.suffixed_number, "numbers": scpi.numbers, "boolean": scpi.boolean,
    "identity": scpi.identity, "error entry": scpi.error_entry, "event list": scpi.event_list,
    "frame times": timestamps.frame_times, "trigger source T": tektronix.trigger_source,
    "trigger source KV": keysight_infiniivision._trigger_source,
    "trigger source KI": keysight_infiniium._trigger_source,
    "trigger source R": rohde_schwarz._trigger_source, "trigger source G": rigol._trigger_source,
    "trigger source S": short_headers._trigger_source, "bandwidth G": rigol._bandwidth_limit,
    "bandwidth S": lambda text: short_headers._bandwidth_limit(text, "C1"),
    "sequence": lecroy._sequence, "impedance": tektronix._impedance,
    "channel list": relay_units.parse_channel_list,
    "states": lambda text: relay_units._states(text, 2),
}  # fmt: skip
PIECES = (
    ",", '"', "CH", "CHAN", "C1", "(@", ")", ":", "EDGE", "SR", "ON", "02 Mar 2000 20:10:54.",
    "Sa/s", "k", "*IDN ",
)  # fmt: skip
WORDS = st.lists(ODD | NUMBER | st.sampled_from(PIECES), max_size=8)


@pytest.mark.parametrize("name", READERS)
@given(WORDS.map("".join) | st.text(max_size=40))
@example("(@1:99999999999)")
@example('"02 Mar 2000 20:10:54.²"')
@example("CH1E999")
def test_any_text_is_read_or_refused(name, text):
    with contextlib.suppress(AnswerError):
        READERS[name](text)


@given(st.binary(max_size=4), st.binary(max_size=12))
def test_any_bytes_open_a_block_or_are_refused(first, digits):
    with contextlib.suppress(AnswerError):
        assert 1 <= scpi.block_digits(first) <= 9
    with contextlib.suppress(AnswerError):
        assert 0 <= scpi.block_length(digits, 1000) <= 1000


PROFILE = ScopeProfile(
    name="any", dialect="any", maker="M", model="1", channels=4, vertical_ranges=(1.0,),
    vertical_divisions=8, horizontal_divisions=14, bandwidth=1e8, maximum_sample_rate=1e9,
    maximum_record_length=1000, bits=8, code_bits=8, input_impedances=(1e6,), gain_accuracy=0.03,
)  # fmt: skip


class Whole:
    """Stands for the link: fills what it is given."""

    label = "scope"

    def query_block_into(self, _command, data, *, arrived):
        arrived(memoryview(data))
        return data.size


@given(st.integers(-10, 10_000) | st.sampled_from([10**9, 10**15, 10**40, -(10**40)]))
@settings(max_examples=50)
def test_no_memory_is_taken_for_a_claim(points):
    """More than twice the memory of the profile is refused before an array is made for it."""
    scope = ScpiScope.__new__(keysight_infiniivision.KeysightInfiniiVision)
    scope.link, scope.profile = Whole(), PROFILE
    tracemalloc.start()
    try:
        if 0 <= points <= 2000:
            assert scope.read_codes("x", points, width=16, unsigned=True).codes.size == points
        else:
            with pytest.raises(AnswerError, match="were expected"):
                scope.read_codes("x", points, width=16, unsigned=True)
        assert tracemalloc.get_traced_memory()[1] < 1 << 20
    finally:
        tracemalloc.stop()


def test_every_dialect_is_here():
    """A dialect that is added has to be fuzzed too."""
    from pathlib import Path

    import drivers.dialects

    (folder,) = drivers.dialects.__path__
    names = {p.stem for p in Path(folder).glob("*.py")} - {"__init__", "tektronix_old"}
    assert names <= set(globals()), names
    assert ohmmeters  # its answers are numbers: scpi.number
