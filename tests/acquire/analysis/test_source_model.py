"""Thevenin's impedance from two shots: closed form, the simulated circuit's truth, honest masks."""

from __future__ import annotations

import numpy as np
import pytest

from acquire.analysis import source_model
from acquire.analysis.inputs import Transducer
from acquire.analysis.mean_spectra import MeasuredTraces
from acquire.analysis.source_model import SourceModel, estimate_source, loop_magnitude
from acquire.analysis.spectra import ShotSpectrum, shot_spectrum
from acquire.analysis.spectrum_grid import SpectrumSetup

STEP = 4e-9
SAMPLES = 10_000
CLAMP = Transducer("clamp", "A", 5.0, (10e3, 100e6), 0.0)
DIVIDER = Transducer("divider", "V", 0.1, (0.0, 100e6), 0.0)
FREQUENCY = np.fft.rfftfreq(SAMPLES, STEP)


def loop(frequency: np.ndarray) -> np.ndarray:
    """2 ohm and 1 uH in series. [ohm]"""
    return 2.0 + 2j * np.pi * frequency * 1e-6


def open_voltage() -> np.ndarray:
    after = np.maximum(STEP * np.arange(SAMPLES) - 8e-6, 0.0)
    return 10 * np.exp(-after / 1.5e-6) * np.sin(2 * np.pi * 2.5e6 * after)


def bare_current() -> np.ndarray:
    return np.fft.irfft(np.fft.rfft(open_voltage()) / loop(FREQUENCY), SAMPLES)


def shots(
    seed: int = 81, repeats: int = 16, noise: float = 1e-3, jitter: float = 0.02
) -> tuple[MeasuredTraces, MeasuredTraces]:
    """Volts at the scope of open-circuit voltage and bare current."""
    rng = np.random.default_rng(seed)

    def taken(wave: np.ndarray, transducer: Transducer) -> MeasuredTraces:
        strength = 1 + jitter * rng.normal(size=(repeats, 1))
        volts = strength * wave * transducer.transfer + rng.normal(0, noise, (repeats, SAMPLES))
        return MeasuredTraces(volts, np.zeros(repeats), transducer)

    return taken(open_voltage(), DIVIDER), taken(bare_current(), CLAMP)


def relative_error(model: SourceModel) -> np.ndarray:
    return np.abs(model.impedance / loop(model.frequency) - 1.0)[model.trusted]


def test_resistance_and_inductance_are_recovered() -> None:
    model = estimate_source(*shots(jitter=0.0, noise=1e-5), STEP)
    near = model.trusted & (model.frequency > 0.5e6) & (model.frequency < 10e6)
    assert near.sum() > 50
    np.testing.assert_allclose(model.impedance[near], loop(model.frequency[near]), rtol=0.005)


def test_the_stated_uncertainty_is_the_scatter_of_the_estimate() -> None:
    """Over 40 pairs of shots, 95 % intervals of the magnitude hold the truth in about 95 %."""
    held = []
    for seed in range(40):
        model = estimate_source(*shots(seed, repeats=8, noise=5e-3), STEP, bins_per_decade=20)
        near = model.trusted & (model.frequency > 0.5e6)
        ratio = np.abs(model.impedance / loop(model.frequency))[near]
        held.append(np.abs(ratio - 1.0) <= 2.2 * model.relative_uncertainty[near])
    assert 0.92 < np.concatenate(held).mean() < 0.995


def test_what_is_lost_in_noise_is_not_trusted() -> None:
    model = estimate_source(*shots(noise=0.02), STEP)
    assert model.trusted.any()
    assert not model.trusted.all()
    assert not model.trusted[model.frequency > 50e6].any()
    assert np.max(relative_error(model)) < 0.5


def test_a_floor_of_pickup_is_taken_out() -> None:
    pickup = 0.3 * np.roll(open_voltage(), 300) * CLAMP.transfer / 10
    voltage, current = shots(jitter=0.0, noise=1e-4)
    floor = MeasuredTraces(
        pickup + np.random.default_rng(82).normal(0, 1e-4, (8, SAMPLES)), np.zeros(8), CLAMP
    )
    dirty = np.asarray(current.traces[0:16]) + pickup
    wrong = estimate_source(voltage, MeasuredTraces(dirty, current.start, CLAMP), STEP)
    right = estimate_source(voltage, MeasuredTraces(dirty, current.start, CLAMP, floor), STEP)
    near = slice(np.argmax(right.frequency > 1e6), np.argmax(right.frequency > 6e6))
    truth = loop(right.frequency[near])
    assert np.median(np.abs(wrong.impedance[near] / truth - 1)) > 0.05
    assert np.median(np.abs(right.impedance[near] / truth - 1)) < 0.005
    assert len(right.replicates) == 3


