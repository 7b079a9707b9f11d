"""What a candidate of known impedance would do in a conductor whose source is known.

A series impedance Z in a loop of impedance Zs leaves the share ``Zs / (Zs + Z)`` of the current.
Everything here is for the part of the current at frequencies where the model is trusted and the
candidate's impedance is known; how much of the current's energy lies elsewhere is stated.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import scipy.fft
from scipy import special

from acquire.analysis.candidates import Candidate
from acquire.analysis.inputs import Complexes, Floats
from acquire.analysis.source_model import SourceModel
from acquire.analysis.tables import Table, table_of
from acquire.analysis.transfer import Mask

CAUTION = (
    "An impedance in a protective conductor drops a voltage while a fault current flows, and can "
    "keep a protective device from opening in time. This figure is computed from a linear "
    "impedance; a core that saturates differs. Whether the candidate may be fitted is decided by "
    "the local electrical code and by a licensed person, not by this program."
)
WARN_ABOVE = 0.01
"""Share of the current's energy outside the trusted frequencies that is worth a remark."""


@dataclass(frozen=True, slots=True)
class PredictedLevel:
    """One measure of the bare current and of what would be left.

    Attributes
    ----------
    measure : "peak_to_peak" or "rms".
    reference, predicted : of the mean event, at trusted frequencies. [A]
    attenuation_db, low_db, high_db : 20 lg of their ratio, with its interval. [dB]
    """

    measure: str
    reference: float
    predicted: float
    attenuation_db: float
    low_db: float
    high_db: float


@dataclass(frozen=True, slots=True, eq=False)
class Prediction:
    """What a candidate would do; arrays have shape (bins,), NaN where nothing is predicted.

    Attributes
    ----------
    candidate : its name.
    frequency : [Hz]
    attenuation_db, low_db, high_db : of the current, over frequency. [dB]
    levels : in the time domain.
    coverage : of the intervals. [1]
    energy_outside_fraction : share of the bare current's energy at frequencies where nothing is
        predicted. [1]
    mains_frequency : [Hz]
    fault_current : that was stated, or None. [A]
    voltage_drop : across the candidate at the mains frequency and the fault current; None where no
        fault current was stated or the impedance is not known there. [V]
    caution : to be shown beside it.
    remarks : what limits the prediction.
    """

    candidate: str
    frequency: Floats
    attenuation_db: Floats
    low_db: Floats
    high_db: Floats
    levels: tuple[PredictedLevel, ...]
    coverage: float
    energy_outside_fraction: float
    mains_frequency: float
    fault_current: float | None
    voltage_drop: float | None
    caution: str
    remarks: tuple[str, ...]

    def to_table(self) -> Table:
        """Return attenuation over frequency."""
        return table_of(
            (
                ("frequency [Hz]", self.frequency),
                ("attenuation [dB]", self.attenuation_db),
                ("interval low [dB]", self.low_db),
                ("interval high [dB]", self.high_db),
            )
        )

    def levels_table(self) -> Table:
        """Return the time-domain measures."""
        return table_of(
            (
                ("measure", [level.measure for level in self.levels]),
                ("reference [A]", [level.reference for level in self.levels]),
                ("predicted [A]", [level.predicted for level in self.levels]),
                ("attenuation [dB]", [level.attenuation_db for level in self.levels]),
                ("interval low [dB]", [level.low_db for level in self.levels]),
                ("interval high [dB]", [level.high_db for level in self.levels]),
            )
        )


