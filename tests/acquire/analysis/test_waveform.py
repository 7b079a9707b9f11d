"""Transitions and levels beyond what tests/published/test_pulse_terms.py holds."""

from __future__ import annotations

import numpy as np
import pytest

from acquire.analysis.waveform import (
    StateLevels,
    crossings,
    pulse_duration,
    rising_transition,
    runs,
    state_levels,
    transition,
)

STEP = 1e-9
TIME = STEP * np.arange(-1000, 9000)


def test_crossings_interpolate_between_samples() -> None:
    rising, falling = crossings(np.array([0.0, 1.0, 3.0, -1.0, -1.0, 1.0]), 2.0, 0.25)
    np.testing.assert_allclose(rising, [0.5, 2 * (4 + 1.25 / 2)])
    np.testing.assert_allclose(falling, [2 * (2 + 2.75 / 4)])


def test_runs() -> None:
    starts, stops = runs(np.array([True, False, True, True, False, True]))
    np.testing.assert_array_equal(starts, [0, 2, 5])
    np.testing.assert_array_equal(stops, [1, 4, 6])


def test_a_flat_trace_has_one_level_and_no_transition() -> None:
    assert state_levels(np.full(10, 2.0)) == StateLevels(2.0, 2.0)
    assert transition(np.full(10, 2.0), STEP, 2.0) is None


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_a_step_has_the_states_of_its_histogram_despite_overshoot(sign: float) -> None:
    after = np.maximum(TIME, 0.0)
    trace = sign * (1.0 - np.exp(-after / 200e-9) * np.cos(2 * np.pi * 2e6 * after))
    found = transition(trace, STEP, 0.0)
    assert found is not None
    assert found.method == "histogram"
    assert found.levels.high == pytest.approx(sign, abs=0.02)
    assert found.levels.low == pytest.approx(0.0, abs=0.02)
    # 1 - exp(-t/tau) cos(wt) at 10 % and 90 %, solved numerically.
    fine = np.linspace(0, 200e-9, 2_000_001)
    exact = 1.0 - np.exp(-fine / 200e-9) * np.cos(2 * np.pi * 2e6 * fine)
    expected = fine[np.argmax(exact >= 0.9)] - fine[np.argmax(exact >= 0.1)]
    assert found.duration == pytest.approx(expected, rel=0.03)


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_a_ring_rises_from_the_baseline_to_its_peak(sign: float) -> None:
    """Damped sine: the first peak stands at atan(w / a) / w (calculus)."""
    decay, omega = 1e6, 2 * np.pi * 3e6
    after = np.maximum(TIME, 0.0)
    trace = 0.5 + sign * np.exp(-decay * after) * np.sin(omega * after)
    found = transition(trace, STEP, 0.5)
    assert found is not None
    assert found.method == "peak"
    first_peak = np.arctan(omega / decay) / omega
    height = np.exp(-decay * first_peak) * np.sin(omega * first_peak)
    assert found.levels.high == pytest.approx(0.5 + sign * height, rel=1e-4)
    fine = np.linspace(0, first_peak, 1_000_001)
    share = np.exp(-decay * fine) * np.sin(omega * fine) / height
    expected = np.interp(0.9, share, fine) - np.interp(0.1, share, fine)
    assert found.duration == pytest.approx(expected, abs=STEP)
    assert found.instant == pytest.approx(1000 * STEP + np.interp(0.5, share, fine), abs=STEP)


def test_what_begins_before_the_record_has_no_transition() -> None:
    levels = StateLevels(0.0, 1.0)
    assert rising_transition(np.linspace(0.5, 1.0, 20), STEP, levels) is None
    assert rising_transition(np.linspace(0.0, 0.8, 20), STEP, levels) is None
    assert pulse_duration(np.linspace(0.0, 1.0, 20), STEP, levels) is None
    assert pulse_duration(np.linspace(1.0, 0.0, 20), STEP, levels) is None
