"""Insertion loss of series and shunt elements: our prediction, the closed form, scikit-rf.

Sources: the definition IL = 20 lg(V20/V2) of CISPR 17, as on a filter maker's application page
(MIL-STD-220, 50 ohm: from memory); the closed forms 20 lg|1 + Z/(Zs+ZL)| for a series impedance Z
and 20 lg|1 + Y Zs ZL/(Zs+ZL)| for a shunt admittance Y are circuit theory. The printed figures were
computed from them and with scikit-rf beforehand; here all three are compared again.

A shunt admittance in the parallel of source and load is the dual of a series impedance in a loop:
the same function must give its loss with admittances in the place of impedances.
"""

from __future__ import annotations

import numpy as np
import pytest
import skrf
from skrf.media import DefinedGammaZ0

from acquire.analysis.candidates import Candidate, inductor, series_rlc
from acquire.analysis.prediction import predict
from acquire.analysis.source_model import SourceModel

FREQUENCY = np.array([10e3, 100e3, 150e3, 1e6, 10e6, 30e6, 100e6, 300e6])
SERIES = {  # inductance [H] in 50/50 ohm -> dB
    1e-6: (0.0000, 0.0002, 0.0004, 0.0171, 1.4451, 6.5830, 16.0722, 25.5182),
    10e-6: (0.0002, 0.0171, 0.0384, 1.4451, 16.0722, 25.5182, 35.9647, 45.5061),
    100e-6: (0.0171, 1.4451, 2.7606, 16.0722, 35.9647, 45.5061, 55.9636, 65.5060),
}
SHUNT = {  # capacitance [F] in 50/50 ohm -> dB
    1e-9: (0.0000, 0.0011, 0.0024, 0.1059, 5.4000, 13.6561, 23.9400, 33.4668),
    10e-9: (0.0011, 0.1059, 0.2347, 5.4000, 23.9400, 33.4668, 43.9226, 53.4648),
    100e-9: (0.1059, 5.4000, 8.1635, 23.9400, 43.9226, 53.4648, 63.9224, 73.4648),
    1e-6: (5.4000, 23.9400, 27.4520, 43.9226, 63.9224, 73.4648, 83.9224, 93.4648),
}
RESISTORS = {10.0: 0.8279, 50.0: 3.5218, 100.0: 6.0206, 1000.0: 20.8279}


def loop_of(impedance: float) -> SourceModel:
    """A source known exactly: ``impedance`` at every frequency of the table."""
    samples, step = 100_000, 1e-9
    return SourceModel(
        frequency=FREQUENCY,
        impedance=np.full(FREQUENCY.shape, complex(impedance)),
        relative_uncertainty=np.zeros(FREQUENCY.shape),
        scale_uncertainty=np.zeros(FREQUENCY.shape),
        degrees_of_freedom=np.full(FREQUENCY.shape, np.inf),
        trusted=np.ones(FREQUENCY.shape, bool),
        step=step,
        samples=samples,
        current=np.fft.rfft(np.exp(-np.arange(samples) * step / 1e-6)),
        replicates=(),
    )


def media() -> DefinedGammaZ0:
    return DefinedGammaZ0(skrf.Frequency.from_f(FREQUENCY, unit="Hz"))  # 50 ohm


def loss_db(network: skrf.Network) -> np.ndarray:
    return -20 * np.log10(np.abs(network.s[:, 1, 0]))


@pytest.mark.parametrize("inductance", SERIES)
def test_series_inductance(inductance: float) -> None:
    found = predict(loop_of(100.0), inductor(inductance)).attenuation_db
    np.testing.assert_allclose(found, SERIES[inductance], atol=6e-5)
    np.testing.assert_allclose(found, loss_db(media().inductor(inductance)), atol=1e-9)


@pytest.mark.parametrize("capacitance", SHUNT)
def test_shunt_capacitance_as_the_dual(capacitance: float) -> None:
    dual = Candidate("Y", lambda frequency: 2j * np.pi * frequency * capacitance)
    found = predict(loop_of(2 / 50.0), dual).attenuation_db  # Ys + YL
    np.testing.assert_allclose(found, SHUNT[capacitance], atol=6e-5)
    np.testing.assert_allclose(found, loss_db(media().shunt_capacitor(capacitance)), atol=1e-9)


@pytest.mark.parametrize("resistance", RESISTORS)
def test_series_resistance_in_time_and_over_frequency(resistance: float) -> None:
    found = predict(loop_of(100.0), series_rlc(resistance))
    np.testing.assert_allclose(found.attenuation_db, RESISTORS[resistance], atol=6e-5)
    for level in found.levels:
        assert level.attenuation_db == pytest.approx(RESISTORS[resistance], abs=6e-5)


@pytest.mark.parametrize(("loop", "expected"), [(100.0, 16.0722), (1.0, 55.9636), (10.0, 35.9647)])
def test_the_loss_is_that_of_the_loop_and_not_of_fifty_ohm(loop: float, expected: float) -> None:
    """100 uH at 1 MHz: only Z over Zloop counts (the table read at 1, 10 and 100 MHz)."""
    found = predict(loop_of(loop), inductor(100e-6)).attenuation_db
    assert found[3] == pytest.approx(expected, abs=6e-5)


def test_a_trap_in_a_mismatched_loop_against_scikit_rf() -> None:
    """R, L and C in series between 5 and 5 ohm; near resonance it takes next to nothing."""
    narrow = DefinedGammaZ0(skrf.Frequency.from_f(FREQUENCY, unit="Hz"), z0=5.0)
    network = narrow.resistor(0.5) ** narrow.inductor(2e-6) ** narrow.capacitor(12.7e-9)
    found = predict(loop_of(10.0), series_rlc(0.5, 2e-6, 12.7e-9)).attenuation_db
    np.testing.assert_allclose(found, loss_db(network), atol=1e-6)