def predict(
    model: SourceModel,
    candidate: Candidate,
    coverage: float = 0.95,
    mains_frequency: float = 50.0,
    fault_current: float | None = None,
) -> Prediction:
    """Say what a candidate would do in the measured loop.

    The interval joins the repeats (jackknife, Student's t), the scales of probes and scope, and the
    candidate's own uncertainty.

    Parameters
    ----------
    model : of `acquire.analysis.source_model.estimate_source`.
    candidate : what would be added in series.
    coverage : of the intervals. [1]
    mains_frequency : [Hz]
    fault_current : for the voltage drop. [A]

    Raises
    ------
    ValueError : the candidate's impedance is known at no trusted frequency.
    """
    added = candidate.impedance(model.frequency)
    usable = model.trusted & np.isfinite(added) & np.isfinite(model.impedance)
    if np.count_nonzero(usable) < 2:
        raise ValueError(
            f"the impedance of {candidate.name} is known at no frequency where the source is; "
            f"the source is known from {model.frequency[model.trusted][0]:g} to "
            f"{model.frequency[model.trusted][-1]:g} Hz"
        )
    over_frequency = _interval(
        model,
        candidate,
        coverage,
        lambda impedance, _, factor: insertion_loss_db(impedance[usable], factor * added[usable]),
    )
    fine = _Fine.of(model, candidate, usable)
    in_time = _interval(model, candidate, coverage, fine.attenuation_db)
    bare, left = fine.traces(model.impedance, model.current, 1.0)
    outside = fine.energy_outside(model.current)
    drop, remarks = _voltage_drop(candidate, mains_frequency, fault_current)
    if outside > WARN_ABOVE:
        remarks.append(
            f"{100.0 * outside:.2g} % of the bare current's energy lies at frequencies where "
            "nothing is predicted"
        )
    return Prediction(
        candidate=candidate.name,
        frequency=model.frequency,
        attenuation_db=_spread_out(usable, over_frequency[0]),
        low_db=_spread_out(usable, over_frequency[1]),
        high_db=_spread_out(usable, over_frequency[2]),
        levels=tuple(
            PredictedLevel(name, float(measure(bare)), float(measure(left)), *map(float, ends))
            for (name, measure), *ends in zip(_MEASURES, *in_time, strict=True)
        ),
        coverage=coverage,
        energy_outside_fraction=outside,
        mains_frequency=mains_frequency,
        fault_current=fault_current,
        voltage_drop=drop,
        caution=CAUTION,
        remarks=tuple(remarks),
    )


def insertion_loss_db(loop: Complexes, added: Complexes) -> Floats:
    """Return 20 lg |1 + added / loop|: what a series impedance takes from a loop's current. [dB]

    Negative where the two resonate.
    """
    return np.asarray(20.0 * np.log10(np.abs(1.0 + added / loop)))


def magnitude_bounds(loop: Floats, added: Floats) -> tuple[Floats, Floats]:
    """Return (lowest, highest) insertion loss where the phases are not known. [dB]

    For source models without a common trigger: ``| 1 - |Z/Zs| |`` to ``1 + |Z/Zs|``.

    Parameters
    ----------
    loop, added : magnitudes. [ohm]
    """
    ratio = added / loop
    with np.errstate(divide="ignore"):
        return 20.0 * np.log10(np.abs(1.0 - ratio)), 20.0 * np.log10(1.0 + ratio)


def _peak_to_peak(trace: Floats) -> float:
    return float(np.ptp(trace))


def _rms(trace: Floats) -> float:
    return float(np.sqrt(np.mean(trace**2)))


_MEASURES: tuple[tuple[str, Callable[[Floats], float]], ...] = (
    ("peak_to_peak", _peak_to_peak),
    ("rms", _rms),
)


