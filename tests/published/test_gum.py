"""The GUM's worked examples (JCGM 100:2008, annex H) through our budget and statistics.

Sources: H.1 and H.5 as quoted in the tests of two general-purpose libraries (GTC 1c165fc,
suncal d44c2cc) and recomputed; H.4's counts from the R package propagate (60718ff), its printed
results from memory. H.2 (correlated inputs) and H.3 (a fitted line) have no counterpart in this
part of the analysis: it neither correlates inputs nor fits lines.
"""

from __future__ import annotations

import numpy as np
import pytest

from acquire.analysis import budget
from acquire.analysis.corrections import Pair, estimate
from acquire.analysis.measures import MEASURES
from acquire.analysis.quadratic import satterthwaite
from acquire.analysis.results import BudgetLine
from acquire.analysis.summary import OneWay, type_a

# H.1, the four components of the length in nm, unrounded (recomputed from the printed inputs).
H1 = (
    BudgetLine("standard", "B", 25.0, 18.0),
    BudgetLine("difference", "A", float(np.sqrt(5.8137767**2 + 3.9**2 + 6.7**2)), 25.447),
    BudgetLine("difference of expansion", "B", 2.8867513, 50.0),
    BudgetLine("difference of temperature", "B", 16.5988, 2.0),
)


def test_h1_combined_uncertainty_and_freedom(half_last_digit):
    assert budget.combined(H1) == half_last_digit("32")
    assert budget.effective_freedom(H1) == half_last_digit("16.7", digits=1)


def test_h1_freedom_of_the_observed_difference(half_last_digit):
    """Table H.1: 5.8 (24), 3.9 (5) and 6.7 (8) combine to 9.7 with 25.6 (unrounded 25.45)."""
    parts = [5.8**2, 3.9**2, 6.7**2]
    assert np.sqrt(sum(parts)) == half_last_digit("9.7")
    assert satterthwaite(parts, [24.0, 5.0, 8.0]) == half_last_digit("25.6", digits=2)


def test_h1_expanded_uncertainty(half_last_digit):
    """The GUM truncates 16.7 to 16 and prints k = 2.92 and U99 = 93 nm."""
    factor = budget.two_sided(0.99, 16.0)
    assert factor.k == half_last_digit("2.92")
    assert factor.k * budget.combined(H1) == half_last_digit("93", digits=1)


H5_MEANS = (
    10.000172, 10.000116, 10.000013, 10.000144, 10.000106,
    10.000031, 10.000060, 10.000125, 10.000163, 10.000041,
)  # fmt: skip
H5_DEVIATIONS = (60, 77, 111, 101, 67, 93, 80, 73, 88, 86)
"""H.5, table H.9: daily means of a Zener standard in V, and standard deviations of 5 in µV."""


def test_h5_scatter_of_the_daily_means(half_last_digit):
    found = type_a(np.array(H5_MEANS))
    assert found.mean == half_last_digit("10.000097")
    assert found.deviation * 1e6 == half_last_digit("57")
    assert np.sqrt(found.variance) * 1e6 == half_last_digit("18")


def test_h5_analysis_of_variance(half_last_digit):
    """s_a = 128 µV (9), s_b = 85 µV (40), F = 2.25 (from the rounded), s_B = 43 µV."""
    within = float(np.mean(np.array(H5_DEVIATIONS, dtype=float) ** 2))
    between = 5 * type_a(np.array(H5_MEANS)).deviation ** 2 * 1e12
    found = OneWay(between, within, 9.0, 40.0, 5.0)
    assert np.sqrt(found.between) == half_last_digit("128")
    assert np.sqrt(found.within) == half_last_digit("85")
    assert found.ratio == half_last_digit("2.25", digits=2)
    assert np.sqrt(found.component) == half_last_digit("43")


H4 = np.array(
    [
        (243.74, 15380, 305.56, 4054, 367.37, 41432),
        (984.53, 14978, 1046.10, 3922, 1107.66, 38706),
        (1723.87, 14394, 1785.43, 4200, 1846.99, 35860),
        (2463.17, 13254, 2524.73, 3830, 2586.28, 32238),
        (3217.56, 12516, 3279.12, 3956, 3340.68, 29640),
        (3956.83, 11058, 4018.38, 3980, 4079.94, 26356),
    ]
)
"""H.4, table H.7: t_S, C_S, t_B, C_B, t_x, C_x; minutes and counts in 60 minutes."""
DECAY = 1.25894e-4


@pytest.mark.parametrize(
    ("time", "count", "rate"), [(4, 5, "652.60"), (0, 1, "206.09")], ids=["sample", "standard"]
)
def test_h4_background_taken_off_in_power(make_counts, half_last_digit, time, count, rate):
    """A counting rate is a power: gross less background, decay-corrected, is our correction."""
    grown = np.exp(DECAY * H4[:, time]) / 60
    pair = make_counts(H4[:, count] * grown, H4[:, 3] * grown)
    assert estimate(pair, "power").squared == half_last_digit(rate)


@pytest.fixture
def make_counts():
    """Return a function (gross, background) -> pair whose squared record levels are the rates."""
    from types import SimpleNamespace

    def make(gross, background):
        shots = [
            SimpleNamespace(levels={"rms": np.sqrt(rates)}, repeats=rates.size)
            for rates in (gross, background)
        ]
        return Pair(*shots, MEASURES["rms"])  # type: ignore[arg-type]  # all that it looks at

    return make


def test_h4_ratio_of_the_net_rates(make_counts):
    """Printed: mean of ratios 3.170, u 0.046. Ratio of means 3.1666; our u leaves the shared
    background's correlation out, so it must not be smaller than the printed one allows."""
    x, s = (
        estimate(
            make_counts(
                H4[:, c] * np.exp(DECAY * H4[:, t]) / 60, H4[:, 3] * np.exp(DECAY * H4[:, t]) / 60
            ),
            "power",
        )
        for t, c in ((4, 5), (0, 1))
    )
    assert x.squared / s.squared == pytest.approx(3.170, abs=0.046)
