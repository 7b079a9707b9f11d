"""Limits of a level: the ordinary ones far above the floor, and covering ones in it."""

from __future__ import annotations

import numpy as np
import pytest

from acquire.analysis.estimates import (
    Estimate,
    ExtremeEstimate,
    Factor,
    SquaredEstimate,
    standard_uncertainty,
)

TWO = Factor(1.96, 0.025)
ONE = Factor(1.645, 0.05)


def test_far_above_the_floor_limits_are_value_plus_minus_k_u():
    high = SquaredEstimate(100.0, 0.01, 1e-4, 10.0, 10.0, 0.1)
    assert high.limits(TWO) == pytest.approx((10 - 0.196, 10 + 0.196), abs=2e-3)
    assert standard_uncertainty(high) == pytest.approx(0.1, rel=1e-3)


def test_limits_contain_the_truth_as_often_as_stated_at_every_height():
    rng = np.random.default_rng(0)
    for true in (0.0, 0.5, 1.0, 3.0):
        c, q = 0.04, 0.09
        squared = true**2 + rng.standard_normal(4000) * np.sqrt(4 * true**2 * c + q)
        held = []
        for one in squared:
            low, high = SquaredEstimate(float(one), c, q, 100.0, 1.0, 0.5).limits(TWO)
            held.append(low <= true <= high)
        assert 0.94 < np.mean(held) <= 0.985, true


def test_a_negative_square_never_tightens_the_bound():
    zero = SquaredEstimate(0.0, 0.04, 0.09, 10.0, 1.0, 0.5)
    below = SquaredEstimate(-5.0, 0.04, 0.09, 10.0, 1.0, 0.5)
    assert below.value == 0
    assert below.ceiling(ONE) == zero.ceiling(ONE)
    assert not below.detected(ONE)


def test_few_degrees_of_freedom_raise_the_threshold():
    """The squared mean of a carrier scatters like an exponential variate: 2.0 above its mean."""
    carrier = SquaredEstimate(0.0, 0.0, 1.0, 10.0, 1.0, 1.0, noise_freedom=(2.0, 1e9))
    assert carrier.decision_threshold(ONE) ** 2 == pytest.approx(-np.log(0.05) - 1, rel=1e-6)


def test_the_upper_limit_reaches_as_far_as_noise_rises():
    """Below its mean an exponential variate ends at 0.95; a carrier can cancel more of a signal."""
    carrier = SquaredEstimate(0.0, 0.0, 1.0, 10.0, 1.0, 1.0, noise_freedom=(2.0, 1e9))
    assert carrier.ceiling(ONE) == pytest.approx(carrier.decision_threshold(ONE))


def test_a_signal_at_the_detection_limit_is_missed_as_often_as_stated():
    rng = np.random.default_rng(1)
    c, q = 0.04, 0.09
    limit = SquaredEstimate(0.0, c, q, 10.0, 1.0, 0.5).detection_limit(ONE)
    squared = limit**2 + rng.standard_normal(20_000) * np.sqrt(4 * limit**2 * c + q)
    threshold = SquaredEstimate(0.0, c, q, 10.0, 1.0, 0.5).decision_threshold(ONE) ** 2
    assert np.mean(squared < threshold) == pytest.approx(0.05, abs=0.006)


def test_pickup_that_moved_widens_both_kinds():
    squared = SquaredEstimate(4.0, 0.01, 0.0, 10.0, 2.0, 0.1)
    extreme = ExtremeEstimate(2.0, 0.01, 10.0, 2.2, 0.3, 0.02, 0.02)
    for estimate in (squared, extreme):
        moved = estimate.with_pickup(0.3, 0.3)
        assert moved.slack == pytest.approx(0.09)
        assert moved.limits(TWO)[1] > estimate.limits(TWO)[1]
        assert moved.clean().slack == 0


def test_extremes_of_noise_follow_a_gumbel_distribution():
    rng = np.random.default_rng(2)
    drawn = np.ptp(rng.standard_normal((4000, 1000)), axis=1)
    found = ExtremeEstimate(1.0, 0.1, 9.0, 1.0, drawn.mean(), drawn.std(), 2.0)
    assert np.mean(drawn > found.decision_threshold(ONE)) == pytest.approx(0.05, abs=0.015)
    assert found.detection_limit(ONE) > found.decision_threshold(ONE)


def test_both_kinds_answer_the_same_questions():
    kinds: list[Estimate] = [
        SquaredEstimate(4.0, 0.01, 0.0, 10.0, 2.0, 0.1),
        ExtremeEstimate(2.0, 0.01, 10.0, 2.2, 0.3, 0.02, 0.02),
    ]
    for kind in kinds:
        assert kind.value == pytest.approx(2.0)
        assert kind.limits(TWO)[0] < 2.0 < kind.limits(TWO)[1] <= kind.ceiling(TWO) + 1e-12
