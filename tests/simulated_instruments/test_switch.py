"""The relay unit in both conventions (project's dialect facts, section 11)."""

import pytest

from simulated_instruments.circuit import Circuit
from simulated_instruments.faults import Faults
from simulated_instruments.switch import RelayUnit


@pytest.fixture
def circuit():
    return Circuit()


def ask(unit, message):
    response = unit.execute(message.encode())
    return None if response is None else response.join().decode().rstrip("\n")


def test_closing_and_opening_reach_the_circuit(circuit):
    unit = RelayUnit(circuit)
    ask(unit, "ROUT:CLOS (@101,110)")
    assert circuit.closed == {101, 110}
    ask(unit, "ROUTE:OPEN (@110)")
    assert circuit.closed == {101}
    ask(unit, "ROUT:CLOS:EXCL (@102)")
    assert circuit.closed == {102}
    ask(unit, "ROUT:OPEN:ALL")
    assert circuit.closed == frozenset()
    assert ask(unit, "SYST:ERR?") == '0,"No error"'


def test_reset_opens_everything(circuit):
    unit = RelayUnit(circuit)
    ask(unit, "CLOS (@101:104);*RST")
    assert circuit.closed == frozenset()


def test_new_path_can_close_before_the_old_one_opens(circuit):
    unit = RelayUnit(circuit)
    ask(unit, "ROUT:CLOS (@101)")
    ask(unit, "ROUT:CLOS (@102)")
    assert circuit.closed == {101, 102}
    assert circuit.resistance() < 0.004
    ask(unit, "ROUT:OPEN (@101)")
    assert circuit.closed == {102}


def test_readback_per_channel_is_what_was_commanded(circuit):
    faults = Faults()
    unit = RelayUnit(circuit, faults)
    faults.inject("relay_stuck_open", instrument="switch")
    ask(unit, "ROUT:CLOS (@101)")
    assert ask(unit, "ROUT:CLOS? (@101,102)") == "1,0"
    assert circuit.closed == frozenset(), "the contact did not move"


def test_readback_as_a_list_is_from_the_contacts(circuit):
    faults = Faults()
    unit = RelayUnit(circuit, faults, readback="list")
    assert ask(unit, "*IDN?").split(",")[1] == "QK-34L"
    ask(unit, "ROUT:CLOS (@103,101)")
    assert ask(unit, "ROUT:CLOS?") == "(@101,103)"
    assert ask(unit, "ROUT:CLOS:STAT? (@101:103)") == "1,0,1"
    faults.inject("relay_stuck_closed", instrument="switch")
    ask(unit, "ROUT:OPEN (@101)")
    assert ask(unit, "ROUT:CLOS?") == "(@101,103)"


def test_conventions_exclude_each_other(circuit):
    unit = RelayUnit(circuit)
    assert ask(unit, "ROUT:CLOS?") is None
    assert ask(unit, "SYST:ERR?").startswith("-109,")
    listing = RelayUnit(circuit, readback="list")
    assert ask(listing, "ROUT:CLOS? (@101)") is None
    assert ask(listing, "SYST:ERR?").startswith("-108,")


def test_channel_that_is_not_there(circuit):
    unit = RelayUnit(circuit)
    ask(unit, "ROUT:CLOS (@101,999)")
    assert ask(unit, "SYST:ERR?").startswith("-222,")
    assert circuit.closed == frozenset()
