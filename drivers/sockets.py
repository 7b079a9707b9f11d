"""A VISA session for raw sockets (``TCPIP::host::port::SOCKET``) that keeps its deadlines.

It takes the place of pyvisa-py's own class through that library's public registration decorator.
Why: the stock class (pyvisa-py 0.8.1) spins when the peer closes, opens a refused port without
complaint, can wait for ever in ``write`` and ``clear``, loses the bytes that came before a
time-out, and copies every waveform several times. The measurements are in drivers/README.md.

The rules of this file:

* No call waits past its deadline: the socket is non-blocking, and only ``poll`` waits.
* Bytes are received straight into the caller's buffer; what was read too far is kept in order.
* The Pythonic methods (``send``, ``read_into``, ``read_line``) raise ``TimeoutError`` or
  ``ConnectionError``; the VISA methods return VISA's status codes for the same events.
"""

from __future__ import annotations

import contextlib
import logging
import select
import socket
import sys
import time
import traceback
from typing import Any, NoReturn

import pyvisa_py
from pyvisa.constants import InterfaceType, ResourceAttribute, StatusCode
from pyvisa_py.sessions import OpenError, Session
from pyvisa_py.tcpip import TCPIPSocketSession

_LINE_PIECE = 1 << 12
_SEND_PIECE = 1 << 20
_CLEAR_LIMIT = 2.0  # seconds
_QUIET = 0.1  # seconds without data after which a line counts as drained
_KEEP_ALIVE = {"TCP_KEEPIDLE": 10, "TCP_KEEPINTVL": 5, "TCP_KEEPCNT": 3}  # lost within 25 s


class DeadlineSocketSession(TCPIPSocketSession):  # type: ignore[misc] # pyvisa-py is untyped
    """One raw socket. Deadlines are readings of ``time.monotonic()`` [s]."""

    lost = False

    # -- what pyvisa-py calls while opening ------------------------------------------------------
    def _connect(self) -> StatusCode:
        timeout = self.open_timeout / 1000 if self.open_timeout else 5.0
        address = (self.parsed.host_address, int(self.parsed.port))
        try:
            interface = socket.create_connection(address, timeout=timeout)
        except OSError as error:
            raise OpenError from error
        interface.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        interface.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
        for option, value in _KEEP_ALIVE.items():
            if hasattr(socket, option):  # absent on some systems
                interface.setsockopt(socket.IPPROTO_TCP, getattr(socket, option), value)
        interface.setblocking(False)
        self.interface = interface
        self._readable, self._writable = select.poll(), select.poll()
        self._readable.register(interface, select.POLLIN)
        self._writable.register(interface, select.POLLOUT)
        return StatusCode.success

    # -- ours ------------------------------------------------------------------------------------
    def send(self, data: bytes, deadline: float) -> None:
        """Send everything.

        Raises
        ------
        TimeoutError, ConnectionError
        """
        view = memoryview(data)
        while view:
            try:
                view = view[self.interface.send(view[:_SEND_PIECE]) :]
            except BlockingIOError:
                _wait(self._writable, deadline)
            except OSError as error:
                self._lose(error)

    def read_into(self, view: memoryview, deadline: float) -> None:
        """Fill a writable byte view; on a time-out what came stays buffered for the next read.

        Raises
        ------
        TimeoutError, ConnectionError
        """
        pending = self._pending_buffer
        got = min(len(view), len(pending))
        if got:
            view[:got] = pending[:got]
            del pending[:got]
        try:
            while got < len(view):
                got += self._receive(view[got:], deadline)
        except TimeoutError:
            pending[:0] = view[:got]
            raise

    def read_line(self, limit: int, deadline: float) -> bytes:
        r"""Return one line without its ``\n``.

        Raises
        ------
        TimeoutError, ConnectionError
        ValueError
            If ``limit`` bytes came without a line end.
        """
        pending, seen, piece = self._pending_buffer, 0, bytearray(_LINE_PIECE)
        while (end := pending.find(b"\n", seen)) < 0:
            if len(pending) >= limit:
                raise ValueError(f"an answer of more than {limit} bytes without a line end")
            seen = len(pending)
            pending += piece[: self._receive(memoryview(piece), deadline)]
        line = bytes(pending[:end])
        del pending[: end + 1]
        return line

    def unread(self) -> bytes:
        """Return (and keep) what has already arrived and nobody has read, without waiting."""
        piece = bytearray(_LINE_PIECE)
        with contextlib.suppress(TimeoutError):
            self._pending_buffer += piece[: self._receive(memoryview(piece), 0.0)]
        return bytes(self._pending_buffer)

    def _receive(self, view: memoryview, deadline: float) -> int:
        while True:
            try:
                count: int = self.interface.recv_into(view)
            except BlockingIOError:
                _wait(self._readable, deadline)
                continue
            except OSError as error:
                self._lose(error)
            if not count:
                self._lose(None)
            return count

    def _lose(self, error: OSError | None) -> NoReturn:
        self.lost = True
        if error is None:
            raise ConnectionResetError("the other end closed the connection")
        raise ConnectionResetError(str(error)) from error

    # -- VISA's own operations, for whoever else uses VISA in this process -------------------------
    def read(self, count: int) -> tuple[bytes, StatusCode]:
        """Do what viRead does: at most ``count`` bytes, or up to the termination character."""
        deadline = self._deadline()
        try:
            if not self.attrs[ResourceAttribute.termchar_enabled]:
                buffer = bytearray(count)
                self.read_into(memoryview(buffer), deadline)
                return bytes(buffer), StatusCode.success_max_count_read
            return self._read_to_character(count, deadline)
        except TimeoutError:
            return b"", StatusCode.error_timeout
        except ConnectionError:
            return b"", StatusCode.error_connection_lost

    def _read_to_character(self, count: int, deadline: float) -> tuple[bytes, StatusCode]:
        pending, seen, piece = self._pending_buffer, 0, bytearray(_LINE_PIECE)
        character = self.attrs[ResourceAttribute.termchar]
        while True:
            end = pending.find(character, seen, count)
            if end >= 0 or len(pending) >= count:
                found = end >= 0
                out = bytes(pending[: end + 1 if found else count])
                del pending[: len(out)]
                return out, (
                    StatusCode.success_termination_character_read
                    if found
                    else StatusCode.success_max_count_read
                )
            seen = len(pending)
            pending += piece[: self._receive(memoryview(piece), deadline)]

    def write(self, data: bytes) -> tuple[int, StatusCode]:
        """Do what viWrite does."""
        try:
            self.send(bytes(data), self._deadline())
        except TimeoutError:
            return 0, StatusCode.error_timeout
        except ConnectionError:
            return 0, StatusCode.error_connection_lost
        return len(data), StatusCode.success

    def clear(self) -> StatusCode:
        """Drop what is buffered here and in the kernel; a raw socket knows no device clear."""
        self._pending_buffer.clear()
        piece = bytearray(_SEND_PIECE)
        end = time.monotonic() + _CLEAR_LIMIT
        try:
            while time.monotonic() < end:
                self._receive(memoryview(piece), min(end, time.monotonic() + _QUIET))
        except TimeoutError:
            if time.monotonic() < end:
                return StatusCode.success
        except ConnectionError:
            return StatusCode.error_connection_lost
        return StatusCode.error_timeout  # the other end still talks

    def close(self) -> StatusCode:
        """Close the socket; may be called twice."""
        if self.interface is not None:
            self.interface.close()
        return StatusCode.success

    def _deadline(self) -> float:
        return float("inf") if self.timeout is None else time.monotonic() + self.timeout


