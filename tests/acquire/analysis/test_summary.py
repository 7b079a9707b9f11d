"""Summary statistics against numpy and scipy; certified values are in tests/published."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from acquire.analysis.summary import one_way, type_a


def test_type_a_is_mean_and_variance_of_the_mean():
    x = np.random.default_rng(0).normal(5, 2, 37)
    found = type_a(x)
    assert found.mean == pytest.approx(x.mean())
    assert found.deviation == pytest.approx(x.std(ddof=1))
    assert found.variance == pytest.approx(x.var(ddof=1) / 37)
    assert found.freedom == 36


def test_one_way_agrees_with_scipy_for_unequal_groups():
    rng = np.random.default_rng(1)
    groups = [rng.normal(m, 1, n) for m, n in ((0, 5), (0.5, 9), (1, 7))]
    assert one_way(groups).ratio == pytest.approx(stats.f_oneway(*groups).statistic)


def test_the_component_between_groups_is_recovered_and_never_negative():
    rng = np.random.default_rng(2)
    found = [
        one_way([rng.normal(rng.normal(0, 2), 1, 10) for _ in range(6)]).component
        for _ in range(300)
    ]
    assert np.mean(found) == pytest.approx(4.0, rel=0.15)
    assert one_way([np.array([1.0, 3.0]), np.array([3.0, 1.0])]).component == 0


def test_groups_without_scatter_within():
    assert one_way([np.ones(3), np.full(3, 2.0)]).ratio == float("inf")
