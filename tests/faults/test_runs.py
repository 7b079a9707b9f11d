"""Whole runs over real sockets, with every fault that a simulated instrument can have.

After each: either the run completed in spite of it, or it was kept and a resume completed it. No
finished shot is taken twice, the run file verifies, and the relays end in the bare condition.
"""

from pathlib import Path

import pytest

from acquire.bench import parse_bench
from acquire.errors import ExitCode, InstrumentFault, RefusedError
from acquire.recipe import parse_recipe
from acquire.run.resume import resume
from acquire.run.runner import run
from acquire.runfile import RunFile, verify
from simulated_instruments.bench import SimulatedBench

PROFILES = Path(__file__).resolve().parents[2] / "profiles"
DONE = {ExitCode.OK, ExitCode.LIMIT_NOT_MET, ExitCode.UNDECIDED}
BARE = frozenset({101})


def recipe():
    text = (PROFILES / "recipes" / "bonding_lead.yaml").read_text()
    for old, new in {
        "repeats: 32": "repeats: 4",
        "duration: 40 us": "duration: 12 us",
        "timeout: 2 s": "timeout: 0.5 s",
        "measures: [peak_to_peak, rms, band_b]": "measures: [rms]",
        "  - {role: target, condition: triple_core}\n": "",
        "  - {role: target, condition: air_coil}\n": "",
    }.items():
        assert old in text, old
        text = text.replace(old, new)
    limits = text.index("limits:")
    return parse_recipe(text[:limits], "short.yaml")


def bench_at(resources):
    text = (PROFILES / "benches" / "wind_tunnel_simulated.yaml").read_text()
    for role, port in (("scope", 45025), ("switch", 45026), ("ohmmeter", 45027)):
        old = f"  resource: TCPIP::127.0.0.1::{port}::SOCKET\n"
        assert old in text
        text = text.replace(old, f"  resource: {resources[role]}\n  timeout: 0.7 s\n")
    for old, new in {"50 ms": "1 ms", "reconnect_wait: 0.5 s": "reconnect_wait: 0.1 s"}.items():
        assert old in text
        text = text.replace(old, new)
    return parse_bench(text, "bench.yaml")


class Station:
    """A bench with faults, one recipe, and everything that was told."""

    def __init__(self, simulated, folder):
        self.simulated, self.folder = simulated, folder
        self.bench, self.recipe, self.events = bench_at(simulated.resources), recipe(), []

    def run(self):
        return run(self.recipe, self.bench, self.folder, on_event=self.events.append)

    def resume(self, spool):
        return resume(spool, bench=self.bench, on_event=self.events.append)

    def finish(self, outcome):
        """Resume as often as a patient person would."""
        for _ in range(4):
            if outcome.exit_code in DONE:
                return outcome
            assert outcome.exit_code is ExitCode.FAULT, outcome.reason
            assert outcome.spool.is_dir()
            self.simulated.faults.clear()
            outcome = self.resume(outcome.spool)
        raise AssertionError(f"not done after four tries: {outcome.reason}")

    def told(self, name):
        return [event.data for event in self.events if event.name == name]

    def check(self, outcome):
        """What holds after every run, whatever happened in it."""
        assert verify(outcome.path) == []
        stored = [data["shot"] for data in self.told("shot_stored")]
        assert len(stored) == len(set(stored)), "a finished shot was taken again"
        with RunFile.open(outcome.path) as file:
            assert [shot.name for shot in file.shots()] == stored
            roles = [shot.role for shot in file.shots()]
        assert roles[:3] == ["reference", "target", "reference"]
        assert set(roles[3:]) == {"floor"}
        assert self.simulated.circuit.closed == BARE
        assert {r.attenuation.state for r in outcome.result.results} == {"resolved"}


@pytest.fixture(params=["tektronix"])  # test_matrix.py has the other kind of dialect
def station(request, tmp_path):
    with SimulatedBench(seed=5, dialect=request.param) as simulated:
        yield Station(simulated, tmp_path)


@pytest.mark.parametrize(
    ("fault", "after", "parameters"),
    [
        ("stall_mid_block", 12, {}),
        ("close_mid_block", 12, {}),
        ("close_mid_block", 30, {"reset": True}),
        ("short_block", 12, {}),
        ("wrong_length_header", 12, {}),
        ("garbage", 12, {}),
        ("garbage_reply", 150, {}),
        ("error_queue_entries", 200, {}),
        ("no_trigger", 10, {}),
        ("late_trigger", 10, {}),
        ("reboot", 200, {}),
        ("settings_do_not_stick", 60, {}),
        ("slow_link", 100, {}),
    ],
)
def test_a_fault_of_the_scope_costs_at_most_the_shot_in_flight(station, fault, after, parameters):
    station.simulated.faults.inject(fault, "scope", after=after, **parameters)

    outcome = station.finish(station.run())

    assert station.simulated.faults.struck == [(fault, "scope")]
    station.check(outcome)
    if fault in ("stall_mid_block", "close_mid_block", "short_block", "garbage", "reboot"):
        assert station.told("instrument_failed")
        assert station.told("link_recovered")


@pytest.mark.parametrize(
    ("fault", "after"),
    [("relay_stuck_open", 0), ("relay_stuck_open", 1), ("garbage_reply", 6), ("reboot", 6)],
)
def test_a_fault_of_the_relay_unit_leaves_a_closed_path(station, fault, after):
    """A relay that says it closed and did not is found by the ohmmeter, also in bare."""
    station.simulated.faults.inject(fault, "switch", after=after)

    outcome = station.finish(station.run())

    assert station.simulated.faults.struck
    station.check(outcome)


def test_a_fault_of_the_ohmmeter_is_tried_again(station):
    station.simulated.faults.inject("garbage_reply", "ohmmeter", after=2)

    outcome = station.finish(station.run())

    assert station.simulated.faults.struck
    station.check(outcome)


def test_a_scope_that_never_triggers_keeps_the_run(station):
    station.simulated.faults.inject("no_trigger", "scope", after=10, count=1000)

    outcome = station.run()

    assert outcome.exit_code is ExitCode.FAULT
    assert "no trigger on inverter_edge" in outcome.reason
    assert station.simulated.circuit.closed == BARE
    station.check(station.finish(outcome))


def test_another_unit_after_a_reconnect_is_refused(station):
    station.simulated.faults.inject("close_mid_block", "scope", after=12)
    station.simulated.faults.inject("wrong_identity_after_reconnect", "scope", after=1, count=50)

    outcome = station.run()

    assert outcome.exit_code is ExitCode.FAULT
    assert "another instrument answers" in outcome.reason
    with pytest.raises((RefusedError, InstrumentFault)):
        station.resume(outcome.spool)
    station.simulated.faults.clear()
    station.check(station.finish(station.resume(outcome.spool)))
