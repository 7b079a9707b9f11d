"""Identity, recovery and the error queue of any SCPI instrument."""

from __future__ import annotations

import pytest

from drivers import scpi
from drivers.errors import AnswerError, LinkLostError
from drivers.instrument import drain, identify, recover

IDN = "QUILLMOOR INSTRUMENTS,QK-34,7,1.0"


def answering(idn=IDN, errors=()):
    def handler(peer):
        left = list(errors)
        while True:
            line = peer.line()
            if line == "*IDN?":
                peer.send(idn.encode() + b"\n")
            elif line.endswith("?"):
                peer.send((left.pop(0) if left else '0,"No error"').encode() + b"\n")

    return handler


def test_identify(serve, connect):
    assert identify(connect(serve(answering()).resource)).serial == "7"


def test_drain_reads_until_empty(serve, connect):
    link = connect(serve(answering(errors=['-113,"A"', '-222,"B"'])).resource)
    assert [e.code for e in drain(link)] == [-113, -222]
    assert drain(link) == ()


def test_drain_of_an_instrument_that_never_stops_complaining(serve, connect):
    link = connect(serve(answering(errors=['-113,"A"'] * 500)).resource)
    found = drain(link)
    assert len(found) == 65
    assert found[-1].code is None


def test_recover(serve, connect):
    server = serve(answering())
    link = connect(server.resource)
    recover(link, scpi.identity(IDN))
    assert link.usable
    assert server.accepted == 2


def test_recover_accepts_another_firmware_of_the_same_unit(serve, connect):
    link = connect(serve(answering(IDN.replace("1.0", "2.0"))).resource)
    recover(link, scpi.identity(IDN))


@pytest.mark.parametrize("other", [IDN.replace(",7,", ",8,"), IDN.replace("34", "35")])
def test_recover_refuses_another_unit(serve, connect, other):
    link = connect(serve(answering(other)).resource)
    with pytest.raises(AnswerError, match="connect the one that the run began with"):
        recover(link, scpi.identity(IDN))
    assert not link.usable


def test_recover_waits_for_a_unit_that_accepts_before_it_answers(serve, connect):
    calls = []

    def handler(peer):
        calls.append(1)
        if len(calls) == 2:
            return  # the first reconnection: accepted, and closed at once
        answering()(peer)

    link = connect(serve(handler).resource)
    recover(link, scpi.identity(IDN))
    assert len(calls) == 3


def test_recover_gives_up(serve, connect):
    def handler(peer):
        return

    link = connect(serve(handler).resource)
    with pytest.raises(LinkLostError, match="not reopened in 2 tries"):
        recover(link, scpi.identity(IDN))
