"""How far a level moves when the pickup changes: against the change made and measured."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import hilbert

from acquire.analysis.measures import MEASURES
from acquire.analysis.pickup import analytic_signal, pickup_along


@pytest.mark.parametrize("name", ["rms", "peak_to_peak", "band_b"])
def test_a_larger_pickup_moves_the_level_by_what_is_said(make_shot, ring, name):
    pickup = 0.3 * ring
    shot, floor = make_shot(np.tile(ring + pickup, (2, 1))), make_shot(np.tile(pickup, (2, 1)))
    measure = MEASURES[name]
    more = measure.levels((ring + 0.01 * pickup)[None, :], 1e-8)[0]
    change = (more - measure.levels(ring[None, :], 1e-8)[0]) / 0.01
    assert pickup_along(measure, shot, floor) == pytest.approx(change, rel=0.05)


def test_a_pickup_in_quadrature_counts_because_its_phase_may_turn(make_shot):
    t = 2 * np.pi * np.arange(1000) / 50
    shot = make_shot(np.tile(np.sin(t) + np.cos(t), (2, 1)))
    floor = make_shot(np.tile(np.cos(t), (2, 1)))
    assert pickup_along(MEASURES["rms"], shot, floor) == pytest.approx(1 / np.sqrt(2), rel=0.01)


def test_a_pickup_at_another_frequency_does_not_touch_the_rms(make_shot):
    t = 2 * np.pi * np.arange(1000) / 1000
    other = np.cos(70 * t)
    shot = make_shot(np.tile(np.sin(20 * t) + other, (2, 1)))
    assert pickup_along(MEASURES["rms"], shot, make_shot(np.tile(other, (2, 1)))) < 1e-6


def test_nothing_left_means_nothing_moved(make_shot):
    shot = make_shot(np.zeros((2, 100)))
    assert pickup_along(MEASURES["rms"], shot, shot) == 0.0


@pytest.mark.parametrize("samples", [1, 2, 999, 1000])
def test_the_analytic_signal_is_that_of_scipy_signal(samples):
    trace = np.random.default_rng(5).normal(0.3, 1.0, samples)
    assert analytic_signal(trace) == pytest.approx(hilbert(trace), abs=1e-12)
