"""A simulated instrument on a raw TCP socket of 127.0.0.1, one client at a time.

Messages end with LF both ways. A second client waits until the first has gone, or is told that
the instrument is busy, as asked. ``close`` is bounded: every wait in here looks at a stop flag.
"""

from __future__ import annotations

import contextlib
import select
import socket
import struct
import threading
import time
from collections.abc import Callable, Iterable, Iterator
from typing import Literal

from simulated_instruments.faults import Close, Faults, Stall, Step, outgoing
from simulated_instruments.scpi import Instrument

SecondClient = Literal["wait", "busy"]
HOST = "127.0.0.1"
TICK = 0.5e-3
"""How often a blocked command looks whether it may go on. [s]"""


class LinkEndedError(Exception):
    """The client has gone, or the server is closing."""


class DeviceClearedError(Exception):
    """The client cleared the device while a command was blocked or an answer was on its way."""


class Server:
    """What the transports have in common: listening, threads, one client at a time, faults.

    Parameters
    ----------
    instrument : the one that answers. role : its name for faults ("scope", "switch", "ohmmeter").
    port : 0 = any free one. power_cycle : called when a reboot fault strikes.
    """

    def __init__(
        self,
        instrument: Instrument,
        role: str = "scope",
        faults: Faults | None = None,
        port: int = 0,
        second_client: SecondClient = "wait",
    ) -> None:
        self.instrument, self.role = instrument, role
        self.faults = faults or Faults()
        self._second_client = second_client
        self._wanted_port = port
        self._stop = threading.Event()
        self._in_use = threading.Lock()
        self._guard = threading.Lock()
        self._clients: set[socket.socket] = set()
        self._threads: list[threading.Thread] = []
        self._listener: socket.socket | None = None
        self._dark_until = 0.0
        self.port = 0

    # -- life --------------------------------------------------------------------------------------
    def start(self) -> None:
        """Listen; ``port`` holds the number from now on."""
        self._listen(self._wanted_port)
        self._spawn(self._accept, f"{self.role}-accept")

    def _listen(self, port: int) -> None:
        listener = socket.create_server((HOST, port), backlog=8)  # closes it where bind fails
        listener.settimeout(0.05)
        self._listener, self.port = listener, listener.getsockname()[1]

    def close(self) -> None:
        """Stop listening and drop all clients; returns within about a second."""
        self._stop.set()
        self._stop_listening()
        self._drop_clients()
        deadline = time.monotonic() + 2.0
        for thread in self._threads:
            thread.join(max(0.0, deadline - time.monotonic()))

    def _stop_listening(self) -> None:
        listener, self._listener = self._listener, None
        if listener is not None:
            with contextlib.suppress(OSError):
                listener.shutdown(socket.SHUT_RDWR)  # close alone leaves a waiting accept listening
            listener.close()

    def _drop_clients(self) -> None:
        with self._guard:
            clients = list(self._clients)
        for client in clients:
            with contextlib.suppress(OSError):
                client.shutdown(socket.SHUT_RDWR)

    def _spawn(self, target: Callable[..., None], name: str, *arguments: object) -> None:
        thread = threading.Thread(target=target, args=arguments, name=name, daemon=True)
        with self._guard:
            self._threads = [t for t in self._threads if t.is_alive()] + [thread]
            thread.start()

    def _accept(self) -> None:
        while not self._stop.is_set():
            listener = self._listener
            if listener is None:  # rebooting, or closing
                if self._stop.is_set() or time.monotonic() < self._dark_until:
                    self._stop.wait(0.005)
                    continue
                with contextlib.suppress(OSError):
                    self._listen(self.port)
                continue
            try:
                client, _ = listener.accept()
            except TimeoutError:
                continue
            except OSError:
                self._stop.wait(0.005)  # closed: for good or for a reboot
                continue
            client.settimeout(None)
            client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self._spawn(self._client, f"{self.role}-client", client)

    def _client(self, client: socket.socket) -> None:
        with self._guard:
            self._clients.add(client)
        try:
            if not self._stop.is_set() and time.monotonic() >= self._dark_until:
                self.serve(client)
        except (LinkEndedError, DeviceClearedError, OSError):
            pass
        finally:
            with self._guard:
                self._clients.discard(client)
            client.close()

    # -- what a transport gives --------------------------------------------------------------------
    def serve(self, client: socket.socket) -> None:
        """Serve one connection until it ends."""
        raise NotImplementedError

    # -- for the transports ------------------------------------------------------------------------
    def claim(self, client: socket.socket) -> bool:
        """Become the one client; False = told to go away. Release ``_in_use`` afterwards."""
        busy = self.faults.take("busy_second_client", self.role) is not None
        if not busy and self._second_client == "busy":
            busy = not self._in_use.acquire(blocking=False)
        elif not busy:
            while not self._in_use.acquire(timeout=0.02):
                self.check(client)
        return not busy

    @contextlib.contextmanager
    def identity(self) -> Iterator[None]:
        """Answer as another unit for one connection, where that fault strikes."""
        true = self.instrument.identity
        if self.faults.take("wrong_identity_after_reconnect", self.role):
            self.instrument.identity = (true[0], true[1], "QX999999", true[3])
        try:
            yield
        finally:
            self.instrument.identity = true

    def check(self, client: socket.socket) -> None:
        """Raise LinkEndedError if the client has gone or the server is closing."""
        if self._stop.is_set() or time.monotonic() < self._dark_until:
            raise LinkEndedError
        readable, _, _ = select.select([client], [], [], 0)
        if readable and not client.recv(1, socket.MSG_PEEK):
            raise LinkEndedError

    def pause(self, client: socket.socket, seconds: float) -> None:
        """Wait, but no longer than the client is there."""
        deadline = time.monotonic() + seconds
        while (left := deadline - time.monotonic()) > 0:
            self.check(client)
            self._stop.wait(min(left, 0.01))

    def before_message(self, message: bytes, client: socket.socket) -> None:
        """Let the faults of a message strike."""
        reboot = self.faults.take("reboot", self.role)
        if reboot:
            self._reboot(reboot.number("seconds", 0.3), client)
        entries = self.faults.take("error_queue_entries", self.role)
        if entries:
            listed = entries.parameters.get("entries", [(-310, "supply voltage out of limits")])
            for code, text in listed if isinstance(listed, list) else []:
                self.instrument.status.push(int(code), str(text))
        units = [unit.split() for unit in message.decode("latin-1").split(";")]
        sets = any(len(u) > 1 and u[0][0] != "*" and not u[0].endswith("?") for u in units)
        lost = sets and self.faults.take("settings_do_not_stick", self.role)
        self.instrument.settings_stick = not lost

    def _reboot(self, seconds: float, client: socket.socket) -> None:
        self._dark_until = time.monotonic() + seconds
        self._stop_listening()
        self.instrument.power_cycle()
        self._drop_clients()
        client.close()
        raise LinkEndedError

    def execute(self, message: bytes, client: socket.socket) -> Iterable[Step]:
        """Carry out one program message; return the steps that send its response."""

        def wait(predicate: Callable[[], bool]) -> None:
            while not predicate():
                self.check(client)
                self._stop.wait(TICK)

        self.before_message(message, client)
        self.instrument.wait = wait
        response = self.instrument.execute(message)
        return outgoing(response, self.faults, self.role) if response else ()

    @property
    def resource(self) -> str:
        """The VISA resource string of this server."""
        raise NotImplementedError


