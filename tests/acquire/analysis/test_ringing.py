"""Ringing modes against damped sines of known frequency and decay."""

from __future__ import annotations

import numpy as np
import pytest

from acquire.analysis.ringing import Ring, ringing

STEP = 2e-9


def tail(*modes: Ring, samples: int = 10_000, noise: float = 0.0) -> np.ndarray:
    time = STEP * np.arange(samples)
    clean = sum(
        mode.amplitude
        * np.exp(-time / mode.time_constant)
        * np.cos(2 * np.pi * mode.frequency * time + 0.4)
        for mode in modes
    )
    return clean + noise * np.random.default_rng(41).normal(size=samples)


@pytest.mark.parametrize(
    "mode",
    [Ring(3e6, 1e-6, 1.0), Ring(3e6, 50e-6, 0.2), Ring(40e6, 0.2e-6, 5.0), Ring(0.4e6, 3e-6, 1.0)],
)
def test_one_mode_without_noise_is_exact(mode: Ring) -> None:
    (found,) = ringing(tail(mode), STEP)
    assert found.frequency == pytest.approx(mode.frequency, rel=1e-6)
    assert found.time_constant == pytest.approx(mode.time_constant, rel=1e-5)
    assert found.amplitude == pytest.approx(mode.amplitude, rel=1e-5)


def test_quality_and_decrement_are_those_of_the_mode() -> None:
    """Q = pi f tau; successive peaks fall by exp(-decrement)."""
    mode = Ring(2e6, 3e-6, 1.0)
    (found,) = ringing(tail(mode), STEP)
    assert found.quality == pytest.approx(np.pi * 6.0, rel=1e-5)
    period = 1 / 2e6
    assert np.exp(-found.logarithmic_decrement) == pytest.approx(np.exp(-period / 3e-6), rel=1e-5)


@pytest.mark.parametrize("second", [18e6, 3.9e6])
def test_two_modes_in_noise(second: float) -> None:
    modes = (Ring(3e6, 2e-6, 1.0), Ring(second, 1.5e-6, 0.4))
    found = ringing(tail(*modes, noise=0.005), STEP, noise=0.005)
    assert len(found) == 2
    for mode, known in zip(found, modes, strict=True):
        assert mode.frequency == pytest.approx(known.frequency, rel=0.005)
        assert mode.time_constant == pytest.approx(known.time_constant, rel=0.05)
        assert mode.amplitude == pytest.approx(known.amplitude, rel=0.05)


def test_noise_alone_rings_not() -> None:
    noise = np.random.default_rng(42).normal(0.0, 0.1, 5000)
    assert ringing(noise, STEP, noise=0.1) == ()


def test_a_plain_decay_rings_not() -> None:
    assert ringing(np.exp(-STEP * np.arange(5000) / 1e-6), STEP) == ()


def test_a_tail_that_is_no_sum_of_few_exponentials_is_left_alone() -> None:
    chirp = np.cos(2 * np.pi * 2e6 * (1.0 + np.linspace(0, 2, 10_000)) * STEP * np.arange(10_000))
    assert ringing(chirp, STEP) == ()


@pytest.mark.parametrize("samples", [np.zeros(100), np.ones(3), np.array([1.0])])
def test_too_little_to_say(samples: np.ndarray) -> None:
    assert ringing(samples, STEP) == ()
