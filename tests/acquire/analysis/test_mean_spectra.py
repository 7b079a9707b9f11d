"""Mean spectra: their noise, their groups, their time axis."""

from __future__ import annotations

import numpy as np
import pytest

from acquire.analysis import mean_spectra
from acquire.analysis.inputs import Capture, Transducer
from acquire.analysis.mean_spectra import MeanSpectrum, MeasuredTraces
from acquire.analysis.spectrum_grid import Grid, SpectrumSetup

STEP = 1e-8
SAMPLES = 1000
WIDE = Transducer("clamp", "A", 2.0, (0.0, 1e9), 0.0)
GRID = Grid.make(SAMPLES, STEP, WIDE, SpectrumSetup("coherent", "boxcar"))
TIME = STEP * np.arange(SAMPLES)


def measured(traces: np.ndarray, floor: np.ndarray | None = None) -> MeasuredTraces:
    under = None if floor is None else measured(floor)
    return MeasuredTraces(traces, np.zeros(len(traces)), WIDE, under)


def test_the_noise_left_on_a_mean_is_the_variance_over_the_repeats() -> None:
    """White noise of variance s^2 has power N s^2 in each bin of a transform of N samples."""
    noise = np.random.default_rng(71).normal(0.0, 0.6, (50, SAMPLES))
    found = MeanSpectrum.of(measured(noise), STEP, GRID)
    expected = SAMPLES * (0.6 / 2.0) ** 2 / 50
    assert np.mean(found.noise) == pytest.approx(expected, rel=0.05)
    assert np.mean(np.abs(found.mean[1:]) ** 2) == pytest.approx(expected, rel=0.15)


def test_the_floor_is_subtracted_and_adds_its_noise() -> None:
    rng = np.random.default_rng(72)
    ring, pickup = np.sin(2 * np.pi * 2e6 * TIME), np.sin(2 * np.pi * 5e6 * TIME)
    shot = ring + pickup + rng.normal(0, 0.1, (16, SAMPLES))
    floor = pickup + rng.normal(0, 0.1, (8, SAMPLES))
    found = MeanSpectrum.of(measured(shot, floor), STEP, GRID)
    assert abs(found.mean[20]) == pytest.approx(SAMPLES / 2 / 2.0, rel=0.01)
    assert abs(found.mean[50]) < 6 * np.sqrt(np.mean(found.noise))
    assert np.mean(found.noise) == pytest.approx(SAMPLES * 0.05**2 * (1 / 16 + 1 / 8), rel=0.1)
    assert [len(list(shot)) for shot in found.without()] == [16, 8]


def test_leaving_a_group_out_is_the_mean_of_the_others() -> None:
    traces = np.random.default_rng(73).normal(size=(5, SAMPLES))
    found = MeanSpectrum.of(measured(traces), STEP, GRID)
    (groups,) = found.without()
    for left_out, (mean, _) in enumerate(groups):
        others = np.delete(traces, left_out, axis=0).mean(axis=0)
        others = others - others.mean()
        np.testing.assert_allclose(mean, np.fft.rfft(others) / 2.0, atol=1e-9)


def test_more_repeats_than_groups_keep_their_weight() -> None:
    traces = np.random.default_rng(74).normal(size=(37, SAMPLES))
    found = MeanSpectrum.of(measured(traces), STEP, GRID)
    mean = traces.mean(axis=0)
    np.testing.assert_allclose(found.mean, np.fft.rfft(mean - mean.mean()) / 2.0, atol=1e-9)
    (groups,) = found.without()
    assert len(list(groups)) == mean_spectra.GROUPS


def test_records_that_start_at_different_instants_meet_on_one_axis() -> None:
    """A pulse that a record shows earlier because it began later does not smear."""
    starts = np.array([-3e-6, -3e-6 + 0.4 * STEP, -3e-6 - 0.3 * STEP])
    traces = np.stack([np.exp(-(((start + TIME) / 60e-9) ** 2)) for start in starts])
    found = MeanSpectrum.of(MeasuredTraces(traces, starts, WIDE), STEP, GRID)
    frequency = np.fft.rfftfreq(SAMPLES, STEP)
    expected = 60e-9 * np.sqrt(np.pi) * np.exp(-((np.pi * frequency * 60e-9) ** 2)) / STEP / 2.0
    np.testing.assert_allclose(found.mean[1:], expected[1:], atol=1e-4)  # real: centred on 0 s
    assert np.max(found.noise[1:]) < 1e-8


def test_a_capture_is_taken_in_codes() -> None:
    codes = np.random.default_rng(75).integers(-100, 100, (4, SAMPLES)).astype(np.int8)
    capture = Capture(
        shot="01_reference_bare",
        order=1,
        role="reference",
        condition="bare",
        quantity="lead_current",
        codes=codes,
        gain=np.full(4, 0.01),
        offset=np.full(4, 0.3),
        start=np.zeros(4),
        step=STEP,
        trigger_time=np.zeros(4),
        bits=8,
        vertical_range=2.56,
        transducer=WIDE,
        gain_accuracy=0.02,
    )
    taken = MeasuredTraces.of(capture, capture)
    assert taken.gain_accuracy == 0.02
    assert taken.floor is not None
    by_volts = MeanSpectrum.of(measured(capture.volts()), STEP, GRID)
    found = MeanSpectrum.of(MeasuredTraces.of(capture), STEP, GRID)
    np.testing.assert_allclose(found.mean, by_volts.mean, atol=1e-4)
