"""Budget arithmetic, against GTC and a Monte Carlo (JCGM 101) as independent references."""

from __future__ import annotations

from dataclasses import replace

import GTC
import numpy as np
import pytest
from scipy import stats

from acquire.analysis import budget
from acquire.analysis.measures import MEASURES
from acquire.analysis.results import BudgetLine

LINES = (
    BudgetLine("a", "A", 0.12, 3.0),
    BudgetLine("b", "A", 0.05, 15.0),
    BudgetLine("c", "B", 0.08, None),
)


def test_combination_and_freedom_agree_with_gtc():
    parts = [
        GTC.ureal(0, line.standard_uncertainty_db, line.degrees_of_freedom or float("inf"))
        for line in LINES
    ]
    total = GTC.result(parts[0] + parts[1] - parts[2])
    assert budget.combined(LINES) == pytest.approx(total.u)
    assert budget.effective_freedom(LINES) == pytest.approx(total.df)
    factor = budget.two_sided(0.95, total.df)
    assert factor.k == pytest.approx(GTC.reporting.k_factor(total.df))
    assert factor.tail == pytest.approx(0.025)


def test_a_bound_leaves_its_tail_on_one_side():
    factor = budget.one_sided(0.95, float("inf"))
    assert (factor.k, factor.tail) == pytest.approx((1.6449, 0.05), abs=1e-4)


def test_type_b_only_has_infinite_freedom():
    assert budget.effective_freedom(LINES[2:]) == float("inf")


def test_a_ratio_of_levels_agrees_with_monte_carlo():
    """JCGM 101: draw both levels and a gain, look at the middle 95 % of the decibels."""
    rng = np.random.default_rng(0)
    draws = 400_000
    reference = rng.normal(100, 2, draws)
    target = rng.normal(1.0, 0.08, draws)
    gain = rng.uniform(-0.02, 0.02, draws)
    low, high = np.quantile(20 * np.log10(reference / target * (1 + gain)), [0.025, 0.975])
    k = 1.96
    ends = budget.interval(
        40.0,
        (-20 * np.log10(1 - k * 0.02), 20 * np.log10(1 + k * 0.02)),
        (-20 * np.log10(1 - k * 0.08), 20 * np.log10(1 + k * 0.08)),
        k * budget.DB * 0.02 / np.sqrt(3),
    )
    assert ends == pytest.approx((low, high), abs=0.03)


def test_decibels_of_nothing_are_none():
    assert budget.decibels(10.0) == 20.0
    assert budget.decibels(0.0) is None
    assert budget.decibels(float("inf")) is None


def test_gain_counts_more_where_less_of_the_range_is_filled(make_shot):
    shot = make_shot(np.zeros((2, 10)), gain_accuracy=0.03)  # fills 0.8 of the range
    assert budget.gain_uncertainty(shot) == pytest.approx(0.03 / 0.8 / np.sqrt(3))


@pytest.mark.parametrize("sigma", [0.05, 0.2, 0.35, 0.5])
def test_quantisation_left_in_a_dithered_mean(make_shot, sigma):
    """Against a simulated converter: the error of the mean of many records of one level."""
    rng = np.random.default_rng(1)
    truth = rng.uniform(-5, 5, 200)
    codes = np.rint(truth + sigma * rng.standard_normal((4000, 200)))
    error = np.sqrt(np.mean((codes.mean(axis=0) - truth) ** 2))
    shot = replace(make_shot(np.zeros((2, 10))), lsb=1.0, noise=float(codes.std(axis=0).mean()))
    found = budget.quantisation(shot, MEASURES["rms"])
    assert budget.quantisation(shot, MEASURES["peak_to_peak"]) == pytest.approx(found * 2**0.5)
    assert found <= 1 / np.sqrt(12) + 1e-12
    if sigma >= 0.35:
        assert found == pytest.approx(error, rel=0.5, abs=0.01)
    else:
        assert found >= 0.8 * error


@pytest.mark.parametrize("freedom", [1.0, 3.7, 15.0, 1e6, float("inf")])
@pytest.mark.parametrize("coverage", [0.6827, 0.95, 0.999])
def test_factors_are_the_points_of_students_t(freedom, coverage):
    two, one = budget.two_sided(coverage, freedom), budget.one_sided(coverage, freedom)
    assert two.k == pytest.approx(stats.t.interval(coverage, freedom)[1], rel=1e-9)
    assert one.k == pytest.approx(stats.t.ppf(coverage, freedom), rel=1e-9)
