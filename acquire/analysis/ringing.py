"""Frequencies and decays of a ringing tail, by the matrix pencil method.

The tail of a burst in a linear circuit is a sum of damped exponentials. Their poles are the
eigenvalues of a pencil of two shifted Hankel matrices of the samples (Y. Hua and T. K. Sarkar,
1990). Averages over blocks of samples keep the poles and lower the noise, so a long record is first
shortened in that way.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.fft
import scipy.linalg

from acquire.analysis.inputs import Floats

_LONGEST = 600
"""Block averages that enter the pencil; its cost grows with the cube."""
_RATE = 6.0
"""Block averages per period of the highest frequency that counts."""
_COUNTS = 1e-3
"""Relative to the strongest: power of a frequency that still counts."""
_WEAKEST = 0.03
"""Relative to the largest: amplitude of a mode that is reported."""
_LOWEST_QUALITY = 1.0
_UNEXPLAINED = 0.1
"""Share of the tail's energy that may remain; beyond it the tail is no sum of few exponentials."""


@dataclass(frozen=True, slots=True)
class Ring:
    """One mode: ``amplitude * exp(-t / time_constant) * cos(2 pi frequency t + phase)``.

    Attributes
    ----------
    frequency : of the damped oscillation. [Hz]
    time_constant : of the envelope. [s]
    amplitude : at the beginning of the tail, in the trace's unit.
    """

    frequency: float
    time_constant: float
    amplitude: float

    @property
    def quality(self) -> float:
        """Quality factor, pi f tau."""
        return float(np.pi * self.frequency * self.time_constant)

    @property
    def logarithmic_decrement(self) -> float:
        """Natural logarithm of the ratio of successive peaks of one polarity."""
        return 1.0 / (self.frequency * self.time_constant)


def ringing(tail: Floats, step: float, noise: float = 0.0, most: int = 2) -> tuple[Ring, ...]:
    """Return the modes of a tail that starts after the excitation has ended.

    Parameters
    ----------
    tail : shape (time,), decaying towards zero.
    step : sample interval. [s]
    noise : RMS of the noise on each sample; modes below it are not sought.
    most : modes to report.

    Returns
    -------
    Modes that oscillate (a quality factor of 1 or more), strongest energy first; empty where none
    stands out, or where damped exponentials do not explain the tail.
    """
    blocks, width = _block_averages(tail, step)
    if blocks.size < 8 or not np.any(blocks):
        return ()
    noise_of_block = noise / np.sqrt(width)
    poles = _poles(blocks, noise_of_block, 2 * most + 1)
    if not poles.size:
        return ()
    powers = poles[None, :] ** np.arange(blocks.size)[:, None]
    residues, *_ = scipy.linalg.lstsq(powers, blocks.astype(complex))
    left = np.sum(np.abs(blocks - powers @ residues) ** 2) - noise_of_block**2 * blocks.size
    if left > _UNEXPLAINED * np.sum(blocks**2):
        return ()
    exponents = np.log(poles) / (width * step)
    residues = residues / _gain_of_average(exponents * step, width)
    return _strongest(exponents, 2.0 * np.abs(residues), most)


def _block_averages(tail: Floats, step: float) -> tuple[Floats, int]:
    """Return averages over blocks short enough for the highest frequency that counts."""
    length = scipy.fft.next_fast_len(4 * tail.size, real=True)
    power = np.abs(scipy.fft.rfft(tail, length)) ** 2
    counting = np.flatnonzero(power >= _COUNTS * power.max())
    highest = max(int(counting[-1]), 1) / (length * step)
    width = max(1, int(1.0 / (_RATE * highest * step)))
    count = min(_LONGEST, tail.size // width)
    return tail[: count * width].reshape(count, width).mean(axis=1), width


def _poles(samples: Floats, noise: float, most: int) -> np.ndarray:
    """Return at most ``most`` decaying poles per sample of a sum of exponentials."""
    pencil = samples.size // 2
    hankel = scipy.linalg.hankel(samples[: samples.size - pencil], samples[-pencil - 1 :])
    _, strengths, right = scipy.linalg.svd(hankel, full_matrices=False)
    # The largest singular value of a matrix of noise is about noise * (sqrt(rows) + sqrt(columns)).
    least = max(1e-9 * strengths[0], 1.2 * noise * sum(np.sqrt(hankel.shape)))
    order = min(most, int(np.sum(strengths > least)))
    if order == 0:
        return np.empty(0, complex)
    space: np.ndarray = right[:order].conj().T
    shift, *_ = scipy.linalg.lstsq(space[:-1], space[1:])
    poles: np.ndarray = np.asarray(scipy.linalg.eigvals(shift), dtype=complex)
    size = np.abs(poles)
    return np.asarray(poles[(size > 1e-6) & (size < 1.0)])


def _gain_of_average(exponents: np.ndarray, width: int) -> np.ndarray:
    """Return what an average over ``width`` samples does to exp(exponent * n)."""
    offsets = np.arange(width)
    return np.asarray(np.exp(exponents[:, None] * offsets).mean(axis=1))


def _strongest(exponents: np.ndarray, amplitudes: Floats, most: int) -> tuple[Ring, ...]:
    rings = [
        Ring(float(s.imag) / (2.0 * np.pi), -1.0 / float(s.real), float(amplitude))
        for s, amplitude in zip(exponents, amplitudes, strict=True)
        if s.imag > 0.0
    ]
    rings = [ring for ring in rings if ring.quality >= _LOWEST_QUALITY]
    if not rings:
        return ()
    rings.sort(key=lambda ring: ring.amplitude**2 * ring.time_constant, reverse=True)
    largest = max(ring.amplitude for ring in rings)
    return tuple(ring for ring in rings if ring.amplitude >= _WEAKEST * largest)[:most]
