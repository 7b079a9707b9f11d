"""Shots: grouping keeps the mean, noise is the scatter between repeats, shifts undo delays."""

from __future__ import annotations

import numpy as np
import pytest

from acquire.analysis import shots
from acquire.analysis.shots import advance, most_rows, pool, prepare


def test_rows_average_to_the_mean_of_all_records_less_their_offsets(make_capture, ring):
    rng = np.random.default_rng(2)
    values = ring + 0.1 * rng.standard_normal((130, 1000)) + rng.uniform(-0.5, 0.5, (130, 1))
    shot = prepare(make_capture(values), ["rms"])
    assert (shot.repeats, shot.rows.shape) == (130, (64, 1000))
    sizes = [len(part) for part in np.array_split(np.arange(130), 64)]
    centred = values - values.mean(axis=1, keepdims=True)
    assert np.average(shot.rows, axis=0, weights=sizes) == pytest.approx(
        centred.mean(axis=0), abs=1e-3
    )
    assert shot.noise == pytest.approx(0.1, rel=0.02)
    assert shot.levels["rms"].shape == (130,)


def test_memory_bounds_the_rows_of_long_records():
    assert most_rows(1000, 1 << 20) == 32
    assert most_rows(1000, 1 << 28) == shots.LEAST_ROWS
    assert most_rows(5, 100) == 5


def test_blocks_of_records_give_the_same_rows(make_capture, ring, monkeypatch):
    values = ring + np.random.default_rng(0).standard_normal((9, 1000)) * 0.1
    whole = prepare(make_capture(values), [])
    monkeypatch.setattr("acquire.analysis.measures.BLOCK", 2000)
    assert prepare(make_capture(values), []).rows == pytest.approx(whole.rows)


def test_advance_moves_a_band_limited_record_by_a_fraction(ring):
    t = np.arange(1000.0) - 300
    pulse = np.exp(-0.5 * (t / 20) ** 2)
    late = np.exp(-0.5 * ((t - 2.37) / 20) ** 2)
    assert advance(late[None, :], np.array([2.37]))[0] == pytest.approx(pulse, abs=1e-9)
    assert advance(ring[None, :], np.zeros(1))[0] is not None


def test_delays_are_undone_in_the_rows(make_capture):
    t = np.arange(1000.0) - 300
    delays = np.array([0.0, 1.5, -2.25, 0.7])
    values = np.exp(-0.5 * ((t - delays[:, None]) / 20) ** 2)
    shot = prepare(make_capture(values, bits=15), [], delays)
    assert shot.rows.std(axis=0).max() < 1e-3


def test_pooled_shots_hold_all_records(make_capture, ring):
    one, two = (
        prepare(make_capture(np.tile(ring * s, (4, 1)), order=o), ["rms"])
        for o, s in enumerate((1.0, 1.2))
    )
    both = pool([one, two])
    assert (both.repeats, both.rows.shape[0], both.levels["rms"].size) == (8, 8, 8)
    assert both.capture is two.capture
    assert pool([one]) is one


def test_one_repeat_has_no_noise(make_capture, ring):
    assert prepare(make_capture(ring[None, :]), []).noise is None
