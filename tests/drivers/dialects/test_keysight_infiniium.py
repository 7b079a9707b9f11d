"""Signed codes and the reserved one, against what the maker's references print.

Keys such as KI1 name the references in drivers/README.md.
"""

from __future__ import annotations

import numpy as np
import pytest

from drivers.decode import SeenCodes
from drivers.dialects.keysight_infiniium import scaling, trace
from drivers.errors import AnswerError

PREAMBLE = "1,1,1000,1,5.0E-10,-2.5E-7,0,4.0E-2,1.0E-1,0"


def made(codes, dtype, preamble=PREAMBLE):
    return trace(SeenCodes.of(np.array(codes, dtype)), scaling(preamble), 8, preamble)


def test_hole_of_a_byte():
    """KI2 p1114, KI1 p889: 125 marks a sample that was never acquired."""
    found = made([125, 123, -123, 0], np.int8).clipping
    assert (found.holes, found.high, found.low) == (1, 0, 0)


def test_hole_of_a_word():
    """KI2 p1114, KI1 p889: 31232 in words."""
    preamble = PREAMBLE.replace("1,", "2,", 1)
    found = made([31232, 31231, 0], np.int16, preamble).clipping
    assert (found.holes, found.high) == (1, 0)


@pytest.mark.parametrize("code", [127, 126])
def test_codes_that_the_related_scope_sends_for_clipped_samples(code):
    """KI4 p25-6 (86100A only): 127 and 126 for clipped high and low; both count as clipped here."""
    assert made([code, 0], np.int8).clipping.clipped


def test_words_behind_the_ten_numbers_are_left_alone():
    """KI1 p893: units and bandwidths stand behind them; the formula needs ten numbers only."""
    scale = scaling(PREAMBLE + ',1,"16 NOV 2004","12:00:00","54855A:US1",1,100,2,1,0,6.0E9')
    assert (scale.points, scale.width) == (1000, 8)
    assert scale.offset == pytest.approx(0.1)


@pytest.mark.parametrize(("reference", "code"), [(0, -100), (0, 25), (3, 25)])
def test_volts_follow_the_formula(reference, code):
    """V = (code - yreference) * yincrement + yorigin, codes signed (common practice)."""
    preamble = PREAMBLE[: PREAMBLE.rindex(",") + 1] + str(reference)
    found = made([code], np.int8, preamble).volts()[0]
    assert found == pytest.approx((code - reference) * 0.04 + 0.1, abs=1e-12)


def test_ascii_is_not_asked_for():
    with pytest.raises(AnswerError, match="format is 4"):
        scaling(PREAMBLE.replace("1,", "4,", 1))
