"""What there is to measure, as plain data: a fan inverter and the bonding lead of a balance rack.

All numbers are invented for the demonstration; they are of the order that such an installation
shows. Change one with `dataclasses.replace`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

Complex = npt.NDArray[np.complex128]
Floats = npt.NDArray[np.float64]

AROUND_PROBE = 110
"""The relay that leads the conductor around the aperture of the current probe."""


@dataclass(frozen=True, slots=True)
class Ring:
    """One damped ring of the source: amplitude * exp(-t/decay) * sin(2 pi frequency t)."""

    frequency: float
    decay: float
    amplitude: float


@dataclass(frozen=True, slots=True)
class Section:
    """Resistance, inductance and capacitance in parallel: a lossy core with stray capacitance."""

    inductance: float
    resistance: float = math.inf
    capacitance: float = 0.0

    def impedance(self, omega: Floats) -> Complex:
        """Return the impedance at ``omega`` > 0 [rad/s]. [ohm]"""
        admittance = 1 / self.resistance + 1j * omega * self.capacitance
        return np.asarray(1 / (admittance + 1 / (1j * omega * self.inductance)))


@dataclass(frozen=True, slots=True)
class Element:
    """What a relay puts into the conductor: sections in series, and their direct-current path.

    Attributes
    ----------
    name : the condition that has this element alone in circuit.
    dc_resistance : of the path, contacts included. [ohm]
    series_inductance : of its leads. [H]
    """

    name: str
    dc_resistance: float
    series_inductance: float = 0.0
    sections: tuple[Section, ...] = ()

    def impedance(self, omega: Floats) -> Complex:
        """Return the impedance at ``omega`` > 0 [rad/s]. [ohm]"""
        total = self.dc_resistance + 1j * omega * self.series_inductance
        for section in self.sections:
            total = total + section.impedance(omega)
        return np.asarray(total)


@dataclass(frozen=True, slots=True)
class Source:
    """The noise source as seen from the gap in the conductor.

    Behind the gap: a voltage of damped rings, a resistance and an inductance in series, optionally
    a series capacitance, and a shunt capacitance across the gap.

    Attributes
    ----------
    high_pass : corner of the second-order coupling into the conductor; bursts have no DC. [Hz]
    rise_time : of the inverter edge that excites the rings. [s]
    series_capacitance : inf = none. An inductive element can resonate with it. [F]
    """

    rings: tuple[Ring, ...] = (Ring(0.9e6, 5e-6, 1.0), Ring(3.4e6, 2.5e-6, 0.8))
    rise_time: float = 60e-9
    high_pass: float = 200e3
    resistance: float = 1.0
    inductance: float = 0.9e-6
    series_capacitance: float = math.inf
    shunt_capacitance: float = 150e-12


def _core(turns_ratio: float) -> Section:
    return Section(100e-6 * turns_ratio, 620.0 * turns_ratio, 4e-12 / turns_ratio)


def _paths() -> dict[int, Element]:
    return {
        101: Element("bare", 0.004, 20e-9),
        102: Element("damped_choke", 0.014, 50e-9, (_core(0.4),)),
        103: Element("triple_core", 0.031, 90e-9, (_core(5.5),) * 3),
        104: Element("air_coil", 0.046, 0.0, (Section(0.35e-6, math.inf, 2e-12),)),
    }


@dataclass(frozen=True, slots=True)
class Input:
    """What arrives at one input of the oscilloscope.

    Attributes
    ----------
    quantity : its name; empty = nothing is connected.
    transfer : volts at the input per unit of the quantity. [ohm or 1]
    pickup : peak-to-peak of what the leads pick up from the source event. [V at the input]
    ambient_noise : rms of what arrives and is not synchronous. [V at the input]
    carriers : (frequency [Hz], amplitude [V at the input]) of broadcast stations.
    """

    quantity: str = ""
    transfer: float = 1.0
    pickup: float = 0.0
    ambient_noise: float = 0.0
    carriers: tuple[tuple[float, float], ...] = ()


def _inputs() -> tuple[Input, ...]:
    stations = ((0.783e6, 0.9e-3), (1.287e6, 0.7e-3), (6.075e6, 1.1e-3), (9.52e6, 0.6e-3))
    return (
        Input("lead_current", 5.0, 50e-3, 3.5e-3, stations),
        Input("inverter_edge", 0.1, 0.0, 4e-3),
        Input("lead_voltage", 0.1, 8e-3, 1e-3, stations[:2]),
        Input(),
    )


@dataclass(frozen=True, slots=True)
class Scenario:
    """Everything that the circuit's behaviour follows from, apart from the seed.

    Attributes
    ----------
    source, paths, inputs : see there; the key of a path is the relay that closes it.
    conditions : further named sets of closed relays, beside the name of each path.
    reference_peak : largest magnitude of the current of one nominal burst on the bare lead. [A]
    supply : link voltage of the inverter; its edge goes from -supply/2 to +supply/2. [V]
    edge_ring : the overshoot on the edge, amplitude relative to the step.
    edge_rate : rising edges per second. [1/s]  duty : (mean, swing) of the high time.
    amplitude_jitter : relative standard deviation from event to event.
    drift : relative change of the source over 1000 events.
    wander : amplitude of a slow relative variation, and its period in events.
    pickup_repeatability : relative standard deviation of the pickup each time a condition is set.
    trigger_jitter : standard deviation of the trigger instant. [s]
    probe_error : relative error of the probes' transfer against what a profile states.
    contact_scatter : standard deviation of a resistance reading. [ohm]
    """

    source: Source = field(default_factory=Source)
    paths: Mapping[int, Element] = field(default_factory=_paths)
    conditions: Mapping[str, frozenset[int]] = field(
        default_factory=lambda: {
            "probe_off": frozenset({101, AROUND_PROBE}),
            "open_lead": frozenset[int](),
        }
    )
    inputs: tuple[Input, ...] = field(default_factory=_inputs)
    reference_peak: float = 1.25
    supply: float = 120.0
    edge_ring: Ring = Ring(7.5e6, 0.35e-6, 0.12)
    edge_rate: float = 4000.0
    duty: tuple[float, float] = (0.5, 0.15)
    amplitude_jitter: float = 0.02
    drift: float = 0.03
    wander: tuple[float, float] = (0.004, 310.0)
    pickup_repeatability: float = 0.01
    trigger_jitter: float = 0.3e-9
    probe_error: float = 0.0
    contact_scatter: float = 0.1e-3

    def closed_in(self, condition: str) -> frozenset[int]:
        """Return the relays that are closed in a named condition.

        Raises
        ------
        KeyError
            If no path and no entry of ``conditions`` has that name.
        """
        if condition in self.conditions:
            return self.conditions[condition]
        for relay, element in self.paths.items():
            if element.name == condition:
                return frozenset({relay})
        raise KeyError(condition)
