"""Attenuation over frequency: reference over target, bin by bin, with an interval or a bound.

A bin is *resolved* where the target stands the margin above its floor and its net power is
significant; *floor-limited* where it does not, and then only "at least" is known; *unmeasured*
where the reference itself does not stand out. The interval of the ratio of two estimates is
Fieller's, which stays right where the target is barely resolved.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import special

from acquire.analysis.inputs import Floats, Unit
from acquire.analysis.spectra import ShotSpectrum, decibels_over_micro
from acquire.analysis.spectrum_averages import satterthwaite
from acquire.analysis.spectrum_grid import Averaging, SpectrumAxis
from acquire.analysis.tables import Table, table_of

Mask = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class AttenuationSpectrum:
    """Attenuation over frequency; every array has shape (bins,), NaN where undefined.

    Attributes
    ----------
    axis : the frequencies.
    unit : of the levels.
    reference, observed, floor, corrected : levels (RMS) in the resolution bandwidth: the corrected
        reference, the target as observed, the target's floor, the corrected target. [unit]
    attenuation_db : 10 lg of net reference power over net target power, where resolved. [dB]
    low_db, high_db : the interval; where floor-limited ``low_db`` is the "at least" and
        ``high_db`` is NaN. [dB]
    resolved, floor_limited, unmeasured : exactly one holds in each bin.
    coverage : of the interval, and of the bound. [1]
    margin : a target less than this above its floor is floor-limited. [dB]
    averaging, window : as made.
    """

    axis: SpectrumAxis
    unit: Unit
    reference: Floats
    observed: Floats
    floor: Floats
    corrected: Floats
    attenuation_db: Floats
    low_db: Floats
    high_db: Floats
    resolved: Mask
    floor_limited: Mask
    unmeasured: Mask
    coverage: float
    margin: float
    averaging: Averaging
    window: str

    def states(self) -> list[str]:
        """Return the state of each bin in words."""
        words = np.where(self.resolved, "resolved", "unmeasured")
        return [str(word) for word in np.where(self.floor_limited, "floor-limited", words)]

    def to_table(self) -> Table:
        """Return one row a bin; a bound has no value and no upper end."""
        level = f"dB(u{self.unit})"
        return table_of(
            (
                ("frequency [Hz]", self.axis.frequency),
                ("resolution bandwidth [Hz]", self.axis.resolution_bandwidth),
                (f"reference [{level}]", decibels_over_micro(self.reference)),
                (f"observed [{level}]", decibels_over_micro(self.observed)),
                (f"floor [{level}]", decibels_over_micro(self.floor)),
                (f"corrected [{level}]", decibels_over_micro(self.corrected)),
                ("attenuation [dB]", self.attenuation_db),
                ("interval low or at least [dB]", self.low_db),
                ("interval high [dB]", self.high_db),
                ("state", self.states()),
            )
        )


def attenuation_spectrum(
    reference: ShotSpectrum,
    target: ShotSpectrum,
    margin: float = 3.0,
    coverage: float = 0.95,
    scale_uncertainty: float = 0.0,
) -> AttenuationSpectrum:
    """Compare two shots of one quantity over frequency.

    Parameters
    ----------
    reference, target : made with one setup, each with its own floor subtracted.
    margin : [dB]
    coverage : of each bin's interval (two-sided) and bound (one-sided). [1]
    scale_uncertainty : standard, relative, of the ratio of the two shots' amplitude scales (zero
        where both used one probe and one range). [1]

    Raises
    ------
    ValueError : the two do not share axis, unit, averaging and window.
    """
    _check_alike(reference, target)
    a, b = reference.net, target.net
    u_a = reference.standard_uncertainty
    u_b = np.hypot(target.standard_uncertainty, 2.0 * scale_uncertainty * np.maximum(b, 0.0))
    # Degrees of freedom of the ratio: variances relative to the levels they belong to.
    degrees = satterthwaite(
        (_relative_variance(u_a, a), reference.degrees_of_freedom),
        (_relative_variance(u_b, b), target.degrees_of_freedom),
    )
    k: Floats = np.asarray(special.stdtrit(degrees, 0.5 + coverage / 2.0))
    known = (a > k * u_a) & (a > 0.0) & _stands_out(reference, margin)
    # Just where the target is significant at this k, Fieller's interval is bounded at both ends.
    resolved = known & _stands_out(target, margin) & (b > k * u_b) & (b > 0.0)
    limited = known & ~resolved

    low_ratio, high_ratio = fieller(b, u_b, a, u_a, k)
    at_most = upper_limit(b, u_b, coverage, target.degrees_of_freedom)
    least_reference = a - special.stdtrit(reference.degrees_of_freedom, coverage) * u_a
    low_db = np.where(resolved, _attenuation(high_ratio), np.nan)
    bound = _attenuation(_divide(at_most, least_reference))
    return AttenuationSpectrum(
        axis=reference.axis,
        unit=reference.unit,
        reference=reference.level(reference.net),
        observed=target.level(target.observed),
        floor=target.level(target.floor),
        corrected=target.level(target.net),
        attenuation_db=np.where(resolved, _attenuation(_divide(b, a)), np.nan),
        low_db=np.where(limited, bound, low_db),
        high_db=np.where(resolved, _attenuation(low_ratio), np.nan),
        resolved=resolved,
        floor_limited=limited,
        unmeasured=~known,
        coverage=coverage,
        margin=margin,
        averaging=reference.averaging,
        window=reference.window,
    )


def fieller(b: Floats, u_b: Floats, a: Floats, u_a: Floats, k: Floats) -> tuple[Floats, Floats]:
    """Return the ends of the interval for ``b / a`` of two independent estimates.

    The set of ratios r with ``(b - r a)^2 <= k^2 (u_b^2 + r^2 u_a^2)`` (E. C. Fieller, 1954); it
    is bounded where ``a`` is significant. NaN elsewhere.
    """
    square = a**2 - (k * u_a) ** 2
    constant = b**2 - (k * u_b) ** 2
    root = np.sqrt(np.maximum((a * b) ** 2 - square * constant, 0.0))
    bounded = np.where(square > 0.0, square, np.nan)
    return (a * b - root) / bounded, (a * b + root) / bounded


def upper_limit(value: Floats, standard: Floats, coverage: float, degrees: Floats) -> Floats:
    """Return a one-sided upper limit of a quantity that cannot be negative.

    As ISO 11929 does it for a net count: the distribution about the estimate, cut at zero; with
    Student's t for the degrees of freedom. So it is above zero even where noise made the estimate
    negative.
    """
    safe = np.where(standard > 0.0, standard, 1.0)
    positive = special.stdtr(degrees, value / safe)
    quantile = special.stdtrit(degrees, 1.0 - (1.0 - coverage) * positive)
    return np.where(standard > 0.0, value + quantile * safe, np.maximum(value, 0.0))


def _stands_out(spectrum: ShotSpectrum, margin: float) -> Mask:
    above: Mask = spectrum.observed >= spectrum.floor * 10.0 ** (margin / 10.0)
    return above


def _relative_variance(standard: Floats, value: Floats) -> Floats:
    return _divide(standard, np.abs(value)) ** 2


def _divide(numerator: Floats, denominator: Floats) -> Floats:
    result = np.full(numerator.shape, np.nan)
    np.divide(numerator, denominator, out=result, where=denominator > 0.0)
    return result


def _attenuation(power_ratio: Floats) -> Floats:
    """Return -10 lg of a power ratio; NaN where it is not above 0."""
    db = np.full(power_ratio.shape, np.nan)
    np.log10(power_ratio, out=db, where=power_ratio > 0.0)
    return -10.0 * db


def _check_alike(reference: ShotSpectrum, target: ShotSpectrum) -> None:
    same_axis = reference.axis.frequency.shape == target.axis.frequency.shape and np.allclose(
        reference.axis.frequency, target.axis.frequency, rtol=1e-9, atol=0.0
    )
    if not same_axis:
        raise ValueError(
            "reference and target have different frequencies; take both with one record length "
            "and sample rate, and make both spectra with one setup"
        )
    for name in ("unit", "averaging", "window"):
        if getattr(reference, name) != getattr(target, name):
            raise ValueError(
                f"reference and target differ in {name}: {getattr(reference, name)} and "
                f"{getattr(target, name)}"
            )
