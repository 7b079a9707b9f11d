"""The four corrections on pairs whose parts are known, and their rigorous bounds."""

from __future__ import annotations

from dataclasses import replace
from typing import get_args

import numpy as np
import pytest

from acquire.analysis.corrections import CORRECTIONS, Pair, coherent_level, estimate
from acquire.analysis.estimates import Factor
from acquire.analysis.inputs import Correction
from acquire.analysis.measures import MEASURES
from acquire.analysis.shots import prepare

TWO = Factor(2.0, 0.025)


@pytest.fixture
def pair_of(make_capture, ring):
    """Return a function (residual, pickup, noise) -> pair, for one measure."""

    def make(residual, pickup, noise, name="rms", seed=0, **over):
        rng = np.random.default_rng(seed)
        shot = residual + pickup + noise * rng.standard_normal((16, 1000))
        floor = pickup + noise * rng.standard_normal((16, 1000))
        captures = [
            make_capture(shot, "target", 1, **over),
            make_capture(floor, "floor", 2, **over),
        ]
        return Pair(*(prepare(c, [name]) for c in captures), MEASURES[name])

    return make


def level(values, name="rms"):
    return float(MEASURES[name].levels(values[None, :], 1e-8)[0])


def test_the_table_holds_every_correction():
    assert set(CORRECTIONS) == set(get_args(Correction))
    assert all(c.right_when for c in CORRECTIONS.values())


@pytest.mark.parametrize("name", ["rms", "peak_to_peak"])
def test_pickup_in_phase_is_taken_off_by_amplitude(pair_of, ring, name):
    pair = pair_of(ring, 0.5 * ring, 0.0, name)
    true = level(ring, name)
    assert estimate(pair, "none").value == pytest.approx(1.5 * true, rel=3e-3)
    assert estimate(pair, "amplitude").value == pytest.approx(true, rel=3e-3)
    assert estimate(pair, "coherent").value == pytest.approx(true, rel=3e-3)


def test_independent_noise_is_taken_off_by_power(pair_of, ring):
    pair = pair_of(ring, 0.0, 0.2)
    assert estimate(pair, "power").value == pytest.approx(level(ring), rel=0.02)
    assert estimate(pair, "amplitude").value < 0.9 * level(ring)


@pytest.mark.parametrize("name", ["rms", "peak_to_peak"])
@pytest.mark.parametrize("turn", [0, 7, 20, 33])
def test_bounds_hold_the_truth_whatever_the_phase(pair_of, ring, turn, name):
    pair = pair_of(ring, 0.6 * np.roll(ring, turn), 0.0, name, pickup_repeatability=0.01)
    true = level(ring, name)
    for correction in CORRECTIONS.values():
        if name == "peak_to_peak" and correction is CORRECTIONS["power"]:
            continue  # its cross term is about squares
        low, high = correction.bounds(pair, correction.estimate(pair).value, TWO)
        assert low * 0.99 <= true <= high * 1.01


def test_power_of_peaks_is_only_known_within_the_triangle(pair_of, ring):
    pair = pair_of(ring, 0.0, 0.1, "peak_to_peak")
    found = estimate(pair, "power")
    assert found.slack > 0
    low, high = found.limits(TWO)
    assert low < level(ring, "peak_to_peak") < high


def test_pickup_that_moves_is_in_the_slack(pair_of, ring):
    still = pair_of(ring, 0.5 * ring, 0.01)
    moved = pair_of(ring, 0.5 * ring, 0.01, pickup_repeatability=0.04)
    assert estimate(still, "coherent").slack == 0
    along = 0.04 * 0.5 * level(ring)
    assert np.sqrt(estimate(moved, "coherent").slack) == pytest.approx(along, rel=0.02)


def test_a_residual_that_is_not_there_gives_a_negative_amplitude(pair_of):
    pair = pair_of(0.0, 0.0, 0.2)
    smaller = replace(pair, shot=replace(pair.shot, levels={"rms": pair.shot.levels["rms"] * 0.9}))
    found = CORRECTIONS["amplitude"].estimate(smaller)
    assert found.squared < 0
    assert not found.detected(TWO)


def test_an_estimate_is_made_once(pair_of, ring):
    pair = pair_of(ring, 0.0, 0.1)
    assert estimate(pair, "coherent") is estimate(pair, "coherent")


def test_the_level_of_the_repeating_part(pair_of, ring):
    for name in ("rms", "peak_to_peak"):
        pair = pair_of(0.0, 0.5 * ring, 0.05, name)
        true = 0.5 * level(ring, name)
        assert coherent_level(pair.measure, pair.floor) == pytest.approx(true, rel=0.05)
