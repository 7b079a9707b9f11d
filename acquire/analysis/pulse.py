"""What kind of signal a shot holds: bursts, duty cycle, crest factor, ringing, rise time.

A high peak with a tiny duty cycle is the normal case on an earthing conductor, and an RMS over a
short record then says little about the current over time. So the RMS is also given over the burst
period, from the burst rate: stated, counted within the record, or (as a lower bound, since a scope
misses bursts while it rearms) from the trigger times.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from acquire.analysis.inputs import Capture, Floats, Unit
from acquire.analysis.ringing import Ring, ringing
from acquire.analysis.tables import Table, table_of
from acquire.analysis.waveform import runs, transition

RateSource = Literal["stated", "within the record", "trigger times", "unknown"]

ACTIVE = 0.1
"""Relative to the peak: a trace beyond this, either way, is active. Common practice, no source."""
_NOISE_LIMIT = 5.5
"""In standard deviations: the noise of a long record hardly ever goes beyond."""
_HOLD = 4.0
"""A gap of more than so many times the longest active run ends a burst."""
_FEWEST_QUIET = 32
"""Samples before the first burst that a noise figure needs."""
_CONTINUOUS = 2.0
"""A peak of fewer robust standard deviations is no noise's: the signal is there all the time."""
_TAIL_ENDS = 0.01
"""Relative to the peak: where a tail is taken to end, unless noise ends it before."""


@dataclass(frozen=True, slots=True)
class PulseFacts:
    """One quantity of one shot; medians over repeats, the ring from the mean trace.

    Attributes
    ----------
    unit : of the levels.
    peak : largest excursion from the quiescent level. [unit]
    peak_to_peak : [unit]
    rms_record : RMS about the quiescent level over the record, noise included. [unit]
    crest_factor : ``peak / rms_record``. [1]
    bursts : within one record.
    burst_duration : from the first to the last time beyond ``ACTIVE`` of the peak. [s]
    burst_rate : or None where it is not known. [Hz]
    rate_source : where it comes from; from "trigger times" it is a lower bound.
    duty_cycle : ``burst_duration * burst_rate``; a lower bound where the rate is; None without a
        rate. [1]
    rms_burst_period : RMS over the burst period with the noise's power taken out; a lower bound
        where the rate is; None without a rate. [unit]
    rise_time : 10 to 90 % (IEEE 181), of the edge to the peak. [s]
    rise_method : "histogram" or "peak" (see `acquire.analysis.waveform`).
    rings : modes of the tail after the peak, strongest first, two at most.
    remarks : what could not be said, and why.
    """

    unit: Unit
    peak: float
    peak_to_peak: float
    rms_record: float
    crest_factor: float
    bursts: float
    burst_duration: float
    burst_rate: float | None
    rate_source: RateSource
    duty_cycle: float | None
    rms_burst_period: float | None
    rise_time: float | None
    rise_method: Literal["histogram", "peak"] | None
    rings: tuple[Ring, ...]
    remarks: tuple[str, ...] = ()

    def to_table(self) -> Table:
        """Return (fact, value, unit) rows."""
        facts: list[tuple[str, float | None, str]] = [
            ("peak", self.peak, self.unit),
            ("peak-to-peak", self.peak_to_peak, self.unit),
            ("RMS over the record", self.rms_record, self.unit),
            ("crest factor", self.crest_factor, "1"),
            ("bursts in a record", self.bursts, "1"),
            ("burst duration", self.burst_duration, "s"),
            (f"burst rate ({self.rate_source})", self.burst_rate, "Hz"),
            ("duty cycle", self.duty_cycle, "1"),
            ("RMS over the burst period", self.rms_burst_period, self.unit),
            ("rise time 10 to 90 %", self.rise_time, "s"),
        ]
        for number, ring in enumerate(self.rings, start=1):
            facts += [
                (f"ring {number} frequency", ring.frequency, "Hz"),
                (f"ring {number} decay time constant", ring.time_constant, "s"),
                (f"ring {number} quality factor", ring.quality, "1"),
                (f"ring {number} logarithmic decrement", ring.logarithmic_decrement, "1"),
            ]
        names, values, units = zip(*facts, strict=True)
        return table_of((("fact", names), ("value", values), ("unit", units)))


