"""Scale and time from the settings, against the worked examples in the maker's guide.

Keys such as S1 name the manuals in drivers/README.md.
"""

from __future__ import annotations

import numpy as np
import pytest

from drivers import scpi
from drivers.decode import SeenCodes, signed_codes
from drivers.dialects.siglent_old import Scaling, memory_word, trace

SCALE = Scaling(0.5, -0.5, 5e-9, -5e-9, 1e9, 14)


def made(wire, scale=SCALE):
    data = np.frombuffer(bytearray(wire), np.uint8)
    return trace(SeenCodes.of(signed_codes(data, width=8, unsigned=False)), scale, "")


def test_volts_as_printed():
    """S1 p142: vdiv 0.5 V, offset -0.5 V; code 2 is +0.54 V."""
    assert made([2]).volts()[0] == pytest.approx(0.54, abs=5e-3)


def test_times_as_printed():
    """S1 p143: TRDL -5 ns, 5 ns a division, grid 14, 1 GSa/s; -40 ns, then -39 ns."""
    record = made([0, 0])
    assert record.start == pytest.approx(-40e-9, abs=5e-10)
    assert record.start + record.step == pytest.approx(-39e-9, abs=5e-10)


def test_a_byte_above_127_is_twos_complement():
    """S1 p142 and S2 p181 print -3 for 0xFC, which is 252 - 255; two's complement says -4.

    The driver says -4, one step of doubt that only a unit can settle.
    """
    scale = Scaling(25.0, 0.0, 5e-9, 0.0, 1e9, 14)  # one volt a code
    assert made([0xFC], scale).volts()[0] == -4.0


@pytest.mark.parametrize(
    ("answer", "value"),
    [("5.00E-01V", 0.5), ("-5.00E-01V", -0.5), ("-5.000000ns", -5e-9), ("1.00GSa/s", 1e9)],
)
def test_answers_with_units_as_printed(answer, value):
    """S1 p142 and p143: values that come with their unit when headers are on."""
    assert scpi.suffixed_number(answer) == pytest.approx(value, rel=1e-9)


@pytest.mark.parametrize(
    ("samples", "word"), [(7000, "7K"), (70_000, "70K"), (1_400_000, "1.4M"), (14_000_000, "14M")]
)
def test_memory_words(samples, word):
    """7K, 70K, 700K ... of one input, 14K ... of a pair (data sheet SDS1000X-E, from memory)."""
    assert memory_word(samples) == word


def test_end_codes_are_all_the_evidence_there_is():
    found = made([0x80, 0x81, 0x7E, 0x7F]).clipping
    assert (found.low, found.high, found.evidence) == (1, 1, "end codes")
