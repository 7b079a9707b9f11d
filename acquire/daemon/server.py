"""The API's server: a socket that we bind ourselves, and uvicorn on it in a thread of its own.

By default the socket is a Unix one that only this user can open. TCP has to be asked for; it is
on loopback unless the administrator allows more, and always asks for the token.
"""

from __future__ import annotations

import asyncio
import contextlib
import ipaddress
import os
import secrets
import socket
import stat
import threading
from types import TracebackType
from typing import Self

import uvicorn
from uvicorn.protocols.http.h11_impl import H11Protocol

from acquire.daemon import api
from acquire.daemon.desk import Desk
from acquire.daemon.folder import StateFolder
from acquire.errors import RefusedError

BACKLOG = 128
CONNECTIONS = 500
"""At once; one more is answered with 503."""

QUIET = 15.0
"""A connection that has asked for nothing after this time is closed. [s]"""

STARTING, STOPPING = 20.0, 3.0
"""How long the server may take to begin, and its answers to end. [s]"""

TURN = 0.05
"""For callbacks that are due already; many times what they take. [s]"""


class Connection(H11Protocol):
    """One connection: it does not stand open for nothing, and an answer may cut it off."""

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]  # as in the class itself
        """Give the answers a way to cut the connection off."""
        self.app_state = {**self.app_state, "abort": transport.abort}
        self.loop.call_later(QUIET, self._unless_asked)
        super().connection_made(transport)

    def _unless_asked(self) -> None:
        asked = getattr(self, "cycle", None)  # declared as if it were never None
        if asked is None and not self.transport.is_closing():
            self.transport.abort()


class Server(uvicorn.Server):
    """Says when it has begun, or has given up. Away from the main thread it takes no signal."""

    def __init__(self, config: uvicorn.Config, desk: Desk) -> None:
        super().__init__(config)
        self._desk = desk
        self.settled = threading.Event()

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        """Begin to serve."""
        await super().startup(sockets)
        self.settled.set()

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        """End the event streams, which would never end by themselves, then everything else."""
        await self._close_the_doors()
        await self._desk.wake_all()
        await super().shutdown(sockets)
        for connection in list(self.server_state.connections):
            connection.transport.abort()  # whoever still did not read what was sent
        await asyncio.sleep(TURN)

    async def _close_the_doors(self) -> None:
        """Let in nobody more, and let those who were just accepted become connections.

        asyncio drops a socket without closing it if its server is closed between the two; and a
        connection that uvicorn does not see when it ends the others would stand until its patience
        is over.
        """
        loop = asyncio.get_running_loop()
        for server in self.servers:
            for door in server.sockets:
                loop.remove_reader(door.fileno())
        await asyncio.sleep(TURN)


class ApiServer:
    """Serves the API of one state folder while used as a context; the caller holds its lock.

    Attributes
    ----------
    address : where it can be reached, for people: ``unix:PATH`` or ``http://HOST:PORT/``.

    Raises
    ------
    RefusedError
        On entry, if the configured address is not to be served.
    """

    def __init__(self, folder: StateFolder, *, listener_patience: float = 30.0) -> None:
        self._folder = folder
        self._patience = listener_patience
        self.address = ""

    def __enter__(self) -> Self:
        self._socket, token = self._bind()
        desk = Desk(self._folder)
        config = uvicorn.Config(
            api.create(self._folder, desk, token, listener_patience=self._patience),
            loop="asyncio",
            http=Connection,
            ws="none",
            lifespan="on",
            log_config=None,
            log_level="critical",
            access_log=False,
            server_header=False,
            proxy_headers=False,
            limit_concurrency=CONNECTIONS,
            timeout_graceful_shutdown=int(STOPPING),
        )
        self._server = Server(config, desk)
        self._thread = threading.Thread(target=self._serve, name="api", daemon=True)
        self._thread.start()
        if not self._server.settled.wait(STARTING) or not self._server.started:
            self._close()
            raise RefusedError(f"{self.address}: the API did not start; see the lines above")
        return self

    def _serve(self) -> None:
        try:
            self._server.run(sockets=[self._socket])
        finally:
            self._server.settled.set()

    def __exit__(
        self,
        kind: type[BaseException] | None,
        problem: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._close()

    def _close(self) -> None:
        self._server.should_exit = True
        self._thread.join(STARTING)
        self._socket.close()
        if self.address.startswith("unix:"):
            with contextlib.suppress(FileNotFoundError):
                self._folder.socket.unlink()

    # -- where -----------------------------------------------------------------------------------
    def _bind(self) -> tuple[socket.socket, str | None]:
        http = self._folder.config.http
        if http.port is None:
            return self._bind_unix(), None
        if not _is_loopback(http.host) and not http.allow_remote:
            raise RefusedError(
                f"{self._folder.root / 'daemon.yaml'}: http.host {http.host!r} can be reached from"
                " other machines; write 127.0.0.1, or set http.allow_remote: true and put a reverse"
                " proxy with TLS in front (acquire/daemon/API.md shows one)"
            )
        return self._bind_tcp(http.host, http.port), token_of(self._folder)

    def _bind_unix(self) -> socket.socket:
        path = self._folder.socket
        self.address = f"unix:{path}"
        door = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        # nobody else can be behind an old one: the caller holds the folder's lock
        with contextlib.suppress(FileNotFoundError):
            path.unlink()
        before = os.umask(0o177)
        try:
            door.bind(str(path))
        except OSError as why:
            door.close()
            raise RefusedError(
                f"{path}: the API's socket cannot be made ({why}); a state folder with a shorter"
                " path, or http.port in daemon.yaml, helps where the path is too long"
            ) from why
        finally:
            os.umask(before)
        door.listen(BACKLOG)
        return door

    def _bind_tcp(self, host: str, port: int) -> socket.socket:
        family = socket.AF_INET6 if ":" in host else socket.AF_INET
        # asyncio turns Nagle's algorithm off only where the socket says that it is TCP; with it, a
        # second answer on a connection waits for the client's delayed acknowledgement (40 ms)
        door = socket.socket(family, socket.SOCK_STREAM, socket.IPPROTO_TCP)
        door.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            door.bind((host, port))
        except OSError as why:
            door.close()
            raise RefusedError(
                f"{self._folder.root / 'daemon.yaml'}: http: {host} port {port} cannot be served"
                f" ({why.strerror or why}); choose another port"
            ) from why
        door.listen(BACKLOG)
        shown = f"[{host}]" if ":" in host else host
        self.address = f"http://{shown}:{door.getsockname()[1]}/"
        return door


def _is_loopback(host: str) -> bool:
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False  # a name may come to mean any address


def token_of(folder: StateFolder) -> str:
    """Return the token of a state folder; made when there is none.

    Raises
    ------
    RefusedError
        If the file can be read by others, or is empty.
    """
    path = folder.token
    with contextlib.suppress(FileExistsError):
        descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with open(descriptor, "w", encoding="ascii") as file:  # noqa: PTH123 - an open descriptor
            file.write(secrets.token_urlsafe(32) + "\n")
    if stat.S_IMODE(path.stat().st_mode) & 0o077:
        raise RefusedError(f"{path}: others may read the token; 'chmod 600 {path}', or remove it")
    token = path.read_text("ascii").strip()
    if len(token) < 20:
        raise RefusedError(
            f"{path}: the token is too short to be one; remove the file for a new one"
        )
    return token
