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

from acquire.analysis.inputs import Capture, Complexes, Floats
from acquire.analysis.measures import block_values, row_blocks
from acquire.analysis.shots import advance, turns

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
    by_noise, slope = _noise_and_slope(aligned, mean)
    jitter, significant = _jitter(delays, by_noise)
    loss = jitter**2 * slope / max(float(mean @ mean), np.finfo(float).tiny)
    used = significant and loss > WORTHWHILE_LOSS
    if not used:
        delays, mean = np.zeros_like(delays), values.mean(axis=0)
    if template is not None and template.shape == mean.shape:
        least = 3 * float(np.sqrt(2 * by_noise / len(values)))
        delays, mean, moved = _bring_to(template, delays, mean, least)
        used = used or moved
    return Alignment(delays, jitter, loss, used, mean)


def _onto_own_mean(values: Floats) -> tuple[Floats, Floats]:
    """Return the delays of the rows against their own aligned mean, and the rows aligned."""
    rows = _Rows(values)
    delays, sharp = np.zeros(values.shape[0]), False
    for _ in range(3):
        before = delays
        delays = rows.delays(rows.mean(before), before if sharp else None)
        change = np.max(np.abs(delays - before))
        if change < CLOSE_ENOUGH:
            break
        sharp = bool(change < 0.5)
    del rows  # its memory is needed for the rows aligned
    return delays, advance(values, delays)


def _bring_to(
    template: Floats, delays: Floats, mean: Floats, least: float
) -> tuple[Floats, Floats, bool]:
    """Move a whole shot onto another shot's time origin, where it is the same event.

    Less than ``least`` is what the noise of two means makes of it, and is left alone. [sample]
    """
    shift = float(_Rows(mean[None, :]).delays(_Rows(template[None, :]).spectra[0])[0])
    if abs(shift) <= least:
        return delays, mean, False
    moved = advance(mean[None, :], np.array([shift]))[0]
    norm = float(np.linalg.norm(moved) * np.linalg.norm(template))
    if norm == 0.0 or float(moved @ template) / norm < SAME_SHAPE:
        return delays, mean, False
    return delays + shift, moved, True


class _Rows:
    """The spectra of rows, shape (row, frequency); padded, so that no lag in reach wraps round."""

    def __init__(self, values: Floats) -> None:
        count, length = values.shape
        self.reach = min(LARGEST_DELAY, length // 4)
        self.size = next_fast_len(length + self.reach + 1, real=True)
        self.omega = 2 * np.pi * np.fft.rfftfreq(self.size)
        self.spectra = np.empty((count, self.omega.size), np.complex128)
        for rows in self._blocks():
            self.spectra[rows] = np.fft.rfft(values[rows], self.size, axis=1)

    def _blocks(self) -> list[slice]:
        return list(row_blocks(self.spectra.shape[0], self.size))

    def mean(self, delays: Floats) -> Complexes:
        """Return the spectrum of the mean of the rows, each moved earlier by its delay."""
        if not delays.any():
            return np.asarray(self.spectra.mean(axis=0))
        total = np.zeros(self.omega.size, np.complex128)
        for rows in self._blocks():
            total += np.einsum("ij,ij->j", self.spectra[rows], turns(self.size, delays[rows]))
        return total / self.spectra.shape[0]

    def delays(self, template: Complexes, known: Floats | None = None) -> Floats:
        """Return the delay of each row against a template's spectrum. [sample]

        The peak of the cross-correlation gives the nearest sample, unless it is ``known`` better;
        Newton steps on its derivative give the fraction.
        """
        delays = np.zeros(self.spectra.shape[0])
        for rows in self._blocks():
            cross = self.spectra[rows] * np.conj(template)
            start = self._nearest(cross) if known is None else known[rows]
            found = start.copy()
            for _ in range(3):
                slope, curvature = self._derivatives(cross, found)
                step = np.divide(-slope, curvature, out=np.zeros_like(slope), where=curvature < 0)
                found += np.clip(step, -0.5, 0.5)
                if np.max(np.abs(step)) < CLOSE_ENOUGH:
                    break
            delays[rows] = np.where(np.abs(found - start) <= 1.0, found, 0.0)
        return np.where(np.abs(delays) < self.reach, delays, 0.0)

    def _nearest(self, cross: Complexes) -> Floats:
        """Return the whole lag at which each cross-correlation is highest."""
        lags = np.concatenate([np.arange(self.reach + 1), np.arange(-self.reach, 0)])
        correlation = np.fft.irfft(cross, self.size, axis=1)[:, lags]
        return np.asarray(lags[np.argmax(correlation, axis=1)], np.float64)

    def _derivatives(self, cross: Complexes, lags: Floats) -> tuple[Floats, Floats]:
        """Return the first and second derivative of each cross-correlation at a lag."""
        turned = cross * turns(self.size, lags)
        return -(turned.imag @ self.omega), -(turned.real @ self.omega**2)


def _noise_and_slope(aligned: Floats, mean: Floats) -> tuple[float, float]:
    """Return the variance that noise gives to a delay, and the energy of the mean's derivative.

    The noise of a row moves its own delay; the template is a noisy mean itself, which moves it
    further where the derivative of the noise is not small against that of the event. [sample^2]
    """
    count = len(aligned)
    slope = np.gradient(mean)
    energy = float(slope @ slope)
    if count < 2:  # a single row tells nothing of its noise
        return 0.0, energy
    noise = rough = 0.0
    for rows in row_blocks(*aligned.shape):
        rest = aligned[rows] - mean
        noise += float(np.einsum("ij,ij->", rest, rest))
        steep = np.gradient(rest, axis=1)
        rough += float(np.einsum("ij,ij->", steep, steep))
    in_mean = rough / (count - 1) / count
    event = energy - in_mean
    if event <= 0.0:
        return np.inf, energy
    return noise / ((count - 1) * mean.size) / event * (1 + in_mean / event), energy


def _jitter(delays: Floats, by_noise: float) -> tuple[float, bool]:
    """Return the jitter beyond what noise alone would make of it, and whether it is significant."""
    if delays.size < 2 or not np.isfinite(by_noise):
        return 0.0, False
    seen = float(delays.var(ddof=1))
    freedom = delays.size - 1
    limit = float(special.chdtri(freedom, 0.001)) / freedom  # chi-squared, one in a thousand
    return float(np.sqrt(max(0.0, seen - by_noise))), bool(seen > by_noise * limit)
