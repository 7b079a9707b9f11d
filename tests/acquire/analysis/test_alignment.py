"""Alignment: true delays are found to a hundredth of a sample, and only used where they help."""

from __future__ import annotations

import numpy as np
import pytest

from acquire.analysis.alignment import align
from acquire.analysis.shots import advance


def records(delays, noise, seed=0):
    t = np.arange(1000.0)[None, :] - 200 - np.asarray(delays)[:, None]
    wave = np.where(t > 0, np.exp(-t / 100) * np.sin(2 * np.pi * t / 30) * (1 - np.exp(-t / 8)), 0)
    return wave + noise * np.random.default_rng(seed).standard_normal(wave.shape)


def test_delays_are_found(make_capture):
    true = np.random.default_rng(3).uniform(-2, 2, 16)
    found = align(make_capture(records(true, 0.01)))
    assert found.used
    assert found.delays - found.delays.mean() == pytest.approx(true - true.mean(), abs=0.03)
    assert found.jitter == pytest.approx(true.std(ddof=1), rel=0.05)


def test_aligned_records_have_a_mean_with_more_energy(make_capture):
    true = np.random.default_rng(3).uniform(-2, 2, 16)
    values = records(true, 0.01)
    found = align(make_capture(values))
    before, after = values.mean(axis=0), advance(values, found.delays).mean(axis=0)
    gain = after @ after / (before @ before) - 1
    assert gain == pytest.approx(found.loss, rel=0.25)
    assert gain > 0.02


@pytest.mark.parametrize("noise", [0.01, 0.3, 3.0])
def test_records_without_jitter_are_left_alone(make_capture, noise):
    found = align(make_capture(records(np.zeros(16), noise), vertical_range=40.0))
    assert not found.used
    assert not found.delays.any()


def test_noise_alone_is_never_aligned(make_capture):
    for seed in range(10):
        noise = np.random.default_rng(seed).standard_normal((16, 1000))
        assert not align(make_capture(noise, vertical_range=20.0)).used


def test_another_shot_is_brought_to_the_template(make_capture):
    first = align(make_capture(records(np.zeros(8), 0.01)))
    second = align(make_capture(records(np.full(8, 3.4), 0.01, seed=1)), first.template)
    assert second.used
    assert second.delays == pytest.approx(np.full(8, 3.4), abs=0.02)


def test_a_shot_of_one_record_is_brought_to_the_template(make_capture):
    first = align(make_capture(records(np.zeros(8), 0.01)))
    second = align(make_capture(records([3.4], 0.01, seed=1)), first.template)
    assert second.delays == pytest.approx([3.4], abs=0.04)


def test_another_event_is_not(make_capture):
    first = align(make_capture(records(np.zeros(8), 0.01)))
    t = np.arange(1000.0)
    other = np.tile(np.exp(-(((t - 500) / 40) ** 2)), (8, 1))
    assert not align(make_capture(other), first.template).used


def test_another_shot_that_lies_as_near_as_noise_lets_it_is_left_where_it_is(make_capture):
    first = align(make_capture(records(np.zeros(8), 0.01)))
    for seed in range(1, 6):
        second = align(make_capture(records(np.zeros(8), 0.01, seed=seed)), first.template)
        assert not second.used
        assert not second.delays.any()


@pytest.mark.parametrize("noise", [0.01, 0.05, 0.1, 0.2])
def test_noise_is_not_taken_for_jitter(make_capture, noise):
    """One chance in a thousand is meant; where noise is strong, a few in a hundred are met."""
    used = sum(
        align(make_capture(records(np.zeros(32), noise, seed), vertical_range=8.0)).used
        for seed in range(50)
    )
    assert used <= 3


def test_jitter_that_noise_does_not_explain_is_removed(make_capture):
    true = np.random.default_rng(3).uniform(-1, 1, 32)
    assert align(make_capture(records(true, 0.05), vertical_range=8.0)).used
