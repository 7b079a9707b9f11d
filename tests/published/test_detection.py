"""Decision threshold and detection limit: Currie (1968), ISO 11929:2010.

Sources: Currie's formulae and 32.1 counts for B = 40 from several public documents; ISO 11929
examples 5 and 1a as listed by UncertRadio (a234d4d), recomputed.

A net count y is a squared level here: its variance is y + 2 B, so c = 1/4 and q = 2 B.
"""

from __future__ import annotations

import numpy as np
import pytest

from acquire.analysis.estimates import Factor, SquaredEstimate

K = Factor(1.645, 0.05)


def net(null_variance: float) -> SquaredEstimate:
    return SquaredEstimate(0.0, 0.25, null_variance, np.inf, 1.0, 1.0)


@pytest.mark.parametrize(
    ("background", "critical", "detection"),
    [(10, "7.36", "17.42"), (40, "14.71", "32.1"), (100, "23.3", "49.2"), (1000, "73.6", "149.8")],
)
def test_currie_paired_observations(half_last_digit, background, critical, detection):
    """L_C = 2.33 sqrt(B) and L_D = 2.71 + 4.65 sqrt(B), with k = 1.645 unrounded."""
    found = net(2.0 * background)
    assert found.decision_threshold(K) ** 2 == half_last_digit(critical, digits=1)
    assert found.detection_limit(K) ** 2 == half_last_digit(detection, digits=1)
    assert found.decision_threshold(K) ** 2 == pytest.approx(2.33 * background**0.5, rel=2e-3)
    assert found.detection_limit(K) ** 2 == pytest.approx(2.71 + 4.65 * background**0.5, rel=2e-3)


def test_currie_well_known_blank(half_last_digit):
    """L_C = 1.645 sqrt(B), L_D = 2.71 + 3.29 sqrt(B) for B = 100."""
    assert net(100.0).decision_threshold(K) ** 2 == half_last_digit("16.45")
    assert net(100.0).detection_limit(K) ** 2 == half_last_digit("35.61")


def test_iso_11929_example_5(half_last_digit):
    """A peak on a background: y* = 1108.88, y# = 2220.46; y* fixes the null variance."""
    found = net((1108.88 / 1.645) ** 2)
    assert found.detection_limit(K) ** 2 == half_last_digit("2220.46", digits=1)


def test_iso_11929_example_1a_decision_threshold(half_last_digit):
    """2591 counts in 360 s over 41782 in 7200 s; V 0.5, efficiency 0.3, f 0.6: y* = 2.37791.

    The null variance of the net rate is r0 / t_b + r0 / t_0, scaled by 1 / (V eps f).
    """
    rate, weight = 41782 / 7200, 1 / (0.5 * 0.3 * 0.6)
    found = net(weight**2 * rate * (1 / 360 + 1 / 7200))
    assert found.decision_threshold(K) ** 2 == half_last_digit("2.37791", digits=20)
