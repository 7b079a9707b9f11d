"""A circuit with a known truth: what the simulated oscilloscope, relay unit and ohmmeter share.

What one source event does is computed once for each set of closed relays, on a fine grid (see
`simulated_instruments.network`). A record is a resampling of that, plus pickup, carriers and noise.
Everything random is a function of the seed, the event number and the input, so that the same
sequence of operations gives the same data.

The truth (``truth``, ``truth_trace``, ``truth_attenuation``) is for tests. No instrument tells it.
"""

from __future__ import annotations

import math
import threading
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache, lru_cache
from typing import Literal

import numpy as np
import numpy.typing as npt

from simulated_instruments.network import FINE_POINTS, FINE_STEP, Network
from simulated_instruments.scenario import Complex, Floats, Scenario

NEGLIGIBLE = 1e-5
"""What is left of a burst, relative to its peak, where it counts as died down."""
CARRIER_BLOCK = 1 << 14
"""Samples of the table that carriers are put together from."""

Volts = npt.NDArray[np.float32]
Measure = Literal["peak_to_peak", "rms"]


@dataclass(frozen=True, slots=True)
class Snapshot:
    """What held when a record was triggered.

    Attributes
    ----------
    event : number of the rising edge. closed : relays. visit : how often a condition had been set.
    """

    event: int
    closed: frozenset[int]
    visit: int