class SocketServer(Server):
    """An instrument on a raw socket."""

    @property
    def resource(self) -> str:
        """The VISA resource string."""
        return f"TCPIP::{HOST}::{self.port}::SOCKET"

    def serve(self, client: socket.socket) -> None:
        """Serve one connection until it ends."""
        if not self.claim(client):
            client.sendall(b"busy: another client is connected\n")
            return
        try:
            with self.identity():
                self._messages(client)
        finally:
            self._in_use.release()

    def _messages(self, client: socket.socket) -> None:
        pending = bytearray()
        while not self._stop.is_set():
            data = client.recv(1 << 16)
            if not data:
                return
            pending += data
            if len(pending) > self.instrument.longest_input and b"\n" not in pending:
                self.instrument.status.push(-363)
                pending.clear()
            while (end := pending.find(b"\n")) >= 0:
                message = bytes(pending[:end])
                del pending[: end + 1]
                self._send(self.execute(message, client), client)

    def _send(self, steps: Iterable[Step], client: socket.socket) -> None:
        small = bytearray()
        for step in steps:
            if isinstance(step, Stall):
                client.sendall(small)
                small.clear()
                self.pause(client, step.seconds)
            elif isinstance(step, Close):
                client.sendall(small)
                end_link(client, step.reset)
            elif len(step) < 4096:
                small += step
            else:
                client.sendall(small)
                small.clear()
                client.sendall(step)
        client.sendall(small)


def end_link(client: socket.socket, reset: bool) -> None:
    """Close a connection by FIN or RST and end its thread."""
    if reset:
        client.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
    else:
        client.shutdown(socket.SHUT_RDWR)
    client.close()
    raise LinkEndedError
