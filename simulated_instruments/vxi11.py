"""VXI-11 around a simulated instrument: the core channel on a given port, without a port mapper.

ONC RPC (RFC 5531) with record marking, XDR (RFC 4506), and the core channel's calls of the
VXI-11 TCP/IP instrument protocol 1.0. The instrument works in a thread of its own, so that a
blocked command can be cleared. A new message while an answer is unread is -410, a read with
nothing to come is -420. Not served: abort and interrupt channels, locks between links.
"""

from __future__ import annotations

import contextlib
import queue
import socket
import struct
import threading
import time
from collections.abc import Callable, Iterator

from simulated_instruments.faults import Close, Stall, Step
from simulated_instruments.scpi import Buffer
from simulated_instruments.server import HOST, DeviceClearedError, LinkEndedError, Server, end_link

CORE = 0x0607AF
CREATE_LINK, WRITE, READ, READ_STATUS, TRIGGER, CLEAR = 10, 11, 12, 13, 14, 15
REMOTE, LOCAL, LOCK, UNLOCK, DESTROY_LINK = 16, 17, 18, 19, 23
NO_ERROR, INVALID_LINK, NOT_SUPPORTED, OUT_OF_RESOURCES, TIMED_OUT = 0, 4, 8, 9, 15
FLAG_END, REASON_COUNT, REASON_END = 8, 1, 4
LARGEST = 1 << 20


class Link:
    """What one link is doing: messages on their way in, an answer on its way out."""

    def __init__(self) -> None:
        self.messages: queue.Queue[bytes | None] = queue.Queue()
        self.incoming = bytearray()
        self.working = threading.Event()
        self.clearing = threading.Event()
        self._changed = threading.Condition()
        self._steps: Iterator[Step] | None = None
        self._rest: memoryview = memoryview(b"")
        self._stalled_until = 0.0

    @property
    def unread(self) -> bool:
        """Whether an answer waits to be read."""
        return self._steps is not None or len(self._rest) > 0

    def offer(self, steps: Iterator[Step]) -> None:
        """Put an answer out to be read."""
        with self._changed:
            self._steps = steps
            self._changed.notify_all()

    def finish(self) -> None:
        """Tell a waiting read that the instrument has done its work."""
        with self._changed:
            self.working.clear()
            self._changed.notify_all()

    def drop(self) -> None:
        """Forget the answer."""
        with self._changed:
            self._steps, self._rest, self._stalled_until = None, memoryview(b""), 0.0

    def wait(self, deadline: float) -> bool:
        """Wait for an answer while the instrument works; return whether there is one."""
        with self._changed:
            while not self.unread and self.working.is_set() and time.monotonic() < deadline:
                self._changed.wait(min(0.02, max(0.0, deadline - time.monotonic())))
            return self.unread

    def read(self, count: int, deadline: float, close: Callable[[bool], None]) -> tuple[bytes, int]:
        """Return at most ``count`` bytes of the answer, and why it ended there (0 = timed out)."""
        data = bytearray()
        while len(data) < count:
            if len(self._rest):
                piece = self._rest[: count - len(data)]
                self._rest = self._rest[len(piece) :]
                data += piece
                continue
            if self._steps is None:
                break
            if not self._pause(deadline):
                return bytes(data), 0
            step: Step | None = next(self._steps, None)
            if step is None:
                self._steps = None
            elif isinstance(step, Close):
                close(step.reset)
            elif isinstance(step, Stall):
                self._stalled_until = time.monotonic() + step.seconds
            else:
                self._rest = memoryview(step).cast("B")
        if self._steps is not None and not len(self._rest):
            self._peek()
        reason = REASON_END if not self.unread else REASON_COUNT
        return bytes(data), reason

    def _peek(self) -> None:
        """Find out whether the answer ends here, so that END goes with its last byte."""
        if self._steps is not None and time.monotonic() >= self._stalled_until:
            step = next(self._steps, None)
            if step is None:
                self._steps = None
            elif isinstance(step, (Stall, Close)):
                self._steps = _ahead(step, self._steps)
            else:
                self._rest = memoryview(step).cast("B")

    def _pause(self, deadline: float) -> bool:
        """Sit out a stall, but not beyond the deadline or a device clear."""
        while (left := self._stalled_until - time.monotonic()) > 0:
            if time.monotonic() >= deadline or self.clearing.is_set():
                return False
            time.sleep(min(0.005, left))
        return True


