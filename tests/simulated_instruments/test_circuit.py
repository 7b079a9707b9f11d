"""The truth against time-domain simulation (scipy.signal.lsim) and against closed forms."""

import dataclasses
import math

import numpy as np
import pytest
from numpy.polynomial import polynomial as poly
from scipy import signal

from simulated_instruments.circuit import FINE_POINTS, FINE_STEP, Circuit, Snapshot
from simulated_instruments.scenario import Element, Ring, Scenario, Section, Source

START, STEP, SAMPLES = -4e-6, 4e-9, 10_000
WINDOW = (START, STEP, SAMPLES)


def ratio(*parts):
    """Add rational functions of s, each (numerator, denominator) by rising powers."""
    total = ([0.0], [1.0])
    for top, bottom in parts:
        total = (
            poly.polyadd(poly.polymul(total[0], bottom), poly.polymul(top, total[1])),
            poly.polymul(total[1], bottom),
        )
    return total


def element_ratio(element):
    parts = [([element.dc_resistance, element.series_inductance], [1.0])]
    parts += [  # R, L, C in parallel: sL / (1 + sL/R + s^2 LC)
        ([0.0, p.inductance], [1.0, p.inductance / p.resistance, p.inductance * p.capacitance])
        for p in element.sections
    ]
    return ratio(*parts)


def simulated_current(circuit, condition):
    """Integrate the same rings, coupling and network in time, with scipy's state-space solver."""
    source = circuit.scenario.source
    element = next(e for e in circuit.scenario.paths.values() if e.name == condition)
    zs = ([source.resistance, source.inductance], [1.0])
    zc = element_ratio(element)
    both = (poly.polymul(zs[0], zc[0]), poly.polymul(zs[1], zc[1]))
    shunted = (poly.polymul(both[0], [0.0, source.shunt_capacitance]), both[1])
    total = ratio(zs, zc, shunted)
    corner = 1 / (2 * np.pi * source.high_pass)
    top = poly.polymul(poly.polypow([0.0, corner], 2), total[1])
    bottom = poly.polymul(poly.polypow([1.0, corner], 2), total[0])
    scale = np.max(np.abs(bottom))
    time = np.arange(15_000) * FINE_STEP
    rings = sum(
        r.amplitude * np.exp(-time / r.decay) * np.sin(2 * np.pi * r.frequency * time)
        for r in source.rings
    )
    width = round(source.rise_time / FINE_STEP)
    smooth = np.convolve(rings, np.full(width, 1.0 / width))[: len(time)]
    return signal.lsim((top[::-1] / scale, bottom[::-1] / scale), smooth, time)[1]


@pytest.mark.parametrize("condition", ["bare", "damped_choke", "air_coil"])
def test_current_agrees_with_a_simulation_in_time(condition):
    circuit = Circuit()
    bare = simulated_current(circuit, "bare")
    expected = simulated_current(circuit, condition) * (1.25 / np.abs(bare).max())
    closed = circuit.scenario.closed_in(condition)
    ours = circuit.response(closed, "lead_current")[: len(expected)]
    # half a fine step between the two smoothings, and first-order hold in lsim: below 1 %
    assert np.abs(ours - expected).max() < 0.01 * np.abs(expected).max()


def test_plain_inductor_divides_the_current_of_an_inductive_source():
    """An inductor of Lc in an inductive source of Ls divides the current by (Ls + Lc) / Ls."""
    source = dataclasses.replace(Source(), resistance=0.0, shunt_capacitance=0.0)
    paths = {
        101: Element("bare", 1e-6),
        104: Element("air_coil", 1e-6, 0.0, (Section(0.35e-6),)),
        105: Element("big_coil", 1e-6, 0.0, (Section(9e-6),)),
    }
    circuit = Circuit(dataclasses.replace(Scenario(), source=source, paths=paths))
    for name, expected in (("air_coil", 1.25 / 0.9), ("big_coil", 11.0)):
        for measure in ("peak_to_peak", "rms"):
            got = circuit.truth_attenuation(name, "lead_current", measure, *WINDOW)
            assert got == pytest.approx(expected, rel=1e-4)


