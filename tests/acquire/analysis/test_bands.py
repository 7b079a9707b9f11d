"""Band levels against closed forms and Parseval's theorem, coverage against the record's axis."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from acquire.analysis import bands
from acquire.analysis.bands import CISPR_BANDS, Band, band_levels, band_rms, coverage

STEP = 1e-8  # 100 MS/s


def sine(frequency: float, samples: int, amplitude: float = 1.0) -> np.ndarray:
    return amplitude * np.sin(2 * np.pi * frequency * STEP * np.arange(samples) + 0.3)


def test_a_sine_on_a_bin_has_its_rms_in_its_band_and_nothing_elsewhere() -> None:
    trace = sine(1e6, 10_000, amplitude=3.0)
    assert band_rms(trace, STEP, 0.9e6, 1.1e6) == pytest.approx(3.0 / np.sqrt(2), rel=1e-12)
    assert band_rms(trace, STEP, 2e6, 50e6) < 1e-12


def test_a_band_includes_its_low_edge_and_not_its_high_edge() -> None:
    trace = sine(1e6, 10_000)
    assert band_rms(trace, STEP, 1e6, 2e6) == pytest.approx(np.sqrt(0.5))
    assert band_rms(trace, STEP, 0.5e6, 1e6) < 1e-12


def test_the_mean_is_the_level_at_zero_hertz() -> None:
    trace = sine(1e6, 10_000) - 0.7
    assert band_rms(trace, STEP, 0.0, 1e3) == pytest.approx(0.7, rel=1e-12)


def test_the_alternating_trace_is_all_at_half_the_sample_rate() -> None:
    trace = np.tile([1.0, -1.0], 512)
    assert band_rms(trace, STEP, 40e6, 50e6) == pytest.approx(1.0)
    assert band_rms(trace, STEP, 50e6, 60e6) == 0.0


@settings(deadline=None, max_examples=60)
@given(
    samples=st.integers(2, 600),
    cuts=st.lists(st.floats(1e3, 49.9e6), max_size=5, unique=True),
    seed=st.integers(0, 1000),
)
def test_levels_over_any_partition_add_up_to_the_rms(
    samples: int, cuts: list[float], seed: int
) -> None:
    """Parseval's theorem, for odd and even lengths, whatever the cuts."""
    traces = np.random.default_rng(seed).normal(0.4, 1.0, (3, samples))
    edges = [0.0, *sorted(cuts), 0.5 / STEP]
    levels = band_levels(traces, STEP, list(itertools.pairwise(edges)))
    rms = np.sqrt(np.mean(traces**2, axis=-1))
    np.testing.assert_allclose(np.sqrt(np.sum(levels**2, axis=-1)), rms, rtol=1e-12)


def test_integer_codes_give_the_same_levels_as_doubles() -> None:
    codes = np.random.default_rng(1).integers(-128, 128, (4, 5000)).astype(np.int8)
    edges = ((0.0, 1e6), (1e6, 30e6), (30e6, 50e6))
    single = band_levels(codes, STEP, edges)
    double = band_levels(codes.astype(np.float64), STEP, edges)
    np.testing.assert_allclose(single, double, rtol=2e-6)


def test_a_large_offset_costs_a_single_precision_level_nothing() -> None:
    trace = (1000.0 + 0.5 * sine(1e6, 8192)).astype(np.float32)
    exact = band_rms(trace.astype(np.float64), STEP, 0.5e6, 2e6)
    assert band_rms(trace, STEP, 0.5e6, 2e6) == pytest.approx(exact, rel=1e-5)


def test_a_record_longer_than_the_longest_still_adds_up(monkeypatch: pytest.MonkeyPatch) -> None:
    traces = np.random.default_rng(2).normal(0.2, 1.0, (2, 10_007))
    traces += sine(5e6, 10_007)
    monkeypatch.setattr(bands, "LONGEST", 3000)
    monkeypatch.setattr(bands, "_SHORT", 64)
    edges = ((0.0, 4e6), (4e6, 6e6), (6e6, 50e6))
    levels = band_levels(traces, STEP, edges)
    rms = np.sqrt(np.mean(traces**2, axis=-1))
    np.testing.assert_allclose(np.sqrt(np.sum(levels**2, axis=-1)), rms, rtol=1e-12)
    whole = np.sqrt(0.5 + 2e6 / 50e6)  # the sine, and the noise of unit variance in 2 of 50 MHz
    np.testing.assert_allclose(levels[:, 1], whole, rtol=0.03)


