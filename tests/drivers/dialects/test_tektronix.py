"""The named preamble and the curve, against what the maker's manuals print.

Keys such as T3 name the manuals in drivers/README.md.
"""

from __future__ import annotations

import numpy as np
import pytest

from drivers.decode import SeenCodes
from drivers.dialects.tektronix import scaling, trace
from drivers.errors import AnswerError

FIELDS = {
    "BYT_Nr": "1",
    "BN_Fmt": "RI",
    "BYT_Or": "LSB",
    "NR_Pt": "1000",
    "XINcr": "1.0E-3",
    "XZEro": "-0.5",
    "PT_Off": "0",
    "YMUlt": "4.0E-3",
    "YOFf": "0.0",
    "YZEro": "0.0",
}


def volts(codes, **fields):
    made = trace(SeenCodes.of(np.array(codes, np.int8)), scaling(FIELDS | fields), 8, "")
    return made.volts()


def test_volts_as_printed():
    """T3 p2-102: YMUlt 0.004, YZEro 0; codes -10, -11, 23 are -0.040, -0.044, +0.092 V."""
    assert volts([-10, -11, 23]) == pytest.approx([-0.040, -0.044, 0.092], abs=1e-12)


def test_times_as_printed():
    """T3 p2-102: XZEro -0.5 s, XINcr 1 ms: samples 1 to 1000 lie at -0.500 to +0.499 s."""
    made = trace(SeenCodes.of(np.zeros(1000, np.int8)), scaling(FIELDS), 8, "")
    assert made.start == pytest.approx(-0.500, abs=5e-4)
    assert made.start + 999 * made.step == pytest.approx(0.499, abs=5e-4)


def test_levels_per_division():
    """T2 p2-485: 25 levels a division at 8 bits; YMUlt 40 mV for 1 V a division."""
    assert volts([25], YMUlt="40E-3") == pytest.approx([1.0])


@pytest.mark.parametrize("code", [-128, -1, 0, 127])
def test_position_in_codes_and_zero_in_volts(code):
    """V = (code - YOFf) * YMUlt + YZEro (T4 p2-192)."""
    found = volts([code], YOFf="-40", YZEro="0.25")
    assert found[0] == pytest.approx((code + 40) * 4e-3 + 0.25, abs=1e-12)


def test_older_models_count_from_the_trigger_sample():
    """T5, TDS420A copy p2-355: X = XZEro + XINcr * (n - PT_Off)."""
    scale = scaling(FIELDS | {"XZEro": "0", "PT_Off": "250"})
    assert scale.start(old=True) == pytest.approx(-0.250)
    assert scale.start(old=False) == 0.0


def test_saturated_end_codes_are_all_the_evidence_there_is():
    made = trace(
        SeenCodes.of(np.array([-128, -127, 126, 127, 127], np.int8)), scaling(FIELDS), 8, ""
    )
    assert (made.clipping.low, made.clipping.high) == (1, 2)
    assert made.clipping.evidence == "end codes"
    assert (made.code_low, made.code_high) == (-127, 126)


def test_8_bit_data_in_two_bytes_saturate_at_a_zero_low_byte():
    """T5 p2-38: 8-bit data asked for as two bytes have a zero low byte."""
    codes = np.array([-32768, -32512, 32256, 32512], np.int16)
    made = trace(SeenCodes.of(codes), scaling(FIELDS | {"BYT_Nr": "2"}), 8, "")
    assert (made.clipping.low, made.clipping.high) == (1, 1)
    assert (made.code_low, made.code_high) == (-32512, 32511)


@pytest.mark.parametrize(
    ("fields", "words"),
    [
        ({"BN_Fmt": "RP"}, "signed codes"),
        ({"BYT_Nr": "4"}, "1 or 2 bytes"),
        ({"BYT_Nr": "2", "BYT_Or": "MSB"}, "LSB first"),
        ({"YMUlt": "0.0"}, "does not know its scale"),  # T4 p2-192
        ({"XINcr": "9.9E37"}, "XINcr"),
        ({"YZEro": "junk"}, "expected a number"),
    ],
)
def test_preamble_that_cannot_be_right(fields, words):
    with pytest.raises(AnswerError, match=words):
        scaling(FIELDS | fields)
