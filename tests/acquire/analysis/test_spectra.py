"""Spectra against closed forms: a sine's level, a noise's density, Parseval, de-embedding."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from acquire.analysis import spectrum_grid
from acquire.analysis.bands import band_rms
from acquire.analysis.inputs import Capture, Transducer, TransferTable
from acquire.analysis.spectra import capture_spectrum, decibels_over_micro, shot_spectrum
from acquire.analysis.spectrum_grid import SpectrumSetup

STEP = 1e-8
SAMPLES = 5000  # bins of 20 kHz
WIDE = Transducer("clamp", "A", 1.0, (0.0, 1e9), 0.0)
PLAIN = SpectrumSetup(window="boxcar", bins_per_decade=None)
TIME = STEP * np.arange(SAMPLES)


def sine(frequency: float, amplitude: float = 1.0) -> np.ndarray:
    return amplitude * np.sin(2 * np.pi * frequency * TIME + 0.2)


def noise(repeats: int, rms: float, seed: int) -> np.ndarray:
    return np.random.default_rng(seed).normal(0.0, rms, (repeats, SAMPLES))


@pytest.mark.parametrize("window", ["boxcar", "hann", ("tukey", 0.1), "flattop"])
def test_a_sine_reads_its_rms_whatever_the_window(window: str | tuple[str, float]) -> None:
    setup = dataclasses.replace(PLAIN, window=window)
    found = shot_spectrum(np.stack([sine(1e6, 3.0)] * 2), None, STEP, WIDE, setup)
    at = np.argmin(np.abs(found.axis.frequency - 1e6))
    assert found.level(found.observed)[at] == pytest.approx(3.0 / np.sqrt(2), rel=1e-9)


def test_the_noise_bandwidth_is_the_windows() -> None:
    """Hann: 1.5 bins, flat top (scipy's): 3.77 bins; window theory (F. J. Harris, 1978)."""
    traces = noise(2, 1.0, 0)
    for window, bins in (("boxcar", 1.0), ("hann", 1.5), ("flattop", 3.77)):
        setup = dataclasses.replace(PLAIN, window=window)
        axis = shot_spectrum(traces, None, STEP, WIDE, setup).axis
        np.testing.assert_allclose(axis.resolution_bandwidth, bins * 20e3, rtol=1e-3)


@pytest.mark.parametrize("bins_per_decade", [None, 1, 10, 50])
def test_density_times_width_adds_up_to_the_mean_square(bins_per_decade: int | None) -> None:
    """Parseval's theorem: exact without a window, however bins are joined."""
    traces = noise(6, 2.0, 1) + sine(3e6) + 5.0
    setup = dataclasses.replace(PLAIN, bins_per_decade=bins_per_decade)
    found = shot_spectrum(traces, None, STEP, WIDE, setup)
    assert found.mean_square(found.observed) == pytest.approx(np.mean(np.var(traces, axis=1)))


def test_the_power_of_a_range_is_its_band_level() -> None:
    traces = noise(6, 2.0, 2)
    found = shot_spectrum(traces, None, STEP, WIDE, PLAIN)
    level = np.mean(band_rms(traces, STEP, 1e6, 7e6) ** 2)
    assert found.mean_square(found.observed, 1e6, 7e6) == pytest.approx(level)


def test_white_noise_has_its_density_in_every_bin() -> None:
    found = shot_spectrum(noise(400, 2.0, 3), None, STEP, WIDE, SpectrumSetup(bins_per_decade=10))
    expected = 2.0 * 2.0**2 * STEP  # one-sided: 2 sigma^2 / rate
    # The top bin holds half the sample rate, whose one-sided weight is half.
    pull = (found.net / expected - 1.0) * np.sqrt(400 * found.axis.joined)
    assert np.all(np.abs(pull[:-1]) < 5.0)
    assert np.std(pull[:-1]) < 2.0


def test_joined_bins_are_contiguous_and_state_their_width() -> None:
    axis = shot_spectrum(noise(2, 1.0, 4), None, STEP, WIDE, SpectrumSetup()).axis
    np.testing.assert_allclose(axis.high[:-1], axis.low[1:])
    np.testing.assert_allclose(axis.high - axis.low, axis.joined * 20e3)
    assert np.all(axis.resolution_bandwidth >= axis.high - axis.low - 1e-6)
    per_decade = np.sum((axis.frequency >= 3e6) & (axis.frequency < 30e6))
    assert per_decade == 50


def test_power_floor_is_subtracted_and_may_go_negative() -> None:
    found = shot_spectrum(noise(64, 1.0, 5), noise(64, 1.0, 6), STEP, WIDE, SpectrumSetup())
    assert found.net.min() < 0.0 < found.net.max()
    pull = found.net / found.standard_uncertainty
    assert abs(np.mean(pull)) < 0.5
    assert 0.8 < np.std(pull) < 1.3  # the stated uncertainty is the scatter


def test_a_coherent_spectrum_sees_below_the_noise_of_one_record() -> None:
    """64 repeats lower the noise by 18 dB; pickup that repeats is taken out."""
    ring, pickup = sine(3e6, 0.01), sine(9e6, 0.5)
    shot = noise(64, 0.5, 7) + ring + pickup
    floor = noise(64, 0.5, 8) + pickup
    setup = dataclasses.replace(PLAIN, averaging="coherent")
    found = shot_spectrum(shot, floor, STEP, WIDE, setup)
    at = np.argmin(np.abs(found.axis.frequency - 3e6))
    truth = 0.01**2 / 2.0
    power = found.net[at] * 20e3
    assert abs(power - truth) < 3.5 * found.standard_uncertainty[at] * 20e3
    single_record_noise = 2 * 0.5**2 * STEP * 20e3
    assert truth < single_record_noise
    assert 3.0 * found.standard_uncertainty[at] * 20e3 < truth
    pickup_at = np.argmin(np.abs(found.axis.frequency - 9e6))
    # 0.125 of power was there; what is left is noise.
    assert abs(found.net[pickup_at]) < 5.0 * found.standard_uncertainty[pickup_at]
    # The floor of this way is the noise left on both means.
    np.testing.assert_allclose(np.mean(found.floor), 2 * 2 * 0.5**2 * STEP / 64, rtol=0.05)
    rest = np.delete(found.net, [at, pickup_at])
    assert abs(np.mean(rest)) < 4.0 * np.std(rest) / np.sqrt(rest.size)  # no bias is left


def test_unsteady_pickup_widens_a_coherent_spectrum_and_only_that() -> None:
    shot, floor = noise(8, 1e-3, 9) + sine(9e6), noise(8, 1e-3, 10) + sine(9e6)
    setup = dataclasses.replace(PLAIN, averaging="coherent")
    steady = shot_spectrum(shot, floor, STEP, WIDE, setup)
    unsteady = shot_spectrum(shot, floor, STEP, WIDE, setup, pickup_repeatability=0.1)
    at = np.argmin(np.abs(steady.axis.frequency - 9e6))
    np.testing.assert_array_equal(unsteady.net, steady.net)
    # 10 % of the amplitude of a pickup whose power is 0.5: 0.005 of power.
    assert unsteady.standard_uncertainty[at] * 20e3 == pytest.approx(0.005, rel=0.05)


def test_a_trace_without_a_floor_keeps_what_was_observed() -> None:
    traces = noise(5, 1.0, 11)
    for averaging in ("power", "coherent"):
        setup = SpectrumSetup(averaging)
        found = shot_spectrum(traces, None, STEP, WIDE, setup)
        assert found.repeats == (5, 0)
        assert np.all(found.degrees_of_freedom == 4)
        if averaging == "power":
            np.testing.assert_array_equal(found.net, found.observed)


def test_segments_are_averaged_and_widen_the_bins() -> None:
    setup = dataclasses.replace(PLAIN, segment=500)
    found = shot_spectrum(noise(40, 1.0, 12), None, STEP, WIDE, setup)
    np.testing.assert_allclose(np.diff(found.axis.frequency), 200e3)
    assert found.mean_square(found.net) == pytest.approx(1.0, rel=0.02)


def test_a_record_longer_than_the_longest_is_taken_in_segments(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    traces = noise(40, 1.0, 13) + sine(1e6)
    monkeypatch.setattr(spectrum_grid, "LONGEST", 2000)
    found = shot_spectrum(traces, None, STEP, WIDE, PLAIN)
    assert np.diff(found.axis.frequency)[0] == pytest.approx(1e8 / 1620)  # fast, within 5000 / 3
    assert found.mean_square(found.net) == pytest.approx(1.5, rel=0.02)


def test_rows_in_blocks(monkeypatch: pytest.MonkeyPatch) -> None:
    traces, floor = noise(11, 1.0, 14), noise(7, 0.3, 15)
    for averaging in ("power", "coherent"):
        whole = shot_spectrum(traces, floor, STEP, WIDE, SpectrumSetup(averaging))
        with monkeypatch.context() as patch:
            patch.setattr(spectrum_grid, "_BLOCK", 11_000)
            parts = shot_spectrum(traces, floor, STEP, WIDE, SpectrumSetup(averaging))
        np.testing.assert_allclose(parts.net, whole.net, rtol=1e-9, atol=1e-18)
        np.testing.assert_allclose(parts.standard_uncertainty, whole.standard_uncertainty)


def test_only_frequencies_inside_the_band_are_kept_and_the_table_is_divided_out() -> None:
    table = TransferTable(np.array([1e6, 1e7]), np.array([1.0, 10.0]))  # proportional to f
    clamp = Transducer("clamp", "A", 1.0, (1e5, 8e6), 0.0, table)
    volts = np.stack([sine(2e6, 1.0) + sine(6e6, 1.0) + sine(2e7, 9.0)] * 2)
    found = shot_spectrum(volts, None, STEP, clamp, PLAIN)
    assert found.axis.frequency[0] == pytest.approx(1e6)
    assert found.axis.frequency[-1] == pytest.approx(8e6)
    level = found.level(found.observed) * np.sqrt(2)
    for frequency, amplitude in ((2e6, 0.5), (6e6, 1 / 6)):
        at = np.argmin(np.abs(found.axis.frequency - frequency))
        assert level[at] == pytest.approx(amplitude, rel=1e-9)


def capture(codes: np.ndarray, **changes: object) -> Capture:
    repeats = len(codes)
    whole = Capture(
        shot="01_reference_bare",
        order=1,
        role="reference",
        condition="bare",
        quantity="lead_current",
        codes=codes,
        gain=np.full(repeats, 0.01),
        offset=np.full(repeats, 0.3),
        start=np.zeros(repeats),
        step=STEP,
        trigger_time=np.arange(repeats) * 0.1,
        bits=8,
        vertical_range=2.56,
        transducer=Transducer("clamp", "A", 5.0, (1e4, 1e8), 0.0),
    )
    return dataclasses.replace(whole, **changes)  # type: ignore[arg-type]


def test_a_capture_is_the_same_as_its_volts() -> None:
    codes = np.random.default_rng(16).integers(-100, 100, (6, SAMPLES)).astype(np.int8)
    shot = capture(codes)
    found = capture_spectrum(shot, capture(codes[:3]), SpectrumSetup())
    by_volts = shot_spectrum(shot.volts(), shot.volts()[:3], STEP, shot.transducer, SpectrumSetup())
    np.testing.assert_allclose(found.observed, by_volts.observed, rtol=1e-5)
    np.testing.assert_allclose(found.floor, by_volts.floor, rtol=1e-5)
    assert found.unit == "A"


def test_a_floor_of_another_range_or_axis_is_refused() -> None:
    codes = np.zeros((3, SAMPLES), np.int8)
    shot = capture(codes)
    with pytest.raises(ValueError, match="a floor corrects its own range only"):
        capture_spectrum(shot, capture(codes, vertical_range=1.0), SpectrumSetup())
    with pytest.raises(ValueError, match="sample interval"):
        capture_spectrum(shot, capture(codes, step=2e-8), SpectrumSetup())
    with pytest.raises(ValueError, match="5000 samples a record and its floor 100"):
        capture_spectrum(shot, capture(codes[:, :100]), SpectrumSetup())


def test_too_few_repeats_and_no_bin_are_refused() -> None:
    with pytest.raises(ValueError, match="at least 2 repeats, found 1"):
        shot_spectrum(noise(1, 1.0, 0), None, STEP, WIDE, SpectrumSetup())
    with pytest.raises(ValueError, match="coherent spectrum needs at least 3"):
        shot_spectrum(noise(2, 1.0, 0), None, STEP, WIDE, SpectrumSetup("coherent"))
    with pytest.raises(ValueError, match="no bin of the spectrum"):
        shot_spectrum(noise(2, 1.0, 0), None, STEP, WIDE, SpectrumSetup(band=(1e3, 2e3)))


def test_the_table_names_the_bandwidth_and_the_unit() -> None:
    traces = np.stack([sine(1e6, np.sqrt(2) * 1e-3)] * 2) + 0.0
    table = shot_spectrum(traces, None, STEP, WIDE, PLAIN).to_table()
    assert table.columns[:3] == (
        "frequency [Hz]",
        "resolution bandwidth [Hz]",
        "observed [dB(uA)]",
    )
    row = min(table.rows, key=lambda cells: abs(float(cells[0] or 0) - 1e6))
    assert row[1] == pytest.approx(20e3)
    assert row[2] == pytest.approx(60.0)  # 1 mA
    assert row[3] is None  # no floor: no level


def test_decibels_over_micro() -> None:
    np.testing.assert_allclose(
        decibels_over_micro(np.array([1e-6, 1.0, 0.0])), [0.0, 120.0, np.nan]
    )
