"""What an input sees, what is random in it, and the truth that it is held against."""

import dataclasses
import math

import numpy as np
import pytest

from simulated_instruments.circuit import Circuit, Snapshot
from simulated_instruments.network import FINE_POINTS, FINE_STEP
from simulated_instruments.scenario import Scenario

START, STEP, SAMPLES = -4e-6, 4e-9, 10_000
WINDOW = (START, STEP, SAMPLES)


@pytest.mark.parametrize(
    ("condition", "low", "high"),
    [("damped_choke", 25, 31), ("triple_core", 55, 63), ("air_coil", 0, 4)],
)
def test_candidates_are_what_the_demonstration_needs(condition, low, high):
    circuit = Circuit()
    for measure in ("peak_to_peak", "rms"):
        got = circuit.truth_attenuation(condition, "lead_current", measure, *WINDOW)
        assert low < 20 * math.log10(got) < high


def test_no_current_without_a_path_or_around_the_probe():
    circuit = Circuit()
    for condition in ("open_lead", "probe_off"):
        assert circuit.truth(condition, "lead_current", "peak_to_peak", *WINDOW) == 0.0


def test_paths_in_parallel():
    circuit = Circuit()
    bare, choke = (circuit.path_impedance(frozenset({n}), [1e6])[0] for n in (101, 102))
    both = circuit.path_impedance(frozenset({101, 102}), [1e6])[0]
    assert both == pytest.approx(1 / (1 / bare + 1 / choke))
    circuit.set_closed({101, 102})
    assert circuit.resistance() == pytest.approx(1 / (1 / 0.004 + 1 / 0.014))
    circuit.set_closed({110})
    assert math.isinf(circuit.resistance())


def test_input_sees_the_truth_times_the_transfer(quiet):
    circuit = Circuit(quiet, seed=1)
    circuit.set_condition("bare")
    event = circuit.next_event()
    volts = circuit.input_volts(1, event, *WINDOW)
    truth = circuit.truth_trace("bare", "lead_current", *WINDOW)
    # linear interpolation between fine points: below 0.1 % at these frequencies
    assert np.abs(volts - 5 * truth).max() < 1e-3 * np.abs(5 * truth).max()


@pytest.mark.parametrize("step", [4e-9, 3.3e-9, 0.4e-9, 1.7321e-9])
def test_whole_and_odd_steps_give_one_waveform(quiet, step):
    circuit = Circuit(quiet, seed=1)
    circuit.set_condition("bare")
    event = circuit.next_event()
    samples = 8000
    volts = circuit.input_volts(1, event, -1e-6, step, samples)
    at = -1e-6 + np.arange(samples) * step
    fine = circuit.response(frozenset({101}), "lead_current")
    expected = 5 * np.interp(at, np.arange(FINE_POINTS) * FINE_STEP, fine, left=0)
    assert np.allclose(volts, expected, atol=2e-5)


def test_edges_follow_the_inverter(quiet):
    circuit = Circuit(quiet, seed=1)
    event = circuit.next_event()
    volts = circuit.input_volts(2, event, -10e-6, 1e-7, 5000)  # two periods of 250 us
    assert volts[:99] == pytest.approx(-6.0, abs=1e-3)
    assert volts[150] == pytest.approx(6.0, abs=0.01)
    rising = np.flatnonzero((volts[:-1] < 0) & (volts[1:] >= 0))
    falling = np.flatnonzero((volts[:-1] > 0) & (volts[1:] <= 0))
    assert np.diff(rising) * 1e-7 == pytest.approx([250e-6], abs=1e-7)
    assert len(falling) == 2
    assert 0.3 * 250e-6 < (falling[0] - rising[0]) * 1e-7 < 0.7 * 250e-6


def test_falling_edges_excite_the_inverse_burst(quiet):
    circuit = Circuit(dataclasses.replace(quiet, duty=(0.5, 0.0)), seed=1)
    circuit.set_condition("bare")
    event = circuit.next_event()
    first = circuit.input_volts(1, event, 0.0, STEP, 10_000)
    second = circuit.input_volts(1, event, 125e-6, STEP, 10_000)
    assert np.abs(first + second).max() < 2e-3 * np.abs(first).max()


