"""What one source event does, in the frequency domain: source, conductor and candidates.

The current of one event is

    I = V / (Zs + Zc + jw Cp Zs Zc),    Zs = R + jwL + 1/(jwC),

with V the source's damped rings, Cp its shunt capacitance and Zc the closed paths in parallel; the
voltage across the gap is I * Zc. Without a path it is V / (1 + jw Cp Zs).
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from simulated_instruments.scenario import AROUND_PROBE, Complex, Floats, Scenario

FINE_STEP = 1e-9
FINE_POINTS = 1 << 17
"""The grid of the event responses: 131 us, so that every burst has died down on it."""


class Network:
    """The responses of one scenario, each computed once.

    Parameters
    ----------
    scenario : its source is scaled so that a nominal event on the bare lead has ``reference_peak``.
    """

    def __init__(self, scenario: Scenario) -> None:
        self.scenario = scenario
        self._cached = lru_cache(maxsize=128)(self._compute)
        self._omega = 2 * np.pi * np.fft.rfftfreq(FINE_POINTS, FINE_STEP)
        self._omega[0] = self._omega[1] * 1e-3  # impedances are asked for above zero only
        self._scale = 1.0
        bare = self.response(scenario.closed_in("bare"), "lead_current")
        self._scale = scenario.reference_peak / float(np.abs(bare).max())
        self._cached.cache_clear()

    def source_impedance(self, frequency: npt.ArrayLike) -> Complex:
        """Return R + jwL + 1/(jwC) of the source, without its shunt capacitance. [ohm]"""
        omega, source = 2 * np.pi * np.asarray(frequency, float), self.scenario.source
        series = 0.0 if math.isinf(source.series_capacitance) else 1 / source.series_capacitance
        return np.asarray(source.resistance + 1j * (omega * source.inductance - series / omega))

    def path_impedance(self, closed: frozenset[int], frequency: npt.ArrayLike) -> Complex | None:
        """Return the closed paths in parallel, None if there is none. [ohm]"""
        omega = 2 * np.pi * np.asarray(frequency, float)
        elements = [self.scenario.paths[n] for n in sorted(closed & set(self.scenario.paths))]
        if not elements:
            return None
        admittance = sum((1 / e.impedance(omega) for e in elements), np.zeros_like(omega, complex))
        return np.asarray(1 / admittance)

    def response(self, closed: frozenset[int], quantity: str, bandwidth: float = 0.0) -> Floats:
        """Return one nominal event on the fine grid, from the event on. Shape (FINE_POINTS,).

        ``bandwidth`` is that of a first-order low-pass, 0 = none. [Hz] The edge is returned as the
        unit step that it scales with; pickup as ``pickup:<quantity>``, in volts at the input.
        """
        return self._cached(closed, quantity, bandwidth)

    def _compute(self, closed: frozenset[int], quantity: str, bandwidth: float) -> Floats:
        if quantity == "inverter_edge":
            trace = self._edge()
        elif quantity.startswith("pickup:"):
            trace = self._pickup(quantity.removeprefix("pickup:"))
        elif quantity.startswith("later:"):  # by a quarter of a period of the leads' ring
            trace = np.roll(self._pickup(quantity.removeprefix("later:")), 54)
        else:
            spectrum = self._spectrum(closed, quantity)
            trace = np.fft.irfft(spectrum, FINE_POINTS) * self._scale
        return _low_pass(trace, bandwidth) if bandwidth else trace

    def _source_spectrum(self) -> Complex:
        """Return the transform of the rings, smoothed by the edge and without a DC part."""
        source, time = self.scenario.source, np.arange(FINE_POINTS) * FINE_STEP
        rings = np.zeros(FINE_POINTS)
        for ring in source.rings:
            rings += (
                ring.amplitude
                * np.exp(-time / ring.decay)
                * np.sin(2 * np.pi * ring.frequency * time)
            )
        half = self._omega * source.rise_time / 2
        edge = np.sinc(half / np.pi) * np.exp(-1j * half)
        corner = 1j * self._omega / (2 * np.pi * source.high_pass)
        spectrum = np.fft.rfft(rings) * edge * (corner / (1 + corner)) ** 2
        spectrum[0] = 0.0
        return np.asarray(spectrum)

    def _spectrum(self, closed: frozenset[int], quantity: str) -> Complex:
        frequency = self._omega / (2 * np.pi)
        source, inner = self._source_spectrum(), self.source_impedance(frequency)
        shunt = 1j * self._omega * self.scenario.source.shunt_capacitance
        path = self.path_impedance(closed, frequency)
        if quantity == "lead_voltage":
            if path is None:
                return np.asarray(source / (1 + shunt * inner))
            return np.asarray(source * path / (inner + path + shunt * inner * path))
        if quantity != "lead_current":
            raise KeyError(quantity)
        if path is None or AROUND_PROBE in closed:
            return np.zeros_like(source)
        return np.asarray(source / (inner + path + shunt * inner * path))

    def _edge(self) -> Floats:
        """Return a step from 0 to 1 with overshoot."""
        scenario, time = self.scenario, np.arange(FINE_POINTS) * FINE_STEP
        ring, rise = scenario.edge_ring, scenario.source.rise_time
        step = np.clip(time / rise, 0, 1)
        late = np.clip(time - 0.7 * rise, 0, None)
        step += (
            ring.amplitude * np.exp(-late / ring.decay) * np.sin(2 * np.pi * ring.frequency * late)
        )
        return np.asarray(step)

    def _pickup(self, quantity: str) -> Floats:
        """Return what the leads pick up: the slope of the edge, ringing in the leads."""
        wanted = next(i.pickup for i in self.scenario.inputs if i.quantity == quantity)
        slope = np.gradient(self._edge(), FINE_STEP)
        time = np.arange(4096) * FINE_STEP
        lead = np.exp(-time / 0.5e-6) * np.cos(2 * np.pi * 4.6e6 * time)
        trace = np.convolve(slope, lead)[:FINE_POINTS]
        return np.asarray(trace * (wanted / np.ptp(trace)))


def _low_pass(trace: Floats, bandwidth: float) -> Floats:
    """Return the trace behind a first-order low-pass, exactly for samples joined by steps."""
    from scipy.signal import lfilter

    keep = math.exp(-2 * np.pi * bandwidth * FINE_STEP)
    return np.asarray(lfilter([1 - keep], [1.0, -keep], trace), float)
