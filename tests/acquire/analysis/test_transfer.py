"""De-embedding against networks computed by scikit-rf, and against closed forms."""

from __future__ import annotations

import numpy as np
import pytest
import skrf
from skrf.media import DefinedGammaZ0

from acquire.analysis import transfer
from acquire.analysis.inputs import Transducer, TransferTable
from acquire.analysis.transfer import (
    deembed,
    interpolate,
    known_band,
    relative_uncertainty_at,
    transfer_at,
)
from acquire.analysis.transfer_table import parse_table

STEP = 2e-9
SAMPLES = 50_000  # 100 us: bins of 10 kHz
LOAD = 50.0


def probe(table: TransferTable | None, band: tuple[float, float], flat: float = 1.0) -> Transducer:
    return Transducer("clamp", "A", flat, band, 0.02, table)


def clamp_on_network(frequency: np.ndarray) -> np.ndarray:
    """Transfer impedance into 50 ohm of a clamp-on transformer, by scikit-rf. [ohm]

    Shunt 20 uH (magnetising), series 60 nH (leakage), shunt 30 pF: V2 / I1 = Z21 ZL / (Z22 + ZL).
    """
    media = DefinedGammaZ0(skrf.Frequency.from_f(frequency, unit="Hz"))  # 50 ohm
    network = media.shunt_inductor(20e-6) ** media.inductor(60e-9) ** media.shunt_capacitor(30e-12)
    impedance = network.z
    return impedance[:, 1, 0] * LOAD / (impedance[:, 1, 1] + LOAD)


def table_of_network(points: int) -> TransferTable:
    frequency = np.geomspace(20e3, 120e6, points)
    zt = clamp_on_network(frequency)
    rows = zip(frequency / 1e6, 20 * np.log10(np.abs(zt)), np.angle(zt, deg=True), strict=True)
    text = "frequency [MHz],transfer impedance [dB(ohm)],phase [deg]\n" + "\n".join(
        f"{f:.9g},{m:.9g},{p:.9g}" for f, m, p in rows
    )
    return parse_table(text)


def burst(rings: tuple[tuple[float, float, float], ...]) -> np.ndarray:
    time = STEP * np.arange(SAMPLES) - 20e-6
    after = np.where(time > 0.0, time, 0.0)
    return sum(
        amplitude * np.exp(-after / decay) * np.sin(2 * np.pi * frequency * after)
        for frequency, decay, amplitude in rings
    )


def through(current: np.ndarray) -> np.ndarray:
    """Volts that the network gives for one period of a current, by the exact transfer."""
    spectrum = np.fft.rfft(current)
    frequency = np.fft.rfftfreq(current.shape[-1], STEP)
    gain = np.zeros(frequency.shape, complex)
    gain[1:] = clamp_on_network(frequency[1:])
    return np.fft.irfft(spectrum * gain, current.shape[-1])


def test_interpolation_follows_the_network_between_the_points_of_its_table() -> None:
    frequency = np.geomspace(25e3, 100e6, 777)
    exact = clamp_on_network(frequency)
    found = interpolate(table_of_network(200), frequency)
    assert np.max(np.abs(found / exact - 1.0)) < 2e-3


def test_a_current_is_recovered_through_a_network_of_known_s_parameters() -> None:
    current = burst(((3e6, 4e-6, 1.0), (18e6, 1e-6, 0.3)))
    volts = through(np.stack([current, -2.0 * current]))
    clamp = probe(table_of_network(400), (30e3, 100e6))
    naive_error = np.max(np.abs(volts[0] / LOAD - current))
    result = deembed(volts, STEP, clamp)
    # The exact answer: the current without what lies outside the band.
    spectrum = np.fft.rfft(current)
    frequency = np.fft.rfftfreq(SAMPLES, STEP)
    spectrum[(frequency < 30e3) | (frequency > 100e6)] = 0.0
    expected = np.fft.irfft(spectrum, SAMPLES)
    assert naive_error > 0.1  # so there is something to correct
    np.testing.assert_allclose(result.values[0], expected, atol=2e-3)
    np.testing.assert_allclose(result.values[1], -2.0 * expected, atol=4e-3)
    assert result.energy_outside_fraction < 0.001
    assert result.warning is None
    assert result.band == (30e3, 100e6)


def test_outside_the_band_nothing_is_extrapolated_and_the_share_is_said() -> None:
    time = STEP * np.arange(SAMPLES)
    inside, outside = np.sin(2 * np.pi * 1e6 * time), 0.5 * np.sin(2 * np.pi * 200e6 * time)
    table = TransferTable(np.array([1e5, 1e8]), np.array([2.0, 2.0]), np.zeros(2))
    result = deembed(0.3 + inside + outside, STEP, probe(table, (1e4, 1e9)))
    np.testing.assert_allclose(result.values, inside / 2.0, atol=1e-10)
    assert result.energy_outside_fraction == pytest.approx(0.2, rel=1e-9)  # 0.125 of 0.625
    assert result.warning is not None
    assert "20 % of the energy" in result.warning
    assert "left out" in result.warning