@dataclass(frozen=True, slots=True, eq=False)
class _Fine:
    """The bins of the record's transform between the first and last usable bin of the model."""

    model: SourceModel
    usable: Mask
    first: int
    frequency: Floats
    added: Complexes

    @classmethod
    def of(cls, model: SourceModel, candidate: Candidate, usable: Mask) -> _Fine:
        width = 1.0 / (model.samples * model.step)
        ends = model.frequency[usable][[0, -1]] / width
        first, last = int(np.ceil(ends[0] - 1e-9)), int(np.floor(ends[1] + 1e-9))
        frequency: Floats = np.arange(first, last + 1) * np.float64(width)
        added = candidate.impedance(frequency)
        # A table's ends may fall between a bin's centre and its neighbours.
        return cls(model, usable, first, frequency, np.where(np.isfinite(added), added, 0.0))

    def traces(
        self, impedance: Complexes, current: Complexes, factor: float
    ) -> tuple[Floats, Floats]:
        """Return the bare current and what would be left of it, shape (time,). [A]

        Between usable bins the loop impedance is interpolated, real and imaginary part alike: that
        is exact for a resistance with an inductance.
        """
        known, at = impedance[self.usable], self.model.frequency[self.usable]
        loop = np.interp(self.frequency, at, known)
        stop = self.first + self.frequency.size
        spectrum = np.zeros(self.model.samples // 2 + 1, complex)
        spectrum[self.first : stop] = current[self.first : stop]
        bare = scipy.fft.irfft(spectrum, self.model.samples)
        spectrum[self.first : stop] *= loop / (loop + factor * self.added)
        return bare, scipy.fft.irfft(spectrum, self.model.samples)

    def attenuation_db(self, impedance: Complexes, current: Complexes, factor: float) -> Floats:
        """Return the attenuation by each of the measures. [dB]"""
        bare, left = self.traces(impedance, current, factor)
        ratios = [measure(bare) / measure(left) for _, measure in _MEASURES]
        return np.asarray(20.0 * np.log10(ratios))

    def energy_outside(self, current: Complexes) -> float:
        """Return the share of energy outside, the mean left out."""
        power = np.abs(current) ** 2
        power[0] = 0.0
        total = float(power.sum())
        inside = float(power[self.first : self.first + self.frequency.size].sum())
        return 1.0 - inside / total if total > 0.0 else 0.0


_Statistic = Callable[[Complexes, Complexes, float], Floats]


def _interval(
    model: SourceModel, candidate: Candidate, coverage: float, statistic: _Statistic
) -> tuple[Floats, Floats, Floats]:
    """Return (value, low, high) of statistic(loop impedance, current, factor on the candidate)."""
    value = statistic(model.impedance, model.current, 1.0)
    variance = np.zeros(value.shape)
    squares = np.zeros(value.shape)
    for shot in model.replicates:
        groups = len(shot.impedance)
        currents: Sequence[Complexes] = [model.current] * groups
        if shot.current is not None:
            currents = list(shot.current)
        values = np.stack(
            [statistic(z, i, 1.0) for z, i in zip(shot.impedance, currents, strict=True)]
        )
        term = (groups - 1) * values.var(axis=0)
        variance += term
        squares += term**2 / (groups - 1)
    steady = np.zeros(model.impedance.shape)
    scales = ((model.scale_uncertainty, 0.0), (steady, candidate.relative_uncertainty))
    for loop, factor in scales:
        up = statistic(model.impedance * (1.0 + loop), model.current, 1.0 + factor)
        down = statistic(model.impedance / (1.0 + loop), model.current, 1.0 / (1.0 + factor))
        variance += ((up - down) / 2.0) ** 2
    # Welch-Satterthwaite; the scales have no degrees of freedom to lose.
    degrees = np.full(value.shape, np.inf)
    np.divide(variance**2, squares, out=degrees, where=squares > 0.0)
    half = special.stdtrit(degrees, 0.5 + coverage / 2.0) * np.sqrt(variance)
    return value, value - half, value + half


def _voltage_drop(
    candidate: Candidate, mains_frequency: float, fault_current: float | None
) -> tuple[float | None, list[str]]:
    if fault_current is None:
        return None, []
    impedance = complex(candidate.impedance(np.array([mains_frequency]))[0])
    if not np.isfinite(impedance):
        return None, [
            f"the impedance of {candidate.name} is not known at {mains_frequency:g} Hz: the "
            "voltage it would drop at the fault current is not known either"
        ]
    return abs(impedance) * fault_current, []


def _spread_out(usable: Mask, values: Floats) -> Floats:
    result = np.full(usable.shape, np.nan)
    result[usable] = values
    return result
