"""The noise source as seen from a gap in the conductor: Thevenin's voltage and impedance.

The open-circuit voltage over the bare current is the impedance of the whole loop: source, bare
conductor and return. Both are mean traces of shots that trigger on the same event, so the ratio is
complex. In each joined bin the impedance is the least-squares one, ``sum V I* / sum |I|^2``: the
noises of V and I come from different shots, so the upper sum has no bias from them, and the lower
sum's bias is the noise power of the mean, which the spread between groups of repeats tells.

Uncertainty from the repeats is a jackknife over groups: it holds the source's jitter, which is
common to all frequencies, as well as noise, which is not.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from acquire.analysis.inputs import Complexes, Floats
from acquire.analysis.mean_spectra import FEWEST, MeanSpectrum, MeasuredTraces
from acquire.analysis.spectra import ShotSpectrum
from acquire.analysis.spectrum_averages import satterthwaite
from acquire.analysis.spectrum_grid import Grid, SpectrumSetup
from acquire.analysis.tables import Table, table_of
from acquire.analysis.transfer import Mask, known_band

LONGEST = 1 << 23
"""A longer record would hold too much memory in the means of its groups. [samples]"""
SIGNAL_TO_NOISE = 10.0
"""Both mean spectra must stand so far above their noise in a trusted bin. [dB]"""
MOST_UNCERTAIN = 0.3
"""Relative standard uncertainty beyond which a bin is not trusted. [1]"""


@dataclass(frozen=True, slots=True, eq=False)
class Replicates:
    """The model with one group of one shot left out after another.

    ``impedance`` has shape (groups, bins); ``current`` (groups, fine bins), or None where leaving
    the group out does not touch the current.
    """

    impedance: Complexes
    current: npt.NDArray[np.complex64] | None


@dataclass(frozen=True, slots=True, eq=False)
class SourceModel:
    """Loop impedance over frequency, and the bare current that it goes with.

    Attributes
    ----------
    frequency : of each bin, weighted by the current's power, shape (bins,). [Hz]
    impedance : shape (bins,). [ohm]
    relative_uncertainty : standard, of ``impedance``, from the repeats alone; of its phase the
        same in rad. Shape (bins,). [1]
    scale_uncertainty : standard, relative, of what repeats do not show: probes, vertical gains,
        drift (all alike in every bin) and pickup that is not steady. Shape (bins,). [1]
    degrees_of_freedom : of ``relative_uncertainty``, shape (bins,).
    trusted : where both signals stand out of their noise, shape (bins,).
    step, samples : of the records.
    current : transform of the mean bare current, tapered at its ends, shape (fine bins,), from bin
        0 of the record's transform on. [A]
    replicates : one for each shot that entered.
    """

    frequency: Floats
    impedance: Complexes
    relative_uncertainty: Floats
    scale_uncertainty: Floats
    degrees_of_freedom: Floats
    trusted: Mask
    step: float
    samples: int
    current: Complexes
    replicates: tuple[Replicates, ...]

    def to_table(self) -> Table:
        """Return one row a bin; no numbers where the bin is not trusted."""
        shown = np.where(self.trusted, self.impedance, complex(np.nan, np.nan))
        combined = np.hypot(self.relative_uncertainty, self.scale_uncertainty)
        return table_of(
            (
                ("frequency [Hz]", self.frequency),
                ("loop impedance [ohm]", np.abs(shown)),
                ("phase [deg]", np.angle(shown, deg=True)),
                ("standard uncertainty [%]", 100.0 * np.where(self.trusted, combined, np.nan)),
                ("state", np.where(self.trusted, "trusted", "lost in noise").tolist()),
            )
        )


def estimate_source(
    voltage: MeasuredTraces,
    current: MeasuredTraces,
    step: float,
    window: str | tuple[str, float] = ("tukey", 0.1),
    bins_per_decade: int | None = 50,
    drift: float = 0.0,
) -> SourceModel:
    """Return the loop impedance from open-circuit voltage and bare current.

    Both must be triggered on the same event of the source, or their phases do not belong together;
    without that, `loop_magnitude` is all that can be had.

    Parameters
    ----------
    voltage : across the open gap.
    current : through the bare conductor, closed.
    step : sample interval of both. [s]
    window : as `scipy.signal.get_window` takes it.
    bins_per_decade : neighbouring bins are joined to so many a decade; None = each bin alone.
    drift : standard, relative, of the source's strength from the one shot to the other. [1]

    Raises
    ------
    ValueError : record lengths differ or are too long, fewer than 3 repeats, no common band, or no
        bin where both signals stand out of their noise.
    """
    samples = _common_length(voltage, current)
    low, high = known_band(voltage.transducer)
    setup = SpectrumSetup("coherent", window, None, bins_per_decade, (low, high))
    grid = Grid.make(samples, step, current.transducer, setup)
    volts, amperes = MeanSpectrum.of(voltage, step, grid), MeanSpectrum.of(current, step, grid)
    estimate = _impedance(grid, volts.mean, amperes.mean, amperes.noise)
    replicates = tuple(_replicates(grid, volts, amperes))
    relative, degrees = _spread(estimate, replicates)
    trusted = (relative <= MOST_UNCERTAIN) & _stands_out(grid, volts) & _stands_out(grid, amperes)
    if np.count_nonzero(trusted) < 2:
        raise ValueError(
            "open-circuit voltage and bare current do not both stand "
            f"{SIGNAL_TO_NOISE:g} dB out of their noise at any two frequencies; take more "
            "repeats, use a smaller vertical range, or check the trigger"
        )
    return SourceModel(
        frequency=_weighted_frequency(grid, step, amperes.mean),
        impedance=estimate,
        relative_uncertainty=relative,
        scale_uncertainty=np.sqrt(
            _scale_uncertainty(voltage, current, drift) ** 2
            + _unsteady_share(grid, volts)
            + _unsteady_share(grid, amperes)
        ),
        degrees_of_freedom=degrees,
        trusted=trusted,
        step=step,
        samples=samples,
        current=amperes.mean,
        replicates=replicates,
    )


def loop_magnitude(voltage: ShotSpectrum, current: ShotSpectrum) -> tuple[Floats, Floats]:
    """Return magnitude of the loop impedance and its relative standard uncertainty, from powers.

    For shots without a common trigger: nothing is known of the phase, and
    `acquire.analysis.prediction.magnitude_bounds` tells what still follows.

    Parameters
    ----------
    voltage, current : "power" spectra of open-circuit voltage and bare current, made with one
        setup.

    Returns
    -------
    Shape (bins,), [ohm] and [1]; NaN where either does not stand out of its floor.

    Raises
    ------
    ValueError : the two do not share their frequencies, or units are not V and A.
    """
    if (voltage.unit, current.unit) != ("V", "A"):
        raise ValueError(
            f"loop impedance needs a voltage over a current, found {voltage.unit} over "
            f"{current.unit}"
        )
    if not np.array_equal(voltage.axis.frequency, current.axis.frequency):
        raise ValueError(
            "voltage and current have different frequencies; take both with one record length "
            "and sample rate, in a band that both probes cover"
        )
    magnitude = np.full(voltage.net.shape, np.nan)
    relative = np.full(voltage.net.shape, np.nan)
    known = np.ones(magnitude.shape, bool)
    for part in (voltage, current):
        known &= part.net > 2.0 * part.standard_uncertainty
    np.divide(voltage.net, current.net, out=magnitude, where=known)
    powers = [
        np.divide(part.standard_uncertainty, part.net, out=relative.copy(), where=known)
        for part in (voltage, current)
    ]
    return np.sqrt(magnitude), np.hypot(*powers) / 2.0


def _replicates(grid: Grid, volts: MeanSpectrum, amperes: MeanSpectrum) -> Iterator[Replicates]:
    for shot in volts.without():
        impedances = [_impedance(grid, v, amperes.mean, amperes.noise) for v, _ in shot]
        yield Replicates(np.stack(impedances), None)
    for shot in amperes.without():
        impedances, currents = [], []
        for mean, noise in shot:
            impedances.append(_impedance(grid, volts.mean, mean, noise))
            currents.append(mean.astype(np.complex64))
        yield Replicates(np.stack(impedances), np.stack(currents))


def _joined(grid: Grid, fine: npt.NDArray[np.complex128] | Floats) -> npt.NDArray[np.complex128]:
    kept = fine[grid.first : grid.first + grid.scale.size]
    return np.asarray(np.add.reduceat(kept, grid.starts), dtype=np.complex128)


def _impedance(grid: Grid, volts: Complexes, amperes: Complexes, noise: Floats) -> Complexes:
    power = _joined(grid, np.abs(amperes) ** 2 - noise).real
    cross = _joined(grid, volts * amperes.conj())
    result = np.full(power.shape, complex(np.nan, np.nan))
    np.divide(cross, power, out=result, where=power > 0.0)
    return result


def _weighted_frequency(grid: Grid, step: float, amperes: Complexes) -> Floats:
    """Return the power-weighted frequency of each bin: there the least-squares ratio belongs."""
    power = np.abs(amperes) ** 2
    frequency = np.arange(power.size) / (grid.samples * step)
    weight = _joined(grid, power).real
    weighted = _joined(grid, power * frequency).real
    result = grid.axis.frequency.copy()
    np.divide(weighted, weight, out=result, where=weight > 0.0)
    return result


def _spread(estimate: Complexes, replicates: Sequence[Replicates]) -> tuple[Floats, Floats]:
    """Return relative standard uncertainty and its degrees of freedom, by the jackknife."""
    terms = []
    for shot in replicates:
        groups = len(shot.impedance)
        ratio = np.full(shot.impedance.shape, complex(np.nan, np.nan))
        np.divide(shot.impedance, estimate, out=ratio, where=np.isfinite(estimate))
        spread = np.abs(ratio - ratio.mean(axis=0)) ** 2
        # The spread is over both parts of a complex number; half of it is along the magnitude.
        variance = (groups - 1) / groups * spread.sum(axis=0) / 2.0
        along = (groups - 1) * ratio.real.var(axis=0)
        variance = np.maximum(variance, along)
        terms.append((variance, np.full(variance.shape, groups - 1.0)))
    total = np.sum([variance for variance, _ in terms], axis=0)
    return np.sqrt(total), satterthwaite(*terms)


def _stands_out(grid: Grid, spectrum: MeanSpectrum) -> Mask:
    observed = _joined(grid, np.abs(spectrum.mean) ** 2).real
    noise = _joined(grid, spectrum.noise).real
    return np.asarray(observed >= noise * 10.0 ** (SIGNAL_TO_NOISE / 10.0)) & (observed > 0.0)


def _scale_uncertainty(voltage: MeasuredTraces, current: MeasuredTraces, drift: float) -> float:
    """Return the relative standard uncertainty common to all bins.

    A vertical gain's accuracy is a half-width, taken as rectangular (GUM 4.3.7).
    """
    probes = [part.transducer.relative_uncertainty for part in (voltage, current)]
    gains = [part.gain_accuracy / np.sqrt(3.0) for part in (voltage, current)]
    return float(np.sqrt(np.sum(np.square([*probes, *gains, drift]))))


def _unsteady_share(grid: Grid, spectrum: MeanSpectrum) -> Floats:
    """Return the power of unsteady pickup relative to the mean's, half of it along the mean."""
    power = _joined(grid, np.abs(spectrum.mean) ** 2).real
    share = np.zeros(power.shape)
    np.divide(_joined(grid, spectrum.unsteady).real / 2.0, power, out=share, where=power > 0.0)
    return share


def _common_length(voltage: MeasuredTraces, current: MeasuredTraces) -> int:
    parts = {"voltage": voltage, "current": current}
    for name, part in tuple(parts.items()):
        if part.floor is not None:
            parts[f"{name} floor"] = part.floor
    for name, part in parts.items():
        if part.traces.shape[0] < FEWEST:
            raise ValueError(
                f"a source model needs at least {FEWEST} repeats of the {name}, "
                f"found {part.traces.shape[0]}"
            )
    lengths = {part.traces.shape[-1] for part in parts.values()}
    if len(lengths) > 1:
        raise ValueError(
            "open-circuit voltage, bare current and their floors need one record length, found "
            + " and ".join(map(str, sorted(lengths)))
        )
    samples = lengths.pop()
    if samples > LONGEST:
        raise ValueError(
            f"a record of {samples} samples is too long for a source model; cut it to {LONGEST}"
        )
    return samples
