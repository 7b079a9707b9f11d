"""Impedances of candidates against circuit theory."""

from __future__ import annotations

import numpy as np
import pytest

from acquire.analysis.candidates import inductor, series_rlc, tabulated
from acquire.analysis.inputs import TransferTable

FREQUENCY = np.array([1e3, 1e6, 1e7])
OMEGA = 2 * np.pi * FREQUENCY


def test_a_plain_inductor() -> None:
    np.testing.assert_allclose(inductor(100e-6).impedance(FREQUENCY), 1j * OMEGA * 100e-6)


def test_a_lossy_core_with_stray_capacitance_is_its_loss_at_resonance() -> None:
    """At 1 / (2 pi sqrt(LC)) inductance and capacitance cancel."""
    resonance = 1 / (2 * np.pi * np.sqrt(10e-6 * 100e-12))
    found = inductor(10e-6, 0.02, 500.0, 100e-12).impedance(np.array([resonance]))
    np.testing.assert_allclose(found, 500.02, rtol=1e-9)


def test_series_elements() -> None:
    found = series_rlc(2.0, 1e-6, 10e-9).impedance(FREQUENCY)
    np.testing.assert_allclose(found, 2.0 + 1j * (OMEGA * 1e-6 - 1 / (OMEGA * 10e-9)))
    np.testing.assert_allclose(series_rlc(3.0).impedance(FREQUENCY), 3.0)


def test_a_table_is_not_extrapolated_and_keeps_its_uncertainty() -> None:
    table = TransferTable(
        np.array([1e5, 1e7]), np.array([1.0, 100.0]), np.full(2, np.pi / 2), np.array([0.01, 0.04])
    )
    found = tabulated("ferrite", table)
    impedance = found.impedance(FREQUENCY)
    assert np.isnan(impedance[0])
    np.testing.assert_allclose(impedance[1:], [10j, 100j], atol=1e-9)
    assert found.relative_uncertainty == 0.04


def test_a_table_without_phase_is_refused() -> None:
    with pytest.raises(ValueError, match="impedance table of ferrite has no phase"):
        tabulated("ferrite", TransferTable(FREQUENCY, np.ones(3)))


@pytest.mark.parametrize(
    ("make", "expected"),
    [
        (lambda: inductor(0.0), "inductance must be above 0 H"),
        (lambda: inductor(1.0, -1.0), "series resistance must be finite and not negative"),
        (lambda: inductor(1.0, 0.0, 0.0), "parallel resistance must be above 0"),
        (lambda: inductor(1.0, 0.0, 1.0, -1.0), "parallel capacitance"),
        (lambda: series_rlc(-1.0), "resistance must be"),
        (lambda: series_rlc(1.0, float("inf")), "inductance must be finite"),
        (lambda: series_rlc(1.0, 0.0, 0.0), "capacitance must be above 0 F"),
    ],
)
def test_values_that_are_not_physical(make: object, expected: str) -> None:
    with pytest.raises(ValueError, match=expected):
        make()  # type: ignore[operator]