class Vxi11Server(Server):
    """An instrument on VXI-11."""

    def __init__(self, *arguments: object, **named: object) -> None:
        super().__init__(*arguments, **named)  # type: ignore[arg-type]  # passed on as they are
        self._links: dict[socket.socket, Link] = {}

    @property
    def resource(self) -> str:
        """The VISA resource string."""
        return f"TCPIP::{HOST},{self.port}::inst0::INSTR"

    def check(self, client: socket.socket) -> None:
        """Raise if the server is closing or a device clear is under way."""
        if self._stop.is_set() or time.monotonic() < self._dark_until:
            raise LinkEndedError
        link = self._links.get(client)
        if link is not None and link.clearing.is_set():
            raise DeviceClearedError
        if link is None:
            super().check(client)

    def serve(self, client: socket.socket) -> None:
        """Serve the calls of one connection."""
        with contextlib.ExitStack() as ends:
            while not self._stop.is_set():
                call = _record(client)
                xid, program, procedure, arguments = _call(call)
                if program != CORE:
                    _reply(client, xid, b"", accept=1)
                    continue
                try:
                    _reply(client, xid, self._procedure(procedure, arguments, client, ends))
                except NotImplementedError:
                    _reply(client, xid, b"", accept=3)

    def _procedure(
        self,
        procedure: int,
        arguments: bytes,
        client: socket.socket,
        ends: contextlib.ExitStack,
    ) -> bytes:
        if procedure == CREATE_LINK:
            return self._create_link(client, ends)
        link = self._links.get(client)
        if link is None:
            return struct.pack(">i", INVALID_LINK) + bytes(12)
        if procedure == WRITE:
            return self._write(link, arguments)
        if procedure == READ:
            return self._read(link, arguments, client)
        if procedure == READ_STATUS:
            byte = self.instrument.status_byte(message_available=link.unread)
            return struct.pack(">iI", NO_ERROR, byte)
        if procedure == CLEAR:
            return self._clear(link)
        if procedure in (TRIGGER, LOCK, UNLOCK):
            return struct.pack(">i", NOT_SUPPORTED)
        if procedure in (REMOTE, LOCAL):
            return struct.pack(">i", NO_ERROR)
        if procedure == DESTROY_LINK:
            ends.close()
            return struct.pack(">i", NO_ERROR)
        raise NotImplementedError

    # -- links ---------------------------------------------------------------------------------
    def _create_link(self, client: socket.socket, ends: contextlib.ExitStack) -> bytes:
        if client in self._links or not self.claim(client):
            return struct.pack(">iiII", OUT_OF_RESOURCES, 0, 0, 0)
        ends.callback(self._in_use.release)
        ends.enter_context(self.identity())
        link = self._links[client] = Link()
        ends.callback(self._end_work, client, link)
        self._spawn(self._work, f"{self.role}-work", client, link)
        return struct.pack(">iiII", NO_ERROR, 1, 0, LARGEST)

    def _end_work(self, client: socket.socket, link: Link) -> None:
        link.clearing.set()
        link.messages.put(None)
        self._links.pop(client, None)

    def _work(self, client: socket.socket, link: Link) -> None:
        """Carry out the messages of one link, one after the other."""
        while (message := link.messages.get()) is not None:
            try:
                steps = list(self._small(self.execute(message, client)))
                if steps and not link.clearing.is_set():
                    link.offer(_chain(steps))
            except (DeviceClearedError, LinkEndedError, OSError):
                pass
            finally:
                if link.messages.empty():
                    link.finish()

    @staticmethod
    def _small(steps: object) -> Iterator[Iterator[Step]]:
        """Yield the steps as one iterator, or nothing where there is no answer."""
        if isinstance(steps, Iterator):
            yield steps

    def _write(self, link: Link, arguments: bytes) -> bytes:
        flags, size = struct.unpack_from(">II", arguments, 12)
        if link.unread:
            self.instrument.status.push(-410)
            link.drop()
        link.incoming += arguments[20 : 20 + size]
        if flags & FLAG_END:
            message = bytes(link.incoming).rstrip(b"\r\n")
            link.incoming.clear()
            link.working.set()
            for line in message.split(b"\n"):
                link.messages.put(line)
        return struct.pack(">iI", NO_ERROR, size)

    def _read(self, link: Link, arguments: bytes, client: socket.socket) -> bytes:
        count, timeout = struct.unpack_from(">II", arguments, 4)
        deadline = time.monotonic() + timeout / 1000
        if not link.unread and not link.working.is_set():
            self.instrument.status.push(-420)
        if not link.wait(deadline):
            while time.monotonic() < deadline and not self._stop.is_set():
                time.sleep(min(0.005, max(0.0, deadline - time.monotonic())))
            return struct.pack(">iiI", TIMED_OUT, 0, 0)
        data, reason = link.read(count, deadline, lambda reset: end_link(client, reset))
        error = NO_ERROR if reason else TIMED_OUT
        return struct.pack(">iiI", error, reason, len(data)) + data + bytes(-len(data) % 4)

    def _clear(self, link: Link) -> bytes:
        link.clearing.set()
        deadline = time.monotonic() + 2.0
        while link.working.is_set() and time.monotonic() < deadline:
            time.sleep(0.002)
        link.incoming.clear()
        link.drop()
        link.clearing.clear()
        return struct.pack(">i", NO_ERROR)


def _chain(parts: list[Iterator[Step]]) -> Iterator[Step]:
    for part in parts:
        yield from part


def _ahead(step: Step, rest: Iterator[Step]) -> Iterator[Step]:
    yield step
    yield from rest


def _exactly(client: socket.socket, count: int) -> bytes:
    data = bytearray()
    while len(data) < count:
        piece = client.recv(min(count - len(data), 1 << 20))
        if not piece:
            raise LinkEndedError
        data += piece
    return bytes(data)


def _record(client: socket.socket) -> bytes:
    """Return one RPC record, put together from its fragments (RFC 5531 section 11)."""
    data = b""
    while True:
        (mark,) = struct.unpack(">I", _exactly(client, 4))
        length = mark & 0x7FFFFFFF
        if length > 2 * LARGEST:
            raise LinkEndedError
        data += _exactly(client, length)
        if mark & 0x80000000:
            return data


def _call(record: bytes) -> tuple[int, int, int, bytes]:
    """Return transaction, program, procedure and arguments of an RPC call."""
    xid, kind, version, program, _, procedure = struct.unpack_from(">IIIIII", record)
    if kind != 0 or version != 2:
        raise LinkEndedError
    place = 24
    for _ in range(2):  # credentials and verifier, which nobody looks at
        _, length = struct.unpack_from(">II", record, place)
        place += 8 + length + (-length % 4)
    return xid, program, procedure, record[place:]


def _reply(client: socket.socket, xid: int, results: Buffer, accept: int = 0) -> None:
    head = struct.pack(">IIIIII", xid, 1, 0, 0, 0, accept)
    mark = struct.pack(">I", 0x80000000 | (len(head) + len(results)))
    client.sendall(mark + head + bytes(results))
