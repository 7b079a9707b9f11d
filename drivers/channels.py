"""Three ways to move bytes over an open VISA session, behind one shape.

========================  ======================================  ================================
class                     sessions                                where an answer ends
========================  ======================================  ================================
``SocketChannel``         our own raw-socket session              line end, or the counted block
``StreamChannel``         any other stream (stock socket, serial) the same, read piece by piece
``MessageChannel``        HiSLIP, VXI-11, USB, GPIB               VISA's END
========================  ======================================  ================================

Each raises what its session raises; only ``drivers.link`` translates. Deadlines are readings of
``time.monotonic()`` [s].
"""

from __future__ import annotations

import time
from typing import Any, Protocol

from drivers.errors import AnswerError
from drivers.scpi import shown

MAXIMUM_COUNT_READ = 0x3FFF0006
"""VI_SUCCESS_MAX_CNT (VPP-4.3, table of completion codes): the answer goes on."""

_TEXT_PIECE = 1 << 16
_BLOCK_PIECE = 1 << 18  # larger leaves the cache between two copies, smaller costs calls
_STREAM_PIECE = 1 << 16


class Channel(Protocol):
    """One exchange at a time: ``send``, then the reads of its answer, then ``end``."""

    needs_watchdog: bool

    def send(self, message: bytes, deadline: float) -> None:
        """Send one program message, its line end included."""

    def read_line(self, limit: int, deadline: float) -> bytes:
        """Return a text answer without its line end."""

    def read_into(self, view: memoryview, deadline: float) -> None:
        """Fill ``view``; ``EOFError`` when the answer ends before that."""

    def end(self, terminator: bytes, deadline: float) -> None:
        """Take the rest of a block's answer, which must be ``terminator``."""


def _check_terminator(found: bytes, terminator: bytes) -> None:
    if found != terminator:
        raise AnswerError(
            f"the data block is followed by {shown(found)}, where {shown(terminator)} was "
            "expected: its stated length is wrong"
        )


class SocketChannel:
    """Our own socket session (`drivers.sockets`), which keeps deadlines itself."""

    needs_watchdog = False

    def __init__(self, session: Any) -> None:
        self._session = session

    def send(self, message: bytes, deadline: float) -> None:
        """Send, after making sure that no late answer to an earlier message lies around."""
        stale = self._session.unread()
        if stale:
            raise AnswerError(
                f"{shown(stale)} came without being asked for; the next answer would be mistaken"
            )
        self._session.send(message, deadline)

    def read_line(self, limit: int, deadline: float) -> bytes:
        """Return a text answer without its line end."""
        line: bytes = self._session.read_line(limit, deadline)
        return line

    def read_into(self, view: memoryview, deadline: float) -> None:
        """Receive straight into ``view``."""
        self._session.read_into(view, deadline)

    def end(self, terminator: bytes, deadline: float) -> None:
        """Take the terminator."""
        found = bytearray(len(terminator))
        self._session.read_into(memoryview(found), deadline)
        _check_terminator(bytes(found), terminator)


class StreamChannel:
    """A stream read through VISA's own calls, with termination characters off.

    Lines are read byte by byte, so that nothing is ever read too far: slow, and only for sessions
    that are not ours.
    """

    needs_watchdog = True

    def __init__(self, library: Any, handle: Any) -> None:
        self._library, self._handle = library, handle

    def send(self, message: bytes, deadline: float) -> None:  # noqa: ARG002 - the watchdog's
        """Send one program message."""
        self._library.write(self._handle, message)

    def read_line(self, limit: int, deadline: float) -> bytes:
        """Return a text answer without its line end."""
        line, byte = bytearray(), bytearray(1)
        while len(line) <= limit:
            self.read_into(memoryview(byte), deadline)
            if byte == b"\n":
                return bytes(line)
            line += byte
        raise ValueError(f"an answer of more than {limit} bytes without a line end")

    def read_into(self, view: memoryview, deadline: float) -> None:
        """Read piece by piece; an empty piece ends the answer."""
        got = 0
        while got < len(view):
            if time.monotonic() > deadline:
                raise TimeoutError
            piece, _ = self._library.read(self._handle, min(_STREAM_PIECE, len(view) - got))
            if not piece:
                raise EOFError(f"the answer ended after {got} of {len(view)} bytes")
            view[got : got + len(piece)] = piece
            got += len(piece)

    def end(self, terminator: bytes, deadline: float) -> None:
        """Take the terminator."""
        found = bytearray(len(terminator))
        self.read_into(memoryview(found), deadline)
        _check_terminator(bytes(found), terminator)


class MessageChannel:
    """A session whose answers are messages with an END of their own (IEEE 488.2, section 7.5)."""

    needs_watchdog = True

    def __init__(self, library: Any, handle: Any) -> None:
        self._library, self._handle = library, handle
        self._ahead = bytearray()
        self._ended = True

    def send(self, message: bytes, deadline: float) -> None:  # noqa: ARG002 - the watchdog's
        """Send one program message; its answer begins anew."""
        self._ahead.clear()
        self._ended = False
        self._library.write(self._handle, message)

    def _piece(self, count: int) -> bytes | bytearray:
        """Read at most ``count`` bytes; empty only when the message has ended."""
        if self._ended:
            return b""
        piece: bytes | bytearray
        piece, status = self._library.read(self._handle, count)
        self._ended = int(status) != MAXIMUM_COUNT_READ
        return piece

    def read_line(self, limit: int, deadline: float) -> bytes:
        """Return the whole message without its line end."""
        while not self._ended:
            if len(self._ahead) > limit:
                raise ValueError(f"an answer of more than {limit} bytes")
            if time.monotonic() > deadline:
                raise TimeoutError
            self._ahead += self._piece(_TEXT_PIECE)
        line = bytes(self._ahead)
        self._ahead.clear()
        return line.rstrip(b"\r\n")

    def read_into(self, view: memoryview, deadline: float) -> None:
        """Fill ``view``; small reads are served from one larger piece read ahead."""
        got = 0
        while got < len(view):
            if self._ahead:
                count = min(len(view) - got, len(self._ahead))
                view[got : got + count] = self._ahead[:count]
                del self._ahead[:count]
            else:
                count = self._read_piece_into(view[got:])
            if not count:
                raise EOFError(f"the answer ended after {got} of {len(view)} bytes")
            got += count
            if time.monotonic() > deadline and got < len(view):
                raise TimeoutError

    def _read_piece_into(self, view: memoryview) -> int:
        if len(view) < _TEXT_PIECE:  # a header or a tail: END bounds how far this can read
            self._ahead += self._piece(_TEXT_PIECE)
            count = min(len(view), len(self._ahead))
            view[:count] = self._ahead[:count]
            del self._ahead[:count]
            return count
        piece = self._piece(min(_BLOCK_PIECE, len(view)))
        view[: len(piece)] = piece
        return len(piece)

    def end(self, terminator: bytes, deadline: float) -> None:
        """Take the rest of the message; END without the terminator's line end is allowed."""
        while not self._ended:
            if time.monotonic() > deadline:
                raise TimeoutError
            if len(self._ahead) > len(terminator):
                break
            self._ahead += self._piece(_TEXT_PIECE)
        found = bytes(self._ahead)
        self._ahead.clear()
        if found:
            _check_terminator(found, terminator)
