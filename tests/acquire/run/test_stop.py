"""A first signal asks, an alarm insists, a second signal ends at once."""

import signal
import subprocess
import sys
import time

import pytest

from acquire.errors import ExitCode
from acquire.run.stop import StopFlag, StopNow, signals_stop

CHILD = """
import socket, sys, time
from acquire.run.stop import StopFlag, StopNow, signals_stop
stop = StopFlag()
here, there = socket.socketpair()
with signals_stop(stop):
    print("ready", flush=True)
    try:
        if sys.argv[1] == "polite":
            while not stop():
                time.sleep(0.01)
            sys.exit(5)
        if sys.argv[1] == "hung":
            here.recv(1)          # a transfer that never returns
        if sys.argv[1] == "shielded":
            with stop.shielded():
                end = time.monotonic() + 1.6
                while time.monotonic() < end:
                    time.sleep(0.01)
                print("whole", flush=True)
            while True:
                time.sleep(0.01)
        if sys.argv[1] == "deaf":
            with stop.shielded():
                time.sleep(60)
    except StopNow:
        print("ended by", stop.reason.split()[0], flush=True)
        sys.exit(5)
"""


@pytest.fixture
def child():
    started = []

    def start(kind):
        process = subprocess.Popen(
            [sys.executable, "-c", CHILD, kind], stdout=subprocess.PIPE, text=True
        )
        started.append(process)
        assert process.stdout.readline() == "ready\n"
        return process

    yield start
    for process in started:
        if process.poll() is None:
            process.kill()
        process.wait(10)
        process.stdout.close()


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
@pytest.mark.parametrize("kind", ["polite", "hung", "shielded"])
def test_a_signal_ends_it_whatever_it_is_in(child, kind, number):
    process = child(kind)

    process.send_signal(number)

    assert process.wait(10) == 5
    said = process.stdout.read()
    if kind != "polite":
        assert f"ended by {number.name}" in said
    if kind == "shielded":
        assert said.startswith("whole")


def test_a_second_signal_ends_it_at_once(child):
    process = child("deaf")

    process.send_signal(signal.SIGTERM)
    time.sleep(0.2)  # two signals at the same instant would be one
    process.send_signal(signal.SIGTERM)

    assert process.wait(10) == ExitCode.INTERRUPTED


def test_the_first_reason_stands():
    stop = StopFlag()
    assert not stop()
    assert not stop.wait(0.0)

    stop.request("somebody asked")
    stop.request("somebody else asked")

    assert stop()
    assert stop.wait(10)
    assert stop.reason == "somebody asked"


def test_handlers_are_put_back():
    before = [signal.getsignal(n) for n in (signal.SIGINT, signal.SIGTERM, signal.SIGALRM)]

    with signals_stop(StopFlag()):
        assert signal.getsignal(signal.SIGINT) != before[0]

    after = [signal.getsignal(n) for n in (signal.SIGINT, signal.SIGTERM, signal.SIGALRM)]
    assert after == before


def test_stop_now_is_no_exception_that_a_driver_may_catch():
    assert not issubclass(StopNow, Exception)
    with pytest.raises(StopNow):
        StopFlag().alarm()
