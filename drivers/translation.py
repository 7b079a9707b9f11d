"""What any exception from below means, as one of `drivers.errors`. Only `drivers.link` calls this.

pyvisa-py 0.8.1 raises VISA errors, bare ``OSError``, ``RuntimeError``, ``Exception``,
``AssertionError``, ``struct.error`` and others, depending on the transport and the fault; the list,
with the fault behind each, is in drivers/README.md.
"""

from __future__ import annotations

import socket

from drivers.errors import (
    AnswerError,
    DriverError,
    LinkLostError,
    RequestError,
    TimedOutError,
)
from drivers.watchdog import OverdueError

# Completion codes of VPP-4.3 (VISA), as the signed numbers that libraries report.
VI_ERROR_TMO = 0xBFFF0015 - (1 << 32)
VI_ERROR_INV_OBJECT = 0xBFFF000E - (1 << 32)
_BAD_REQUESTS = {
    0xBFFF0012 - (1 << 32),  # VI_ERROR_INV_RSRC_NAME
    0xBFFF0067 - (1 << 32),  # VI_ERROR_NSUP_OPER
    0xBFFF009E - (1 << 32),  # VI_ERROR_LIBRARY_NFOUND
}
_NOT_REACHED = "check the address, the instrument's power and network, and that remote access is on"


def translate(error: Exception, doing: str, label: str, *, peer_left: bool = False) -> DriverError:
    """Return the driver error that says what ``error`` means.

    Parameters
    ----------
    error : anything that pyvisa, pyvisa-py, a socket or a parser raised.
    doing : what was being done, as a noun phrase.
    label : the instrument, for the message.
    peer_left : whether the other end has closed its side.
    """
    if isinstance(error, DriverError):
        return error if error.instrument else type(error)(error.message, instrument=label)
    root = _root(error)
    if isinstance(root, EOFError) and not peer_left:
        return AnswerError(f"{doing}: {root}", instrument=label)
    if peer_left or isinstance(root, ConnectionError):
        return LinkLostError(f"the connection broke during {doing}", instrument=label)
    if is_timeout(root):
        return TimedOutError(f"{doing} did not come in time", instrument=label)
    return LinkLostError(f"{doing} failed: {_words(root)}", instrument=label)


def translate_opening(error: Exception, label: str) -> DriverError:
    """Return the driver error that says why a connection could not be made."""
    if isinstance(error, DriverError):
        return type(error)(error.message, instrument=label)
    root = _root(error)
    if isinstance(root, ConnectionRefusedError):
        return LinkLostError(f"nothing listens at this address; {_NOT_REACHED}", instrument=label)
    if isinstance(root, socket.gaierror):
        reason = f"the host name is not known ({root.strerror})"
        return LinkLostError(f"{reason}; {_NOT_REACHED}", instrument=label)
    if _visa_code(root) in _BAD_REQUESTS or isinstance(root, ValueError | ImportError):
        return RequestError(
            f"this resource cannot be opened: {_words(root)}; check the resource string, and "
            "that the library for its kind of interface is installed",
            instrument=label,
        )
    reason = "no answer in time" if is_timeout(root) else _words(root)
    return LinkLostError(f"no connection ({reason}); {_NOT_REACHED}", instrument=label)


def is_timeout(error: BaseException) -> bool:
    """Whether this only says that time ran out."""
    return _visa_code(error) == VI_ERROR_TMO or isinstance(error, TimeoutError | OverdueError)


def _root(error: BaseException) -> BaseException:
    """Return the error at the bottom of a chain: pyvisa-py wraps a refused connection twice.

    A KeyError below is none of the cause: the library looks handles up with try and except.
    """
    below = error.__cause__ or (None if error.__suppress_context__ else error.__context__)
    return error if below is None or isinstance(below, DriverError | KeyError) else _root(below)


def _visa_code(error: BaseException) -> int | None:
    code = getattr(error, "error_code", None)
    return int(code) if isinstance(code, int) else None


def _words(error: BaseException) -> str:
    """Return an error as one line."""
    text = " ".join(str(error).split())
    return f"{type(error).__name__}: {text}" if text else type(error).__name__