class Circuit:
    """The source, the conductor and what is connected to them.

    Parameters
    ----------
    scenario : None = the demonstration's.
    seed : of everything random.
    """

    def __init__(self, scenario: Scenario | None = None, seed: int = 0) -> None:
        self._network = Network(scenario) if scenario else _demonstration()
        self.scenario = self._network.scenario
        self.seed = seed
        self._lock = threading.Lock()
        self._event = 0
        self._visit = 0
        self._closed: frozenset[int] = frozenset()
        self._wander_phase = float(self._random("wander").uniform(0, 2 * np.pi))
        self._strength = lru_cache(maxsize=4096)(self.amplitude)
        self._waves = lru_cache(maxsize=32)(self._wave)
        self._carriers = lru_cache(maxsize=16)(self._carrier_table)

    # -- state that the instruments change ---------------------------------------------------------
    @property
    def closed(self) -> frozenset[int]:
        """Relays whose contacts are closed."""
        return self._closed

    def set_closed(self, relays: Iterable[int]) -> None:
        """Close exactly these relays."""
        with self._lock:
            wanted = frozenset(relays)
            if wanted != self._closed:
                self._closed = wanted
                self._visit += 1

    def set_condition(self, name: str) -> None:
        """Do by hand what a relay unit would do; also counts as moving the leads."""
        with self._lock:
            self._closed = self.scenario.closed_in(name)
            self._visit += 1

    def next_event(self, skip: int = 0) -> Snapshot:
        """Let ``skip`` events pass and return the one after them."""
        with self._lock:
            self._event += 1 + skip
            return Snapshot(self._event, self._closed, self._visit)

    def resistance(self) -> float:
        """Return the direct-current resistance of the closed paths; inf = none is closed. [ohm]"""
        conductance = sum(
            1 / self.scenario.paths[n].dc_resistance
            for n in self._closed & set(self.scenario.paths)
        )
        return 1 / conductance if conductance else math.inf

    # -- impedances and responses ------------------------------------------------------------------
    def source_impedance(self, frequency: npt.ArrayLike) -> Complex:
        """Return R + jwL + 1/(jwC) of the source, without its shunt capacitance. [ohm]"""
        return self._network.source_impedance(frequency)

    def path_impedance(self, closed: frozenset[int], frequency: npt.ArrayLike) -> Complex | None:
        """Return the closed paths in parallel, None if there is none. [ohm]"""
        return self._network.path_impedance(closed, frequency)

    def response(self, closed: frozenset[int], quantity: str, bandwidth: float = 0.0) -> Floats:
        """Return one nominal event on the fine grid, from the event on; see `Network.response`."""
        return self._network.response(closed, quantity, bandwidth)

    # -- what an input sees ------------------------------------------------------------------------
    def amplitude(self, event: int) -> float:
        """Return the relative strength of one source event; its mean over events is the drift."""
        s = self.scenario
        wander = s.wander[0] * math.sin(2 * np.pi * event / s.wander[1] + self._wander_phase)
        jitter = s.amplitude_jitter * float(self._random("event", event).standard_normal())
        return (1 + s.drift * event / 1000 + wander) * (1 + jitter)

    def input_volts(
        self,
        number: int,
        snapshot: Snapshot,
        start: float,
        step: float,
        samples: int,
        bandwidth: float = 0.0,
        chunk: int = 0,
    ) -> Volts:
        """Return what arrives at one input around one event. Shape (samples,). [V]

        Parameters
        ----------
        number : input, from 1.
        start : first sample relative to the event. [s]
        bandwidth : of the input, 0 = unlimited. [Hz]
        chunk : number of this piece of a long record; it selects the noise.
        """
        signal = self.signal_volts(number, snapshot, start, step, samples, bandwidth)
        if not 1 <= number <= len(self.scenario.inputs):
            return signal
        there = self.scenario.inputs[number - 1]
        random = self._random("input", snapshot.event, number, chunk)
        if there.ambient_noise:
            signal += random.standard_normal(samples, dtype=np.float32) * np.float32(
                there.ambient_noise
            )
        if there.carriers:
            phases = self._random("carriers", snapshot.event, number).uniform(
                0, 2 * np.pi, len(there.carriers)
            )
            signal += self._carrier_volts(number, phases, start, step, samples)
        return signal

    def signal_volts(
        self,
        number: int,
        snapshot: Snapshot,
        start: float,
        step: float,
        samples: int,
        bandwidth: float = 0.0,
    ) -> Volts:
        """Return what repeats with the event at one input: quantity and pickup. [V]"""
        total = np.zeros(samples, np.float32)
        if not 1 <= number <= len(self.scenario.inputs):
            return total
        there = self.scenario.inputs[number - 1]
        if not there.quantity:
            return total
        edge = there.quantity == "inverter_edge"
        wave = self._waves(number, snapshot.closed, snapshot.visit, bandwidth)
        high, edges = self._edges(snapshot.event, start, step * samples)
        if edge:
            total += wave[-1] * np.float32(0.5 if high else -0.5)
        for instant, strength, sign in edges:
            size = sign if edge else sign * strength
            _resample(total, wave, start - instant, step, size, hold=edge)
        return total

    def _wave(self, number: int, closed: frozenset[int], visit: int, bandwidth: float) -> Floats:
        """Return what one nominal event puts on one input, until it has died down. [V]

        The pickup of a visit to a condition is a little larger and a little later than nominal.
        """
        there = self.scenario.inputs[number - 1]
        edge = there.quantity == "inverter_edge"
        transfer = there.transfer * (1 + self.scenario.probe_error)
        transfer *= self.scenario.supply if edge else 1.0
        wave = self.response(closed, there.quantity, bandwidth) * transfer
        if there.pickup:
            spread = self.scenario.pickup_repeatability / math.sqrt(2)
            size, turn = self._random("pickup", visit).standard_normal(2) * spread
            names = (f"pickup:{there.quantity}", f"later:{there.quantity}")
            base, later = (self.response(frozenset(), name, bandwidth) for name in names)
            wave += base * (1 + size) + later * turn
        left = np.abs(wave - wave[-1])
        return wave[: int(np.flatnonzero(left >= NEGLIGIBLE * left.max())[-1]) + 3]

    def _edges(
        self, event: int, start: float, span: float
    ) -> tuple[bool, list[tuple[float, float, float]]]:
        """Return the output's state before, and (instant, strength, sign) of edges that matter.

        Instants are relative to the rising edge ``event``; falling edges excite the inverse burst.
        """
        period = 1 / self.scenario.edge_rate
        reach = FINE_POINTS * FINE_STEP
        first = event + math.floor((start - reach) / period) - 1
        last = event + math.ceil((start + span) / period)
        found = []
        for number in range(first, last + 1):
            instant = (number - event) * period
            mean, swing = self.scenario.duty
            high = period * (mean + swing * math.sin(2 * np.pi * number / 80))
            strength = self._strength(number)
            found += [(instant, strength, 1.0), (instant + high, strength, -1.0)]
        before = [sign for instant, _, sign in found if instant <= start - reach]
        return before[-1] > 0, found[len(before) : _count_until(found, start + span)]

    def _carrier_volts(
        self, number: int, phases: Floats, start: float, step: float, samples: int
    ) -> Volts:
        carriers = self.scenario.inputs[number - 1].carriers
        frequencies = tuple(f for f, _ in carriers)
        sizes = np.array([a for _, a in carriers])
        table = self._carriers(frequencies, step, min(samples, CARRIER_BLOCK))
        total = np.zeros(samples, np.float32)
        spare = np.empty(min(samples, CARRIER_BLOCK), np.float32)
        for first in range(0, samples, CARRIER_BLOCK):
            angles = phases + 2 * np.pi * np.array(frequencies) * (start + first * step)
            weights = np.concatenate([sizes * np.sin(angles), sizes * np.cos(angles)])
            piece = total[first : first + CARRIER_BLOCK]
            # row by row: a matrix product of so few rows wakes a pool of threads for nothing
            for weight, row in zip(weights.astype(np.float32), table, strict=True):
                piece += np.multiply(row[: len(piece)], weight, out=spare[: len(piece)])
        return total

    @staticmethod
    def _carrier_table(frequencies: tuple[float, ...], step: float, samples: int) -> Volts:
        angle = 2 * np.pi * np.array(frequencies)[:, None] * (np.arange(samples) * step)
        return np.concatenate([np.cos(angle), np.sin(angle)]).astype(np.float32)

    def _random(self, what: str, *numbers: int) -> np.random.Generator:
        key = (self.seed, _KEYS[what], *(n & 0xFFFFFFFF for n in numbers))
        return np.random.Generator(np.random.SFC64(np.random.SeedSequence(key)))

    # -- the truth, for tests only -----------------------------------------------------------------
    def truth_trace(
        self, condition: str, quantity: str, start: float, step: float, samples: int
    ) -> Floats:
        """Return one nominal event without pickup, noise and quantisation. [A or V]

        ``start`` is relative to the event.
        """
        fine = self.response(self.scenario.closed_in(condition), quantity)
        if quantity == "inverter_edge":
            fine = (fine - 0.5) * self.scenario.supply
        at = (start + np.arange(samples) * step) / FINE_STEP
        return np.asarray(np.interp(at, np.arange(FINE_POINTS), fine, left=fine[0]))

    def truth(
        self,
        condition: str,
        quantity: str,
        measure: Measure,
        start: float,
        step: float,
        samples: int,
    ) -> float:
        """Return the level of one nominal event, averaged over where the samples fall. [A or V]

        ``rms`` is taken about the mean of the record.
        """
        phases = [start + step * k / 8 for k in range(8)]
        traces = [self.truth_trace(condition, quantity, p, step, samples) for p in phases]
        levels = [np.ptp(t) if measure == "peak_to_peak" else t.std() for t in traces]
        return float(np.mean(levels))

    def truth_attenuation(
        self,
        condition: str,
        quantity: str,
        measure: Measure,
        start: float,
        step: float,
        samples: int,
        reference: str = "bare",
    ) -> float:
        """Return reference level / level in ``condition``, a ratio."""
        base = self.truth(reference, quantity, measure, start, step, samples)
        return base / self.truth(condition, quantity, measure, start, step, samples)


