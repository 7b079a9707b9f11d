"""The uncertainty budget (JCGM 100): named lines, effective freedom, factors, intervals."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy import special

from acquire.analysis.estimates import Factor
from acquire.analysis.measures import Measure
from acquire.analysis.results import BudgetLine
from acquire.analysis.shots import Shot

DB = 20 / np.log(10)
"""dB of an amplitude ratio per neper; a small relative change times this is its dB."""

LARGEST_FILL_FACTOR = 2.0
"""A gain error is proportional to the signal; its limit is stated at full scale. So a trace that
fills less than half of the range is treated as if it filled half: the rest of such a limit is
offset and non-linearity, which the measures and the averaging over noise remove."""


def decibels(ratio: float) -> float | None:
    """Return 20 lg of an amplitude ratio, or None where it is undefined. [dB]"""
    if not np.isfinite(ratio) or ratio <= 0:
        return None
    return float(20 * np.log10(ratio))


def combined(lines: Sequence[BudgetLine]) -> float:
    """Return the combined standard uncertainty of independent lines (GUM equation 10). [dB]"""
    return float(np.sqrt(sum(line.standard_uncertainty_db**2 for line in lines)))


def effective_freedom(lines: Sequence[BudgetLine]) -> float:
    """Return the Welch-Satterthwaite degrees of freedom (GUM equation G.2b); inf where type B."""
    total = combined(lines) ** 4
    below = sum(
        line.standard_uncertainty_db**4 / line.degrees_of_freedom
        for line in lines
        if line.degrees_of_freedom is not None
    )
    return total / below if below > 0 else float("inf")


def two_sided(coverage: float, freedom: float) -> Factor:
    """Return the factor of an interval (GUM table G.2)."""
    tail = (1 - coverage) / 2
    return Factor(float(-special.stdtrit(freedom, tail)), tail)


def one_sided(coverage: float, freedom: float) -> Factor:
    """Return the factor of a bound."""
    return Factor(float(special.stdtrit(freedom, coverage)), 1 - coverage)


def gain_uncertainty(shot: Shot) -> float:
    """Return the standard uncertainty of the vertical gain, relative. [1]

    Rectangular: the half-width is stated relative to full scale, so it is larger relative to a
    trace that fills less of the range.
    """
    filled = np.clip(shot.swing / shot.capture.vertical_range, 1 / LARGEST_FILL_FACTOR, 1.0)
    half = shot.capture.gain_accuracy / filled
    return float(half / np.sqrt(3))


def quantisation(shot: Shot, measure: Measure) -> float:
    """Return the standard uncertainty that quantisation leaves in a level of the mean. [unit]

    Where the noise dithers the converter, quantisation is part of the scatter between repeats
    and averages out with it; what remains repeats. Of Gaussian noise of standard deviation s
    the remaining error is a sine over the code of amplitude (lsb / pi) exp(-2 pi^2 (s/lsb)^2)
    (first harmonic of the sawtooth error, averaged over the noise). Never more than lsb / sqrt(12)
    in a sample; peak-to-peak is the difference of two.
    """
    samples = np.sqrt(2.0) if measure.basis is None else 1.0
    still = shot.lsb / np.sqrt(12)
    if shot.noise is None or shot.lsb == 0:
        return float(samples * still)
    # The noise between repeats contains the quantisation's own lsb^2 / 12.
    dither = max(0.0, (shot.noise / shot.lsb) ** 2 - 1 / 12)
    left = shot.lsb / (np.pi * np.sqrt(2)) * np.exp(-2 * np.pi**2 * dither)
    return float(samples * min(still, left))


def interval(
    db: float, reference_db: tuple[float, float], target_db: tuple[float, float], other: float
) -> tuple[float, float]:
    """Combine one-source intervals of a difference of two levels into one (square and add).

    Each argument is a half-width below and above at the same coverage factor; the half-widths
    may differ, as they do near the floor. (Zou and Donner 2008: variance estimates recovered
    from confidence limits.)

    Parameters
    ----------
    db : reference less target. [dB]
    reference_db, target_db : (half-width below, half-width above) of each level. [dB]
    other : half-width of everything else, symmetric. [dB]
    """
    low = np.sqrt(reference_db[0] ** 2 + target_db[1] ** 2 + other**2)
    high = np.sqrt(reference_db[1] ** 2 + target_db[0] ** 2 + other**2)
    return float(db - low), float(db + high)