@pytest.mark.parametrize("samples", [1, 2, 97, 4096, 99_991, 16_666_667])
def test_a_fast_length_is_near_and_has_small_factors(samples: int) -> None:
    found = bands.fast_length_within(samples)
    assert 0.9 * samples <= found <= samples
    rest = found
    for factor in (2, 3, 5):
        while rest % factor == 0:
            rest //= factor
    assert rest == 1


def test_rows_in_blocks_give_the_same_as_row_by_row(monkeypatch: pytest.MonkeyPatch) -> None:
    traces = np.random.default_rng(3).normal(size=(7, 300))
    monkeypatch.setattr(bands, "_BLOCK", 650)
    together = band_rms(traces, STEP, 1e6, 9e6)
    alone = [band_rms(trace, STEP, 1e6, 9e6) for trace in traces]
    np.testing.assert_allclose(together, alone, rtol=1e-12)


def test_any_leading_shape_is_kept() -> None:
    traces = np.ones((2, 3, 64))
    assert band_levels(traces, STEP, ((0.0, 1e6), (1e6, 2e6))).shape == (2, 3, 2)
    assert band_rms(traces[0, 0], STEP, 0.0, 1e6).shape == ()


@pytest.mark.parametrize(("low", "high"), [(2e6, 1e6), (1e6, 1e6), (-1.0, 1e6)])
def test_edges_must_ascend(low: float, high: float) -> None:
    with pytest.raises(ValueError, match="0 <= low < high"):
        band_rms(np.ones(8), STEP, low, high)


@pytest.mark.parametrize(("samples", "step"), [(0, STEP), (8, 0.0), (8, -1.0), (8, float("nan"))])
def test_an_axis_must_exist(samples: int, step: float) -> None:
    with pytest.raises(ValueError, match="positive step"):
        band_rms(np.ones(samples), step, 0.0, 1.0)
    with pytest.raises(ValueError, match="positive step"):
        coverage(CISPR_BANDS["A"], step, samples)


def test_coverage_whole() -> None:
    found = coverage(CISPR_BANDS["B"], 1e-8, 100_000)  # 1 ms at 100 MS/s: 1 kHz to 50 MHz
    assert (found.state, found.low, found.high, found.remark) == ("whole", 150e3, 30e6, "")
    assert found.bins == 29_850


def test_coverage_is_limited_by_the_record_length() -> None:
    found = coverage(CISPR_BANDS["A"], 1e-8, 2_000)  # 20 us: 50 kHz resolution
    assert found.state == "partly"
    assert found.low == pytest.approx(50e3)
    assert found.bins == 2  # 50 and 100 kHz; 150 kHz belongs to band B
    assert "below 50 kHz for the record length" in found.remark


def test_coverage_is_limited_by_the_sample_rate() -> None:
    found = coverage(CISPR_BANDS["C"], 1e-8, 100_000)
    assert found.state == "partly"
    assert found.high == pytest.approx(50e6)
    assert "above 50 MHz for the sample rate" in found.remark


def test_coverage_none() -> None:
    found = coverage(CISPR_BANDS["D"], 1e-8, 100_000)
    assert (found.state, found.low, found.high, found.bins) == ("none", 0.0, 0.0, 0)
    assert "supports 1 kHz to 50 MHz" in found.remark


def test_coverage_is_limited_by_the_probe() -> None:
    found = coverage(CISPR_BANDS["B"], 1e-8, 100_000, limits=(1e6, 20e6))
    assert (found.state, found.low, found.high) == ("partly", 1e6, 20e6)
    assert "below 1 MHz for the probe and above 20 MHz for the probe" in found.remark


def test_no_bin_inside_a_narrow_band_is_no_coverage() -> None:
    found = coverage(Band("narrow", 1.2e6, 1.8e6, 9e3), 1e-8, 100)  # bins 1 MHz apart
    assert found.state == "none"
