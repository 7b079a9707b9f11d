"""One connection to one instrument, over whatever session `drivers.visa` opens.

The rules of this file:

* Every operation ends by its deadline, whatever the session below does.
* Whatever goes wrong below becomes one of `drivers.errors`, here and nowhere else.
* After anything went wrong the link is *dirty*: it refuses every exchange until it was reopened,
  so that a late answer can never be taken for the answer to the next question.
* Blocks are read by their stated length into memory that exists before, never "until a line end".
* One owner thread at a time. No VISA event, service request or VISA lock is relied on.
"""

from __future__ import annotations

import contextlib
import logging
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any, Literal, TypeVar

import numpy as np
import numpy.typing as npt

from drivers import blocks, scpi, sockets, visa
from drivers.channels import Channel, MessageChannel
from drivers.errors import AnswerError, DriverError, LinkLostError, TimedOutError
from drivers.translation import translate, translate_opening
from drivers.watchdog import OverdueError, Watchdog

_LOG = logging.getLogger(__name__)
_LINE_LIMIT = 1 << 20
_GRACE = 0.2  # seconds that a VISA session may take beyond the deadline to report its own error

Bytes = npt.NDArray[np.uint8]
WireLog = Callable[[float, Literal["out", "in"], str | int], None]
"""Called with (monotonic time [s], direction, text or number of block bytes)."""

T = TypeVar("T")


def _nothing(_piece: memoryview) -> None:
    """Do nothing with a piece of a block."""


@dataclass(frozen=True, slots=True)
class LinkPolicy:
    """How long to wait and how often to try.

    Attributes
    ----------
    timeout : for one exchange, beside the time that its data bytes may take. [s]
    open_timeout : for opening the connection. [s]
    reconnects : how often ``reopen`` tries.
    reconnect_wait : before the second try; it doubles with each further one. [s]
    minimum_rate : a transfer of n bytes may take n / minimum_rate longer. [bytes/s]
    backend : the VISA library to use, as for `drivers.visa.opened`.
    """

    timeout: float = 5.0
    open_timeout: float = 5.0
    reconnects: int = 3
    reconnect_wait: float = 0.5
    minimum_rate: float = 200e3
    backend: str = ""


