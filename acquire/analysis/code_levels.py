"""Peak-to-peak and RMS straight from the converter's codes.

A trace of integer codes need not become floats of eight times its size: both levels are exact sums
and extremes of integers. (`acquire.analysis.bands.band_levels` takes codes as they are, too.)
"""

from __future__ import annotations

import numpy as np

from acquire.analysis.inputs import Codes, Floats

_EXACT = 1 << 24
"""Single precision counts exactly up to here."""
_PIECE = 1 << 16
"""So many samples are turned to floats at once; they stay in a processor's cache. [samples]"""


def code_peak_to_peak(codes: Codes) -> Floats:
    """Return the largest less the smallest code of each row. Shape (repeat,). [code]"""
    return np.asarray(codes.max(axis=-1).astype(np.float64) - codes.min(axis=-1))


def code_rms(codes: Codes) -> Floats:
    """Return the RMS about the mean of each row. Shape (repeat,). [code]"""
    samples = codes.shape[-1]
    squares, total = np.zeros(len(codes)), np.zeros(len(codes))
    for row, trace in enumerate(codes):
        for start in range(0, samples, _PIECE):
            summed, squared = _sums(trace[start : start + _PIECE])
            total[row] += summed
            squares[row] += squared
    return np.asarray(np.sqrt(np.maximum(squares - total**2 / samples, 0.0) / samples))


def _sums(codes: Codes) -> tuple[float, float]:
    """Return the exact sum and sum of squares of a short run of codes."""
    if codes.dtype != np.int8:
        wide = codes.astype(np.float64)
        return float(wide.sum()), float(wide @ wide)
    length = _EXACT // 128**2  # so many squares of -128 are still counted exactly
    whole = codes.size - codes.size % length
    rows = codes[:whole].astype(np.float32).reshape(-1, length)
    rest = codes[whole:].astype(np.float64)
    squares = np.matmul(rows[:, None, :], rows[:, :, None]).sum(dtype=np.float64)
    summed = rows.sum(axis=1).sum(dtype=np.float64)
    return float(summed + rest.sum()), float(squares + rest @ rest)