def test_same_seed_and_sequence_give_the_same_volts_and_another_seed_does_not():
    def take(seed):
        circuit = Circuit(seed=seed)
        circuit.set_condition("bare")
        return circuit.input_volts(1, circuit.next_event(), *WINDOW)

    assert np.array_equal(take(5), take(5))
    assert not np.allclose(take(5), take(6), atol=1e-3)


def test_pickup_repeats_with_the_event_and_changes_a_little_with_the_condition():
    scenario = dataclasses.replace(Scenario(), pickup_repeatability=0.02)
    circuit = Circuit(scenario, seed=2)
    levels = []
    for _ in range(60):
        circuit.set_condition("probe_off")
        event = dataclasses.replace(circuit.next_event(), event=1000)
        once = circuit.signal_volts(1, event, *WINDOW)
        again = circuit.signal_volts(1, event, *WINDOW)
        assert np.array_equal(once, again)
        levels.append(np.ptp(once))
    spread = np.std(levels) / np.mean(levels)
    assert np.mean(levels) == pytest.approx(50e-3 * (1 + 0.03), rel=0.1)  # drift after 1000 events
    assert 0.004 < spread < 0.03


def test_noise_and_carriers_are_not_synchronous():
    """Their mean square adds up as for independent sources; the mean trace falls with sqrt(N)."""
    circuit = Circuit(seed=3)
    there = circuit.scenario.inputs[0]
    events = [circuit.next_event() for _ in range(64)]
    traces = np.array(
        [circuit.input_volts(1, e, *WINDOW) - circuit.signal_volts(1, e, *WINDOW) for e in events]
    )
    power = there.ambient_noise**2 + sum(a * a / 2 for _, a in there.carriers)
    assert traces.std() == pytest.approx(math.sqrt(power), rel=0.02)
    assert traces.mean(0).std() == pytest.approx(math.sqrt(power / 64), rel=0.15)


def test_carriers_stand_at_their_frequencies():
    circuit = Circuit(seed=3)
    event = circuit.next_event()
    samples = 1 << 17
    volts = circuit.input_volts(1, event, 1e-3, 20e-9, samples)
    spectrum = np.abs(np.fft.rfft(volts * np.hanning(samples))) * 4 / samples
    frequency = np.fft.rfftfreq(samples, 20e-9)
    for carrier, amplitude in circuit.scenario.inputs[0].carriers:
        near = np.abs(frequency - carrier) < 1e3
        assert spectrum[near].max() == pytest.approx(amplitude, rel=0.25)


def test_amplitude_jitters_and_drifts_as_told():
    circuit = Circuit(seed=4)
    early = np.array([circuit.amplitude(k) for k in range(2000)])
    late = np.array([circuit.amplitude(k) for k in range(10_000, 12_000)])
    assert early.std() == pytest.approx(0.027, abs=0.004)  # jitter 2 %, drift within 2000 events
    assert late.mean() - early.mean() == pytest.approx(0.3, abs=0.01)


def test_probe_error_scales_what_the_input_sees_but_not_the_truth(quiet):
    plain = Circuit(quiet, seed=1)
    off = Circuit(dataclasses.replace(quiet, probe_error=0.05), seed=1)
    seen = []
    for circuit in (plain, off):
        circuit.set_condition("bare")
        seen.append(np.ptp(circuit.input_volts(1, circuit.next_event(), *WINDOW)))
    assert seen[1] / seen[0] == pytest.approx(1.05, rel=1e-5)
    levels = [c.truth("bare", "lead_current", "rms", *WINDOW) for c in (plain, off)]
    assert levels[0] == levels[1]


def test_unconnected_and_unknown():
    circuit = Circuit()
    event = Snapshot(1, frozenset({101}), 0)
    assert not circuit.input_volts(4, event, *WINDOW).any()
    assert not circuit.input_volts(9, event, *WINDOW).any()
    with pytest.raises(KeyError):
        circuit.truth("bare", "no_such_quantity", "rms", *WINDOW)


def test_rms_is_taken_about_the_mean():
    circuit = Circuit()
    trace = circuit.truth_trace("bare", "lead_current", *WINDOW)
    got = circuit.truth("bare", "lead_current", "rms", *WINDOW)
    assert got == pytest.approx(math.sqrt(np.mean((trace - trace.mean()) ** 2)), rel=1e-3)