class Link:
    """One connection, not yet open.

    Parameters
    ----------
    resource : a VISA resource string; passed on untouched.
    name : what the instrument is in the user's terms, for messages.
    """

    def __init__(
        self,
        resource: str,
        *,
        name: str = "instrument",
        policy: LinkPolicy | None = None,
        wire_log: WireLog | None = None,
    ) -> None:
        self.resource = resource
        self.name = name
        self.policy = policy or LinkPolicy()
        self.label = f"{name} ({resource})"
        self._wire_log = wire_log
        self._library: Any = None
        self._visa: Any = None
        self._channel: Channel | None = None
        self._watchdog: Watchdog | None = None
        self._visa_timeout = -1.0
        self._quiet = contextlib.ExitStack()
        self._dirty = "it was never opened"
        self._in_use = threading.Lock()

    # -- opening and closing ---------------------------------------------------------------------
    @property
    def usable(self) -> bool:
        """Whether the next exchange can be trusted."""
        return not self._dirty

    def open(self) -> None:
        """Connect.

        Raises
        ------
        RequestError
            If the resource string is none, or its kind needs something that is not installed.
        LinkLostError
            If nothing listens there, or nothing answers within ``open_timeout``.
        """
        self.close()
        with self._guarded(""):
            self._watchdog = Watchdog(f"floorshot-{self.name}")
            self._visa = self._watchdog.call(
                lambda: visa.opened(self.resource, self.policy.backend, self.policy.open_timeout),
                self.policy.open_timeout + _GRACE,
                visa.discard,
                sockets.close_left_open,
            )
            self._library = self._visa.visalib
            self._quiet.enter_context(visa.without_count_warning(self._visa))
            self._visa_timeout = -1.0
            self._channel = visa.channel(self._visa, self.resource)
            if not self._channel.needs_watchdog:
                self._watchdog.stop()
                self._watchdog = None
        self._dirty = ""

    def close(self) -> None:
        """Disconnect; never raises, may be called twice, may be called while another call hangs."""
        opened, library, watchdog = self._visa, self._library, self._watchdog
        self._visa = self._library = self._channel = self._watchdog = None
        self._dirty = self._dirty or "it was closed"
        if opened is None:
            if watchdog is not None:
                watchdog.stop()
            return
        with contextlib.suppress(Exception):
            self._quiet.close()
        session, handle = visa.session_of(opened, library)
        closer = watchdog or Watchdog(f"floorshot-{self.name}-close")
        try:
            closer.call(opened.close, self.policy.timeout)
        except Exception as error:  # noqa: BLE001 - a connection that cannot be closed is dropped
            _LOG.debug("%s: closing failed: %r", self.label, error)
            sockets.break_off(session)
        closer.stop()
        if isinstance(getattr(library, "sessions", None), dict):
            library.sessions.pop(handle, None)  # pyvisa-py keeps every session it ever opened

    def reopen(self, prove: Callable[[], object] = lambda: None) -> None:
        """Close, then open with growing pauses, at most ``reconnects`` times.

        Parameters
        ----------
        prove : called after each opening. A try counts only when no connection trouble comes of
            it: an instrument that starts up accepts connections before it answers.

        Raises
        ------
        LinkLostError, TimedOutError
            The last try's error, when none succeeded.
        """
        wait, tries = self.policy.reconnect_wait, max(self.policy.reconnects, 1)
        for attempt in range(1, tries + 1):
            try:
                self.open()
                prove()
            except (LinkLostError, TimedOutError) as error:
                if attempt == tries:
                    raise LinkLostError(
                        f"not reopened in {tries} tries; the last said: {error.message}",
                        instrument=self.label,
                    ) from error
                time.sleep(wait)
                wait *= 2
            else:
                return

    # -- exchanges -------------------------------------------------------------------------------
    def write(self, command: str, *, timeout: float | None = None) -> None:
        """Send one program message that has no answer; the line end is added here.

        Raises
        ------
        TimedOutError, LinkLostError
        """

        def exchange(channel: Channel, deadline: float) -> None:
            self._send(channel, command, deadline)

        self._exchange(f"sending {command!r}", exchange, timeout)

    def query(self, command: str, *, timeout: float | None = None) -> str:
        """Send one program message and return its text answer without the line end.

        Raises
        ------
        TimedOutError, LinkLostError
        AnswerError
            If the answer is no ASCII text, or an earlier answer came late.
        """

        def exchange(channel: Channel, deadline: float) -> str:
            self._send(channel, command, deadline)
            line = channel.read_line(_LINE_LIMIT, deadline)
            try:
                answer = line.decode("ascii").rstrip("\r")
            except UnicodeDecodeError:
                raise AnswerError(f"expected text, got {scpi.shown(line)}") from None
            self._log("in", answer)
            return answer

        return self._exchange(f"the answer to {command!r}", exchange, timeout)

    def ask(self, command: str, parse: Callable[[str], T], *, timeout: float | None = None) -> T:
        """Return what ``parse`` makes of the answer; an answer that it refuses dirties the link.

        Raises
        ------
        TimedOutError, LinkLostError
        AnswerError
            With the command, where ``parse`` raised one.
        """
        answer = self.query(command, timeout=timeout)
        try:
            return parse(answer)
        except DriverError as error:
            message = f"the answer to {command!r}: {error.message}"
            self._dirty = message
            raise AnswerError(message, instrument=self.label) from error

    def query_block_into(
        self,
        command: str,
        out: Bytes | memoryview,
        *,
        prefix: int = 0,
        terminator: bytes = b"\n",
        timeout: float | None = None,
        arrived: Callable[[memoryview], None] = _nothing,
    ) -> int:
        r"""Send one program message and read its data block into ``out``, count-exact.

        Parameters
        ----------
        out : writable bytes, at least as many as the block holds.
        prefix : at most so many characters of header may stand before the block's ``#``.
        terminator : what follows the data: ``\n``, or empty where a family sends nothing.
        timeout : overrides the policy's. The bytes' own time is added to it either way. [s]
        arrived : called with each piece of the block, in order, an even number of bytes but for the
            last; what it does to them is done while the next ones are still on the way.

        Returns
        -------
        The number of data bytes, now at ``out[:n]``.

        Raises
        ------
        TimedOutError, LinkLostError
        AnswerError
            If the header is no definite block's, states more than ``out`` holds, the answer ends
            early, or something else than ``terminator`` follows.
        """
        view = out if isinstance(out, memoryview) else out.data

        def place(_length: int) -> memoryview:
            return view

        return self._read_block(command, place, len(view), prefix, terminator, timeout, arrived)

    def query_block(
        self,
        command: str,
        *,
        limit: int = 1 << 31,
        prefix: int = 0,
        terminator: bytes = b"\n",
        timeout: float | None = None,
    ) -> Bytes:
        """Do as ``query_block_into``, into a new array of the length stated; shape (n,), uint8."""
        made: list[Bytes] = []

        def place(length: int) -> memoryview:
            made.append(np.empty(length, np.uint8))
            return made[0].data

        self._read_block(command, place, limit, prefix, terminator, timeout, _nothing)
        return made[0]

    def clear(self) -> None:
        """Clear the instrument's input and output: a device clear, or a new connection.

        A raw socket and a serial line know no device clear, and a dirty link cannot be cleared in
        place: both are reopened.

        Raises
        ------
        TimedOutError, LinkLostError
        """
        if self._dirty or not isinstance(self._channel, MessageChannel):
            self.reopen()
            return
        opened = self._visa
        self._exchange("the device clear", lambda _channel, _deadline: opened.clear(), None)

    # -- inside ----------------------------------------------------------------------------------
    def _send(self, channel: Channel, command: str, deadline: float) -> None:
        self._log("out", command)
        channel.send(command.encode("ascii") + b"\n", deadline)

    def _log(self, direction: Literal["out", "in"], what: str | int) -> None:
        if self._wire_log is not None:
            self._wire_log(time.monotonic(), direction, what)

    def _read_block(
        self,
        command: str,
        place: Callable[[int], memoryview],
        limit: int,
        prefix: int,
        terminator: bytes,
        timeout: float | None,
        arrived: Callable[[memoryview], None],
    ) -> int:
        timeout = self.policy.timeout if timeout is None else timeout
        watchdog = self._watchdog

        def exchange(channel: Channel, deadline: float) -> int:
            self._send(channel, command, deadline)
            length = blocks.stated_length(channel, prefix, limit, deadline)
            view = place(length)[:length]
            patience = timeout + length / self.policy.minimum_rate
            if watchdog is not None:
                watchdog.prolong(patience + _GRACE)
            deadline = time.monotonic() + patience
            blocks.fill(channel, view, deadline, arrived)
            channel.end(terminator, deadline)
            self._log("in", length)
            return length

        return self._exchange(f"the data block of {command!r}", exchange, timeout)

    def _exchange(
        self, doing: str, exchange: Callable[[Channel, float], T], timeout: float | None
    ) -> T:
        """Run one exchange by its deadline, in the watchdog's thread where one is needed."""
        timeout = self.policy.timeout if timeout is None else timeout
        if not self._in_use.acquire(blocking=False):
            raise RuntimeError(f"{self.label} is used by two threads at once")
        try:
            if self._dirty or self._channel is None:
                raise LinkLostError(
                    f"the connection must be reopened before use: {self._dirty}",
                    instrument=self.label,
                )
            with self._guarded(doing):
                deadline = time.monotonic() + timeout
                if self._watchdog is None:
                    return exchange(self._channel, deadline)
                channel = self._channel
                if timeout != self._visa_timeout:
                    self._visa.timeout = max(timeout * 1000, 1)
                    self._visa_timeout = timeout
                return self._watchdog.call(lambda: exchange(channel, deadline), timeout + _GRACE)
        finally:
            self._in_use.release()

    @contextlib.contextmanager
    def _guarded(self, doing: str) -> Iterator[None]:
        """Translate whatever is raised inside, and mark the link dirty."""
        try:
            yield
        except Exception as error:
            session, _ = visa.session_of(self._visa, self._library)
            if doing:
                left = sockets.peer_left(session)
                translated = translate(error, doing, self.label, peer_left=left)
            else:
                translated = translate_opening(error, self.label)
                sockets.close_left_open(error)
            self._dirty = translated.message
            if isinstance(error, OverdueError):
                sockets.break_off(session)
                if self._watchdog is not None:
                    sockets.break_off_thread(self._watchdog.thread_id)
            raise translated from error
        except BaseException:  # an interrupt in mid-exchange leaves half an answer behind
            self._dirty = f"{doing} was interrupted"
            raise