@dataclass(frozen=True, slots=True)
class _Record:
    """What one trace shows."""

    peak: float
    peak_to_peak: float
    rms: float
    bursts: int
    burst_duration: float
    burst_period: float | None
    energy: float
    """Of one burst, noise taken out; without a period within the record. [unit^2 s]"""
    mean_square: float | None
    """Over whole burst periods, noise taken out; with a period within the record. [unit^2]"""
    rise_time: float | None
    rise_method: Literal["histogram", "peak"] | None
    quiet: bool
    """There were enough samples before the first burst to know the noise."""


def capture_pulse_facts(capture: Capture, burst_rate: float | None = None) -> PulseFacts:
    """Return the facts of a capture, by its flat transfer.

    Parameters
    ----------
    capture : one quantity of one shot.
    burst_rate : where it is known, such as a converter's switching frequency. [Hz]
    """
    scale = 1.0 / capture.transducer.transfer
    records = []
    total = np.zeros(capture.codes.shape[-1])
    for codes, gain, offset in zip(capture.codes, capture.gain, capture.offset, strict=True):
        values = (codes * gain + offset) * scale
        total += values
        records.append(_record(values, capture.step))
    mean = total / len(records)
    return _facts(
        records, mean, capture.step, capture.trigger_time, capture.transducer.unit, burst_rate
    )


def pulse_facts(
    values: Floats,
    step: float,
    unit: Unit,
    trigger_time: Floats | None = None,
    burst_rate: float | None = None,
) -> PulseFacts:
    """Return the facts of a shot.

    Parameters
    ----------
    values : shape (repeat, time), aligned on the trigger. [unit]
    step : sample interval. [s]
    unit : "A" or "V".
    trigger_time : of each repeat, shape (repeat,). [s]
    burst_rate : where it is known. [Hz]
    """
    records = [_record(np.asarray(row, dtype=np.float64), step) for row in values]
    times = np.zeros(0) if trigger_time is None else trigger_time
    return _facts(records, values.mean(axis=0), step, times, unit, burst_rate)


def bursts(trace: Floats, quiescent: float, noise: float) -> tuple[np.ndarray, np.ndarray]:
    """Return first and one-past-last index of every burst of a trace.

    Active samples lie beyond ``ACTIVE`` of the peak (or beyond the noise, where that is more).
    Active runs belong to one burst unless a gap of ``_HOLD`` times the longest run divides them:
    the dips of a ring through zero do not.
    """
    size = np.abs(trace - quiescent)
    starts, stops = runs(size > max(ACTIVE * size.max(initial=0.0), _NOISE_LIMIT * noise))
    if not starts.size:
        return starts, stops
    hold = _HOLD * np.max(stops - starts)
    divides = (starts[1:] - stops[:-1]) > hold
    return starts[np.concatenate(([True], divides))], stops[np.concatenate((divides, [True]))]


def _record(trace: Floats, step: float) -> _Record:
    quiescent, noise, quiet = _quiescent(trace)
    centred = trace - quiescent
    starts, stops = bursts(trace, quiescent, noise)
    squares = centred * centred
    mean_square = float(squares.mean())
    period = whole = None
    if starts.size > 1:
        first, last = int(starts[0]), int(starts[-1])
        period = (last - first) * step / (starts.size - 1)
        whole = max(float(squares[first:last].mean()) - noise**2, 0.0)
    edge = transition(trace, step, quiescent) if starts.size else None
    return _Record(
        peak=float(np.max(np.abs(centred))),
        peak_to_peak=float(np.ptp(trace)),
        rms=float(np.sqrt(mean_square)),
        bursts=int(starts.size),
        burst_duration=float(np.median(stops - starts) * step) if starts.size else 0.0,
        burst_period=period,
        energy=max(mean_square - noise**2, 0.0) * trace.size * step,
        mean_square=whole,
        rise_time=edge.duration if edge is not None else None,
        rise_method=edge.method if edge is not None else None,
        quiet=quiet,
    )


def _quiescent(trace: Floats) -> tuple[float, float, bool]:
    """Return (level, noise RMS, whether the noise is known) before the first burst."""
    level, spread = _first_look(trace)
    size = np.abs(trace - level)
    peak = float(size.max(initial=0.0))
    if peak < _CONTINUOUS * spread:
        return level, 0.0, False
    active = size > max(ACTIVE * peak, _NOISE_LIMIT * spread)
    first = int(np.argmax(active)) if active.any() else trace.size
    before = trace[: int(0.9 * first)]
    if before.size < _FEWEST_QUIET:
        return level, 0.0, False
    return float(before.mean()), float(before.std()), True


