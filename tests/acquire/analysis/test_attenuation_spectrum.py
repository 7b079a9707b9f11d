"""Attenuation over frequency: known truths, states, bounds, and the interval's coverage."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
import scipy.stats

from acquire.analysis.attenuation_spectrum import (
    attenuation_spectrum,
    fieller,
    upper_limit,
)
from acquire.analysis.inputs import Transducer
from acquire.analysis.spectra import ShotSpectrum, shot_spectrum
from acquire.analysis.spectrum_grid import SpectrumSetup

STEP = 1e-8
SAMPLES = 2048
CLAMP = Transducer("clamp", "A", 1.0, (1e5, 1e9), 0.0)
AFTER = np.maximum(STEP * np.arange(SAMPLES) - 3e-6, 0.0)
RING = np.exp(-AFTER / 2e-6) * np.sin(2 * np.pi * 3e6 * AFTER)
PICKUP = 0.01 * np.exp(-AFTER / 1e-6) * np.sin(2 * np.pi * 9e6 * AFTER)


def shot(rng: np.random.Generator, repeats: int, wave: np.ndarray, noise: float) -> np.ndarray:
    """A source of 3 % amplitude jitter, and noise."""
    jitter = 1.0 + 0.03 * rng.normal(size=(repeats, 1))
    return jitter * wave + noise * rng.normal(size=(repeats, SAMPLES))


def spectrum(
    rng: np.random.Generator,
    wave: np.ndarray,
    setup: SpectrumSetup,
    noise: float = 3e-4,
    repeats: int = 16,
    pickup: float = 0.0,
) -> ShotSpectrum:
    leads = pickup * PICKUP
    return shot_spectrum(
        shot(rng, repeats, wave + leads, noise),
        shot(rng, repeats, leads, noise),
        STEP,
        CLAMP,
        setup,
    )


@pytest.mark.parametrize(("averaging", "pickup"), [("power", 0.0), ("coherent", 1.0)])
def test_intervals_contain_a_known_attenuation(averaging: str, pickup: float) -> None:
    """34 dB at every frequency; 95 % intervals hold it in about 95 % of the resolved bins."""
    rng = np.random.default_rng(21)
    setup = SpectrumSetup(averaging, bins_per_decade=20)  # type: ignore[arg-type]
    inside, bound_false, error = [], [], []
    for _ in range(30):
        reference = spectrum(rng, RING, setup, pickup=pickup)
        target = spectrum(rng, 0.02 * RING, setup, pickup=pickup)
        found = attenuation_spectrum(reference, target)
        truth = -20 * np.log10(0.02)
        inside.append(((found.low_db <= truth) & (truth <= found.high_db))[found.resolved])
        bound_false.append((found.low_db > truth)[found.floor_limited])
        error.append((found.attenuation_db - truth)[found.resolved])
    resolved = np.concatenate(inside)
    assert resolved.size > 600
    assert 0.92 < resolved.mean() < 0.98
    assert np.concatenate(bound_false).mean() < 0.05
    assert abs(np.concatenate(error).mean()) < 0.2


def test_each_bin_has_exactly_one_state_and_what_belongs_to_it() -> None:
    rng = np.random.default_rng(22)
    setup = SpectrumSetup()
    found = attenuation_spectrum(
        spectrum(rng, RING, setup, noise=0.02), spectrum(rng, 1e-3 * RING, setup, noise=1e-3)
    )
    states = np.stack([found.resolved, found.floor_limited, found.unmeasured])
    np.testing.assert_array_equal(states.sum(axis=0), 1)
    assert found.floor_limited.sum() > 5
    assert found.unmeasured.sum() > 5
    assert np.all(np.isnan(found.attenuation_db) == ~found.resolved)
    assert np.all(np.isnan(found.low_db) == found.unmeasured)
    assert np.all(np.isnan(found.high_db) == ~found.resolved)
    assert np.mean(found.low_db[found.floor_limited] < 60.0) > 0.95  # the truth


def test_bins_under_the_margin_are_only_bounds() -> None:
    """A target 2 dB above its floor, known well, is floor-limited at 3 dB and resolved at 1 dB."""
    rng = np.random.default_rng(23)
    setup = SpectrumSetup(bins_per_decade=5)
    reference = shot_spectrum(
        rng.normal(0, 10.0, (400, SAMPLES)), rng.normal(0, 1.0, (400, SAMPLES)), STEP, CLAMP, setup
    )
    above = 10 ** (2 / 20)
    target = shot_spectrum(
        rng.normal(0, above, (400, SAMPLES)), rng.normal(0, 1.0, (400, SAMPLES)), STEP, CLAMP, setup
    )
    strict = attenuation_spectrum(reference, target, margin=3.0)
    loose = attenuation_spectrum(reference, target, margin=1.0)
    high = strict.axis.joined > 100
    assert np.all(strict.floor_limited[high])
    assert np.all(loose.resolved[high])
    truth = 10 * np.log10((100 - 1) / (above**2 - 1))
    np.testing.assert_allclose(loose.attenuation_db[high], truth, atol=0.3)
    assert np.all(strict.low_db[high] < truth)
    assert np.all(strict.low_db[high] > truth - 1.0)


def test_attenuation_may_be_negative() -> None:
    """A candidate that rings with the source adds current; nothing is clamped."""
    rng = np.random.default_rng(24)
    setup = SpectrumSetup(bins_per_decade=10)
    found = attenuation_spectrum(spectrum(rng, RING, setup), spectrum(rng, 2 * RING, setup))
    at = np.argmin(np.abs(found.axis.frequency - 3e6))
    assert found.attenuation_db[at] == pytest.approx(-6.02, abs=0.3)


def test_an_uncertain_scale_widens_every_interval() -> None:
    rng = np.random.default_rng(25)
    setup = SpectrumSetup(bins_per_decade=10)
    reference, target = spectrum(rng, RING, setup), spectrum(rng, 0.1 * RING, setup)
    plain = attenuation_spectrum(reference, target)
    wide = attenuation_spectrum(reference, target, scale_uncertainty=0.05)
    both = plain.resolved & wide.resolved
    assert both.sum() > 5
    width = (wide.high_db - wide.low_db)[both]
    assert np.all(width > (plain.high_db - plain.low_db)[both])
    assert np.all(width > 2 * 1.9 * 0.43)  # 5 % of amplitude is 0.43 dB


def test_spectra_that_do_not_belong_together_are_refused() -> None:
    rng = np.random.default_rng(26)
    reference = spectrum(rng, RING, SpectrumSetup())
    with pytest.raises(ValueError, match="different frequencies"):
        attenuation_spectrum(reference, spectrum(rng, RING, SpectrumSetup(bins_per_decade=5)))
    with pytest.raises(ValueError, match="differ in averaging: power and coherent"):
        attenuation_spectrum(reference, spectrum(rng, RING, SpectrumSetup("coherent")))
    with pytest.raises(ValueError, match="differ in unit: A and V"):
        attenuation_spectrum(reference, dataclasses.replace(reference, unit="V"))


def test_the_table_shows_bounds_without_a_value() -> None:
    rng = np.random.default_rng(27)
    setup = SpectrumSetup(bins_per_decade=10)
    table = attenuation_spectrum(
        spectrum(rng, RING, setup), spectrum(rng, 1e-3 * RING, setup, noise=1e-3)
    ).to_table()
    assert table.columns[-1] == "state"
    assert table.columns[2] == "reference [dB(uA)]"
    limited = [row for row in table.rows if row[-1] == "floor-limited"]
    assert limited
    for row in limited:
        assert row[6] is None
        assert isinstance(row[7], float)
        assert row[8] is None


def test_fieller_against_the_delta_method_and_against_its_definition() -> None:
    one = np.ones(1)
    low, high = fieller(2.0 * one, 0.002 * one, 4.0 * one, 0.004 * one, 1.96 * one)
    spread = 1.96 * 0.5 * np.hypot(0.001, 0.001)
    np.testing.assert_allclose([low[0], high[0]], [0.5 - spread, 0.5 + spread], rtol=1e-5)
    low, high = fieller(1.0 * one, 0.3 * one, 4.0 * one, 1.0 * one, 1.96 * one)
    for end in (low, high):
        np.testing.assert_allclose(abs(1.0 - end * 4.0), 1.96 * np.hypot(0.3, end * 1.0))
    assert np.isnan(fieller(one, one, one, one, 1.96 * one)).all()


def test_an_upper_limit_is_above_zero_and_tends_to_the_plain_one() -> None:
    many = np.full(1, 1e6)
    far = upper_limit(np.full(1, 50.0), np.ones(1), 0.95, many)
    np.testing.assert_allclose(far, 50.0 + scipy.stats.norm.ppf(0.95), rtol=1e-4)
    # At an estimate of zero, the distribution's positive half: quantile 0.975.
    zero = upper_limit(np.zeros(1), np.ones(1), 0.95, many)
    np.testing.assert_allclose(zero, scipy.stats.norm.ppf(0.975), rtol=1e-4)
    below = upper_limit(np.full(1, -3.0), np.ones(1), 0.95, many)
    assert 0.0 < below[0] < zero[0]
    np.testing.assert_array_equal(
        upper_limit(np.array([2.0, -1.0]), np.zeros(2), 0.95, np.ones(2)), [2.0, 0.0]
    )
