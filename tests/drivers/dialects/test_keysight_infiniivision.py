"""The ten-number preamble, against what the makers' guides print.

Keys such as KV5 name the guides in drivers/README.md.
"""

from __future__ import annotations

import numpy as np
import pytest

from drivers.decode import SeenCodes, signed_codes
from drivers.dialects.keysight_infiniivision import clipping, scaling, trace
from drivers.errors import AnswerError

PREAMBLE = "+0,+0,+1000,+1,+2.0E-09,+1.6E-08,+0,+4.0E-02,+1.0E-01,+128"


def test_time_of_a_bucket():
    """KV5 p638: xorigin 16 ns, xincrement 2 ns, xreference 0; bucket 3 lies at 22 ns."""
    scale = scaling(PREAMBLE)
    assert scale.start + 3 * scale.x_increment == pytest.approx(22e-9, rel=1e-9)


def test_reference_is_half_of_the_code_range():
    """KV1 p644: yreference is half of 256; a code at the reference lies at yorigin."""
    scale = scaling(PREAMBLE)
    codes = signed_codes(np.array([128], np.uint8), width=8, unsigned=True)
    assert trace(SeenCodes.of(codes), scale, 8, PREAMBLE).volts()[0] == pytest.approx(0.1)


@pytest.mark.parametrize("reference", [128, 127, 100])
@pytest.mark.parametrize("code", [2, 99, 128, 254])
def test_volts_follow_the_formula_whatever_the_reference(code, reference):
    """V = (code - yreference) * yincrement + yorigin, for unsigned codes (common practice)."""
    scale = scaling(f"0,0,1,1,1e-9,0,0,0.04,0.1,{reference}")
    codes = signed_codes(np.array([code], np.uint8), width=8, unsigned=True)
    volts = trace(SeenCodes.of(codes), scale, 8, "").volts()[0]
    assert volts == pytest.approx((code - reference) * 0.04 + 0.1, abs=1e-12)


def test_word_volts():
    scale = scaling("+1,+0,+1,+1,1e-9,0,0,1.5625e-4,0,32768")
    codes = signed_codes(np.array([0, 0xA0], np.uint8), width=16, unsigned=True)
    assert trace(SeenCodes.of(codes), scale, 8, "").volts()[0] == pytest.approx(
        (0xA000 - 32768) * 1.5625e-4
    )


def test_x_reference_moves_the_start():
    assert scaling("0,0,1,1,1e-9,0,5,1,0,128").start == pytest.approx(-5e-9)


def test_reserved_codes_of_bytes():
    """KV3 p1243, KV4 p410: 0 hole, 1 clipped at the bottom, 0xFF clipped at the top."""
    wire = np.array([0, 1, 1, 2, 128, 254, 255], np.uint8)
    codes = signed_codes(wire, width=8, unsigned=True)
    found = clipping(SeenCodes.of(codes), 8, 8)
    assert (found.holes, found.low, found.high) == (1, 2, 1)
    assert found.evidence == "reserved codes"


@pytest.mark.parametrize(
    ("word", "expected"),
    [
        (0x0000, (1, 0, 0)),
        (0x0001, (0, 1, 0)),
        (0x0100, (0, 1, 0)),
        (0x0200, (0, 0, 0)),
        (0xFE00, (0, 0, 0)),
        (0xFF00, (0, 0, 1)),
        (0xFFFF, (0, 0, 1)),
    ],
)
def test_reserved_codes_of_words_shifted_or_not(word, expected):
    """KV3 p1243: 0xFFFF; whether 8-bit data carry it shifted is not said, so both count."""
    wire = np.array([word & 255, word >> 8], np.uint8)
    found = clipping(SeenCodes.of(signed_codes(wire, width=16, unsigned=True)), 16, 8)
    assert (found.holes, found.low, found.high) == expected


def test_unclipped_codes_end_before_the_reserved_ones():
    scale = scaling(PREAMBLE)
    made = trace(SeenCodes.of(np.zeros(1, np.int8)), scale, 8, PREAMBLE)
    assert (made.code_low, made.code_high) == (2 - 128, 254 - 128)


@pytest.mark.parametrize(
    ("preamble", "words"),
    [
        ("1,2,3", "expected 10 numbers"),
        (PREAMBLE.replace("+0,+0", "+4,+0", 1), "format is 4"),
        (PREAMBLE.replace("2.0E-09", "0.0E+00"), "cannot scale"),
        (PREAMBLE.replace("4.0E-02", "9.9E+37"), "cannot scale"),
        (PREAMBLE.replace("128", "x"), "expected a number"),
    ],
)
def test_preamble_that_cannot_be_right(preamble, words):
    with pytest.raises(AnswerError, match=words):
        scaling(preamble)