def _first_look(trace: Floats) -> tuple[float, float]:
    """Return a robust (level, spread): of the beginning, unless that lies within a burst.

    A step stands at its other level for most of a record; a train of bursts may begin anywhere.
    """
    whole, beginning = _robust(trace), _robust(trace[: max(_FEWEST_QUIET, trace.size // 100)])
    return beginning if beginning[1] <= 2.0 * whole[1] else whole


def _robust(values: Floats) -> tuple[float, float]:
    """Return median and, from the median deviation, what would be a Gaussian's sigma."""
    level = float(np.median(values))
    return level, 1.4826 * float(np.median(np.abs(values - level)))


def _facts(
    records: Sequence[_Record],
    mean: Floats,
    step: float,
    trigger_time: Floats,
    unit: Unit,
    stated: float | None,
) -> PulseFacts:
    remarks = []
    rate, source = _burst_rate(records, trigger_time, stated)
    if source == "trigger times":
        remarks.append(
            "the burst rate is taken from the trigger times: bursts missed while the scope rearmed "
            "make it, the duty cycle and the RMS over the burst period lower bounds"
        )
    if source == "unknown":
        remarks.append("the burst rate is not known: state it, or take a record of two bursts")
    if not any(record.bursts for record in records):
        remarks.append("no burst stands out of the noise")
    if not all(record.quiet for record in records):
        remarks.append("too few samples before the first burst to tell the noise from the signal")
    duration = _median([record.burst_duration for record in records]) or 0.0
    peak = _median([record.peak for record in records]) or 0.0
    rms = _median([record.rms for record in records]) or 0.0
    edges = [record for record in records if record.rise_time is not None]
    by_histogram = sum(record.rise_method == "histogram" for record in edges)
    return PulseFacts(
        unit=unit,
        peak=peak,
        peak_to_peak=_median([record.peak_to_peak for record in records]) or 0.0,
        rms_record=rms,
        crest_factor=peak / rms if rms > 0.0 else 0.0,
        bursts=_median([float(record.bursts) for record in records]) or 0.0,
        burst_duration=duration,
        burst_rate=rate,
        rate_source=source,
        duty_cycle=None if rate is None else min(duration * rate, 1.0),
        rms_burst_period=_rms_over_period(records, rate),
        rise_time=_median([r.rise_time for r in edges if r.rise_time is not None]),
        rise_method=None if not edges else _majority(by_histogram, len(edges)),
        rings=_rings(mean, step),
        remarks=tuple(remarks),
    )


def _majority(by_histogram: int, edges: int) -> Literal["histogram", "peak"]:
    return "histogram" if 2 * by_histogram > edges else "peak"


def _burst_rate(
    records: Sequence[_Record], trigger_time: Floats, stated: float | None
) -> tuple[float | None, RateSource]:
    if stated is not None:
        return stated, "stated"
    period = _median([r.burst_period for r in records if r.burst_period is not None])
    if period is not None:
        return 1.0 / period, "within the record"
    gaps = np.diff(trigger_time)
    gaps = gaps[gaps > 0.0]
    # The shortest gap missed the fewest bursts.
    return (1.0 / float(gaps.min()), "trigger times") if gaps.size else (None, "unknown")


def _rms_over_period(records: Sequence[_Record], rate: float | None) -> float | None:
    if rate is None:
        return None
    powers = [
        record.energy * rate if record.mean_square is None else record.mean_square
        for record in records
    ]
    return float(np.sqrt(np.median(powers)))


def _rings(mean: Floats, step: float) -> tuple[Ring, ...]:
    """Return the modes of the mean trace from its peak to where it is lost, or the next burst."""
    quiescent, noise, _ = _quiescent(mean)
    starts, stops = bursts(mean, quiescent, noise)
    if not starts.size:
        return ()
    centred = mean - quiescent
    stop = int(starts[1]) if starts.size > 1 else mean.size
    peak = int(starts[0] + np.argmax(np.abs(centred[starts[0] : stops[0]])))
    size = np.abs(centred[peak:stop])
    above = np.flatnonzero(size > max(_TAIL_ENDS * size[0], _NOISE_LIMIT / 2.0 * noise))
    return ringing(centred[peak : peak + int(above[-1]) + 1], step, noise)


def _median(values: Sequence[float]) -> float | None:
    return float(np.median(values)) if len(values) else None
