"""A client of the daemon's API, with the commands' names.

    from acquire.daemon.client import Client, rows

    with Client.of_state("/var/lib/floorshot") as daemon:
        run = daemon.submit("tunnel", recipe="bonding_lead")
        daemon.wait(run["id"])
        table = pandas.DataFrame(rows(daemon.result(run["id"])))

It needs nothing but the standard library, and HDF5 for ``save_file``. One object per thread.
"""

from __future__ import annotations

import http.client
import json
import socket
import time
from collections.abc import Iterator, Mapping
from pathlib import Path
from types import TracebackType
from typing import Any, Self
from urllib.parse import quote, urlencode, urlsplit

from acquire.daemon.rows import rows
from acquire.errors import BadInputError, FloorshotError, Problem, RefusedError

__all__ = ["Client", "rows"]

TIMEOUT = 30.0
"""How long an answer may take; an event stream says something every 15 s. [s]"""

PAUSE = 1.0
"""Before a lost event stream is asked for again. [s]"""

PIECE = 1 << 20
"""Of a run file that is fetched. [byte]"""

Json = dict[str, Any]


class Client:
    """Asks one daemon. Use it as a context, or ``close`` it.

    Parameters
    ----------
    address : as ``floorshot serve`` prints it: ``unix:PATH`` or ``http://HOST:PORT/``.
    token : over TCP; what stands in the file ``token`` of the state folder.
    timeout : how long an answer may take. [s]
    """

    def __init__(self, address: str, *, token: str = "", timeout: float = TIMEOUT) -> None:
        self.address, self._token, self._timeout = address, token, timeout
        self._kept: http.client.HTTPConnection | None = None

    @classmethod
    def of_state(cls, state: Path | str) -> Self:
        """Return a client of the daemon that serves a state folder over its Unix socket."""
        return cls(f"unix:{Path(state) / 'api.sock'}")

    def close(self) -> None:
        """Close the connection; a later question opens a new one."""
        if self._kept is not None:
            self._kept.close()
            self._kept = None

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        problem: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    # -- what the commands do --------------------------------------------------------------------
    def submit(
        self,
        bench: str,
        *,
        recipe: str = "recipe.yaml",
        recipe_text: str | None = None,
        **more: Any,
    ) -> Json:
        """Queue a run or store a schedule; return it.

        Parameters
        ----------
        bench : name of a bench of the daemon.
        recipe : name of a recipe in its recipe folder, or only what ``recipe_text`` is called.
        recipe_text : the recipe itself.
        more : ``priority``, ``by``, ``key``; ``at``, ``every`` or ``cron`` with ``zone`` and
            ``count`` for a schedule.

        Raises
        ------
        BadInputError
            With every problem of the recipe, or of it on this bench.
        RefusedError
            If the queue is full.
        """
        body = {"bench": bench, "recipe": recipe, "recipe_text": recipe_text, **more}
        given = {name: value for name, value in body.items() if value is not None}
        made = self._json("POST", "/runs", given)
        found: Json = made["run"] or made["schedule"]
        return found

    def queue(self) -> list[Json]:
        """Return the runs that wait, run or are parked, by turn."""
        return self._runs("queued,running,parked", 1000)

    def history(self, last: int = 20) -> list[Json]:
        """Return the last runs that have ended, newest first."""
        return self._runs("finished,cancelled", last)

    def run(self, run: int) -> Json:
        """Return one run, with its recipe and the gate that it waits at."""
        return self._json("GET", f"/runs/{run:d}")

    def confirm(self, run: int, condition: str, by: str) -> Json:
        """Say that a person has set a condition that a run waits for; return the gate.

        Raises
        ------
        BadInputError
            If the run waits at no gate, or at another one.
        """
        return self._json("POST", f"/runs/{run:d}/confirm", {"by": by, "condition": condition})

    def resume(self, run: int, by: str) -> Json:
        """Let a parked run go on from its stored shots."""
        return self._json("POST", f"/runs/{run:d}/resume", {"by": by})

    def cancel(self, run: int, by: str) -> Json:
        """Take a run out of the queue, or ask it to stop."""
        return self._json("POST", f"/runs/{run:d}/cancel", {"by": by})

    def schedules(self) -> list[Json]:
        """Return the schedules that have a time to come."""
        found: list[Json] = self._json("GET", "/schedules")["schedules"]
        return found

    def end_schedule(self, schedule: int) -> None:
        """End a schedule; runs that it has queued stay."""
        self._ask("DELETE", f"/schedules/{schedule:d}")

    def result(self, run: int) -> Json:
        """Return the result document of a run; ``rows`` makes a flat table of it."""
        return self._json("GET", f"/runs/{run:d}/result")

    def preview(self, run: int, points: int = 400) -> Json:
        """Return the newest record of each role, decimated without losing a peak."""
        return self._json("GET", f"/runs/{run:d}/preview?points={points:d}")

    def save_file(self, run: int, path: Path) -> Path:
        """Save the run file as ``path``: whole and checked against its own digests, or not at all.

        It is never held in memory; until it is whole it lies beside ``path`` under another name.

        Raises
        ------
        FileExistsError
            If ``path`` exists.
        DamagedFileError, StorageError
            If it did not come as it was measured, or the disk does not take it.
        RefusedError
            If the daemon went away before all of it was there.
        """
        from acquire.daemon import download  # with HDF5, which nothing else here needs

        return download.save(self._pieces(f"/api/v1/runs/{run:d}/file"), Path(path))

    def _pieces(self, place: str) -> Iterator[bytes]:
        """Yield the body of an answer a megabyte at a time."""
        connection = self._connection()
        try:
            connection.request("GET", place, headers=self._headers())
            answer = connection.getresponse()
            if answer.status != 200:
                raise _error(answer.status, answer.read())
            missing = answer.length or 0
            while piece := answer.read(PIECE):
                missing -= len(piece)
                yield piece
            if missing:
                raise ConnectionError(f"{missing} bytes of the run file did not come")
        except (OSError, http.client.HTTPException) as why:
            raise RefusedError(f"{self.address}: {why}; is the daemon still there?") from why
        finally:
            connection.close()

    # -- following ---------------------------------------------------------------------------------
    def watch(self, run: int | None = None, *, after: int | None = None) -> Iterator[Json]:
        """Yield events as they come, without end and, across a lost connection, without a gap.

        Parameters
        ----------
        run : only the events of this run.
        after : begin after the event of this number; None = with the next one.

        Raises
        ------
        RefusedError
            If the daemon cannot be reached at the first try.
        """
        # the number is asked for first: between a lost connection and a new one nothing is missed
        seen = (
            self._json("GET", "/health", fine=(200, 503))["last_event"] if after is None else after
        )
        while True:
            try:
                for event in self._stream(run, seen):
                    seen = event["id"]
                    yield event
            except (OSError, http.client.HTTPException):
                pass  # the daemon may be on its way back
            time.sleep(PAUSE)

    def wait(self, run: int, timeout: float | None = None) -> Json:
        """Wait until a run has ended or is parked; return it.

        A daemon that is stopped and started meanwhile is waited for.

        Parameters
        ----------
        timeout : None = without end. [s]

        Raises
        ------
        TimeoutError
            If it has not ended in time.
        """
        end = None if timeout is None else time.monotonic() + timeout
        found = self.run(run)
        while found["state"] in ("queued", "running"):
            if end is not None and time.monotonic() > end:
                raise TimeoutError(f"run {run}: still {found['state']} after {timeout:g} s")
            time.sleep(PAUSE / 4)
            try:
                found = self.run(run)
            except RefusedError:
                continue  # nobody is there; the queue is kept, and somebody will be
        return found

    def _stream(self, run: int | None, after: int) -> Iterator[Json]:
        question = urlencode({"after": after} | ({} if run is None else {"run": run}))
        connection = self._connection()
        try:
            connection.request("GET", f"/api/v1/events?{question}", headers=self._headers())
            answer = connection.getresponse()
            if answer.status != 200:
                raise _error(answer.status, answer.read())
            for line in answer:
                if line.startswith(b"data: "):
                    yield json.loads(line[len(b"data: ") :])
        finally:
            connection.close()

    # -- asking ------------------------------------------------------------------------------------
    def _runs(self, states: str, limit: int) -> list[Json]:
        found: list[Json] = self._json(
            "GET", f"/runs?{urlencode({'state': states, 'limit': limit})}"
        )["runs"]
        return found

    def _json(
        self, method: str, path: str, body: Mapping[str, Any] | None = None, *,
        fine: tuple[int, ...] = (200, 201, 202, 204, 206),
    ) -> Json:  # fmt: skip
        found: Json = json.loads(self._ask(method, path, body, fine=fine))
        return found

    def _ask(
        self, method: str, path: str, body: Mapping[str, Any] | None = None, *,
        fine: tuple[int, ...] = (200, 201, 202, 204, 206),
    ) -> bytes:  # fmt: skip
        text = None if body is None else json.dumps(body).encode()
        headers = self._headers()
        if text is not None:
            headers["Content-Type"] = "application/json"
        place = quote(f"/api/v1{path}", safe="/?=&%,")
        try:
            status, content = self._exchange(method, place, text, headers)
        except (OSError, http.client.HTTPException) as why:
            self.close()
            raise RefusedError(
                f"{self.address}: no daemon answers ({why}); 'floorshot serve' starts one"
            ) from why
        if status not in fine:
            raise _error(status, content)
        return content

    def _exchange(
        self, method: str, path: str, body: bytes | None, headers: Mapping[str, str]
    ) -> tuple[int, bytes]:
        """Ask over the kept connection; once more over a new one where that one had died.

        A change goes over a new connection and is sent once: it may have been made although no
        answer came, and ``key`` is there for those who want to send it again.
        """
        if method != "GET":
            self.close()
        for first_try in (True, False):
            is_new = self._kept is None
            connection = self._kept = self._kept or self._connection()
            try:
                connection.request(method, path, body, headers)
                answer = connection.getresponse()
                return answer.status, answer.read()
            except (http.client.RemoteDisconnected, BrokenPipeError, ConnectionResetError):
                self.close()
                if is_new or not first_try:
                    raise
        raise AssertionError("the second try returns or raises")

    def _headers(self) -> dict[str, str]:
        return {"Authorization": f"Bearer {self._token}"} if self._token else {}

    def _connection(self) -> http.client.HTTPConnection:
        kind, _, rest = self.address.partition(":")
        if kind == "unix":
            return _UnixConnection(rest, self._timeout)
        if kind == "http":
            parts = urlsplit(self.address)
            return http.client.HTTPConnection(
                parts.hostname or "", parts.port, timeout=self._timeout
            )
        if kind == "https":
            parts = urlsplit(self.address)
            return http.client.HTTPSConnection(
                parts.hostname or "", parts.port, timeout=self._timeout
            )
        raise BadInputError(f"{self.address!r}: write unix:PATH, http://HOST:PORT/ or https://...")


class _UnixConnection(http.client.HTTPConnection):
    """HTTP over a Unix socket."""

    def __init__(self, path: str, timeout: float) -> None:
        super().__init__("localhost", timeout=timeout)
        self._path, self._patience = path, timeout

    def connect(self) -> None:
        """Open the socket."""
        self.sock = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        self.sock.settimeout(self._patience)
        try:
            self.sock.connect(self._path)
        except OSError:
            self.sock.close()
            raise


def _error(status: int, content: bytes) -> FloorshotError:
    """Return what the daemon refused as the error that the same command would raise."""
    try:
        said = json.loads(content)
        problems = [Problem(**problem) for problem in said["problems"]]
        detail = str(said["detail"])
    except (ValueError, KeyError, TypeError):
        return RefusedError(f"the daemon answered {status}: {content[:200]!r}")
    if status == 422 and problems:
        return BadInputError(problems)
    if status in (404, 409, 422):
        return BadInputError(detail)
    return RefusedError(f"{detail} (status {status})")
