"""The choice of the correction follows what repeats and what does not."""

from __future__ import annotations

import numpy as np
import pytest

from acquire.analysis.evidence import Repetition, choose, repetition
from acquire.analysis.measures import MEASURES
from acquire.analysis.shots import prepare


@pytest.fixture
def shot_of(make_capture):
    return lambda rows: prepare(make_capture(rows, vertical_range=8.0), [])


@pytest.mark.parametrize("name", ["rms", "peak_to_peak", "band_b"])
def test_the_repeating_part_of_a_floor(shot_of, ring, name):
    rng = np.random.default_rng(0)
    noise = rng.standard_normal((32, 1000)) * 0.2
    mixed = repetition(shot_of(ring + noise), None, MEASURES[name])
    alone = repetition(shot_of(noise), None, MEASURES[name])
    assert mixed.significant
    if name != "band_b":
        share = ring.var() / (ring.var() + 0.04)
        assert mixed.coherent == pytest.approx(share, rel=0.03)
    assert alone.coherent < 0.1


def test_noise_is_rarely_called_coherent(shot_of):
    found = [
        repetition(
            shot_of(np.random.default_rng(s).standard_normal((8, 400))), None, MEASURES["rms"]
        ).significant
        for s in range(200)
    ]
    assert np.mean(found) < 0.04


def test_grouped_rows_tell_the_same_as_records(shot_of, ring):
    noise = np.random.default_rng(1).standard_normal((256, 1000)) * 0.3
    found = repetition(shot_of(ring + noise), None, MEASURES["rms"])
    assert found.coherent == pytest.approx(ring.var() / (ring.var() + 0.09), rel=0.03)


def test_events_of_one_shape_repeat_even_if_their_size_varies(shot_of, ring):
    rng = np.random.default_rng(2)
    rows = ring * (1 + 0.1 * rng.standard_normal((32, 1))) + 0.05 * rng.standard_normal((32, 1000))
    floor = 0.05 * rng.standard_normal((32, 1000))
    found = repetition(shot_of(rows), shot_of(floor), MEASURES["rms"])
    assert found.excess < 0.05
    assert choose(found, found, Repetition(0.5, True, 0.0))[0] == "coherent"


def test_events_that_come_at_any_moment_do_not(shot_of, ring):
    rng = np.random.default_rng(3)
    rows = np.stack([np.roll(ring, k) for k in rng.integers(0, 40, 32)])
    rows += 0.05 * rng.standard_normal(rows.shape)
    found = repetition(
        shot_of(rows), shot_of(0.05 * rng.standard_normal((32, 1000))), MEASURES["rms"]
    )
    assert found.excess > 0.5
    name, why = choose(found, Repetition(1.0, True, 0.0), Repetition(0.0, False, 0.0))
    assert name == "power"
    assert "do not repeat" in why
    assert "not beyond chance" in why
