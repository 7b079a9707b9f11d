"""The waveform descriptor, against the template and the dump that the maker's manuals print.

Keys such as L1 name the manuals in drivers/README.md. The bytes are laid out here by the template's
own offsets (L1 p282-284), with no code of the driver.
"""

from __future__ import annotations

import struct

import numpy as np
import pytest

from drivers.dialects.lecroy import descriptor, trace
from drivers.errors import AnswerError

LENGTH, DATA, POINTS = 0x0000015A, 0x00000068, 0x00000034


def block(codes, *, order=">", gain=0.01, offset=0.5, ends=(-25600.0, 25600.0), segments=()):
    """Return a ``WF? ALL`` block of 16-bit codes; ``segments`` are (time, offset) pairs. [s]"""
    head = bytearray(LENGTH)
    head[0:8] = b"WAVEDESC"
    head[16:26] = b"LECROY_2_3"

    def put(at, form, value):
        struct.pack_into(order + form, head, at, value)

    put(32, "h", 1)  # COMM_TYPE: word
    put(34, "h", int(order == "<"))  # COMM_ORDER
    put(36, "i", LENGTH)
    put(48, "i", 16 * len(segments))  # TRIGTIME_ARRAY
    put(60, "i", 2 * len(codes))  # WAVE_ARRAY_1
    put(116, "i", len(codes))
    put(124, "i", 0)
    put(128, "i", len(codes) - 1)
    put(144, "i", max(len(segments), 1))
    put(156, "f", gain)
    put(160, "f", offset)
    put(164, "f", ends[1])
    put(168, "f", ends[0])
    put(176, "f", 1e-9)
    put(180, "d", -5e-7)
    times = b"".join(struct.pack(f"{order}2d", *pair) for pair in segments)
    data = struct.pack(f"{order}{len(codes)}h", *codes)
    return np.frombuffer(bytearray(bytes(head) + times + data), np.uint8)


def test_lengths_of_the_printed_dump():
    """L1 p56: WAVE_DESCRIPTOR 00 00 01 5A, WAVE_ARRAY_1 00 00 00 68, WAVE_ARRAY_COUNT 00 00 00 34.

    That is 346 bytes of descriptor, 104 of data, 52 points; the block's length is printed as 450.
    """
    whole = block([0] * POINTS)
    assert whole[36:40].tobytes() == bytes([0, 0, 1, 0x5A])
    assert whole[60:64].tobytes() == bytes([0, 0, 0, 0x68])
    assert whole[116:120].tobytes() == bytes([0, 0, 0, 0x34])
    assert whole.size == 450
    head = descriptor(whole.tobytes())
    assert (head.data_at, head.data, head.points) == (346, 104, 52)
    assert (head.width, head.big_endian) == (16, True)


@pytest.mark.parametrize("order", ["<", ">"])
def test_volts_follow_the_template(order):
    """L1 p284: floating values are VERTICAL_GAIN * data - VERTICAL_OFFSET, in either byte order."""
    codes = [-300, -1, 0, 1, 12_345]
    found = trace(block(codes, order=order, gain=0.25, offset=-1.5), 8)
    assert found.volts() == pytest.approx([0.25 * code + 1.5 for code in codes])
    assert found.start == pytest.approx(-5e-7)  # HORIZ_OFFSET: from the trigger to the first point
    assert found.step == pytest.approx(1e-9, rel=1e-6)


def test_codes_at_the_edge_of_the_grid_have_left_it():
    """L1 p284: MAX_VALUE and MIN_VALUE are the codes of the grid's upper and lower edge."""
    codes = [-25601, -25600, -25599, 0, 25599, 25600, 25601]
    found = trace(block(codes), 8)
    assert (found.clipping.low, found.clipping.high) == (2, 2)
    assert found.clipping.evidence == "grid edge"
    assert (found.code_low, found.code_high) == (-25599, 25599)


def test_each_segment_has_its_own_first_point():
    """L4 p215, L3 p79: TRIGTIME holds seconds from the first trigger, then the offset, doubles."""
    pairs = ((0.0, -5.01e-7), (1e-3, -5.02e-7), (2e-3, -5.03e-7))
    whole = block([0] * 6, segments=pairs)
    assert trace(whole.copy(), 8, segment=1).start == pytest.approx(-5.02e-7, rel=1e-12)
    with pytest.raises(AnswerError, match="segment 3"):
        trace(whole.copy(), 8, segment=3)
