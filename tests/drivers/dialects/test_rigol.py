"""The ten-number preamble with an origin in codes, against what the maker's guides print.

Keys such as RG6 name the guides in drivers/README.md.
"""

from __future__ import annotations

import numpy as np
import pytest

from drivers.decode import SeenCodes, signed_codes
from drivers.dialects.rigol import scaling, trace
from drivers.errors import AnswerError

RG6 = "0,0,1400,1,1.000000e-08,-7.000000e-06,0,4.000000e-02,0,127"
RG1 = "0,2,6000000,1,1.000000e-09,-3.000000e-03,0,4.132813e-01,0,122"
OLDER = "0,2,600,2,0.000000,-0.000006,0,0.008000,50,127"


def volts(wire, preamble, bits=8):
    scale = scaling(preamble)
    data = np.frombuffer(bytearray(wire), np.uint8)
    codes = signed_codes(data, width=scale.width, unsigned=True)
    return trace(SeenCodes.of(codes), scale, bits, preamble).volts()


def test_volts_of_the_printed_code_with_the_printed_preamble():
    """RG6 p339: (0x63 - YREFerence - YORigin) * YINCrement; with p345's preamble -1.12 V.

    Code and preamble are printed in two examples; the product is our arithmetic.
    """
    assert volts([0x63], RG6)[0] == pytest.approx((99 - 127 - 0) * 0.04, abs=1e-12)


def test_times_of_the_printed_preamble():
    """RG6 p345: 1400 points of 10 ns from -7 us: the screen is symmetric about the trigger."""
    scale = scaling(RG6)
    assert scale.start == pytest.approx(-7e-6, rel=1e-9)
    assert scale.start + scale.points * scale.x_increment == pytest.approx(7e-6, rel=1e-9)


def test_reference_that_is_not_the_middle():
    """RG1 p2-226: yreference 122; the code 122 lies at 0 V, six millions of points from -3 ms."""
    scale = scaling(RG1)
    assert volts([122], RG1)[0] == 0.0
    assert volts([123], RG1)[0] == pytest.approx(0.4132813, rel=1e-9)
    assert (scale.points, scale.start) == (6_000_000, -3e-3)
    assert scale.start + scale.points * scale.x_increment == pytest.approx(3e-3, rel=1e-9)


def test_origin_is_counted_in_codes():
    """DS1000Z guide p2-140 prints yorigin 50 beside an increment of 8 mV; it cannot be volts."""
    preamble = OLDER.replace("0.000000,", "1e-9,", 1)
    assert volts([127 + 50], preamble)[0] == pytest.approx(0.0, abs=1e-12)
    assert volts([127], preamble)[0] == pytest.approx(-0.4, abs=1e-12)


def test_preamble_that_lost_its_time_step_is_refused():
    """As printed there, the step is 0.000000: a record without a time axis is none."""
    with pytest.raises(AnswerError, match="cannot scale"):
        scaling(OLDER)


def test_words_hold_an_8_bit_code_in_the_low_byte():
    """From memory, no source: confirm on a unit (drivers/README.md)."""
    preamble = RG6.replace("0,0,", "1,0,", 1)
    assert volts([0x63, 0x00], preamble)[0] == pytest.approx(-1.12, abs=1e-12)