def _wait(poll: Any, deadline: float) -> None:
    """Wait until the socket is ready; raise TimeoutError at the deadline."""
    remaining = deadline - time.monotonic()
    if remaining <= 0:
        raise TimeoutError from None  # not because of what made us wait
    # Rounded up: a wait of 0 ms would turn the last fraction of a millisecond into a busy loop.
    milliseconds = None if remaining == float("inf") else int(remaining * 1000) + 1
    if not poll.poll(milliseconds):
        raise TimeoutError from None  # not because of what made us wait


def register() -> bool:
    """Make every ``TCPIP::...::SOCKET`` opened from now on use this class, if pyvisa-py allows.

    Returns
    -------
    Whether it was registered. False (another shape of pyvisa-py than the one this class was
    written for) means that the stock class stays, and the link reads in small pieces.
    """
    if not _fits(pyvisa_py.__version__):
        return False
    log = logging.getLogger("pyvisa")
    level = log.level
    log.setLevel(logging.ERROR)  # replacing a class is logged as a warning; here it is meant
    try:
        Session.register(InterfaceType.tcpip, "SOCKET")(DeadlineSocketSession)
    finally:
        log.setLevel(level)
    return True


def _fits(version: str) -> bool:
    """Whether this pyvisa-py has the parts that the class builds on (tested: 0.8.1)."""
    numbers = tuple(int(part) for part in version.split(".")[:2] if part.isdigit())
    parts = ("_connect", "after_parsing", "read", "write", "clear", "close")
    return (0, 8) <= numbers < (1, 0) and all(hasattr(TCPIPSocketSession, p) for p in parts)


# -- for the watchdog: what to do about a session that hangs ---------------------------------------
def sockets_of(session: Any) -> list[socket.socket]:
    """Return the sockets that a session works on, wherever it keeps them."""
    interface = getattr(session, "interface", None)
    return [interface] if isinstance(interface, socket.socket) else _sockets_in(interface)


def _sockets_in(thing: Any) -> list[socket.socket]:
    kept = getattr(thing, "__dict__", {}).values()
    return [value for value in kept if isinstance(value, socket.socket)]


def break_off(session: Any) -> None:
    """Shut a hung session's sockets, so that the thread stuck in it comes free."""
    for one in sockets_of(session):
        _shut(one)


def break_off_thread(thread_id: int | None) -> None:
    """Shut the sockets of whatever a hung thread is doing, so that it comes free.

    While a session is being opened nothing else knows its sockets than the frames of that thread.
    """
    frame = sys._current_frames().get(thread_id or 0)
    while frame is not None:
        for one in _sockets_in(frame.f_locals.get("self")):
            _shut(one)
        frame = frame.f_back


def _shut(one: socket.socket) -> None:
    with contextlib.suppress(OSError):
        one.shutdown(socket.SHUT_RDWR)
    with contextlib.suppress(OSError):
        one.close()


def close_left_open(error: BaseException | None) -> None:
    """Close the sockets that pyvisa-py leaves open when an opening fails.

    Its HiSLIP and VXI-11 clients keep them in half-made objects, which only the failed frames still
    know; a program that reconnects for months would collect them.
    """
    while error is not None:
        for frame, _ in traceback.walk_tb(error.__traceback__):
            owner = frame.f_locals.get("self")
            for holder in (owner, getattr(owner, "interface", None)):
                for one in _sockets_in(holder):
                    one.close()
        error = error.__cause__ or error.__context__


def peer_left(session: Any) -> bool:
    """Whether the other end has closed one of the session's sockets."""
    if getattr(session, "lost", False):
        return True
    for one in sockets_of(session):
        try:
            poll = select.poll()  # first: a socket with a time-out would wait in recv
            poll.register(one, select.POLLIN)
            if poll.poll(0) and one.recv(1, socket.MSG_PEEK) == b"":
                return True
        except (OSError, ValueError):  # reset, or closed already
            return True
    return False
