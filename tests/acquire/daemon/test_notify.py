"""The datagrams of sd_notify(3), to a path and to an abstract socket."""

from __future__ import annotations

import os
import socket

import pytest

from acquire.daemon.notify import ServiceManager


@pytest.fixture(params=["path", "abstract"])
def door(request, tmp_path):
    address = (
        f"@floorshot-test-{os.getpid()}" if request.param == "abstract" else str(tmp_path / "n")
    )
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listener:
        listener.bind("\0" + address[1:] if address.startswith("@") else address)
        listener.settimeout(5)
        yield address, listener


def test_ready_alive_and_stopping_are_told(door):
    address, listener = door
    manager = ServiceManager({"NOTIFY_SOCKET": address, "WATCHDOG_USEC": "3000000"})
    manager.ready("serving")
    manager.alive()
    manager.stopping("parking")
    told = [listener.recv(1000).decode() for _ in range(3)]
    assert told == ["READY=1\nSTATUS=serving", "WATCHDOG=1", "STOPPING=1\nSTATUS=parking"]
    assert manager.watchdog == 3.0


def test_a_watchdog_meant_for_another_process_is_not_ours():
    assert ServiceManager({"WATCHDOG_USEC": "1000000", "WATCHDOG_PID": "1"}).watchdog is None


@pytest.mark.parametrize("environment", [{}, {"NOTIFY_SOCKET": "/nowhere/at/all"}])
def test_a_manager_that_is_not_there_is_no_failure(environment):
    manager = ServiceManager(environment)
    manager.ready("serving")
    manager.alive()
    assert manager.watchdog is None
