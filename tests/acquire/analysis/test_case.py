"""One result: its states, its bounds, and what the interval is made of."""

from __future__ import annotations

import numpy as np
import pytest

from acquire.analysis import budget
from acquire.analysis.case import IN_THE_LIMITS, Case, solve
from acquire.analysis.corrections import Pair
from acquire.analysis.inputs import Choices
from acquire.analysis.measures import MEASURES
from acquire.analysis.shots import prepare


@pytest.fixture
def case_of(make_capture, ring):
    """Return a function (residual, noise) -> case of RMS with one range for all shots."""

    def make(residual, noise, repeats=16, name="rms", seed=0, **choices):
        rng = np.random.default_rng(seed)

        def shot(level, role, order):
            rows = level * ring + noise * rng.standard_normal((repeats, 1000))
            return prepare(make_capture(rows, role, order, bits=16), [name])

        floor = shot(0.0, "floor", 2)
        references = tuple(
            Pair(shot(1.0, "reference", order), floor, MEASURES[name]) for order in (0, 3)
        )
        target = Pair(shot(residual, "target", 1), floor, MEASURES[name])
        return Case("choke", target, references, (0.5, 0.5), Choices(**choices))

    return make


def test_a_clear_residual_is_resolved(case_of):
    found = solve(case_of(0.1, 0.01)).attenuation
    assert found.state == "resolved"
    assert found.interval_db[0] < 20.0 < found.interval_db[1]


def test_the_margin_is_held_against_the_averaged_floor(case_of):
    """A residual as strong as the averaged floor stands 3 dB above it once seen with it."""
    averaged = 0.3 * np.sqrt(2 / 16)
    rms = np.sqrt(np.var(np.exp(-np.arange(1000) / 150) * np.sin(np.arange(1000) * np.pi / 20)))
    case = case_of(averaged / rms, 0.3, margin=6.0)
    found = solve(case).attenuation
    assert (found.state, "less than the margin of 6 dB" in found.reason) == ("floor-limited", True)
    assert solve(case_of(averaged / rms, 0.3, margin=1.0)).attenuation.state == "resolved"


def test_bounds_are_rarely_false(case_of):
    truth = 20 * np.log10(1 / 0.01)
    low = [solve(case_of(0.01, 0.3, seed=s)).attenuation.interval_db[0] for s in range(60)]
    assert np.mean(np.array(low) > truth) < 0.15


def test_the_unbiased_estimate_sees_below_the_floor_of_one_record(case_of):
    """Residual 6 dB below the floor of a record: resolved with 64 repeats, not without them."""
    case = case_of(0.5, 0.2, repeats=64)
    found = solve(case)
    assert found.observed.value < 1.3 * found.floor.value
    assert found.attenuation.state == "resolved"
    assert found.attenuation.interval_db[0] < 6.02 < found.attenuation.interval_db[1]


def test_a_candidate_that_rings_has_a_negative_attenuation(case_of):
    assert solve(case_of(1.5, 0.01)).attenuation.db == pytest.approx(-3.52, abs=0.05)


def test_the_budget_names_its_lines_once_and_explains_the_interval(case_of):
    found = solve(case_of(0.3, 0.01))
    sources = [line.source for line in found.budget]
    assert len(set(sources)) == len(sources)
    assert set(IN_THE_LIMITS) <= set(sources)
    k = budget.two_sided(0.95, budget.effective_freedom(found.budget)).k
    half = (found.attenuation.interval_db[1] - found.attenuation.interval_db[0]) / 2
    assert half == pytest.approx(k * budget.combined(found.budget), rel=0.05)


def test_a_wider_coverage_gives_a_wider_interval(case_of):
    narrow, wide = (solve(case_of(0.3, 0.02, coverage=c)).attenuation for c in (0.68, 0.99))
    assert wide.interval_db[0] < narrow.interval_db[0] < narrow.interval_db[1] < wide.interval_db[1]


def test_a_reference_in_the_floor_is_invalid(case_of):
    found = solve(case_of(0.001, 60.0)).attenuation
    assert found.state == "invalid"
    assert "reference is not distinguishable" in found.reason
