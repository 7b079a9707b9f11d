"""Pieces and ends of answers, against a scripted VISA library."""

from __future__ import annotations

import time

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pyvisa.constants import StatusCode

from drivers.channels import MAXIMUM_COUNT_READ, MessageChannel, StreamChannel
from drivers.errors import AnswerError


class Library:
    """Serves one message in pieces, as HiSLIP and VXI-11 sessions do; END after the last."""

    def __init__(self, message: bytes, largest: int = 1 << 30, *, ends: bool = True) -> None:
        self.left, self.largest, self.ends, self.written = message, largest, ends, b""

    def write(self, _handle, message):
        self.written = message

    def read(self, _handle, count):
        count = min(count, self.largest)
        piece, self.left = self.left[:count], self.left[count:]
        ended = self.ends and not self.left
        status = StatusCode.success if ended else StatusCode.success_max_count_read
        return piece, status


def later():
    return time.monotonic() + 5


def test_completion_code_is_that_of_visa():
    assert StatusCode.success_max_count_read == MAXIMUM_COUNT_READ


def started(channel):
    channel.send(b"A?\n", later())
    return channel


@given(st.binary(max_size=300), st.integers(1, 50))
def test_message_is_the_same_however_it_is_cut(message, largest):
    channel = started(MessageChannel(Library(message + b"\n", largest), 1))
    assert channel.read_line(1000, later()) == message.rstrip(b"\r\n")


@given(st.binary(min_size=1, max_size=300), st.integers(1, 50), st.integers(1, 300))
def test_block_is_the_same_however_it_is_cut(data, largest, first):
    channel = started(MessageChannel(Library(data + b"\n", largest), 1))
    out = np.zeros(len(data), np.uint8)
    view = memoryview(out)
    channel.read_into(view[:first], later())
    channel.read_into(view[first:], later())
    channel.end(b"\n", later())
    assert out.tobytes() == data


def test_large_block_goes_straight_in():
    data = bytes(range(256)) * 2000
    channel = started(MessageChannel(Library(data + b"\n", 100_000), 1))
    out = np.zeros(len(data), np.uint8)
    channel.read_into(out.data, later())
    channel.end(b"\n", later())
    assert out.tobytes() == data


def test_end_without_the_line_end_is_allowed():
    channel = started(MessageChannel(Library(b"abc"), 1))
    channel.read_into(memoryview(bytearray(3)), later())
    channel.end(b"\n", later())


@pytest.mark.parametrize("rest", [b"x", b"xy\n", b"\n\n"])
def test_anything_else_behind_a_block_is_refused(rest):
    channel = started(MessageChannel(Library(b"abc" + rest), 1))
    channel.read_into(memoryview(bytearray(3)), later())
    with pytest.raises(AnswerError, match="stated length is wrong"):
        channel.end(b"\n", later())


def test_short_message_is_an_end_not_a_loop():
    channel = started(MessageChannel(Library(b"ab\n"), 1))
    with pytest.raises(EOFError, match="3 of 10 bytes"):
        channel.read_into(memoryview(bytearray(10)), later())


def test_short_message_of_many_bytes():
    channel = started(MessageChannel(Library(bytes(100_000)), 1))
    with pytest.raises(EOFError, match="100000 of 200000 bytes"):
        channel.read_into(memoryview(bytearray(200_000)), later())


def test_next_message_begins_anew():
    library = Library(b"left over\n", 3)
    channel = started(MessageChannel(library, 1))
    channel.read_into(memoryview(bytearray(2)), later())
    library.left = b"new\n"
    assert started(channel).read_line(100, later()) == b"new"
    assert library.written == b"A?\n"


def test_message_of_endless_pieces_ends_by_its_deadline():
    channel = started(MessageChannel(Library(bytes(1 << 20), 10, ends=False), 1))
    with pytest.raises(TimeoutError):
        channel.read_line(1 << 30, time.monotonic())
    with pytest.raises(ValueError, match="more than 100 bytes"):
        channel.read_line(100, later())


def test_stream_line_stops_at_its_end():
    channel = started(StreamChannel(Library(b"first\nsecond\n", ends=False), 1))
    assert channel.read_line(100, later()) == b"first"
    assert channel.read_line(100, later()) == b"second"


def test_stream_line_is_bounded():
    channel = started(StreamChannel(Library(b"x" * 1000, ends=False), 1))
    with pytest.raises(ValueError, match="more than 100 bytes"):
        channel.read_line(100, later())


def test_stream_block_and_terminator():
    channel = started(StreamChannel(Library(b"ab\ncd\n", 2, ends=False), 1))
    out = bytearray(5)
    channel.read_into(memoryview(out), later())
    channel.end(b"\n", later())
    assert out == b"ab\ncd"


def test_stream_that_has_nothing_more():
    channel = started(StreamChannel(Library(b"ab", ends=False), 1))
    with pytest.raises(EOFError):
        channel.read_into(memoryview(bytearray(5)), later())


def test_stream_block_with_a_wrong_end():
    channel = started(StreamChannel(Library(b"x", ends=False), 1))
    with pytest.raises(AnswerError):
        channel.end(b"\n", later())
