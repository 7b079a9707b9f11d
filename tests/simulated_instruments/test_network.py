"""One source event against time-domain simulation (scipy.signal.lsim) and against closed forms."""

import dataclasses
import math

import numpy as np
import pytest
from numpy.polynomial import polynomial as poly
from scipy import signal

from simulated_instruments.circuit import Circuit
from simulated_instruments.network import FINE_POINTS, FINE_STEP
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


def test_reference_is_what_the_scenario_says_and_dies_down():
    circuit = Circuit()
    fine = circuit.response(frozenset({101}), "lead_current")
    assert np.abs(fine).max() == pytest.approx(1.25, rel=1e-6)
    assert np.abs(fine[36_000:]).max() < 2e-3  # 36 us after the event
    assert np.abs(fine[-1000:]).max() < 1e-6


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


def test_bandwidth_is_that_of_a_first_order_low_pass():
    circuit = Circuit()
    fine, limited = (circuit.response(frozenset({101}), "lead_current", b) for b in (0.0, 5e6))
    frequency = np.fft.rfftfreq(FINE_POINTS, FINE_STEP)
    for wanted in (0.9e6, 3.4e6, 8e6):
        at = int(np.argmin(np.abs(frequency - wanted)))
        ratio = abs(np.fft.rfft(limited)[at] / np.fft.rfft(fine)[at])
        assert ratio == pytest.approx(1 / math.hypot(1, wanted / 5e6), rel=0.01)
