"""Whether a record, and a shot, can be trusted: pure judgements on integer codes.

A *fault of a record* means that it is not taken as data. A *remark on a shot* is stored with it:
the data are what they are, but a reader should know. The thresholds are common practice (no
source), and stand here as names.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from acquire.quantities import format_quantity
from acquire.run.ranging import Extremes
from drivers.trace import Codes, Trace

TAIL = 0.05
"""Share of the record, at its end, where the burst should have decayed. [1]"""
TAIL_LEVEL = 0.1
"""A tail that still swings this much of the peak is not decayed (-20 dB). [1]"""
NOISE_FACTOR = 3.0
"""A level this far above the pre-trigger noise counts as signal. [1]"""
TOP_OF_BAND = 0.8
"""Where the top of the band begins, of half the sample rate. [1]"""
TOP_ENERGY = 0.01
"""Share of a burst's energy in the top of the band that says: sampled too slowly. [1]"""
BITS_LOST = 3
"""A shot that leaves this many bits of the converter unused is remarked upon. [bits]"""
TRIGGER_TOLERANCE = 0.04
"""Room around the trigger level for hysteresis and noise, of full scale. [1]"""
TRIGGER_WINDOW = 10e-9
"""Room around the trigger instant for the skew between trigger path and input. [s]"""
_LONGEST = 1 << 16


@dataclass(frozen=True, slots=True)
class TriggerCheck:
    """What the triggering quantity must show at time zero. [V]"""

    quantity: str
    level: float


@dataclass(slots=True)
class ShotChecks:
    """Remembers the first record of a shot, and judges the others by it.

    Attributes
    ----------
    ranges : full scale by quantity. [V]
    trigger : None for an external trigger, which no record shows.
    """

    ranges: dict[str, float]
    trigger: TriggerCheck | None = None
    first: dict[str, Trace] = field(default_factory=dict)
    last: dict[str, Codes] = field(default_factory=dict)
    peaks: dict[str, list[float]] = field(default_factory=dict)
    spans: dict[str, int] = field(default_factory=dict)
    clipped: dict[str, int] = field(default_factory=dict)
    undecayed: dict[str, int] = field(default_factory=dict)

    def fault(self, traces: dict[str, Trace]) -> str:
        """Return why this record is not data, or an empty text. Clipping is judged apart."""
        return next(filter(None, self._faults(traces)), "")

    def _faults(self, traces: dict[str, Trace]) -> Iterable[str]:
        for quantity, trace in traces.items():
            if trace.clipping.holes:
                yield f"{quantity}: {trace.clipping.holes} samples were never acquired"
            if quantity in self.first:
                yield changed_scaling(quantity, self.first[quantity], trace)
        if self.trigger is not None and self.trigger.quantity in traces:
            quantity = self.trigger.quantity
            yield missed_trigger(traces[quantity], self.trigger, self.ranges[quantity])
        if self.last and all(_same(self.last[q], t.codes) for q, t in traces.items()):
            yield "the record is the one before once more (stale data)"

    def clips(self, traces: dict[str, Trace]) -> list[str]:
        """Return the quantities that clip in this record."""
        return [quantity for quantity, trace in traces.items() if trace.clipping.clipped]

    def accept(self, traces: dict[str, Trace]) -> dict[str, float]:
        """Take a record into account; return the peak of each quantity. [V]"""
        self.first = self.first or dict(traces)
        peaks = {}
        for quantity, trace in traces.items():
            low, high = int(trace.codes.min()), int(trace.codes.max())
            self.last[quantity] = trace.codes
            self.spans[quantity] = max(self.spans.get(quantity, 0), high - low)
            hit = trace.clipping.high + trace.clipping.low
            self.clipped[quantity] = self.clipped.get(quantity, 0) + hit
            self.undecayed[quantity] = self.undecayed.get(quantity, 0) + (not decayed(trace))
            peaks[quantity] = extremes(trace).peak
            self.peaks.setdefault(quantity, []).append(peaks[quantity])
        return peaks

    def remarks(self, role: str, repeats: int) -> tuple[str, ...]:
        """Return what a reader of the finished shot should know."""
        found: list[str] = []
        for quantity, trace in self.first.items():
            if role != "floor":
                found += filter(
                    None,
                    (
                        bits_unused(quantity, self.spans[quantity], trace),
                        sampled_too_slowly(quantity, trace),
                        _short(quantity, self.undecayed[quantity], repeats),
                    ),
                )
            if self.clipped[quantity]:
                found.append(f"{quantity}: {self.clipped[quantity]} samples clipped")
        return tuple(found)


def extremes(trace: Trace) -> Extremes:
    """Return the lowest and the highest sample. [V]"""
    ends = sorted(
        float(code) * trace.gain + trace.offset for code in (trace.codes.min(), trace.codes.max())
    )
    return Extremes(ends[0], ends[1], trace.clipping.clipped)


