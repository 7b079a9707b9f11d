"""IEEE Std 181 terms on waveforms whose values are known in closed form.

Sources: IEEE Std 181-2011 5.2.1 (state levels by histogram, 100 bins, mode of each half), 10 %,
50 % and 90 % reference levels and crossings by linear interpolation, as quoted in the help of a
pulse measuring instrument (Anritsu) and in a numerical library's documentation (MathWorks,
`statelevels`). The standard was not open to the author. The reference values are calculus, stated
beside each.
"""

from __future__ import annotations

import numpy as np
import pytest
import scipy.special

from acquire.analysis.waveform import (
    StateLevels,
    pulse_duration,
    rising_transition,
    state_levels,
)

STEP = 1e-9
TIME = STEP * np.arange(-2000, 20_000)
UNIT = StateLevels(0.0, 1.0)


def ten_to_ninety(trace: np.ndarray, levels: StateLevels = UNIT, peak: int | None = None) -> float:
    found = rising_transition(trace, STEP, levels, peak)
    assert found is not None
    return found[0]


@pytest.mark.parametrize("tau", [20e-9, 300e-9])
def test_single_pole_step(tau: float) -> None:
    """10 to 90 % of 1 - exp(-t/tau) is ln(9) tau = 2.197225 tau."""
    trace = 1.0 - np.exp(-np.maximum(TIME, 0.0) / tau)
    assert ten_to_ninety(trace) == pytest.approx(2.197225 * tau, abs=STEP)


def test_gaussian_step() -> None:
    """10 to 90 % of the integrated Gaussian is 2.563103 sigma."""
    sigma = 100e-9
    trace = 0.5 * (1 + scipy.special.erf((TIME - 2e-6) / (np.sqrt(2) * sigma)))
    assert ten_to_ninety(trace) == pytest.approx(2.563103 * sigma, abs=STEP / 10)


def test_linear_ramp() -> None:
    """10 to 90 % of a ramp of length T is 0.8 T, wherever its ends fall between samples."""
    trace = np.clip((TIME - 0.3e-9) / 123.4e-9, 0.0, 1.0)
    assert ten_to_ninety(trace) == pytest.approx(0.8 * 123.4e-9, rel=1e-9)


def test_gaussian_pulse() -> None:
    """50 % duration 2.354820 sigma; 10 to 90 % of an edge 1.686924 sigma."""
    sigma = 100e-9
    trace = np.exp(-((TIME - 2e-6) ** 2) / (2 * sigma**2))
    duration = pulse_duration(trace, STEP, UNIT)
    assert duration == pytest.approx(2.354820 * sigma, abs=STEP / 10)
    assert ten_to_ninety(trace, peak=int(trace.argmax())) == pytest.approx(
        1.686924 * sigma, abs=STEP / 10
    )


def test_trapezoid() -> None:
    """50 % duration of a trapezoid of rise r, top w and fall f is w + (r + f) / 2."""
    rise, top, fall = 100e-9, 500e-9, 300e-9
    corners = np.cumsum([0.0, rise, top, fall])
    trace = np.interp(TIME, corners, [0.0, 1.0, 1.0, 0.0])
    assert pulse_duration(trace, STEP, UNIT) == pytest.approx(top + (rise + fall) / 2, rel=1e-9)
    assert ten_to_ninety(trace) == pytest.approx(0.8 * rise, rel=1e-9)


def test_bandwidth_times_rise_time_of_a_single_pole() -> None:
    """t_r B = ln(9) / (2 pi) = 0.349699."""
    bandwidth = 5e6
    trace = 1.0 - np.exp(-np.maximum(TIME, 0.0) * 2 * np.pi * bandwidth)
    assert ten_to_ninety(trace) * bandwidth == pytest.approx(0.349699, abs=0.001)


@pytest.mark.parametrize(("low", "high"), [(0.0138, 5.1848), (-3.0, -1.0)])
def test_state_levels_are_known_to_one_bin(low: float, high: float) -> None:
    """The levels of MathWorks' example; a noisy two-state trace with overshoot."""
    rng = np.random.default_rng(31)
    trace = np.where(np.arange(20_000) % 2000 < 900, low, high) + rng.normal(0, 0.01, 20_000)
    trace[905:910] += 0.3 * (high - low)
    one_bin = np.ptp(trace) / 100
    found = state_levels(trace)
    assert found.low == pytest.approx(low, abs=one_bin)
    assert found.high == pytest.approx(high, abs=one_bin)


def test_reference_levels_of_the_printed_example() -> None:
    """States 0.0138 and 5.1848 give 10 % and 90 % levels of 0.5309 and 4.6677 (MathWorks)."""
    levels = StateLevels(0.0138, 5.1848)
    assert levels.at(0.1) == pytest.approx(0.5309, abs=5e-5)
    assert levels.at(0.9) == pytest.approx(4.6677, abs=5e-5)