_KEYS = {"event": 1, "input": 2, "carriers": 3, "pickup": 4, "wander": 5}


@cache
def _demonstration() -> Network:
    """Return the responses of the demonstration's scenario, which most circuits share."""
    return Network(Scenario())


def _count_until(edges: list[tuple[float, float, float]], end: float) -> int:
    return sum(instant <= end for instant, _, _ in edges)


def _resample(
    total: Volts, fine: Floats, start: float, step: float, size: float, hold: bool = False
) -> None:
    """Add ``size`` times the response to ``total``; ``start`` is relative to its event.

    Between fine points it is interpolated linearly: 0.1 % at 15 MHz, 5e-5 at 3 MHz.
    """
    first = max(0, math.ceil(-start / step))
    last = min(len(total), math.floor((len(fine) - 2) * FINE_STEP / step - start / step) + 1)
    if hold and last < len(total):
        total[max(first, last) :] += np.float32(size * fine[-1])
    if last <= first:
        return
    for group in range(1, 11):  # samples a few apart lie alike between fine points
        stride = round(group * step / FINE_STEP)
        off = abs(stride * FINE_STEP - group * step) * (last - first)
        if stride < 1 or off > 1e-3 * FINE_STEP * group:
            continue
        for sample in range(first, min(last, first + group)):
            at = (start + sample * step) / FINE_STEP
            base, part, count = int(at), at - int(at), len(range(sample, last, group))
            low = fine[base : base + (count - 1) * stride + 1 : stride]
            high = fine[base + 1 : base + (count - 1) * stride + 2 : stride]
            values = low * (size * (1 - part)) + high * (size * part)
            total[sample:last:group] += values.astype(np.float32)
        return
    places = (start + np.arange(first, last) * step) / FINE_STEP
    index = places.astype(np.int64)
    share = places - index
    values = size * (fine[index] * (1 - share) + fine[index + 1] * share)
    total[first:last] += values.astype(np.float32)