def changed_scaling(quantity: str, first: Trace, other: Trace) -> str:
    """Return what differs in how two records of one shot are to be read, or an empty text."""
    if len(first.codes) != len(other.codes):
        return f"{quantity}: {len(other.codes)} samples after {len(first.codes)}"
    pairs = {
        "gain": (first.gain, other.gain, 1e-9 * abs(first.gain)),
        "offset": (first.offset, other.offset, 1e-6 * abs(first.gain)),
        "sample interval": (first.step, other.step, 1e-9 * first.step),
        "start": (first.start, other.start, 2 * first.step),
    }
    for name, (was, found, allowed) in pairs.items():
        if abs(found - was) > allowed:
            return f"{quantity}: the {name} changed from {was:g} to {found:g} within the shot"
    return ""


def missed_trigger(trace: Trace, trigger: TriggerCheck, vertical_range: float) -> str:
    """Return that nothing crosses the trigger level at time zero, or an empty text."""
    middle = round(-trace.start / trace.step)
    reach = max(3, math.ceil(TRIGGER_WINDOW / trace.step))
    around = trace.codes[max(middle - reach, 0) : max(middle + reach + 1, 0)]
    if not len(around):
        return f"{trigger.quantity}: the record does not hold its trigger instant"
    ends = [float(code) * trace.gain + trace.offset for code in (around.min(), around.max())]
    room = TRIGGER_TOLERANCE * vertical_range
    if min(ends) - room <= trigger.level <= max(ends) + room:
        return ""
    return (
        f"{trigger.quantity}: no edge through {format_quantity(trigger.level, 'V')} at time zero "
        "(triggered by itself, or by something else)"
    )


def decayed(trace: Trace) -> bool:
    """Return whether the burst is over before the record ends."""
    count = len(trace.codes)
    tail = trace.codes[max(count - min(max(int(count * TAIL), 8), _LONGEST), 0) :]
    before = trace.codes[: min(max(round(-trace.start / trace.step), 0), _LONGEST)]
    peak = max(
        abs(int(trace.codes.max()) - _rest(trace)), abs(int(trace.codes.min()) - _rest(trace))
    )
    swing = _rms(tail, _rest(trace)) * math.sqrt(2)
    noise = _rms(before, _rest(trace)) if len(before) >= 8 else 0.0
    return swing <= max(TAIL_LEVEL * peak, NOISE_FACTOR * max(noise, 1.0))


def sampled_too_slowly(quantity: str, trace: Trace) -> str:
    """Return that a burst has energy close to half the sample rate, or an empty text.

    The pre-trigger part says how much of it would be there without a burst.
    """
    zero = min(max(round(-trace.start / trace.step), 0), len(trace.codes))
    # a few samples early: an edge cut in two would itself have energy everywhere
    burst = trace.codes[max(zero - 16, 0) : zero + _LONGEST].astype(np.float64)
    before = trace.codes[max(zero - _LONGEST, 0) : zero].astype(np.float64)
    if len(burst) < 64 or len(before) < 64:
        return ""
    total, top = _energies(burst)
    noise_total, noise_top = _energies(before)
    signal, signal_top = total - noise_total, top - noise_top
    if signal <= NOISE_FACTOR**2 * noise_total or signal_top <= TOP_ENERGY * signal:
        return ""
    share = signal_top / signal
    return (
        f"{quantity}: {share:.0%} of the burst's energy lies above "
        f"{format_quantity(TOP_OF_BAND / (2 * trace.step), 'Hz', 3)}; sample faster"
    )


def bits_unused(quantity: str, span: int, trace: Trace) -> str:
    """Return that a shot uses too few of the converter's bits, or an empty text."""
    full = trace.code_high - trace.code_low + 1
    used = trace.bits + math.log2(max(span, 1) / full)
    if trace.bits - used <= BITS_LOST:
        return ""
    return f"{quantity}: only {max(used, 0):.1f} of {trace.bits} bits are used"


def _short(quantity: str, undecayed: int, repeats: int) -> str:
    if undecayed * 2 <= repeats:
        return ""
    return f"{quantity}: the burst has not decayed when the record ends; make the record longer"


def _rest(trace: Trace) -> int:
    """Return the code that stands for zero volts."""
    return round(-trace.offset / trace.gain)


def _rms(codes: Codes, rest: int) -> float:
    if not len(codes):
        return 0.0
    values = codes.astype(np.float64) - rest
    return float(np.sqrt(np.mean(values * values)))


def _energies(values: npt.NDArray[np.float64]) -> tuple[float, float]:
    """Return mean power, and the mean power in the top of the band. [codes^2]"""
    spectrum = np.abs(np.fft.rfft(values - values.mean())) ** 2 * (2 / len(values) ** 2)
    return float(spectrum.sum()), float(spectrum[int(TOP_OF_BAND * len(spectrum)) :].sum())


def _same(one: Codes, other: Codes) -> bool:
    """Whether two traces are equal, and busy enough that this cannot be chance."""
    return len(one) >= 64 and np.array_equal(one, other) and len(np.unique(one[:_LONGEST])) > 4
