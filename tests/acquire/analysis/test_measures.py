"""The measures: what each is, semi-norms, and memory-bounded paths that agree with direct ones."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from acquire.analysis import measures
from acquire.analysis.bands import band_rms
from acquire.analysis.inputs import Transducer, TransferTable
from acquire.analysis.measures import MEASURES, block_values, record_levels

STEP = 2e-9


def test_a_sine_of_whole_periods_has_the_known_levels():
    t = np.arange(1000)
    sine = 3.0 * np.sin(2 * np.pi * t / 50)[None, :] + 7.0  # 10 MHz at 2 ns, with an offset
    assert MEASURES["peak_to_peak"].levels(sine, STEP)[0] == pytest.approx(6.0, rel=5e-3)
    assert MEASURES["rms"].levels(sine, STEP)[0] == pytest.approx(3.0 / np.sqrt(2))
    assert MEASURES["band_b"].levels(sine, STEP)[0] == pytest.approx(3.0 / np.sqrt(2))
    assert MEASURES["band_c"].levels(sine, STEP)[0] == pytest.approx(0.0, abs=1e-6)


@pytest.mark.parametrize("name", MEASURES)
@given(seed=st.integers(0, 10_000), scale=st.floats(-5, 5))
def test_every_measure_is_a_semi_norm(name, seed, scale):
    x, y = np.random.default_rng(seed).standard_normal((2, 1, 600))
    level = MEASURES[name].levels
    assert level(x + y, STEP)[0] <= level(x, STEP)[0] + level(y, STEP)[0] + 1e-9
    assert level(scale * x, STEP)[0] == pytest.approx(abs(scale) * level(x, STEP)[0], abs=1e-9)


@pytest.mark.parametrize("name", [m for m in MEASURES if MEASURES[m].basis is not None])
@pytest.mark.parametrize("length", [600, 601])
def test_the_squares_of_a_basis_add_up_to_the_squared_level(name, length):
    rows = np.random.default_rng(1).standard_normal((3, length))
    measure = MEASURES[name]
    based = measure.basis(rows, STEP)
    assert np.sqrt((based**2).sum(axis=1)) == pytest.approx(measure.levels(rows, STEP), rel=1e-9)


def test_the_band_that_reaches_half_the_sample_rate_holds_that_bin():
    rows = np.random.default_rng(1).standard_normal((2, 64))
    based = measures.band_basis(rows, 1.0, 0.1, 0.5)
    assert (based**2).sum(axis=1) == pytest.approx(band_rms(rows, 1.0, 0.1, 0.5) ** 2)


def test_record_levels_agree_with_the_measure_of_the_values(make_capture, ring, monkeypatch):
    monkeypatch.setattr(measures, "BLOCK", 2500)  # two records at a time
    capture = make_capture(np.outer([1.0, 0.5, 0.25, 0.1, 1.2], ring))
    for measure in MEASURES.values():
        direct = measure.levels(capture.values(), capture.step)
        assert record_levels(capture, measure) == pytest.approx(direct, abs=1e-12)


def test_int8_codes_at_both_rails_do_not_wrap(make_capture):
    capture = make_capture(np.tile([-2.0, 1.984375], (2, 50)), bits=8)
    narrow = capture.codes.astype(np.int8)
    assert (narrow.min(), narrow.max()) == (-128, 127)
    whole = make_capture(np.zeros((2, 100)), bits=8, codes=narrow)
    assert record_levels(whole, MEASURES["peak_to_peak"]) == pytest.approx([3.984375] * 2)


def test_a_calibration_over_frequency_is_divided_out(make_capture, ring):
    table = TransferTable(np.array([1e3, 5e7]), np.array([2.0, 2.0]), np.zeros(2))
    probe = Transducer("t", "A", 1.0, (1e3, 1e9), 0.0, table)
    capture = make_capture(np.tile(ring, (2, 1)), transducer=probe)
    flat = make_capture(np.tile(ring, (2, 1)))
    half = record_levels(flat, MEASURES["rms"]) / 2
    assert record_levels(capture, MEASURES["rms"]) == pytest.approx(half, rel=1e-6)
    assert block_values(capture, slice(0, 1)).mean() == pytest.approx(0.0, abs=1e-9)
