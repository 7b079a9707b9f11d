"""A 30 dB step attenuator: EA-4/02 M:2013 example S7, and NIST TN 1900 example E11.

Sources: the example budget file S07.smu (excerpt), and suncal's example and test (d44c2cc), both
recomputed; the four observations from memory, consistent with the printed mean and u.
"""

from __future__ import annotations

import numpy as np
import pytest

from acquire.analysis import budget
from acquire.analysis.results import BudgetLine
from acquire.analysis.summary import type_a

OBSERVATIONS = np.array([30.033, 30.058, 30.018, 30.052])
ROOT_2, ROOT_3 = np.sqrt(2.0), np.sqrt(3.0)
TYPE_B = (
    BudgetLine("standard attenuator", "B", 0.00433 / ROOT_3, None),
    BudgetLine("drift of the standard", "B", 0.001980 / ROOT_2, None),
    BudgetLine("mismatch", "B", 0.02828 / ROOT_2, None),
    BudgetLine("leakage", "B", 0.0029698 / ROOT_2, None),
    BudgetLine("resolution before", "B", 0.0005196 / ROOT_3, None),
    BudgetLine("resolution after", "B", 0.0005196 / ROOT_3, None),
    BudgetLine("zero before", "B", 0.0020, None),
    BudgetLine("zero after", "B", 0.0020, None),
)


def test_observations(half_last_digit):
    found = type_a(OBSERVATIONS)
    assert found.mean == half_last_digit("30.04025")
    assert np.sqrt(found.variance) == half_last_digit("0.00913")
    assert found.freedom == 3


def test_result(half_last_digit):
    found = type_a(OBSERVATIONS)
    lines = (BudgetLine("observed", "A", float(np.sqrt(found.variance)), 3.0), *TYPE_B)
    # Printed 0.0224 dB; the inputs above are themselves rounded to 0.0001 dB.
    assert budget.combined(lines) == half_last_digit("0.0224", digits=1)
    # The freedom goes with the fourth power of inputs that are printed to two or three digits.
    assert budget.effective_freedom(lines) == pytest.approx(108, rel=0.02)
    assert 2 * budget.combined(lines) == half_last_digit("0.045")
    # The Monte Carlo interval of TN 1900, [30.006, 30.081], is narrower than ours: its largest
    # part, mismatch, has a U-shaped distribution. A normal factor never understates here.
    half = budget.two_sided(0.95, budget.effective_freedom(lines)).k * budget.combined(lines)
    low, high = found.mean + 0.003 - half, found.mean + 0.003 + half
    assert low < 30.006 < 30.081 < high
    assert high - low < 1.25 * (30.081 - 30.006)


def test_further_effective_freedom(half_last_digit):
    """0.57 (9 degrees of freedom) with 0.25 (infinite): 12.8. Source: suncal's tests (d44c2cc)."""
    lines = (BudgetLine("a", "A", 0.57, 9.0), BudgetLine("b", "B", 0.25, None))
    assert budget.effective_freedom(lines) == half_last_digit("12.8", digits=1)


def test_further_ratio(half_last_digit):
    """0.1820 (0.00093, 9), 0.1823 (0.00058, 19), 0.6978 (0.0026, 19): 0.6967, u 0.00494, 27.7,
    U95 0.0101. Source: suncal's tests (d44c2cc)."""
    value = 0.1820 / 0.1823 * 0.6978
    parts = [(0.00093 / 0.1820, 9.0), (0.00058 / 0.1823, 19.0), (0.0026 / 0.6978, 19.0)]
    lines = [BudgetLine(str(i), "A", value * u, nu) for i, (u, nu) in enumerate(parts)]
    assert value == half_last_digit("0.6967", digits=1)
    assert budget.combined(lines) == half_last_digit("0.00494", digits=1)
    freedom = budget.effective_freedom(lines)
    # The freedom goes with the fourth power of inputs that are printed to two digits.
    assert freedom == pytest.approx(27.7, rel=0.02)
    assert budget.two_sided(0.95, freedom).k * budget.combined(lines) == half_last_digit("0.0101")
