"""Codes, origin and increment, against the worked example in the maker's manual.

Keys such as RS1 name the manuals in drivers/README.md.
"""

from __future__ import annotations

import numpy as np
import pytest

from drivers.decode import SeenCodes, signed_codes
from drivers.dialects.rohde_schwarz import Scaling, trace

BYTE = Scaling(8, -4.998e-7, 2e-10, -2.55e-2, 2e-4)
WORD = Scaling(16, -4.998e-7, 2e-10, -2.55e-2, 7.8125e-7)


def made(wire, scale, bits=8):
    data = np.frombuffer(bytearray(wire), np.uint8)
    codes = signed_codes(data, width=scale.width, unsigned=True)
    return trace(SeenCodes.of(codes), scale, bits, "")


def test_volts_as_printed():
    """RS1 p244: yOrigin -2.55e-2, yIncrement 2e-4; code 128 is +1.0e-4 V."""
    assert made([128], BYTE).volts()[0] == pytest.approx(1.0e-4, abs=5e-6)


def test_the_centre_of_the_screen_lies_between_two_codes():
    """RS1 p244: the centre is code 127.5, and lies at 0 V."""
    below, above = made([127, 128], BYTE).volts()
    assert (below + above) / 2 == pytest.approx(0.0, abs=1e-12)


def test_the_same_record_in_words_as_printed():
    """RS1 p244: as UINT,16 the origin stays and yIncrement is 7.8125e-7; 32768 is +1.0e-4 V."""
    assert made([0x00, 0x80], WORD).volts()[0] == pytest.approx(1.0e-4, abs=5e-6)


def test_eight_bits_are_shifted_left_in_words():
    """RS1 p339: 0x1A becomes 0x1A00, and both are the same volts."""
    in_bytes = made([0x1A], BYTE).volts()[0]
    in_words = made([0x00, 0x1A], WORD).volts()[0]
    assert in_words == pytest.approx(in_bytes, abs=1e-12)


def test_times_as_printed():
    """RS1 p244: xOrigin -4.998e-7, xIncrement 2e-10; samples 0 and 4999 at -0.4998 and +0.5 us."""
    record = made(bytes(5000), BYTE)
    assert record.start == pytest.approx(-4.998e-7, abs=5e-11)
    assert record.start + 4999 * record.step == pytest.approx(5.0e-7, abs=5e-11)


def test_end_codes_are_all_the_evidence_there_is():
    """RS1 p339: codes run from 0 to 255; no code is reserved."""
    found = made([0, 1, 254, 255, 255], BYTE).clipping
    assert (found.low, found.high, found.holes) == (1, 2, 0)
    assert found.evidence == "end codes"
