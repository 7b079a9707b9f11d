"""Relays switch make before break for a protective conductor; a person is never assumed."""

from datetime import UTC, datetime

import pytest

from acquire.errors import InstrumentFault, RefusedError
from acquire.run.fixture import (
    Confirmation,
    GateRequest,
    OperatorFixture,
    RelayFixture,
    check_possible,
)

CONDITIONS = {"bare": (101,), "choke": (102,), "no_current": (101, 110)}


def request(condition):
    return GateRequest(1, 1, condition, "do it", (), None)


class Relays:
    """A relay unit that writes down what it is told, with relays that can be stuck."""

    readback = "contact"

    def __init__(self, closed=(), stuck_open=(), stuck_closed=()):
        self.closed = set(closed)
        self.stuck_open, self.stuck_closed = set(stuck_open), set(stuck_closed)
        self.told = []

    def close_channels(self, channels):
        self.told.append(("close", tuple(channels)))
        self.closed |= set(channels) - self.stuck_open

    def open_channels(self, channels):
        self.told.append(("open", tuple(channels)))
        self.closed -= set(channels) - self.stuck_closed

    def closed_channels(self, among):
        self.told.append(("read", tuple(sorted(self.closed & set(among)))))
        return frozenset(self.closed & set(among))

    @property
    def switched(self):
        return [word for word in self.told if word[0] != "read"]


def fixture(relays, protective=True):
    return RelayFixture(relays, CONDITIONS, protective, "bare", 0.0)


def test_the_new_path_is_closed_and_read_back_before_the_old_one_opens():
    relays = Relays(closed=(101,))

    found = fixture(relays).set(request("choke"))

    assert relays.told == [
        ("read", (101,)),
        ("close", (102,)),
        ("read", (101, 102)),
        ("open", (101,)),
        ("read", (102,)),
    ]
    assert found.closed == (102,)


def test_at_no_moment_is_a_protective_conductor_open():
    relays = Relays(closed=(101,))
    paths = {101, 102}
    states = []
    close, open_ = relays.close_channels, relays.open_channels
    relays.close_channels = lambda c: (close(c), states.append(set(relays.closed)))
    relays.open_channels = lambda c: (open_(c), states.append(set(relays.closed)))

    for condition in ("choke", "no_current", "choke", "bare", "choke"):
        fixture(relays).set(request(condition))
    fixture(relays).park()

    assert len(states) >= 8
    assert all(state & paths for state in states)


def test_other_conductors_break_before_they_make():
    relays = Relays(closed=(101,))

    fixture(relays, protective=False).set(request("choke"))

    assert relays.switched == [("open", (101,)), ("close", (102,))]


def test_a_relay_that_does_not_close_leaves_the_old_path_closed():
    relays = Relays(closed=(101,), stuck_open=(102,))

    with pytest.raises(InstrumentFault, match=r"reads back channel 102 as open; nothing was op"):
        fixture(relays).set(request("choke"))

    assert relays.closed == {101}
    assert not [word for word in relays.switched if word[0] == "open"]


def test_a_relay_that_does_not_open_is_told():
    relays = Relays(closed=(101,), stuck_closed=(101,))

    with pytest.raises(InstrumentFault, match=r"reads back channel 101, 102 as closed"):
        fixture(relays).set(request("choke"))


def test_a_relay_left_closed_by_somebody_else_is_opened():
    relays = Relays(closed=(101, 102, 110))

    fixture(relays).set(request("bare"))

    assert relays.closed == {101}


def test_a_condition_without_a_channel_would_open_a_protective_conductor():
    relays = Relays(closed=(101,))
    conditions = {**CONDITIONS, "shorted": ()}

    with pytest.raises(InstrumentFault, match="would open a protective conductor"):
        RelayFixture(relays, conditions, True, "bare", 0.0).set(request("shorted"))

    assert relays.closed == {101}


def test_parking_goes_back_to_bare():
    relays = Relays(closed=(102,))

    found = fixture(relays).park()

    assert found.condition == "bare"
    assert relays.switched == [("close", (101,)), ("open", (102,))]


def test_an_operator_is_asked_and_named_and_never_sent_away():
    asked = []
    at = datetime(2026, 1, 1, tzinfo=UTC)

    def gate(wanted):
        asked.append(wanted.condition)
        return Confirmation("a person", at)

    hand = OperatorFixture(gate)
    found = hand.set(request("choke"))

    assert (asked, found.by, found.at) == (["choke"], "a person", at)
    assert hand.park() is None


def test_a_run_that_needs_a_hand_is_refused_where_nobody_can_be_asked():
    with pytest.raises(RefusedError, match=r"no terminal .* nothing was contacted"):
        check_possible(True, None)
    check_possible(False, None)
    check_possible(True, lambda _request: Confirmation("x", datetime.now(UTC)))
