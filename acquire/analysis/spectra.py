"""Spectra of shots, averaged over repeats, with the floor subtracted in power per bin.

Window, scaling and segment averaging are `scipy.signal.welch`'s. A spectrum is one-sided, its mean
is removed, and it is held as a power density, so that density times width adds up to the mean
square (exactly so without a window). The level of a bin is the RMS in its resolution bandwidth.

Two ways to average over N repeats:

* ``power``: powers are averaged. The floor's mean power is subtracted: right where pickup and
  residual are independent.
* ``coherent``: traces are averaged, the floor's mean trace is subtracted, then squared. What is
  left of the noise, ``var / N`` of both, would bias the square; it is estimated from the spread
  between groups of repeats and subtracted as the floor of this way.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from acquire.analysis.inputs import Capture, Floats, Transducer, Unit
from acquire.analysis.spectrum_averages import FEWEST_GROUPS, net_coherent, net_power
from acquire.analysis.spectrum_grid import Averaging, Grid, SpectrumAxis, SpectrumSetup, Traces
from acquire.analysis.tables import Table, table_of


@dataclass(frozen=True, slots=True, eq=False)
class CaptureTraces:
    """The volts of a capture, converted only when rows are taken (in single precision)."""

    capture: Capture

    @property
    def shape(self) -> tuple[int, ...]:
        """(repeat, time)."""
        return self.capture.codes.shape

    def __getitem__(self, rows: slice, /) -> npt.NDArray[np.floating[Any]]:
        """Return the volts of some repeats. [V]"""
        volts = self.capture.codes[rows].astype(np.float32)
        volts *= self.capture.gain[rows, None].astype(np.float32)
        volts += self.capture.offset[rows, None].astype(np.float32)
        return volts


@dataclass(frozen=True, slots=True, eq=False)
class ShotSpectrum:
    """One shot over frequency, with its floor subtracted; every array has shape (bins,).

    Attributes
    ----------
    axis : the frequencies.
    unit : of the traces.
    observed : power density before subtraction. [unit^2/Hz]
    floor : what is subtracted; zeros where no floor was given. [unit^2/Hz]
    net : observed - floor; may be negative where nothing stands out. [unit^2/Hz]
    standard_uncertainty : of ``net``, from the repeats. [unit^2/Hz]
    degrees_of_freedom : of ``standard_uncertainty``.
    averaging, window : as in the setup.
    repeats : of the shot, and of the floor (0 = none given).
    """

    axis: SpectrumAxis
    unit: Unit
    observed: Floats
    floor: Floats
    net: Floats
    standard_uncertainty: Floats
    degrees_of_freedom: Floats
    averaging: Averaging
    window: str
    repeats: tuple[int, int]

    def level(self, density: Floats) -> Floats:
        """Return the RMS of a density within the resolution bandwidth. [unit]"""
        level: Floats = np.sqrt(np.maximum(density, 0.0) * self.axis.resolution_bandwidth)
        return level

    def mean_square(self, density: Floats, low: float = 0.0, high: float = np.inf) -> float:
        """Return the power of the bins whose centres lie in [low, high). [unit^2]"""
        inside = (self.axis.frequency >= low) & (self.axis.frequency < high)
        return float(np.sum((density * (self.axis.high - self.axis.low))[inside]))

    def to_table(self) -> Table:
        """Return levels in decibels over 1 uA or 1 uV, with the bandwidth they hold."""
        unit = f"dB(u{self.unit})"
        return table_of(
            (
                ("frequency [Hz]", self.axis.frequency),
                ("resolution bandwidth [Hz]", self.axis.resolution_bandwidth),
                (f"observed [{unit}]", decibels_over_micro(self.level(self.observed))),
                (f"floor [{unit}]", decibels_over_micro(self.level(self.floor))),
                (f"corrected [{unit}]", decibels_over_micro(self.level(self.net))),
            )
        )


def decibels_over_micro(level: Floats) -> Floats:
    """Return 20 lg(level / 1e-6): dB(uA) of amperes, dB(uV) of volts; NaN where level is 0."""
    db = np.full(np.shape(level), np.nan)
    np.log10(np.asarray(level) / 1e-6, out=db, where=np.asarray(level) > 0.0)
    return 20.0 * db


def capture_spectrum(capture: Capture, floor: Capture | None, setup: SpectrumSetup) -> ShotSpectrum:
    """Return the spectrum of a capture in its quantity's unit, de-embedded within its band.

    Raises
    ------
    ValueError : the floor was taken at another range, or on another time axis.
    """
    if floor is not None and floor.vertical_range != capture.vertical_range:
        raise ValueError(
            f"floor {floor.shot} was taken at a range of {floor.vertical_range:g} V, "
            f"{capture.shot} at {capture.vertical_range:g} V: a floor corrects its own range only"
        )
    if floor is not None and not np.isclose(floor.step, capture.step, rtol=1e-9, atol=0.0):
        raise ValueError(
            f"floor {floor.shot} has a sample interval of {floor.step:g} s, "
            f"{capture.shot} {capture.step:g} s"
        )
    return shot_spectrum(
        CaptureTraces(capture),
        None if floor is None else CaptureTraces(floor),
        capture.step,
        capture.transducer,
        setup,
        pickup_repeatability=capture.pickup_repeatability,
    )


def shot_spectrum(
    volts: Traces,
    floor: Traces | None,
    step: float,
    transducer: Transducer,
    setup: SpectrumSetup,
    pickup_repeatability: float = 0.0,
) -> ShotSpectrum:
    """Return the spectrum of a shot with its floor subtracted.

    Parameters
    ----------
    volts, floor : shape (repeat, time), of equal record length. [V]
    step : sample interval. [s]
    transducer : its transfer is divided out; only frequencies inside its band are kept.
    setup : window, averaging, resolution.
    pickup_repeatability : standard, relative, of the pickup's amplitude between the two shots;
        widens a coherent result. [1]

    Raises
    ------
    ValueError : too few repeats, unequal record lengths, or no bin inside the band.
    """
    fewest = FEWEST_GROUPS if setup.averaging == "coherent" else 2
    for traces in (volts, floor):
        if traces is not None and traces.shape[0] < fewest:
            raise ValueError(
                f"a {setup.averaging} spectrum needs at least {fewest} repeats, "
                f"found {traces.shape[0]}"
            )
    if floor is not None and floor.shape[-1] != volts.shape[-1]:
        raise ValueError(
            f"the shot has {volts.shape[-1]} samples a record and its floor {floor.shape[-1]}"
        )
    grid = Grid.make(volts.shape[-1], step, transducer, setup)
    if setup.averaging == "power":
        numbers = net_power(grid, volts, floor)
    else:
        numbers = net_coherent(grid, volts, floor, pickup_repeatability)
    return ShotSpectrum(
        grid.axis,
        transducer.unit,
        *numbers,
        averaging=setup.averaging,
        window=setup.window_name,
        repeats=(volts.shape[0], 0 if floor is None else floor.shape[0]),
    )
