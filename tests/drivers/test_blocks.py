"""A block is counted by what its header states (IEEE 488.2, 8.7.9), whatever its bytes are."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers import blocks
from drivers.errors import AnswerError


class Wire:
    """A channel that gives so many bytes and then ends."""

    needs_watchdog = False

    def __init__(self, data: bytes) -> None:
        self.left = data

    def read_into(self, view, _deadline):
        if len(view) > len(self.left):
            raise EOFError
        view[:], self.left = self.left[: len(view)], self.left[len(view) :]


def ignored(_piece):
    """Do nothing with a piece."""


@given(st.binary(max_size=200), st.integers(1, 9), st.sampled_from([b"", b"C1:WF ALL,", b"# "]))
def test_what_was_sent_is_what_comes(data, digits, prefix):
    length = str(len(data)).zfill(digits)
    wire = Wire(
        prefix.replace(b"#", b"") + b"#%d%s" % (len(length), length.encode()) + data + b"\n"
    )
    count = blocks.stated_length(wire, len(prefix), 1000, 0.0)
    out = np.zeros(count, np.uint8)
    blocks.fill(wire, out.data, 0.0, ignored)
    assert out.tobytes() == data
    assert wire.left == b"\n"


@pytest.mark.parametrize(
    ("sent", "words"),
    [
        (b"#0abc\n", "definite"),
        (b"#X12\n", "block"),
        (b"C1:WF ALL,#13abc", "opens with '#'"),  # a prefix that was not announced
        (b"#9000000999" + bytes(20), "999"),  # more than can be taken
    ],
)
def test_header_that_is_none_or_too_much(sent, words):
    with pytest.raises(AnswerError, match=words):
        blocks.stated_length(Wire(sent), 0, 100, 0.0)


def test_block_that_ends_early_is_refused():
    wire = Wire(b"#210abc")
    out = np.zeros(blocks.stated_length(wire, 0, 100, 0.0), np.uint8)
    with pytest.raises(AnswerError, match="ended before its stated length of 10 bytes"):
        blocks.fill(wire, out.data, 0.0, ignored)


def test_pieces_arrive_in_order_and_are_the_whole():
    data = np.random.default_rng(1).integers(0, 256, 3_000_001, dtype=np.uint8)
    seen: list[bytes] = []
    out = np.zeros(data.size, np.uint8)
    blocks.fill(Wire(data.tobytes()), out.data, 0.0, lambda piece: seen.append(bytes(piece)))
    assert len(seen) > 1
    assert all(len(piece) % 2 == 0 for piece in seen[:-1])  # no 16-bit code is cut
    assert b"".join(seen) == data.tobytes() == out.tobytes()