def test_a_flat_probe_divides_and_reports_the_same_share() -> None:
    time = STEP * np.arange(SAMPLES)
    volts = np.sin(2 * np.pi * 1e6 * time) + 0.5 * np.sin(2 * np.pi * 200e6 * time)
    result = deembed(volts, STEP, probe(None, (1e4, 1e8), flat=5.0))
    np.testing.assert_array_equal(result.values, volts / 5.0)
    assert result.energy_outside_fraction == pytest.approx(0.2, rel=1e-9)
    assert result.warning is not None
    assert "as if the probe were flat" in result.warning


def test_a_share_below_the_stated_one_is_no_warning() -> None:
    time = STEP * np.arange(SAMPLES)
    volts = np.sin(2 * np.pi * 1e6 * time) + 0.09 * np.sin(2 * np.pi * 200e6 * time)
    result = deembed(volts, STEP, probe(None, (1e4, 1e8)))
    assert 0.0 < result.energy_outside_fraction < transfer.WARN_ABOVE
    assert result.warning is None


def test_the_mean_counts_only_where_the_band_begins_at_zero() -> None:
    volts = 1.0 + np.sin(2 * np.pi * 1e6 * STEP * np.arange(SAMPLES))
    assert deembed(volts, STEP, probe(None, (1e4, 1e8))).energy_outside_fraction < 1e-20
    divider = Transducer("divider", "V", 0.1, (0.0, 1e8), 0.01)
    result = deembed(volts, STEP, divider)
    assert result.energy_outside_fraction < 1e-20
    np.testing.assert_allclose(result.values.mean(), 10.0)


def test_a_table_without_phase_is_said_to_leave_the_shape_alone() -> None:
    table = TransferTable(np.array([1e4, 1e8]), np.array([1.0, 1.0]))
    result = deembed(burst(((3e6, 4e-6, 1.0),)), STEP, probe(table, (1e4, 1e8)))
    assert result.warning is not None
    assert "has no phase" in result.warning


def test_a_delay_in_the_table_is_taken_out() -> None:
    """A delay has linear phase; unwrapping a sparse table must not fold it."""
    delay = 25e-9
    frequency = np.linspace(10e3, 100e6, 60)
    wrapped = np.angle(np.exp(-2j * np.pi * frequency * delay))
    table = TransferTable(frequency, np.ones(60), wrapped)
    time = STEP * np.arange(SAMPLES)
    sent = np.sin(2 * np.pi * 2e6 * time)
    received = np.sin(2 * np.pi * 2e6 * (time - delay))
    result = deembed(received, STEP, probe(table, (10e3, 100e6)))
    np.testing.assert_allclose(result.values, sent, atol=1e-6)


def test_many_rows_in_blocks(monkeypatch: pytest.MonkeyPatch) -> None:
    volts = np.random.default_rng(5).normal(size=(7, 1001))
    clamp = probe(TransferTable(np.array([1e5, 1e8]), np.array([1.0, 3.0]), np.zeros(2)), (0, 1e9))
    whole = deembed(volts, STEP, clamp)
    monkeypatch.setattr(transfer, "_BLOCK", 2500)
    parts = deembed(volts, STEP, clamp)
    np.testing.assert_allclose(parts.values, whole.values, atol=1e-10)
    assert parts.energy_outside_fraction == pytest.approx(whole.energy_outside_fraction)


def test_a_record_with_no_bin_in_the_band_is_refused() -> None:
    with pytest.raises(ValueError, match="probe clamp: no frequency of a record of 10 samples"):
        deembed(np.ones(10), STEP, probe(None, (1e3, 1e6)))


def test_a_silent_record_has_no_share() -> None:
    result = deembed(np.zeros(SAMPLES), STEP, probe(None, (1e4, 1e8)))
    assert result.energy_outside_fraction == 0.0


def test_where_the_transfer_is_known() -> None:
    table = TransferTable(np.array([1e5, 1e7]), np.array([1.0, 1.0]), None, np.array([0.01, 0.03]))
    clamp = probe(table, (1e6, 1e8))
    assert known_band(clamp) == (1e6, 1e7)
    known = np.isfinite(transfer_at(clamp, np.array([5e5, 1e6, 1e7, 2e7])))
    np.testing.assert_array_equal(known, [False, True, True, False])
    np.testing.assert_allclose(
        relative_uncertainty_at(clamp, np.array([0.0, 1e5, 1e6, 1e7, 1e9])),
        [0.01, 0.01, 0.02, 0.03, 0.03],
    )
    np.testing.assert_allclose(relative_uncertainty_at(probe(None, (1, 2)), np.ones(2)), 0.02)
