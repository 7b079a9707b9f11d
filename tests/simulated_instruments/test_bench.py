"""One circuit behind three instruments."""

import math

import pytest

from simulated_instruments.bench import SERVERS, SimulatedBench
from simulated_instruments.circuit import Circuit


def test_relays_decide_what_scope_and_ohmmeter_see(serve, talk):
    bench, _ = serve()
    switch, meter = (talk(bench.resources[r]) for r in ("switch", "ohmmeter"))
    assert switch.query("ROUT:OPEN:ALL;*OPC?") == "1"
    assert float(meter.query("MEAS:FRES?")) == 9.9e37
    assert switch.query("ROUT:CLOS (@104);*OPC?") == "1"
    assert float(meter.query("MEAS:FRES?")) == pytest.approx(0.046, abs=1e-3)
    assert bench.circuit.closed == {104}


def test_truth_is_not_on_the_wire(serve, talk):
    _, client = serve()
    for word in ("TRUTH?", ":TRUT?", "CIRC:TRUT?", "SCEN?"):
        client.write(word)
        assert client.query(":SYST:ERR?").startswith("-113,")


def test_serial_numbers_follow_the_seed(serve):
    _, one = serve(seed=12)
    assert one.query("*IDN?").split(",")[2] == "QS000012"


def test_two_benches_do_not_disturb_each_other(serve):
    first, a = serve(seed=1)
    second, b = serve(seed=2)
    a.write("NONSENSE")
    assert b.query(":SYST:ERR?") == '+0,"No error"'
    first.circuit.set_condition("open_lead")
    assert second.circuit.closed == {101}


def test_unknown_choices_are_refused_at_once():
    with pytest.raises(KeyError):
        SimulatedBench(dialect="nobody")
    with pytest.raises(KeyError):
        SimulatedBench(transport="pigeon")
    assert set(SERVERS) == {"socket", "hislip", "vxi11"}


def test_repeated_run_gives_the_same_record(serve):
    def run():
        _, client = serve(seed=5)
        client.write(":CHAN2:DISP 1;:CHAN1:RANG 16;:CHAN2:RANG 16;:TIM:RANG 40e-6")
        client.write(":TRIG:SOUR CHAN2;:TRIG:LEV 1;:WAV:POIN:MODE RAW;:WAV:POIN 10000;:SING;*OPC?")
        assert client.line() == "1"
        return client.block(":WAV:DATA?")[1]

    assert run() == run()


def test_demonstration_has_the_levels_that_it_promises():
    """A reference of about 10 V full scale through 5 ohm, residuals of tens of millivolts."""
    circuit = Circuit()
    window = (-4e-6, 4e-9, 10_000)
    reference = 5 * circuit.truth("bare", "lead_current", "peak_to_peak", *window)
    residual = 5 * circuit.truth("triple_core", "lead_current", "peak_to_peak", *window)
    assert 8 < reference < 14
    assert residual < circuit.scenario.inputs[0].pickup
    assert 20 * math.log10(reference / residual) > 55
