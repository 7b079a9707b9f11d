"""Background subtraction in power, per bin, against printed noise-correction tables.

Sources: ISO 3744:2010 8.2.3 equation (16), K1 = -10 lg(1 - 10^(-0.1 dL)), as quoted in public
acoustics documentation; the rounded table of JIS Z 8731 / ISO 1996-1 as printed in a sound level
meter maker's FAQ; two worked values of a sound level meter's manual. The standards themselves were
not open to the author. What is corrected there is sound pressure level; the arithmetic of
independent powers is the same.
"""

from __future__ import annotations

import numpy as np
import pytest

from acquire.analysis.inputs import Transducer
from acquire.analysis.spectra import ShotSpectrum, shot_spectrum
from acquire.analysis.spectrum_grid import SpectrumSetup

STEP = 1e-6
SAMPLES = 1000
METER = Transducer("divider", "V", 1.0, (0.0, 1e6), 0.0)
SETUP = SpectrumSetup(window="boxcar", bins_per_decade=None)

K1 = {  # dL [dB] -> K1 [dB], four decimals of equation (16)
    1: 6.8683, 2: 4.3292, 3: 3.0206, 4: 2.2048, 5: 1.6509, 6: 1.2563, 7: 0.9665, 8: 0.7494,
    9: 0.5844, 10: 0.4576, 11: 0.3594, 12: 0.2830, 13: 0.2233, 14: 0.1764, 15: 0.1396, 20: 0.0436,
}  # fmt: skip
ROUNDED = {3: 3.0, 4: 2.3, 5: 1.7, 6: 1.25, 7: 0.95, 8: 0.75, 9: 0.60, 10: 0.45}
RISE = {0: 3.0103, 3: 1.7643, 5: 1.1933, 6: 0.9732, 10: 0.4139, 15: 0.1352, 20: 0.0432}


def spectrum(above_db: float) -> tuple[ShotSpectrum, int]:
    """A line ``above_db`` over a background line, at one bin (both without noise)."""
    line = np.sin(2 * np.pi * 50e3 * STEP * np.arange(SAMPLES))
    shot = np.stack([10 ** (above_db / 20) * line] * 2)
    found = shot_spectrum(shot, np.stack([line] * 2), STEP, METER, SETUP)
    return found, int(np.argmin(np.abs(found.axis.frequency - 50e3)))


@pytest.mark.parametrize("above", K1)
def test_the_correction_is_equation_16(above: int) -> None:
    found, at = spectrum(above)
    correction = 10 * np.log10(found.observed[at] / found.net[at])
    assert correction == pytest.approx(K1[above], abs=5e-5)


@pytest.mark.parametrize("above", ROUNDED)
def test_the_rounded_table_is_within_a_tenth_of_a_decibel(above: int) -> None:
    found, at = spectrum(above)
    correction = 10 * np.log10(found.observed[at] / found.net[at])
    assert correction == pytest.approx(ROUNDED[above], abs=0.1)


@pytest.mark.parametrize("signal_to_noise", RISE)
def test_the_rise_over_the_signal_is_not_confused_with_it(signal_to_noise: int) -> None:
    """For a *true* signal-to-noise ratio the observed level rises by 10 lg(1 + 10^(-SNR/10))."""
    observed_above_floor = 10 * np.log10(1 + 10 ** (signal_to_noise / 10))
    found, at = spectrum(observed_above_floor)
    rise = 10 * np.log10(found.observed[at] / found.net[at])
    assert rise == pytest.approx(RISE[signal_to_noise], abs=5e-5)


@pytest.mark.parametrize(
    ("observed", "background", "expected", "tolerance"),
    [(70, 63, 69.0, 0.05), (55, 50, 53.3, 0.05)],
)
def test_worked_values(
    observed: float, background: float, expected: float, tolerance: float
) -> None:
    """70 with 63 is 69; 55 with 50 is 53.3 (a sound level meter's manual)."""
    found, at = spectrum(observed - background)
    corrected = background + 10 * np.log10(found.net[at] / found.floor[at])
    assert corrected == pytest.approx(expected, abs=tolerance)
