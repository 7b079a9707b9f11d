"""The reference at the time of a target, and its drift."""

from __future__ import annotations

import numpy as np
import pytest

from acquire.analysis.bracket import between, bracketing, drift_db, weights
from acquire.analysis.corrections import Pair
from acquire.analysis.estimates import Factor, SquaredEstimate
from acquire.analysis.measures import MEASURES

ONE = Factor(1.645, 0.05)


def level(value, u=0.1):
    return SquaredEstimate(value**2, u**2, 0.0, 15.0, value, 0.01)


@pytest.fixture
def pair(make_shot):
    shot = make_shot(np.zeros((4, 100)), {"rms": np.ones(4)}, gain_accuracy=0.02)
    return Pair(shot, shot, MEASURES["rms"])


def test_the_references_around_a_target_are_taken():
    assert bracketing([0, 3, 9, 12], 5) == [1, 2]
    assert bracketing([0, 3], 5) == [1]
    assert bracketing([6, 8], 5) == [0]
    assert bracketing([], 5) == []


def test_weights_interpolate_in_time():
    assert weights([0.0, 10.0], 2.5) == pytest.approx([0.75, 0.25])
    assert weights([4.0], 2.5) == [1.0]
    assert weights([4.0, 4.0], 4.0) == [0.5, 0.5]


def test_the_level_lies_between_and_its_drift_is_rectangular(pair):
    found = between([pair, pair], [level(10.0), level(10.6)], [0.5, 0.5], ONE)
    assert found.value == pytest.approx(10.3)
    assert found.drift == pytest.approx(0.3 / np.sqrt(3) / 10.3)
    assert found.uncertainty == pytest.approx(0.1 / np.sqrt(2), rel=1e-3)
    assert found.freedom == pytest.approx(30)
    assert list(found.gain) == [4.0]
    assert found.gain[4.0][0] == pytest.approx(1.0)
    assert found.detected


def test_one_undetected_reference_is_told(pair):
    lost = SquaredEstimate(0.01, 0.01, 1.0, 15.0, 1.0, 1.0)
    assert not between([pair, pair], [level(10.0), lost], [0.5, 0.5], ONE).detected


def test_drift_in_decibels_with_its_uncertainty():
    db, spread = drift_db(level(10.0), level(11.0), Factor(2.0, 0.025))
    assert db == pytest.approx(20 * np.log10(1.1))
    assert spread == pytest.approx(2 * 8.686 * np.hypot(0.01, 0.1 / 11), rel=1e-3)
    assert drift_db(level(0.0), level(1.0), ONE)[0] is None