def test_records_that_start_at_different_instants_keep_the_phase() -> None:
    """The current's records begin 200 samples later relative to the trigger."""
    voltage, current = shots(jitter=0.0, noise=1e-5)
    later = MeasuredTraces(
        np.roll(np.asarray(current.traces[0:16]), -200, axis=1), current.start + 200 * STEP, CLAMP
    )
    model = estimate_source(voltage, later, STEP)
    near = model.trusted & (model.frequency > 1e6) & (model.frequency < 6e6)
    np.testing.assert_allclose(model.impedance[near], loop(model.frequency[near]), rtol=0.01)


def test_scales_of_probes_gains_and_drift_are_common_to_all_bins() -> None:
    voltage, current = shots()
    clamp = Transducer("clamp", "A", 5.0, (10e3, 100e6), 0.03)
    scaled = MeasuredTraces(current.traces, current.start, clamp, None, gain_accuracy=0.02)
    model = estimate_source(voltage, scaled, STEP, drift=0.01)
    np.testing.assert_allclose(model.scale_uncertainty, np.sqrt(0.03**2 + 0.02**2 / 3 + 0.01**2))


def test_unsteady_pickup_counts_where_the_pickup_is() -> None:
    """A pickup of the current's own size that repeats to 10 %: 7 % along the magnitude."""
    voltage, current = shots(jitter=0.0, noise=1e-4)
    bare = np.asarray(current.traces[0:16])
    twice = MeasuredTraces(2 * bare, current.start, CLAMP, current, pickup_repeatability=0.1)
    model = estimate_source(voltage, twice, STEP)
    near = model.trusted & (model.frequency > 1e6) & (model.frequency < 6e6)
    np.testing.assert_allclose(model.scale_uncertainty[near], 0.1 / np.sqrt(2), rtol=0.01)


def untriggered(part: MeasuredTraces, seed: int) -> ShotSpectrum:
    """Each record begins anywhere in the event."""
    rng = np.random.default_rng(seed)
    volts = np.asarray(part.traces[0:16])
    moved = np.stack([np.roll(row, rng.integers(SAMPLES)) for row in volts])
    floor = rng.normal(0.0, 1e-3, (16, SAMPLES))
    setup = SpectrumSetup("power", "boxcar", bins_per_decade=20, band=(1e5, 5e7))
    return shot_spectrum(moved, floor, STEP, part.transducer, setup)


def test_magnitude_alone_needs_no_common_trigger() -> None:
    voltage, current = shots(noise=1e-3)
    spectra = untriggered(voltage, 84), untriggered(current, 85)
    magnitude, relative = loop_magnitude(*spectra)
    frequency = spectra[0].axis.frequency
    near = (frequency > 1e6) & (frequency < 8e6)
    truth = np.abs(loop(frequency))
    assert np.all(np.abs(magnitude / truth - 1.0)[near] < 3.5 * relative[near] + 0.02)
    assert np.all(relative[near] < 0.05)
    assert np.isnan(magnitude[frequency > 40e6]).any()  # lost in noise


def test_a_magnitude_needs_a_voltage_and_a_current_on_one_axis() -> None:
    voltage, current = shots()
    with pytest.raises(ValueError, match="found A over V"):
        loop_magnitude(untriggered(current, 1), untriggered(voltage, 2))
    other = shot_spectrum(current.traces, None, STEP, CLAMP, SpectrumSetup())
    with pytest.raises(ValueError, match="different frequencies"):
        loop_magnitude(untriggered(voltage, 1), other)


def test_the_table_leaves_out_what_is_not_trusted() -> None:
    model = estimate_source(*shots(noise=0.02), STEP)
    table = model.to_table()
    assert table.columns[:2] == ("frequency [Hz]", "loop impedance [ohm]")
    for row, trusted in zip(table.rows, model.trusted, strict=True):
        assert (row[1] is not None) == trusted
        assert row[4] == ("trusted" if trusted else "lost in noise")


def test_what_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    voltage, current = shots()
    with pytest.raises(ValueError, match="at least 3 repeats of the voltage, found 2"):
        estimate_source(*shots(repeats=2), STEP)
    short = MeasuredTraces(np.asarray(current.traces[0:16])[:, :500], current.start, CLAMP)
    with pytest.raises(ValueError, match="need one record length, found 500 and 10000"):
        estimate_source(voltage, short, STEP)
    silent = MeasuredTraces(
        np.random.default_rng(83).normal(size=(16, SAMPLES)), current.start, CLAMP
    )
    with pytest.raises(ValueError, match="do not both stand 10 dB out of their noise"):
        estimate_source(voltage, silent, STEP)
    monkeypatch.setattr(source_model, "LONGEST", 5000)
    with pytest.raises(ValueError, match="10000 samples is too long"):
        estimate_source(voltage, current, STEP)
