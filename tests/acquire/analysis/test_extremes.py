"""Peak-to-peak of a mean: exact without noise, nearly unbiased with it, with an honest spread."""

from __future__ import annotations

import numpy as np
import pytest

from acquire.analysis.estimates import Factor
from acquire.analysis.extremes import (
    Segments,
    extremes_estimate,
    freed_peak_to_peak,
    places,
    smooth,
)


@pytest.mark.parametrize("length", [8, 100, 255, 256, 1000, 1001])
def test_segments_and_back_give_the_record(length):
    record = np.random.default_rng(0).standard_normal(length)
    segments = Segments(length)
    assert segments.trace(segments.spectra(record)) == pytest.approx(record)


def test_smoothing_keeps_a_constant_and_spreads_a_line():
    assert smooth(np.full((2, 129), 3.0)) == pytest.approx(np.full((2, 129), 3.0))
    line = np.zeros((1, 129))
    line[0, 60] = 17.0
    assert smooth(line)[0, 52:69] == pytest.approx(np.ones(17))
    assert smooth(line).sum() == pytest.approx(17.0)


def test_without_noise_the_level_is_exact(ring):
    rows = np.tile(ring, (4, 1))
    found = extremes_estimate([rows, np.zeros((4, 1000))])
    assert found.value == pytest.approx(np.ptp(ring), rel=1e-9)
    assert found.linear == pytest.approx(0.0, abs=1e-12)
    assert freed_peak_to_peak(rows) == pytest.approx(np.ptp(ring), rel=1e-9)


def test_bias_is_small_where_the_plain_mean_is_far_too_high(ring):
    """The residual stands 6 dB above the averaged floor's own peak-to-peak."""
    rng = np.random.default_rng(1)
    true = np.ptp(ring)
    sigma = true / 2 / 6.5 / np.sqrt(2) * 4
    found = [
        extremes_estimate(
            [
                ring + sigma * rng.standard_normal((16, 1000)),
                sigma * rng.standard_normal((16, 1000)),
            ]
        )
        for _ in range(40)
    ]
    bias = 20 * np.log10(np.mean([f.value for f in found]) / true)
    plain = 20 * np.log10(np.mean([f.seen for f in found]) / true)
    assert abs(bias) < 0.3
    assert plain > 0.7
    spread = np.std([f.value for f in found])
    assert np.sqrt(np.mean([f.linear for f in found])) == pytest.approx(spread, rel=0.35)


def test_noise_alone_is_detected_as_often_as_stated_and_bounded():
    rng = np.random.default_rng(2)
    factor = Factor(1.7, 0.05)
    found = [
        extremes_estimate([rng.standard_normal((8, 300)), rng.standard_normal((8, 300))])
        for _ in range(120)
    ]
    assert np.mean([f.detected(factor) for f in found]) == pytest.approx(0.05, abs=0.05)
    assert all(f.ceiling(factor) > f.seen for f in found)


def test_two_rows_are_enough(ring):
    rng = np.random.default_rng(3)
    rows = ring + 0.01 * rng.standard_normal((2, 1000))
    found = extremes_estimate([rows, 0.01 * rng.standard_normal((2, 1000))])
    assert found.value == pytest.approx(np.ptp(ring), rel=0.02)
    assert found.freedom >= 1


def test_places_are_those_of_the_extremes(ring):
    assert places(ring) == (int(np.argmax(ring)), int(np.argmin(ring)))
