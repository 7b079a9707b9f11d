"""Relay units in both conventions of reading back, on a real socket."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.catalogue import open_switch
from drivers.dialects.relay_units import channel_list, kind_of, parse_channel_list
from drivers.errors import AnswerError, ComplaintError, LinkLostError
from drivers.scope import Identity
from simulated_instruments.bench import SimulatedBench


# Lists and ranges as in W2 p2-11, W3 p2-106; an empty list is common practice, no source.
@pytest.mark.parametrize(
    ("answer", "channels"),
    [
        ("(@101)", {101}),
        ("(@101,203)", {101, 203}),
        ("(@101:103)", {101, 102, 103}),
        ("(@101:102, 110)", {101, 102, 110}),
        ("(@)", set()),
    ],
)
def test_channel_lists(answer, channels):
    assert parse_channel_list(answer) == channels


@pytest.mark.parametrize("answer", ["", "101", "(101)", "(@a)", "(@101", "1,0"])
def test_what_is_no_channel_list(answer):
    with pytest.raises(AnswerError, match="channel list"):
        parse_channel_list(answer)


@given(st.sets(st.integers(0, 9999), max_size=8))
def test_channel_lists_read_back(channels):
    assert parse_channel_list(channel_list(sorted(channels))) == channels


@pytest.fixture(params=["per channel", "list"])
def bench(request):
    with SimulatedBench(seed=5, readback=request.param) as made:
        yield made


@pytest.fixture
def switch(bench):
    made = open_switch(bench.resources["switch"])  # the usual patience: the machine may be busy
    yield made
    made.close()


def test_close_and_open(switch, bench):
    switch.close_channels([101, 103])
    assert bench.circuit.closed == {101, 103}
    assert switch.closed_channels(range(101, 111)) == {101, 103}
    switch.open_channels([103])
    assert switch.closed_channels([101, 103]) == {101}
    assert bench.circuit.closed == {101}


def test_closing_one_does_not_open_another(switch):
    switch.close_channels([101])
    switch.close_channels([102])
    assert switch.closed_channels([101, 102, 103]) == {101, 102}


def test_nothing_asked_nothing_sent(switch):
    switch.close_channels([])
    switch.open_channels([])
    assert switch.closed_channels([]) == frozenset()


def test_channel_that_does_not_exist(switch):
    with pytest.raises(ComplaintError, match=r"ROUTe:CLOSe \(@999\)"):
        switch.close_channels([999])
    assert switch.errors() == ()


def test_identity(switch):
    assert switch.identity.model.startswith("QK-34")


def test_recover_reads_the_state_anew(switch, bench):
    switch.close_channels([101])
    switch.recover()
    bench.switch.reset()
    assert switch.closed_channels([101]) == frozenset()


def test_unit_that_left(switch, bench):
    bench.close()
    with pytest.raises(LinkLostError):
        switch.close_channels([101])


def test_stuck_relay_shows_where_the_readback_is_the_contact(bench, switch):
    """The software state says "closed" all the same: that is what ``readback`` warns of."""
    bench.faults.inject("relay_stuck_open", "switch")
    if switch.readback == "contact":
        with pytest.raises(AnswerError, match=r"still reports \(@102\) as open"):
            switch.close_channels([102])
    else:
        switch.close_channels([102])
        assert bench.circuit.closed == frozenset()


@pytest.mark.parametrize(
    ("maker", "model", "kind"),
    [
        ("KEITHLEY INSTRUMENTS INC.", "MODEL 2700", ("closed list", "software state")),
        ("Rigol Technologies", "M300", ("per channel", "software state")),
        ("QUILLMOOR INSTRUMENTS", "QK-34", ("per channel", "software state")),
        ("QUILLMOOR INSTRUMENTS", "QK-34L", ("closed list", "contact")),
    ],
)
def test_kind_by_identity(maker, model, kind):
    """W2 and W3, W4 for the two conventions; the forms of the identities are from memory."""
    assert kind_of(Identity(maker, model, "1", "1", "")) == kind
