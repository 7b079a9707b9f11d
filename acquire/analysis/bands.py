"""The CISPR bands, and the RMS level of a trace within a band.

A band level is the RMS of the part of the trace whose frequencies lie in ``[low, high)``, found by
selecting bins of the discrete Fourier transform without a window. So, by Parseval's theorem, the
levels over any partition of 0 to half the sample rate add up in power to the RMS of the trace. It
is not a receiver's reading: no quasi-peak weighting, no receiver filter.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any, Literal

import numpy as np
import numpy.typing as npt
import scipy.fft

from acquire.analysis.inputs import Floats

Reals = npt.NDArray[np.floating[Any]] | npt.NDArray[np.integer[Any]]

LONGEST = 1 << 24
"""A longer record is taken in segments, so that memory stays bounded. [samples]"""
_SHORT = 1 << 12
"""A rest of a long record that is taken as it is. [samples]"""
_BLOCK = 1 << 22
"""So many samples are transformed in one call where rows are shorter. [samples]"""
_EDGE = 1e-12
"""Relative: an edge this little above a bin counts as that bin, whatever rounding did."""


@dataclass(frozen=True, slots=True)
class Band:
    """A frequency band ``[low, high)`` and the receiver bandwidth that belongs to it.

    Attributes
    ----------
    name : one letter for the CISPR bands.
    low, high : [Hz]
    receiver_bandwidth : 6 dB bandwidth of a measuring receiver in this band. [Hz]
    """

    name: str
    low: float
    high: float
    receiver_bandwidth: float


# CISPR 16-1-1, bands A to D and their 6 dB bandwidths. Written from memory of the standard's table;
# the bands and bandwidths were cross-checked in a spectrum analyser maker's manual, not in the
# standard itself.
CISPR_BANDS = MappingProxyType(
    {
        "A": Band("A", 9e3, 150e3, 200.0),
        "B": Band("B", 150e3, 30e6, 9e3),
        "C": Band("C", 30e6, 300e6, 120e3),
        "D": Band("D", 300e6, 1000e6, 120e3),
    }
)


@dataclass(frozen=True, slots=True)
class BandCoverage:
    """The part of a band that a record supports.

    Attributes
    ----------
    band : the band asked for.
    state : "whole", "partly" or "none".
    low, high : the supported part; both 0 where ``state`` is "none". [Hz]
    bins : bins of the record's transform inside the band.
    remark : what is missing and what would cure it; empty where nothing is missing.
    """

    band: Band
    state: Literal["whole", "partly", "none"]
    low: float
    high: float
    bins: int
    remark: str


def coverage(
    band: Band, step: float, samples: int, limits: tuple[float, float] | None = None
) -> BandCoverage:
    """Say which part of ``band`` a record of ``samples`` at ``step`` supports.

    The lowest frequency that a record resolves is one period in its length, the highest is half
    the sample rate.

    Parameters
    ----------
    band : the band.
    step : sample interval. [s]
    samples : length of the record.
    limits : (low, high) of what else limits the band, such as the probe. [Hz]

    Raises
    ------
    ValueError : ``step`` or ``samples`` is not positive.
    """
    _check_axis(step, samples)
    resolution, nyquist = 1.0 / (samples * step), 0.5 / step
    probe_low, probe_high = limits if limits is not None else (0.0, math.inf)
    low, high = max(band.low, resolution, probe_low), min(band.high, nyquist, probe_high)
    first, last = _edge_bin(low, step, samples), _edge_bin(high, step, samples)
    if low >= high or first >= last:
        remark = (
            f"band {band.name} ({_hertz(band.low)} to {_hertz(band.high)}) is not covered: the "
            f"record supports {_hertz(max(resolution, probe_low))} to "
            f"{_hertz(min(nyquist, probe_high))}"
        )
        return BandCoverage(band, "none", 0.0, 0.0, 0, remark)
    missing = []
    if low > band.low:
        cause = "the probe" if low == probe_low else "the record length"
        missing.append(f"below {_hertz(low)} for {cause}")
    if high < band.high:
        cause = "the probe" if high == probe_high else "the sample rate"
        missing.append(f"above {_hertz(high)} for {cause}")
    remark = f"band {band.name} is not covered {' and '.join(missing)}" if missing else ""
    return BandCoverage(band, "partly" if missing else "whole", low, high, last - first, remark)


def band_rms(values: Reals, step: float, low: float, high: float) -> Floats:
    """Return the RMS of the part of each trace within ``[low, high)``.

    The mean is the bin at 0 Hz. A band that reaches half the sample rate includes that bin, so a
    partition of 0 to half the sample rate adds up in power to the RMS of the trace.

    Integers and float32 are transformed in single precision (levels to about 1e-6 of the trace's
    RMS), float64 in double. A record longer than ``LONGEST`` is taken in segments of that
    length and a rest; levels still add up, and the frequency resolution is that of a segment.

    Parameters
    ----------
    values : shape (..., time).
    step : sample interval. [s]
    low, high : edges of the band. [Hz]

    Returns
    -------
    Shape ``values.shape[:-1]``, in the unit of ``values``.

    Raises
    ------
    ValueError : the edges are not ascending, or ``step`` or the record length is not positive.
    """
    return band_levels(values, step, ((low, high),))[..., 0]


def band_levels(values: Reals, step: float, bands: Sequence[tuple[float, float]]) -> Floats:
    """Return ``band_rms`` for several bands out of one transform per trace.

    Parameters
    ----------
    values : shape (..., time).
    step : sample interval. [s]
    bands : (low, high) of each. [Hz]

    Returns
    -------
    Shape ``values.shape[:-1] + (bands,)``, in the unit of ``values``.

    Raises
    ------
    ValueError : as ``band_rms``.
    """
    samples = values.shape[-1]
    _check_axis(step, samples)
    for low, high in bands:
        if not 0.0 <= low < high:
            raise ValueError(f"a band needs 0 <= low < high, found {low:g} to {high:g} Hz")
    rows = values.reshape(-1, samples)
    power = np.zeros((len(rows), len(bands)))
    for row, part in _blocks(rows):
        weight = part.shape[-1] / samples
        power[row] += weight * _segment_power(part, step, bands)
    return np.sqrt(power).reshape(*values.shape[:-1], len(bands))


def fast_length_within(samples: int) -> int:
    """Return the largest length up to ``samples`` whose transform is fast and lean."""
    wanted = samples
    while (fast := int(scipy.fft.next_fast_len(wanted, real=True))) > samples:
        wanted -= fast - samples
    return fast


def _check_axis(step: float, samples: int) -> None:
    if samples < 1 or not step > 0.0:
        raise ValueError(f"a record needs samples and a positive step, found {samples}, {step:g} s")


def _blocks(rows: Reals) -> Iterator[tuple[slice, Reals]]:
    """Yield (rows, part) so that no part is much larger than a block or a longest segment."""
    samples = rows.shape[-1]
    edges = [0]
    while (left := samples - edges[-1]) > 0:
        whole = samples <= LONGEST or left < _SHORT
        edges.append(edges[-1] + (left if whole else fast_length_within(min(left, LONGEST))))
    height = max(1, _BLOCK // samples)
    for top in range(0, len(rows), height):
        for start, stop in itertools.pairwise(edges):
            yield slice(top, top + height), rows[top : top + height, start:stop]


def _segment_power(part: Reals, step: float, bands: Sequence[tuple[float, float]]) -> Floats:
    """Return the mean square in each band. Shape (rows, bands)."""
    samples = part.shape[-1]
    mean = part.mean(axis=-1, keepdims=True, dtype=np.float64)
    # A large mean would cost a single-precision transform its small bins; it is known exactly here.
    dtype = np.float64 if part.dtype == np.float64 else np.float32
    centred = np.subtract(part, mean, dtype=dtype, casting="same_kind")
    spectrum = scipy.fft.rfft(centred, axis=-1, overwrite_x=True)
    pairs = spectrum.view(dtype)
    np.multiply(pairs, pairs, out=pairs)
    power = np.empty((len(part), len(bands)))
    for column, (low, high) in enumerate(bands):
        first, last = _edge_bin(low, step, samples), _edge_bin(high, step, samples)
        total = 2.0 * pairs[:, 2 * first : 2 * last].sum(axis=-1, dtype=np.float64)
        if first == 0 < last:
            total -= 2.0 * pairs[:, :2].sum(axis=-1, dtype=np.float64)
        if samples % 2 == 0 and first <= samples // 2 < last:
            total -= pairs[:, -2:].sum(axis=-1, dtype=np.float64)
        power[:, column] = np.maximum(total, 0.0) / samples**2
        if first == 0 < last:
            power[:, column] += mean[:, 0] ** 2
    return power


def _edge_bin(edge: float, step: float, samples: int) -> int:
    """Return the first bin at or above ``edge``; beyond the last bin from half the rate on."""
    end = samples // 2 + 1
    if edge >= (0.5 / step) * (1.0 - _EDGE):
        return end
    return min(end, math.ceil(edge * samples * step * (1.0 - _EDGE)))


def _hertz(frequency: float) -> str:
    for factor, prefix in ((1e9, "G"), (1e6, "M"), (1e3, "k")):
        if frequency >= factor:
            return f"{frequency / factor:.4g} {prefix}Hz"
    return f"{frequency:.4g} Hz"
