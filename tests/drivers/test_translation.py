"""Every exception that the libraries below can raise becomes one of ours."""

from __future__ import annotations

import inspect
import socket
import struct

import pytest
import pyvisa
from pyvisa.constants import StatusCode
from pyvisa.errors import VisaIOError
from pyvisa_py.protocols import rpc, vxi11

from drivers.errors import (
    AnswerError,
    ComplaintError,
    DriverError,
    InstrumentError,
    LinkLostError,
    RequestError,
    TimedOutError,
)
from drivers.translation import VI_ERROR_TMO, is_timeout, translate, translate_opening
from drivers.watchdog import OverdueError

LABEL = "scope (TCPIP::x)"


def test_completion_codes_are_those_of_visa():
    """Against pyvisa's table of VPP-4.3."""
    assert StatusCode.error_timeout == VI_ERROR_TMO


@pytest.mark.parametrize("code", [c for c in StatusCode if c < 0])
def test_every_visa_error_is_translated(code):
    error = VisaIOError(code)
    expected = TimedOutError if code is StatusCode.error_timeout else LinkLostError
    assert type(translate(error, "the answer to 'A?'", LABEL)) is expected
    assert isinstance(translate_opening(error, LABEL), LinkLostError | RequestError)


def library_errors():
    modules = (pyvisa.errors, rpc, vxi11)
    for module in modules:
        for _, thing in inspect.getmembers(module, inspect.isclass):
            if issubclass(thing, Exception) and thing.__module__ == module.__name__:
                yield thing


@pytest.mark.parametrize("kind", sorted(set(library_errors()), key=lambda k: k.__name__))
def test_every_library_class_is_translated(kind):
    """A class that a newer pyvisa(-py) adds is met here before it is met on a bench."""
    error = kind.__new__(kind)
    error.args = ("words",)
    for found in (translate(error, "x", LABEL), translate_opening(error, LABEL)):
        assert isinstance(found, DriverError)
        assert found.instrument == LABEL


@pytest.mark.parametrize(
    ("error", "expected"),
    [
        (TimeoutError(), TimedOutError),
        (OverdueError(), TimedOutError),
        (ConnectionResetError(), LinkLostError),
        (BrokenPipeError(), LinkLostError),
        (OSError(9, "Bad file descriptor"), LinkLostError),
        (RuntimeError("protocol synchronization error"), LinkLostError),
        (AssertionError(), LinkLostError),
        (struct.error("unpack"), LinkLostError),
        (Exception("could not connect: -1073807339"), LinkLostError),
        (EOFError("the answer ended after 3 of 4 bytes"), AnswerError),
        (ValueError("filedescriptor out of range in select()"), LinkLostError),
    ],
    ids=repr,
)
def test_what_an_exchange_can_raise(error, expected):
    found = translate(error, "the answer to 'A?'", LABEL)
    assert type(found) is expected
    assert str(found).startswith(f"{LABEL}: ")


def test_a_peer_that_left_outweighs_a_timeout():
    assert type(translate(TimeoutError(), "x", LABEL, peer_left=True)) is LinkLostError


def wrapped(lowest):
    try:
        try:
            raise lowest
        except Exception as error:
            raise RuntimeError("wrapper") from error
    except RuntimeError as error:
        return error


@pytest.mark.parametrize(
    ("error", "expected", "words"),
    [
        (ConnectionRefusedError(111, "refused"), LinkLostError, "nothing listens at this address"),
        (wrapped(ConnectionRefusedError(111, "refused")), LinkLostError, "nothing listens"),
        (socket.gaierror(-2, "Name or service not known"), LinkLostError, "host name is not known"),
        (TimeoutError(), LinkLostError, "no answer in time"),
        (OverdueError(), LinkLostError, "no answer in time"),
        (OSError(113, "No route to host"), LinkLostError, "No route to host"),
        (ValueError("Please install\nPyUSB"), RequestError, "Please install PyUSB"),
        (RequestError("no messages"), RequestError, "no messages"),
    ],
    ids=repr,
)
def test_what_opening_can_raise(error, expected, words):
    found = translate_opening(error, LABEL)
    assert type(found) is expected
    assert words in str(found)
    assert "\n" not in str(found)


def test_our_own_errors_get_the_instrument_once():
    bare = translate(AnswerError("odd"), "x", LABEL)
    assert str(bare) == f"{LABEL}: odd"
    assert translate(bare, "x", "another") is bare


def test_complaint_keeps_its_entries():
    error = ComplaintError("odd", (InstrumentError(-113, "x"),), instrument=LABEL)
    assert translate(error, "x", LABEL) is error


def test_only_timeouts_are_timeouts():
    assert is_timeout(VisaIOError(StatusCode.error_timeout))
    assert not is_timeout(VisaIOError(StatusCode.error_io))
    assert not is_timeout(OSError())