def test_resistive_element_against_ohms_law_at_one_frequency():
    """A long single ring makes the source a sine: |Zs + R| / |Zs| by Ohm's law."""
    ring = Ring(1.0e6, 1.0, 1.0)  # hardly decays
    source = dataclasses.replace(Source(), rings=(ring,), shunt_capacitance=0.0)
    paths = {101: Element("bare", 1e-9), 102: Element("resistor", 50.0)}
    circuit = Circuit(dataclasses.replace(Scenario(), source=source, paths=paths))
    late = (30e-6, 4e-9, 10_000)
    inner = complex(circuit.source_impedance(1e6))
    expected = abs(inner + 50.0) / abs(inner)
    got = circuit.truth_attenuation("resistor", "lead_current", "rms", *late)
    assert got == pytest.approx(expected, rel=2e-3)


def test_inductor_can_ring_with_a_capacitive_source():
    """Attenuation below one (negative dB) exists: series resonance."""
    ring = Ring(2.0e6, 4e-6, 1.0)
    source = dataclasses.replace(Source(), rings=(ring,), series_capacitance=4e-9)
    coil = Element("air_coil", 0.05, 0.0, (Section(0.6e-6),))
    paths = dict(Scenario().paths) | {104: coil}
    circuit = Circuit(dataclasses.replace(Scenario(), source=source, paths=paths))
    assert circuit.truth_attenuation("air_coil", "lead_current", "peak_to_peak", *WINDOW) < 0.8


@pytest.mark.parametrize(
    ("condition", "low", "high"),
    [("damped_choke", 25, 31), ("triple_core", 55, 63), ("air_coil", 0, 4)],
)
def test_candidates_are_what_the_demonstration_needs(condition, low, high):
    circuit = Circuit()
    for measure in ("peak_to_peak", "rms"):
        got = circuit.truth_attenuation(condition, "lead_current", measure, *WINDOW)
        assert low < 20 * math.log10(got) < high


def test_reference_is_what_the_scenario_says_and_dies_down():
    circuit = Circuit()
    fine = circuit.response(frozenset({101}), "lead_current")
    assert np.abs(fine).max() == pytest.approx(1.25, rel=1e-6)
    assert np.abs(fine[36_000:]).max() < 2e-3  # 36 us after the event
    assert np.abs(fine[-1000:]).max() < 1e-6


def test_no_current_without_a_path_or_around_the_probe():
    circuit = Circuit()
    for condition in ("open_circuit", "probe_off"):
        assert circuit.truth(condition, "lead_current", "peak_to_peak", *WINDOW) == 0.0


def test_open_circuit_voltage_is_the_source_and_divides():
    """Voltage across a path is I * Zc: checked in the frequency domain."""
    circuit = Circuit()
    choke = circuit.scenario.closed_in("damped_choke")
    current = np.fft.rfft(circuit.response(choke, "lead_current"))
    voltage = np.fft.rfft(circuit.response(choke, "lead_voltage"))
    frequency = np.fft.rfftfreq(FINE_POINTS, FINE_STEP)
    middle = (frequency > 0.5e6) & (frequency < 10e6)
    path = circuit.path_impedance(choke, frequency[middle])
    assert np.allclose(voltage[middle], current[middle] * path, rtol=1e-6, atol=1e-9)


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


@pytest.mark.parametrize("step", [4e-9, 3.3e-9, 0.4e-9])
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


def test_bandwidth_is_that_of_a_first_order_low_pass():
    circuit = Circuit()
    fine, limited = (circuit.response(frozenset({101}), "lead_current", b) for b in (0.0, 5e6))
    frequency = np.fft.rfftfreq(FINE_POINTS, FINE_STEP)
    for wanted in (0.9e6, 3.4e6, 8e6):
        at = int(np.argmin(np.abs(frequency - wanted)))
        ratio = abs(np.fft.rfft(limited)[at] / np.fft.rfft(fine)[at])
        assert ratio == pytest.approx(1 / math.hypot(1, wanted / 5e6), rel=0.01)


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
