"""Messages that can stand alone."""

from __future__ import annotations

from drivers.errors import ComplaintError, InstrumentError, LinkLostError


def test_message_names_the_instrument():
    error = LinkLostError("gone", instrument="scope (TCPIP::x)")
    assert str(error) == "scope (TCPIP::x): gone"
    assert (error.message, error.instrument) == ("gone", "scope (TCPIP::x)")


def test_message_without_an_instrument():
    assert str(LinkLostError("gone")) == "gone"


def test_complaint_carries_the_entries():
    entries = (InstrumentError(-113, "Undefined header"), InstrumentError(None, "odd"))
    error = ComplaintError("it reports", entries, instrument="x")
    assert [str(e) for e in error.errors] == ["-113 Undefined header", "odd"]
