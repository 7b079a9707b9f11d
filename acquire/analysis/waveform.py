"""Terms of IEEE Std 181 for one trace: state levels, crossings, transition and pulse duration.

State levels are the modes of the two halves of the trace's histogram; reference levels stand at a
share of the amplitude between them; an instant is where the trace crosses a reference level, with
linear interpolation between samples. (IEEE Std 181-2011 5.2 and 5.3 as quoted in an instrument
maker's help and a library's documentation; the standard was not open to the author. That the
extreme of a peak may stand for a state level is from memory of the same clause.)
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from acquire.analysis.inputs import Floats

BINS = 100
"""Of the histogram, as the standard's usual implementations have it."""
_DWELL = 3.0
"""A top that lasts this many transition durations is a state; a shorter one is a peak."""
_TOP = 0.45
"""Of the whole rise: a top state stands this high; a step may overshoot by its own height."""
_NEAR = 0.1
"""Of the amplitude: a sample this near a state level belongs to the state."""


@dataclass(frozen=True, slots=True)
class StateLevels:
    """The two states of a waveform, in its unit."""

    low: float
    high: float

    def at(self, share: float) -> float:
        """Return the reference level at a share of the amplitude, 0 to 1."""
        return self.low + share * (self.high - self.low)


@dataclass(frozen=True, slots=True)
class Transition:
    """One transition.

    Attributes
    ----------
    duration : between the 10 % and 90 % reference levels. [s]
    instant : of the 50 % reference level, from the first sample. [s]
    levels : the states it joins.
    method : "histogram", or "peak" where the trace has no top state.
    """

    duration: float
    instant: float
    levels: StateLevels
    method: Literal["histogram", "peak"]


def state_levels(trace: Floats, bins: int = BINS) -> StateLevels:
    """Return the modes of the lower and the upper half of the histogram.

    Parameters
    ----------
    trace : shape (time,).
    bins : over the whole span of the trace; a level is known to one of them.
    """
    low, high = float(trace.min()), float(trace.max())
    if low == high:
        return StateLevels(low, high)
    counts, edges = np.histogram(trace, bins=bins, range=(low, high))
    centres = (edges[:-1] + edges[1:]) / 2.0
    half = bins // 2
    return StateLevels(
        float(centres[:half][np.argmax(counts[:half])]),
        float(centres[half:][np.argmax(counts[half:])]),
    )


def crossings(trace: Floats, step: float, level: float) -> tuple[Floats, Floats]:
    """Return the instants of rising and of falling crossings of a level.

    Parameters
    ----------
    trace : shape (time,).
    step : sample interval. [s]
    level : in the trace's unit.

    Returns
    -------
    Two arrays of instants from the first sample. [s]
    """
    above = trace >= level
    change = np.flatnonzero(above[1:] != above[:-1])
    before, after = trace[change], trace[change + 1]
    instants = (change + (level - before) / (after - before)) * step
    rising = above[change + 1]
    return instants[rising], instants[~rising]


def rising_transition(
    trace: Floats, step: float, levels: StateLevels, peak: int | None = None
) -> tuple[float, float] | None:
    """Return (duration 10 to 90 %, instant of 50 %) of a rising transition, or None. [s]

    The transition is the first that reaches the 90 % level, or the one that leads to the sample
    ``peak``; its beginning is the last rise through 10 % before it.
    """
    tenth, _ = crossings(trace, step, levels.at(0.1))
    middle, _ = crossings(trace, step, levels.at(0.5))
    ninetieth, _ = crossings(trace, step, levels.at(0.9))
    if peak is not None:
        ninetieth = ninetieth[ninetieth <= peak * step]
    if not ninetieth.size:
        return None
    end = ninetieth[0] if peak is None else ninetieth[-1]
    begun, passed = tenth[tenth <= end], middle[middle <= end]
    if not (begun.size and passed.size):
        return None
    return float(end - begun[-1]), float(passed[-1])


def transition(trace: Floats, step: float, baseline: float) -> Transition | None:
    """Return the transition from the baseline to the trace's largest excursion from it.

    Where the trace dwells at its top, the states are the histogram's; where it only peaks, they
    are the baseline and the peak. A negative excursion is taken with its sign turned; its levels
    are reported as they are.

    Parameters
    ----------
    trace : shape (time,).
    step : sample interval. [s]
    baseline : quiescent level of the trace.

    Returns
    -------
    None where no transition lies wholly within the record.
    """
    sign = 1.0 if trace.max() - baseline >= baseline - trace.min() else -1.0
    upright = sign * trace
    histogram = state_levels(upright)
    found = rising_transition(upright, step, histogram)
    if found is not None and _dwells(upright, step, histogram, found[0]):
        levels = StateLevels(sign * histogram.low, sign * histogram.high)
        return Transition(found[0], found[1], levels, "histogram")
    peak = int(np.argmax(upright))
    levels = StateLevels(sign * baseline, float(upright[peak]))
    found = rising_transition(upright, step, levels, peak)
    if found is None:
        return None
    return Transition(
        found[0], found[1], StateLevels(sign * levels.low, sign * levels.high), "peak"
    )


def pulse_duration(trace: Floats, step: float, levels: StateLevels) -> float | None:
    """Return the time from the first rise through 50 % to the next fall through it. [s]"""
    rising, falling = crossings(trace, step, levels.at(0.5))
    if not rising.size:
        return None
    falling = falling[falling > rising[0]]
    return float(falling[0] - rising[0]) if falling.size else None


def runs(mask: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return first and one-past-last index of every run of true values."""
    edges = np.flatnonzero(np.diff(mask, prepend=False, append=False))
    return edges[0::2], edges[1::2]


def _dwells(trace: Floats, step: float, levels: StateLevels, duration: float) -> bool:
    if levels.high - levels.low < _TOP * (float(trace.max()) - levels.low):
        return False  # the mode of the upper half is a decayed ring, not a top
    near = np.abs(trace - levels.high) <= _NEAR * (levels.high - levels.low)
    starts, stops = runs(near)
    longest = int(np.max(stops - starts, initial=0))
    return longest >= 2 and longest * step >= _DWELL * duration
