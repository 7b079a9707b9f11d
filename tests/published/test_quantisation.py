"""Quantisation noise in band levels: IEEE Std 1057 / 1241 figures of an ideal quantiser.

Sources: RMS of quantisation noise Q / sqrt(12), ideal signal to noise 6.02 N + 1.76 dB, effective
bits (SINAD - 1.76) / 6.02 (converter makers' application notes quoting IEEE 1057 / 1241; the
standards were not open to the author). The effective bits of a sine of full scale less one step
(65 536 points, 12 347 cycles) were computed from the definition in a separate script, not printed.
"""

from __future__ import annotations

import numpy as np
import pytest

from acquire.analysis.bands import band_levels

POINTS, CYCLES, STEP = 65_536, 12_347, 1e-9
BIN = 1 / (POINTS * STEP)


@pytest.mark.parametrize(
    ("bits", "effective", "residual"),
    [(8, 8.0157, 0.28555), (10, 10.0077, 0.28714), (12, 12.0038, 0.28792)],
)
def test_levels_of_a_quantised_sine(bits: int, effective: float, residual: float) -> None:
    amplitude = 2 ** (bits - 1) - 0.5  # in steps
    phase = 2 * np.pi * CYCLES * np.arange(POINTS) / POINTS
    codes = np.floor(amplitude * np.sin(phase) + 0.0)  # mid-rise: levels at half steps
    at = CYCLES * BIN
    below, signal, above = band_levels(
        codes + 0.5,
        STEP,
        ((BIN / 2, at - BIN / 2), (at - BIN / 2, at + BIN / 2), (at + BIN / 2, 1e9)),
    )
    noise = np.hypot(below, above)
    sinad = 20 * np.log10(signal / noise)
    assert noise == pytest.approx(1 / np.sqrt(12), rel=0.02)
    assert noise == pytest.approx(residual, abs=0.002)
    assert (sinad - 1.76) / 6.02 == pytest.approx(effective, abs=0.03)
    assert sinad == pytest.approx(6.02 * bits + 1.76, abs=0.2)


def test_quantisation_noise_of_a_busy_signal_is_white_over_the_bands() -> None:
    """A band of a tenth of the span holds a tenth of Q^2 / 12."""
    rng = np.random.default_rng(61)
    trace = rng.normal(0.0, 20.0, (50, 10_000))
    error = np.round(trace) - trace
    bands = [(k * 50e6, (k + 1) * 50e6) for k in range(10)]
    power = np.mean(band_levels(error, STEP, bands) ** 2, axis=0)
    np.testing.assert_allclose(power, 1 / 120, rtol=5 / np.sqrt(50 * 500))
