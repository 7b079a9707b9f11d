"""One definite-length block (IEEE 488.2, 8.7.9) off a channel, ended by its stated length alone."""

from __future__ import annotations

from collections.abc import Callable

from drivers import scpi
from drivers.channels import Channel
from drivers.errors import AnswerError

_PIECE = 1 << 20  # bytes; larger costs page faults, smaller costs calls (drivers/README.md)


def stated_length(channel: Channel, prefix: int, limit: int, deadline: float) -> int:
    """Read a block's header and return the number of bytes that it states.

    Parameters
    ----------
    prefix : at most so many characters of header may stand before the block's ``#``.
    limit : the most bytes that can be taken.

    Raises
    ------
    AnswerError
        If it is no definite block's header, or states more than ``limit``.
    """
    digits = scpi.block_digits(_skip_prefix(channel, prefix, deadline))
    return scpi.block_length(_take(channel, digits, deadline), limit)


def fill(
    channel: Channel, view: memoryview, deadline: float, arrived: Callable[[memoryview], None]
) -> None:
    """Fill ``view`` with a block's bytes; ``arrived`` is called with each piece, in order.

    Raises
    ------
    AnswerError
        If the answer ends before.
    """
    for first in range(0, len(view), _PIECE):
        piece = view[first : first + _PIECE]
        try:
            channel.read_into(piece, deadline)
        except EOFError:
            raise AnswerError(
                f"the data block ended before its stated length of {len(view)} bytes"
            ) from None
        arrived(piece)


def _take(channel: Channel, count: int, deadline: float) -> bytes:
    taken = bytearray(count)
    channel.read_into(memoryview(taken), deadline)
    return bytes(taken)


def _skip_prefix(channel: Channel, prefix: int, deadline: float) -> bytes:
    """Return the ``#`` that opens a block and the byte after it, skipping a header before them."""
    first = _take(channel, 1, deadline)
    skipped = b""
    while first != b"#" and len(skipped) < prefix:
        skipped += first
        first = _take(channel, 1, deadline)
    if first != b"#":
        raise AnswerError(
            f"expected a data block that opens with '#', got {scpi.shown(skipped + first)}"
        )
    return first + _take(channel, 1, deadline)
