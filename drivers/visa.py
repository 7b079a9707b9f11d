"""The door to pyvisa: open a resource, and choose how bytes move over its session.

With `drivers.sockets` the only file that imports it.
"""

from __future__ import annotations

import contextlib
import functools
import os
from typing import Any

import pyvisa
from pyvisa.constants import StatusCode

from drivers import sockets
from drivers.channels import Channel, MessageChannel, SocketChannel, StreamChannel
from drivers.errors import RequestError


@functools.cache
def manager(backend: str) -> Any:
    """Return the process's one resource manager of a backend; it stays open until exit."""
    if backend == "@py":
        sockets.register()
    return pyvisa.ResourceManager(backend)


def opened(resource: str, backend: str, open_timeout: float) -> Any:
    """Return a resource that exchanges messages, newly opened.

    Parameters
    ----------
    resource : a VISA resource string.
    backend : as pyvisa names it; empty = the environment's ``PYVISA_LIBRARY``, else pyvisa-py.
    open_timeout : [s]

    Raises
    ------
    RequestError
        If it exchanges no messages; besides, whatever the session raises.
    """
    made = manager(backend or os.environ.get("PYVISA_LIBRARY", "@py")).open_resource(
        resource, open_timeout=round(open_timeout * 1000)
    )
    if not isinstance(made, pyvisa.resources.MessageBasedResource):
        made.close()
        raise RequestError("this kind of resource exchanges no messages")
    return made


def channel(resource: Any, name: str) -> Channel:
    """Return the way to move bytes over an open resource; ``name`` is its resource string."""
    library = resource.visalib
    session = getattr(library, "sessions", {}).get(resource.session)
    if isinstance(session, sockets.DeadlineSocketSession):
        return SocketChannel(session)
    if resource.resource_class == "SOCKET" or name.upper().startswith("ASRL"):
        resource.read_termination = None
        return StreamChannel(library, resource.session)
    return MessageChannel(library, resource.session)


def without_count_warning(resource: Any) -> contextlib.AbstractContextManager[Any]:
    """Say nothing, in this context, of answers that are read in more than one piece."""
    silence: contextlib.AbstractContextManager[Any] = resource.ignore_warning(
        StatusCode.success_max_count_read
    )
    return silence


def discard(resource: Any) -> None:
    """Close a resource that opened after nobody waited for it any more."""
    with contextlib.suppress(Exception):
        resource.close()


def session_of(resource: Any, library: Any) -> tuple[Any, Any]:
    """Return pyvisa-py's session object behind a resource, and its handle; None where unknown."""
    try:
        handle = resource.session
    except Exception:  # noqa: BLE001 - a closed or absent resource has none
        return None, None
    sessions = getattr(library, "sessions", None)
    return (sessions.get(handle) if isinstance(sessions, dict) else None), handle
