"""Trigger jitter: found on the trigger quantity, removed from every quantity of the same records.

A coherent mean of records that do not start at the same moment is smeared: with a jitter of
standard deviation s a component of angular frequency w loses the factor exp(-(w s)^2 / 2). The
delays come from the quantity that triggered, which is strong in every condition, so the noise
of the measured quantity cannot align itself into a false signal.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import special
from scipy.fft import next_fast_len

from acquire.analysis.inputs import Capture, Floats
from acquire.analysis.measures import block_values, row_blocks
from acquire.analysis.shots import advance

LARGEST_DELAY = 64
"""Delays beyond this are not jitter; the record is left as it is. [sample]"""

WORTHWHILE_LOSS = 1e-4
"""Alignment is used only where jitter takes more of the mean's energy than this. [1]"""

CLOSE_ENOUGH = 1e-3
"""A delay that still moves by less than this has been found. [sample]"""

SAME_SHAPE = 0.9
"""Correlation above which two shots' trigger traces are the same event. [1]"""


@dataclass(frozen=True, slots=True, eq=False)
class Alignment:
    """How the records of one shot were aligned.

    Attributes
    ----------
    delays : shape (repeat,), zero where nothing is to be moved. [sample]
    jitter : standard deviation of the delays, less their own noise. [sample]
    loss : part of the mean's energy that the jitter takes. [1]
    used : whether the delays are applied.
    template : mean trigger trace after alignment, shape (time,).
    """

    delays: Floats
    jitter: float
    loss: float
    used: bool
    template: Floats


def align(trigger: Capture, template: Floats | None = None) -> Alignment:
    """Find the delay of each record of a trigger capture, and whether removing it helps.

    Parameters
    ----------
    trigger : the quantity that triggered.
    template : mean trigger trace of another shot to which this one is to be brought, or None.
    """
    values = np.concatenate(
        [block_values(trigger, rows) for rows in row_blocks(*trigger.codes.shape)]
    )
    delays, aligned = _onto_own_mean(values)
    mean = aligned.mean(axis=0)
    noise, slope = _noise_and_slope(aligned, mean)
    jitter, significant = _jitter(delays, noise, slope)
    loss = jitter**2 * slope / max(float(mean @ mean), np.finfo(float).tiny)
    used = significant and loss > WORTHWHILE_LOSS
    if not used:
        delays, mean = np.zeros_like(delays), values.mean(axis=0)
    if template is not None and template.shape == mean.shape:
        delays, mean, moved = _bring_to(template, delays, mean)
        used = used or moved
    return Alignment(delays, jitter, loss, used, mean)


def _onto_own_mean(values: Floats) -> tuple[Floats, Floats]:
    """Return the delays of the rows against their own aligned mean, and the rows aligned."""
    delays, aligned = np.zeros(values.shape[0]), values
    for _ in range(3):
        before = delays
        delays = _delays(values, aligned.mean(axis=0))
        aligned = advance(values, delays)
        if np.max(np.abs(delays - before)) < CLOSE_ENOUGH:
            break
    return delays, aligned


def _bring_to(template: Floats, delays: Floats, mean: Floats) -> tuple[Floats, Floats, bool]:
    """Move a whole shot onto another shot's time origin, where it is the same event."""
    shift = float(_delays(mean[None, :], template)[0])
    moved = advance(mean[None, :], np.array([shift]))[0]
    norm = float(np.linalg.norm(moved) * np.linalg.norm(template))
    if norm == 0.0 or float(moved @ template) / norm < SAME_SHAPE:
        return delays, mean, False
    return delays + shift, moved, shift != 0.0


def _delays(values: Floats, template: Floats) -> Floats:
    """Return the delay of each row against the template. [sample]

    The peak of the cross-correlation gives the nearest sample, a Newton step on its derivative
    the fraction.
    """
    length = values.shape[1]
    reach = min(LARGEST_DELAY, length // 4)
    size = next_fast_len(length + reach + 1, real=True)  # so that no lag within reach wraps round
    frequency = 2j * np.pi * np.fft.rfftfreq(size)
    lags = np.concatenate([np.arange(reach + 1), np.arange(-reach, 0)])
    reference = np.conj(np.fft.rfft(template, size))
    delays = np.zeros(values.shape[0])
    for rows in row_blocks(values.shape[0], size):
        cross = np.fft.rfft(values[rows], size, axis=1) * reference
        nearest = lags[np.argmax(np.fft.irfft(cross, size, axis=1)[:, lags], axis=1)]
        found = nearest.astype(np.float64)
        for _ in range(3):
            turned = cross * np.exp(frequency * found[:, None])
            slope = (turned * frequency).real.sum(axis=1)
            curvature = (turned * frequency**2).real.sum(axis=1)
            step = np.divide(-slope, curvature, out=np.zeros_like(slope), where=curvature < 0)
            found += np.clip(step, -0.5, 0.5)
            if np.max(np.abs(step)) < CLOSE_ENOUGH:
                break
        delays[rows] = np.where(np.abs(found - nearest) <= 1.0, found, 0.0)
    return np.where(np.abs(delays) < reach, delays, 0.0)


def _noise_and_slope(aligned: Floats, mean: Floats) -> tuple[float, float]:
    """Return the variance of a sample between rows, and the energy of the mean's derivative."""
    rest = aligned - mean
    variance = float(np.einsum("ij,ij->", rest, rest)) / max(1, rest.size - rest.shape[1])
    slope = np.gradient(mean)
    return variance, float(slope @ slope)


def _jitter(delays: Floats, variance: float, slope: float) -> tuple[float, bool]:
    """Return the jitter beyond what noise alone would make of it, and whether it is significant."""
    if delays.size < 2 or slope == 0.0:
        return 0.0, False
    seen = float(delays.var(ddof=1))
    by_noise = variance / slope
    beyond = max(0.0, seen - by_noise)
    freedom = delays.size - 1
    limit = float(special.chdtri(freedom, 0.001)) / freedom  # chi-squared, one in a thousand
    return float(np.sqrt(beyond)), bool(seen > by_noise * limit)
