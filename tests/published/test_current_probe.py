"""Current probe arithmetic: dB(uA) = dB(uV) - dB(ohm).

Sources: the relation and "107 dB(uV) at 34 dB(ohm) is 73 dB(uA)" (a trade magazine's article on
current probes); "54 dB(uV) at 10 ohm: 500 uV, 50 uA, 34 dB(uA)" (an EMC teaching site); "10 uV at
0 dB(S): 10 uA, 20 dB(uA)", "150 uV / 0.34 ohm = 441.1 uA" and "8000 / 0.39 = 20 513" (current probe
makers' manuals, PCL-30 and ETS 94456). 0.1 and 5 ohm are the ends of the flat range of CISPR
16-1-2:2014 5.1.3 as quoted in the same article.
"""

from __future__ import annotations

import numpy as np
import pytest

from acquire.analysis.inputs import Transducer
from acquire.analysis.spectra import decibels_over_micro, shot_spectrum
from acquire.analysis.spectrum_grid import SpectrumSetup
from acquire.analysis.transfer import deembed
from acquire.analysis.transfer_table import parse_table

STEP, SAMPLES, LINE = 1e-8, 1000, 1e6
SINE = np.sqrt(2) * np.sin(2 * np.pi * LINE * STEP * np.arange(SAMPLES))  # 1 V RMS


def clamp(header: str, value: float) -> Transducer:
    table = parse_table(f"frequency [MHz],{header},phase [deg]\n0.2,{value},0\n40,{value},0\n")
    return Transducer("clamp", "A", 1.0, (1e5, 5e7), 0.0, table)


def current_of(microvolts: float, probe: Transducer) -> tuple[float, float]:
    """RMS current [A] of a sine, from its spectrum and from its de-embedded trace."""
    volts = np.stack([microvolts * 1e-6 * SINE] * 2)
    setup = SpectrumSetup(window="boxcar", bins_per_decade=None)
    spectrum = shot_spectrum(volts, None, STEP, probe, setup)
    at = np.argmin(np.abs(spectrum.axis.frequency - LINE))
    trace = deembed(volts, STEP, probe).values[0]
    return float(spectrum.level(spectrum.observed)[at]), float(np.sqrt(np.mean(trace**2)))


@pytest.mark.parametrize(
    ("microvolts", "header", "value", "microamperes", "relative"),
    [
        (10 ** (107 / 20), "transfer impedance [dB(ohm)]", 34.0, 10 ** (73 / 20), 1e-6),
        (500.0, "Zt [ohm]", 10.0, 50.0, 1e-9),
        (10.0, "Zt [dB(ohm)]", 0.0, 10.0, 1e-9),
        (150.0, "Zt [ohm]", 0.34, 441.1, 3e-4),
        (8000.0, "Zt [ohm]", 0.39, 20_513.0, 1e-4),
    ],
)
def test_printed_conversions(
    microvolts: float, header: str, value: float, microamperes: float, relative: float
) -> None:
    for found in current_of(microvolts, clamp(header, value)):
        assert found == pytest.approx(microamperes * 1e-6, rel=relative)


@pytest.mark.parametrize(
    ("level", "decibels"), [(500e-6, 54.0), (50e-6, 34.0), (10e-6, 20.0), (1e-6, 0.0)]
)
def test_printed_levels(level: float, decibels: float) -> None:
    assert decibels_over_micro(np.array([level]))[0] == pytest.approx(decibels, abs=0.03)


@pytest.mark.parametrize(
    ("ohms", "decibels"), [(1.0, 0.0), (0.1, -20.0), (5.0, 13.979), (0.316, -10.0)]
)
def test_ohms_and_decibels(ohms: float, decibels: float) -> None:
    table = clamp("magnitude [dBohm]", decibels).table
    assert table is not None
    assert table.magnitude[0] == pytest.approx(ohms, rel=1e-3)
