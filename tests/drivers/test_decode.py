"""Codes keep their value whatever the wire carried."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.decode import CodeReader, Limits, SeenCodes, clipping, end_codes, signed_codes
from drivers.errors import AnswerError


@given(st.binary(min_size=1, max_size=50))
def test_unsigned_bytes_are_stored_less_128(wire):
    codes = signed_codes(np.frombuffer(bytearray(wire), np.uint8), width=8, unsigned=True)
    assert codes.dtype == np.int8
    assert codes.tolist() == [b - 128 for b in wire]


@given(st.binary(min_size=1, max_size=50))
def test_signed_bytes_are_twos_complement(wire):
    codes = signed_codes(np.frombuffer(bytearray(wire), np.uint8), width=8, unsigned=False)
    assert codes.tolist() == [b - 256 if b > 127 else b for b in wire]


@given(st.lists(st.integers(0, 65535), min_size=1, max_size=30), st.booleans())
def test_unsigned_words_are_stored_less_32768(values, big_endian):
    order = "big" if big_endian else "little"
    wire = bytearray(b"".join(v.to_bytes(2, order) for v in values))
    codes = signed_codes(
        np.frombuffer(wire, np.uint8), width=16, unsigned=True, big_endian=big_endian
    )
    assert codes.dtype == np.dtype(np.int16)
    assert codes.dtype.isnative
    assert codes.tolist() == [v - 32768 for v in values]


@given(st.lists(st.integers(-32768, 32767), min_size=1, max_size=30), st.booleans())
def test_signed_words(values, big_endian):
    order = "big" if big_endian else "little"
    wire = bytearray(b"".join(v.to_bytes(2, order, signed=True) for v in values))
    codes = signed_codes(
        np.frombuffer(wire, np.uint8), width=16, unsigned=False, big_endian=big_endian
    )
    assert codes.tolist() == values


def test_half_a_word_is_refused():
    with pytest.raises(AnswerError, match="3 bytes cannot hold 16-bit codes"):
        signed_codes(np.zeros(3, np.uint8), width=16, unsigned=False)


def test_codes_are_contiguous_and_reuse_the_memory():
    data = np.zeros(8, np.uint8)
    codes = signed_codes(data, width=16, unsigned=True)
    assert codes.flags.c_contiguous
    assert np.shares_memory(codes, data)


@pytest.mark.parametrize(
    ("width", "bits", "ends"),
    [
        (8, 8, (-128, 127)),
        (16, 16, (-32768, 32767)),
        (16, 8, (-32768, 32512)),
        (16, 12, (-32768, 32752)),
        (8, 12, (-128, 127)),
    ],
)
def test_end_codes_of_a_left_justified_converter(width, bits, ends):
    """0x1A becomes 0x1A00 (RS1, RTB2000 user manual, p339): the low byte is zero."""
    assert end_codes(width, bits) == ends


def test_clipping_counts_both_ends():
    codes = np.array([-128, -127, 0, 126, 127, 127], np.int8)
    found = clipping(SeenCodes.of(codes), Limits(-128, 127, "end codes"))
    assert (found.low, found.high, found.evidence) == (1, 2, "end codes")


def test_no_clipping():
    assert not clipping(
        SeenCodes.of(np.array([-127, 126], np.int8)), Limits(-128, 127, "end codes")
    ).clipped


def test_no_samples():
    assert not clipping(SeenCodes.of(np.array([], np.int8)), Limits(-128, 127, "end codes")).clipped


@given(st.binary(max_size=60), st.sampled_from([8, 16]), st.booleans(), st.integers(1, 20))
def test_codes_read_in_pieces_are_the_codes_read_at_once(wire, width, unsigned, piece):
    wire = wire[: len(wire) // 2 * 2]
    data = np.frombuffer(bytearray(wire), np.uint8)
    reader = CodeReader(width=width, unsigned=unsigned)
    for first in range(0, data.size, 2 * piece):
        reader(data[first : first + 2 * piece].data)
    seen = reader.codes(data)
    expected = signed_codes(
        np.frombuffer(bytearray(wire), np.uint8), width=width, unsigned=unsigned
    )
    assert np.array_equal(seen.codes, expected)
    assert np.shares_memory(seen.codes, data) or not data.size
    if data.size:
        assert (seen.lowest, seen.highest) == (expected.min(), expected.max())
