"""Squared levels from products between repeats: unbiased, with the variance that is claimed."""

from __future__ import annotations

import numpy as np
import pytest

from acquire.analysis.estimates import ONE_SIGMA, Factor
from acquire.analysis.quadratic import coherent_estimate, products, satterthwaite

NORMAL = Factor(1.645, 0.05)


def draw(rng, signal, count, noise, length=200):
    return signal + noise * rng.standard_normal((count, length))


@pytest.fixture
def signal():
    wave = np.sin(2 * np.pi * np.arange(200) / 20)
    return wave / np.linalg.norm(wave)


@pytest.mark.parametrize("level", [0.0, 0.5, 3.0])
def test_the_squared_level_is_unbiased_and_its_variance_is_right(signal, level):
    rng = np.random.default_rng(1)
    found = [
        coherent_estimate([draw(rng, level * signal, 8, 0.3), draw(rng, 0 * signal, 4, 0.3)])
        for _ in range(800)
    ]
    squared = np.array([f.squared for f in found])
    assert squared.mean() == pytest.approx(level**2, abs=4 * squared.std() / np.sqrt(800))
    claimed = np.mean([4 * level**2 * f.linear + f.quadratic for f in found])
    if level == 0:
        claimed = np.mean([f.quadratic for f in found])
    assert claimed == pytest.approx(squared.var(), rel=0.15)


def test_the_plain_mean_would_be_biased(signal):
    """What the products avoid: the squared level of the mean is high by trace(cov) / N."""
    rng = np.random.default_rng(2)
    rows = [draw(rng, signal, 8, 0.3) for _ in range(300)]
    plain = np.mean([np.sum(r.mean(axis=0) ** 2) for r in rows])
    assert plain == pytest.approx(1 + 200 * 0.09 / 8, rel=0.05)
    assert np.mean([products(r @ r.T).coherent for r in rows]) == pytest.approx(1.0, rel=0.03)


def test_noise_alone_is_detected_as_often_as_stated(signal):
    rng = np.random.default_rng(3)
    hits = [
        coherent_estimate([draw(rng, 0 * signal, 8, 1.0), draw(rng, 0 * signal, 8, 1.0)]).detected(
            NORMAL
        )
        for _ in range(1000)
    ]
    assert np.mean(hits) == pytest.approx(0.05, abs=0.025)


def test_a_carrier_is_detected_as_often_as_stated():
    """Two degrees of freedom, not thousands: a normal quantile would be exceeded too often."""
    rng = np.random.default_rng(4)
    t = np.arange(200)

    def rows():
        phase = rng.uniform(0, 2 * np.pi, (8, 1))
        return np.sin(2 * np.pi * t / 20 + phase)

    found = [coherent_estimate([rows(), rows()]) for _ in range(1000)]
    assert np.mean([f.noise_freedom[0] for f in found]) == pytest.approx(2.0, abs=0.8)
    assert np.mean([f.detected(NORMAL) for f in found]) < 0.07


def test_far_above_the_floor_the_uncertainty_is_that_of_a_mean(signal):
    rng = np.random.default_rng(5)
    amplitude = 1 + 0.05 * rng.standard_normal((64, 1))
    rows = amplitude * signal * 10 + 0.01 * rng.standard_normal((64, 200))
    found = coherent_estimate([rows])
    low, high = found.limits(ONE_SIGMA)
    assert (high - low) / 2 == pytest.approx(10 * amplitude.std(ddof=1) / 8, rel=0.05)
    assert found.freedom == pytest.approx(63)


def test_two_rows_are_enough_and_err_on_the_safe_side(signal):
    rng = np.random.default_rng(6)
    found = [
        coherent_estimate([draw(rng, 0 * signal, 2, 1.0), draw(rng, 0 * signal, 2, 1.0)])
        for _ in range(300)
    ]
    assert np.mean([f.detected(NORMAL) for f in found]) < 0.05


def test_effective_freedom_of_equal_parts_adds_up():
    assert satterthwaite([1.0, 1.0], [5.0, 5.0]) == pytest.approx(10.0)
    assert satterthwaite([1.0], [float("inf")]) == float("inf")
    assert satterthwaite([0.0, 0.0], [5.0, 5.0]) == float("inf")


@pytest.mark.parametrize("across", [0.0, 0.3, 1.0, 2.0, 6.0])
def test_a_carrier_across_a_weak_part_of_the_signal_is_covered(across):
    """The signal's part in the two dimensions of a carrier, in its standard deviations: the worst
    case is one or two, where the carrier may cancel what it hides (measured 22 % outside the
    upper limit before limits took the larger reach)."""
    rng = np.random.default_rng(7)
    count, runs, size = 16, 400, 0.33
    part = across * size / np.sqrt(2) * np.sqrt(2 / count)
    factor = Factor(2.04, 0.025)
    outside = 0
    for _ in range(runs):
        shots = []
        for level in (1.0, 0.0):
            phase = rng.uniform(0, 2 * np.pi, count)
            rows = 0.01 * rng.standard_normal((count, 60))
            rows[:, 0] += size * np.cos(phase) + level * part
            rows[:, 1] += size * np.sin(phase)
            rows[:, 2] += level
            shots.append(rows)
        low, high = coherent_estimate(shots).limits(factor)
        outside += not low <= np.hypot(1.0, part) <= high
    assert outside / runs < 0.10
