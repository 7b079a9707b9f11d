"""The fallback: a raw socket through pyvisa-py's own session class.

Our class is not registered where pyvisa-py has another shape; the link must stay correct on what is
there then, if slower, and must still end by its deadlines.
"""

from __future__ import annotations

import logging
import time

import numpy as np
import pytest
from pyvisa.constants import InterfaceType
from pyvisa_py.sessions import Session
from pyvisa_py.tcpip import TCPIPSocketSession

from drivers import sockets, visa
from drivers.channels import StreamChannel
from drivers.errors import LinkLostError, RequestError, TimedOutError
from drivers.link import Link, LinkPolicy

PATIENCE = 8.0


@pytest.fixture
def stock(caplog):
    """Put pyvisa-py's own class back for one test."""
    begun = time.monotonic()
    visa.manager("@py")  # it registers our class when it is first made
    with caplog.at_level(logging.CRITICAL, "pyvisa"):
        Session.register(InterfaceType.tcpip, "SOCKET")(TCPIPSocketSession)
        yield
        assert sockets.register()
    assert time.monotonic() - begun < PATIENCE


@pytest.fixture
def stock_link(stock, serve, connect):
    def start(handler):
        link = connect(serve(handler).resource)
        assert isinstance(link._channel, StreamChannel)
        return link

    return start


def echo(peer):
    while True:
        line = peer.line()
        if line == "BLOCK?":
            peer.send(b"#6300000" + bytes(range(10)) * 30_000 + b"\n")
        elif line.endswith("?"):
            peer.send(line.encode() + b"\n")


def stall_mid_block(peer):
    peer.line()
    peer.send(b"#6300000" + bytes(5000))
    peer.stall()


def fin_mid_block(peer):
    peer.line()
    peer.send(b"#6300000" + bytes(5000))


def test_text_and_block(stock_link):
    link = stock_link(echo)
    assert link.query("A?") == "A?"
    out = np.zeros(300_000, np.uint8)
    assert link.query_block_into("BLOCK?", out) == 300_000
    assert out.tobytes() == bytes(range(10)) * 30_000  # 0x0A among them
    assert link.query("B?") == "B?"


@pytest.mark.parametrize(
    ("fault", "error"), [(stall_mid_block, TimedOutError), (fin_mid_block, LinkLostError)]
)
def test_fault_ends_by_the_deadline_where_the_stock_class_spins(stock_link, fault, error):
    link = stock_link(fault)
    with pytest.raises(error):
        link.query_block("DATA?")
    with pytest.raises(LinkLostError, match="must be reopened"):
        link.query("A?")
    link.close()


def test_write_that_the_stock_class_would_hang_in(stock_link):
    link = stock_link(lambda peer: peer.stall())
    with pytest.raises(TimedOutError):
        link.write("A" * 40_000_000)
    link.close()


def test_clear_is_a_new_connection(stock_link):
    link = stock_link(echo)
    link.clear()
    assert link.query("A?") == "A?"


def test_backend_that_is_not_installed():
    link = Link("GPIB0::9::INSTR", policy=LinkPolicy(backend="@nosuch"))
    with pytest.raises((RequestError, LinkLostError), match="check"):
        link.open()
