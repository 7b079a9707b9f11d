"""4-wire resistance; SCPI-99 vol. 2 7.3: overload is 9.9E37."""

import dataclasses

import pytest

from simulated_instruments.circuit import Circuit
from simulated_instruments.ohmmeter import Milliohmmeter
from simulated_instruments.scenario import Scenario


def ask(meter, message):
    response = meter.execute(message.encode())
    return None if response is None else response.join().decode().rstrip("\n")


@pytest.mark.parametrize(
    ("condition", "ohms"),
    [("bare", 0.004), ("damped_choke", 0.014), ("triple_core", 0.031), ("air_coil", 0.046)],
)
def test_reads_the_closed_path(condition, ohms):
    circuit = Circuit()
    circuit.set_condition(condition)
    for message in ("MEAS:FRES?", "MEAS:FRES? 1", "MEAS:FRES? DEF,0.0001", "CONF:FRES 1;:READ?"):
        assert float(ask(Milliohmmeter(circuit), message)) == pytest.approx(ohms, abs=6e-4)


def test_open_lead_is_an_overload():
    meter = Milliohmmeter(Circuit())
    assert float(ask(meter, "MEAS:FRES?")) == 9.9e37


def test_beyond_the_range_is_an_overload_and_beyond_all_ranges_an_error():
    scenario = Scenario()
    element = dataclasses.replace(scenario.paths[102], dc_resistance=5.0)
    circuit = Circuit(dataclasses.replace(scenario, paths=dict(scenario.paths) | {102: element}))
    circuit.set_closed({102})
    meter = Milliohmmeter(circuit)
    assert float(ask(meter, "MEAS:FRES? 1")) == 9.9e37
    assert float(ask(meter, "MEAS:FRES? 10")) == pytest.approx(5.0, abs=1e-3)
    assert ask(meter, "MEAS:FRES? 1E6") is None
    assert ask(meter, "SYST:ERR?").startswith("-222,")


def test_readings_scatter_as_told():
    circuit = Circuit()
    circuit.set_condition("bare")
    meter = Milliohmmeter(circuit)
    readings = [float(ask(meter, "READ?")) for _ in range(200)]
    mean = sum(readings) / 200
    spread = (sum((r - mean) ** 2 for r in readings) / 199) ** 0.5
    assert spread == pytest.approx(1e-4, rel=0.2)
