"""HiSLIP (IVI-6.1) around a simulated instrument: protocol 1.0, synchronised mode.

Two connections make a session: the synchronous one carries messages, the asynchronous one device
clear, status queries and the message size. Not served: locks, service requests, overlapped mode,
encryption. An answer that the client did not read is dropped by the client (its message number
tells it so); no -410 is raised for it here.
"""

from __future__ import annotations

import itertools
import socket
import struct
import threading
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

from simulated_instruments.faults import Close, Stall, Step
from simulated_instruments.scpi import Buffer
from simulated_instruments.server import HOST, DeviceClearedError, LinkEndedError, Server, end_link

HEADER = struct.Struct(">2sBBIQ")
INITIALIZE, INITIALIZE_RESPONSE, FATAL_ERROR = 0, 1, 2
DATA, DATA_END, CLEAR_COMPLETE, CLEAR_ACKNOWLEDGE = 6, 7, 8, 9
MESSAGE_SIZE, MESSAGE_SIZE_RESPONSE = 15, 16
ASYNC_INITIALIZE, ASYNC_INITIALIZE_RESPONSE = 17, 18
ASYNC_CLEAR, STATUS_QUERY, STATUS_RESPONSE, ASYNC_CLEAR_ACKNOWLEDGE = 19, 21, 22, 23
PROTOCOL, VENDOR = 0x0100, 0x5149
LARGEST = 1 << 20
TOO_MANY_CLIENTS = 4


@dataclass(eq=False)
class Session:
    """Two connections of one client."""

    number: int
    synchronous: socket.socket
    clearing: threading.Event = field(default_factory=threading.Event)
    largest: int = LARGEST
    answering: bool = False


class HislipServer(Server):
    """An instrument on HiSLIP."""

    def __init__(self, *arguments: object, **named: object) -> None:
        super().__init__(*arguments, **named)  # type: ignore[arg-type]  # passed on as they are
        self._sessions: dict[int, Session] = {}
        self._numbers = itertools.count(1)

    @property
    def resource(self) -> str:
        """The VISA resource string."""
        return f"TCPIP::{HOST}::hislip0,{self.port}::INSTR"

    def serve(self, client: socket.socket) -> None:
        """Serve one connection of a session."""
        kind, _, parameter, _ = self._receive(client)
        if kind == INITIALIZE:
            self._synchronous(client)
        elif kind == ASYNC_INITIALIZE and parameter in self._sessions:
            self._asynchronous(client, self._sessions[parameter])
        else:
            _send(client, FATAL_ERROR, 3, 0, b"invalid initialization sequence")

    def check(self, client: socket.socket) -> None:
        """Raise if the client has gone, the server is closing, or a device clear is under way."""
        super().check(client)
        for session in list(self._sessions.values()):
            if session.synchronous is client and session.clearing.is_set():
                raise DeviceClearedError

    # -- synchronous channel -------------------------------------------------------------------
    def _synchronous(self, client: socket.socket) -> None:
        if not self.claim(client):
            _send(client, FATAL_ERROR, TOO_MANY_CLIENTS, 0, b"another client is connected")
            return
        session = Session(next(self._numbers), client)
        self._sessions[session.number] = session
        try:
            with self.identity():
                _send(client, INITIALIZE_RESPONSE, 0, PROTOCOL << 16 | session.number)
                self._messages(client, session)
        finally:
            del self._sessions[session.number]
            self._in_use.release()

    def _messages(self, client: socket.socket, session: Session) -> None:
        pending = bytearray()
        while not self._stop.is_set():
            kind, _, number, payload = self._receive(client)
            if kind == CLEAR_COMPLETE:
                pending.clear()
                session.clearing.clear()
                _send(client, CLEAR_ACKNOWLEDGE, 0, 0)
            elif session.clearing.is_set() or kind not in (DATA, DATA_END):
                continue
            else:
                pending += payload
                if kind == DATA_END:
                    message = bytes(pending).rstrip(b"\r\n")
                    pending.clear()
                    self._answer(message, number, client, session)

    def _answer(self, message: bytes, number: int, client: socket.socket, session: Session) -> None:
        try:
            for line in message.split(b"\n"):
                steps = self.execute(line, client)
                self._respond(steps, number, client, session)
        except DeviceClearedError:
            return
        finally:
            session.answering = False

    def _respond(
        self, steps: Iterable[Step], number: int, client: socket.socket, session: Session
    ) -> None:
        """Send a response as Data messages; the last piece goes out as DataEnd."""
        held: Buffer | None = None
        session.answering = True
        for step in self._carried_out(steps, client):
            if held is not None:
                self._send_data(client, DATA, number, held, session)
            held = step
        session.answering = False
        if held is not None:
            self._send_data(client, DATA_END, number, held, session)

    def _carried_out(self, steps: Iterable[Step], client: socket.socket) -> Iterator[Buffer]:
        """Yield the bytes to send, joined where they are small; pause and close on the way."""
        small = bytearray()
        for step in steps:
            if isinstance(step, (Stall, Close)):
                if small:
                    yield bytes(small)
                    small.clear()
                if isinstance(step, Close):
                    end_link(client, step.reset)
                else:
                    self.pause(client, step.seconds)
            elif len(step) < 4096:
                small += step
            else:
                if small:
                    yield bytes(small)
                    small.clear()
                yield step
        if small:
            yield bytes(small)

    def _send_data(
        self, client: socket.socket, kind: int, number: int, data: Buffer, session: Session
    ) -> None:
        view = memoryview(data).cast("B")
        starts = range(0, len(view), session.largest) or range(1)
        for start in starts:
            self.check(client)
            piece = view[start : start + session.largest]
            last = start == starts[-1]
            _send(client, kind if last else DATA, 0, number, piece)

    # -- asynchronous channel ------------------------------------------------------------------
    def _asynchronous(self, client: socket.socket, session: Session) -> None:
        _send(client, ASYNC_INITIALIZE_RESPONSE, 0, VENDOR)
        while not self._stop.is_set():
            kind, _, _, payload = self._receive(client)
            if kind == MESSAGE_SIZE:
                session.largest = max(256, min(LARGEST, int.from_bytes(payload[:8], "big")))
                _send(client, MESSAGE_SIZE_RESPONSE, 0, 0, LARGEST.to_bytes(8, "big"))
            elif kind == ASYNC_CLEAR:
                session.clearing.set()
                _send(client, ASYNC_CLEAR_ACKNOWLEDGE, 0, 0)
            elif kind == STATUS_QUERY:
                byte = self.instrument.status_byte(message_available=session.answering)
                _send(client, STATUS_RESPONSE, byte, 0)

    def _receive(self, client: socket.socket) -> tuple[int, int, int, bytes]:
        prologue, kind, control, parameter, length = HEADER.unpack(_exactly(client, HEADER.size))
        if prologue != b"HS" or length > self.instrument.longest_input:
            _send(client, FATAL_ERROR, 1, 0, b"poorly formed message header")
            raise LinkEndedError
        return kind, control, parameter, _exactly(client, length)


def _exactly(client: socket.socket, count: int) -> bytes:
    data = bytearray()
    while len(data) < count:
        piece = client.recv(min(count - len(data), 1 << 20))
        if not piece:
            raise LinkEndedError
        data += piece
    return bytes(data)


def _send(
    client: socket.socket, kind: int, control: int, parameter: int, payload: Buffer = b""
) -> None:
    header = HEADER.pack(b"HS", kind, control, parameter, len(payload))
    if len(payload) < 4096:
        client.sendall(header + bytes(payload))
        return
    client.sendall(header)
    client.sendall(payload)
