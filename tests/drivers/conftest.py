"""A real server on 127.0.0.1 for each test that wants one, and short-tempered link policies."""

from __future__ import annotations

import contextlib
import socket
import struct
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

import pytest

from drivers.link import Link, LinkPolicy, WireLog

Handler = Callable[["Peer"], None]


@dataclass
class Peer:
    """One accepted connection, as a test's handler sees it."""

    connection: socket.socket
    released: threading.Event
    buffer: bytearray = field(default_factory=bytearray)

    def line(self) -> str:
        """Return the next program message; raise EOFError when the client has gone."""
        while b"\n" not in self.buffer:
            piece = self.connection.recv(1 << 16)
            if not piece:
                raise EOFError
            self.buffer += piece
        line, _, rest = bytes(self.buffer).partition(b"\n")
        self.buffer[:] = rest
        return line.decode()

    def send(self, data: bytes) -> None:
        self.connection.sendall(data)

    def reset(self) -> None:
        """Close with RST instead of FIN."""
        self.connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
        self.connection.close()

    def stall(self) -> None:
        """Do nothing until the test ends (bounded)."""
        self.released.wait(30)


class Server:
    """Accepts connections one after another and hands each to the handler, each in a thread."""

    def __init__(self, handler: Handler) -> None:
        self.handler = handler
        self.released = threading.Event()
        self.listener = socket.create_server(("127.0.0.1", 0))
        self.connections: list[socket.socket] = []
        self.accepted = 0
        self.threads = [threading.Thread(target=self._accept, daemon=True)]
        self.threads[0].start()

    @property
    def port(self) -> int:
        return int(self.listener.getsockname()[1])

    @property
    def resource(self) -> str:
        return f"TCPIP::127.0.0.1::{self.port}::SOCKET"

    def _accept(self) -> None:
        with contextlib.suppress(OSError):
            while True:
                connection, _ = self.listener.accept()
                self.accepted += 1
                self.connections.append(connection)
                thread = threading.Thread(target=self._serve, args=(connection,), daemon=True)
                self.threads.append(thread)
                thread.start()

    def _serve(self, connection: socket.socket) -> None:
        with contextlib.suppress(OSError, EOFError), connection:
            self.handler(Peer(connection, self.released))

    def close(self) -> None:
        self.released.set()
        for one in (self.listener, *self.connections):
            with contextlib.suppress(OSError):
                one.shutdown(socket.SHUT_RDWR)
            one.close()
        for thread in self.threads:
            thread.join(5)


@pytest.fixture
def serve() -> Iterator[Callable[[Handler], Server]]:
    """Start servers that end with the test."""
    servers: list[Server] = []

    def start(handler: Handler) -> Server:
        servers.append(Server(handler))
        return servers[-1]

    yield start
    for server in servers:
        server.close()


@pytest.fixture
def policy() -> LinkPolicy:
    """Return a policy that loses patience soon."""
    return LinkPolicy(
        timeout=0.4, open_timeout=1.0, reconnects=2, reconnect_wait=0.01, minimum_rate=20e6
    )


@pytest.fixture
def connect(policy: LinkPolicy) -> Iterator[Callable[..., Link]]:
    """Open links that close with the test."""
    links: list[Link] = []

    def start(resource: str, wire_log: WireLog | None = None) -> Link:
        links.append(Link(resource, name="scope", policy=policy, wire_log=wire_log))
        links[-1].open()
        return links[-1]

    yield start
    for link in links:
        link.close()
