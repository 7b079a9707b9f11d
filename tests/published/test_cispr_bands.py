"""CISPR 16-1-1, bands A to D: limits and receiver bandwidths at 6 dB.

Source: written from memory of CISPR 16-1-1 table 1 (facts checked in a spectrum analyser maker's
manual, Agilent E4448A); the standard itself was not open to the author.
"""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from acquire.analysis.bands import CISPR_BANDS, band_levels

TABLE = {
    "A": (9e3, 150e3, 200.0),
    "B": (150e3, 30e6, 9e3),
    "C": (30e6, 300e6, 120e3),
    "D": (300e6, 1000e6, 120e3),
}


@pytest.mark.parametrize("name", TABLE)
def test_limits_and_bandwidths(name: str) -> None:
    band = CISPR_BANDS[name]
    assert (band.low, band.high, band.receiver_bandwidth) == TABLE[name]


def test_the_bands_follow_each_other_without_a_gap() -> None:
    ordered = list(CISPR_BANDS.values())
    assert [band.name for band in ordered] == ["A", "B", "C", "D"]
    for lower, upper in itertools.pairwise(ordered):
        assert lower.high == upper.low


def test_white_noise_divides_over_the_bands_as_their_widths() -> None:
    """Power of white noise in a band is proportional to its width (a property, no source)."""
    step = 0.4e-9  # 2.5 GS/s, so that all four bands are covered
    noise = np.random.default_rng(4).normal(0.0, 1.0, (8, 500_000))
    edges = [(band.low, band.high) for band in CISPR_BANDS.values()]
    power = np.mean(band_levels(noise, step, edges) ** 2, axis=0)
    widths = np.array([high - low for low, high in edges])
    expected = widths / 1.25e9
    bins = widths * step * noise.shape[1] * len(noise)  # each carries a relative spread of 1
    assert np.all(np.abs(power / expected - 1.0) < 5.0 / np.sqrt(bins))
