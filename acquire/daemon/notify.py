"""Telling systemd that the daemon is ready, alive or stopping.

The datagram protocol is systemd's documented interface (sd_notify(3)): one datagram of
``NAME=VALUE`` lines to the socket named in ``NOTIFY_SOCKET``; a name that begins with ``@`` is an
abstract one. Without that variable nothing is sent.
"""

from __future__ import annotations

import contextlib
import os
import socket
from collections.abc import Mapping


class ServiceManager:
    """The service manager that started this process, if one did."""

    def __init__(self, environment: Mapping[str, str] = os.environ) -> None:
        address = environment.get("NOTIFY_SOCKET", "")
        self._address = "\0" + address[1:] if address.startswith("@") else address
        self.watchdog = _watchdog_seconds(environment)

    def ready(self, status: str) -> None:
        """Say that the daemon is up."""
        self._send(f"READY=1\nSTATUS={status}")

    def alive(self) -> None:
        """Pet the watchdog; call it only from the loop that proves life."""
        if self.watchdog is not None:
            self._send("WATCHDOG=1")

    def stopping(self, status: str) -> None:
        """Say that the daemon is on its way out."""
        self._send(f"STOPPING=1\nSTATUS={status}")

    def _send(self, text: str) -> None:
        if not self._address:
            return
        # a service manager that is gone must not end a measurement
        with contextlib.suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as door:
            door.connect(self._address)
            door.sendall(text.encode())


def _watchdog_seconds(environment: Mapping[str, str]) -> float | None:
    """Return within which time the watchdog must be petted, None where there is none. [s]"""
    try:
        if int(environment.get("WATCHDOG_PID", os.getpid())) != os.getpid():
            return None
        return int(environment["WATCHDOG_USEC"]) / 1e6
    except (KeyError, ValueError):
        return None
