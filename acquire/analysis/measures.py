"""The numbers taken from a trace, as one literal table.

Every measure here is a semi-norm: ``M(c x) = |c| M(x)`` and ``M(x + y) <= M(x) + M(y)``. The
rigorous bounds of the floor corrections rest on that. A *quadratic* measure also has a basis: a
linear map whose sum of squares is the squared level, so that levels of sums follow from inner
products (and can be estimated without bias from products between different repeats).

To add one, write its functions and add one line to `MEASURES`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np

from acquire.analysis.bands import CISPR_BANDS, band_rms
from acquire.analysis.inputs import Capture, Floats
from acquire.analysis.transfer import deembed

BLOCK = 1 << 22
"""Samples that one step of a computation holds as floats (32 MiB)."""


EDGE = 1e-12
"""Relative: an edge this little above a bin counts as that bin, whatever rounding did."""


@dataclass(frozen=True, slots=True)
class Measure:
    """A number taken from a trace.

    Attributes
    ----------
    name : key in `MEASURES`.
    title : for people.
    levels : (values of shape (row, time), step [s]) -> level per row, in the values' unit.
    basis : (values, step) -> shape (row, coordinate); the squares of a row add up to the squared
        level. None where the measure is not quadratic.
    band : (low, high) of a band level, else None. [Hz]
    """

    name: str
    title: str
    levels: Callable[[Floats, float], Floats]
    basis: Callable[[Floats, float], Floats] | None
    band: tuple[float, float] | None = None


def peak_to_peak(values: Floats, step: float) -> Floats:  # noqa: ARG001 - one signature for all
    """Return the largest minus the smallest sample of each row."""
    spread: Floats = values.max(axis=-1) - values.min(axis=-1)
    return spread


def rms_basis(values: Floats, step: float) -> Floats:  # noqa: ARG001 - one signature for all
    """Return the rows less their mean, scaled so that their squares add up to the mean square."""
    centred: Floats = values - values.mean(axis=-1, keepdims=True)
    centred /= np.sqrt(values.shape[-1])
    return centred


def rms(values: Floats, step: float) -> Floats:
    """Return the AC RMS of each row: its mean is removed.

    A current probe passes no direct current, so the mean of a record is the scope's offset (and
    its drift), not the conductor's current. Removing it is a projection; RMS stays a semi-norm.
    """
    basis = rms_basis(values, step)
    level: Floats = np.sqrt(np.einsum("ij,ij->i", basis, basis))
    return level


def _band(letter: str) -> Measure:
    """Return the level within one CISPR band."""
    low, high = CISPR_BANDS[letter].low, CISPR_BANDS[letter].high

    def levels(values: Floats, step: float) -> Floats:
        return band_rms(values, step, low, high)

    def basis(values: Floats, step: float) -> Floats:
        return band_basis(values, step, low, high)

    return Measure(f"band_{letter.lower()}", f"CISPR band {letter}", levels, basis, (low, high))


def band_basis(values: Floats, step: float, low: float, high: float) -> Floats:
    """Return the Fourier coefficients in ``[low, high)``, scaled so that their squares add up to
    the squared level of `acquire.analysis.bands.band_rms`. Shape (row, coordinate).
    """  # noqa: D205 - one sentence
    length = values.shape[-1]
    bins = length // 2 + 1
    first, last = (
        bins if edge * step >= 0.5 * (1 - EDGE) else math.ceil(edge * length * step * (1 - EDGE))
        for edge in (low, high)
    )
    weight = np.full(bins, np.sqrt(2.0) / length)
    weight[0] = 1.0 / length
    if length % 2 == 0:
        weight[-1] = 1.0 / length
    inside = slice(first, last)
    spectrum = (np.fft.rfft(values, axis=-1)[..., inside]) * weight[inside]
    pairs: Floats = np.concatenate([spectrum.real, spectrum.imag], axis=-1)
    return pairs


MEASURES: dict[str, Measure] = {
    "peak_to_peak": Measure("peak_to_peak", "peak-to-peak", peak_to_peak, None),
    "rms": Measure("rms", "RMS (mean removed)", rms, rms_basis),
    "band_a": _band("A"),
    "band_b": _band("B"),
    "band_c": _band("C"),
    "band_d": _band("D"),
}


def row_blocks(rows: int, length: int) -> Iterator[slice]:
    """Yield slices over rows so that a block holds about `BLOCK` samples at most."""
    size = max(1, BLOCK // max(1, length))
    for first in range(0, rows, size):
        yield slice(first, min(rows, first + size))


def block_values(capture: Capture, rows: slice) -> Floats:
    """Return some records in the quantity's unit, each less its mean. Shape (row, time).

    The mean is the scope's offset, which differs between ranges and drifts; no measure sees it.
    A probe with a calibration over frequency is divided out here, so every measure is corrected.
    """
    values = capture.codes[rows].astype(np.float64)
    values -= values.mean(axis=1, keepdims=True)
    values *= capture.gain[rows][:, None]
    if capture.transducer.table is not None:
        return deembed(values, capture.step, capture.transducer).values
    values /= capture.transducer.transfer
    return values


def record_levels(capture: Capture, measure: Measure) -> Floats:
    """Return the level of every record of a capture, as it was taken. Shape (repeat,).

    Peak-to-peak through a flat probe never leaves the integer codes; the others are computed
    block by block.
    """
    if measure.levels is peak_to_peak and capture.transducer.table is None:
        high = capture.codes.max(axis=1).astype(np.int64)
        scale = np.abs(capture.gain) / capture.transducer.transfer
        spread: Floats = (high - capture.codes.min(axis=1)) * scale
        return spread
    levels = np.empty(capture.codes.shape[0])
    for rows in row_blocks(*capture.codes.shape):
        levels[rows] = measure.levels(block_values(capture, rows), capture.step)
    return levels
