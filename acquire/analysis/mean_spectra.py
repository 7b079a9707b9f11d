"""Mean spectra of shots on one time axis, with their floors subtracted, group by group."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import scipy.fft

from acquire.analysis.inputs import Capture, Complexes, Floats, Transducer
from acquire.analysis.spectra import CaptureTraces
from acquire.analysis.spectrum_grid import Grid, Traces, row_blocks
from acquire.analysis.transfer import transfer_at

GROUPS = 16
FEWEST = 3
"""The noise of a mean, and the spread of that, need so many groups."""
_GROUP_MEMORY = 1 << 24
"""Mean spectra of the groups of a shot hold at most so many samples' worth."""


@dataclass(frozen=True, slots=True, eq=False)
class MeasuredTraces:
    """Repeats of one quantity, and how they were taken.

    Attributes
    ----------
    traces : shape (repeat, time). [V at the scope]
    start : first sample relative to the trigger, shape (repeat,). [s]
    transducer : how volts become the quantity.
    floor : the same with no conducted signal, subtracted as a mean trace; or None.
    gain_accuracy : half-width of the vertical gain, relative. [1]
    pickup_repeatability : standard, relative, of the floor's pickup from shot to shot. [1]
    """

    traces: Traces
    start: Floats
    transducer: Transducer
    floor: MeasuredTraces | None = None
    gain_accuracy: float = 0.0
    pickup_repeatability: float = 0.0

    @classmethod
    def of(cls, capture: Capture, floor: Capture | None = None) -> MeasuredTraces:
        """Return a capture, to be converted a few rows at a time."""
        return cls(
            CaptureTraces(capture),
            capture.start,
            capture.transducer,
            None if floor is None else cls.of(floor),
            capture.gain_accuracy,
            capture.pickup_repeatability,
        )


@dataclass(frozen=True, slots=True, eq=False)
class _Groups:
    """Mean spectra of groups of repeats, shape (groups, fine bins), and the share of each."""

    spectra: Complexes
    weights: Floats

    def mean(self, without: int | None = None) -> tuple[Complexes, Floats]:
        """Return the mean and the noise power on it, of all groups or without one."""
        kept = np.arange(len(self.weights)) != (-1 if without is None else without)
        share = self.weights * kept / self.weights[kept].sum()
        mean = share @ self.spectra
        power = np.zeros(mean.shape)
        for weight, spectrum in zip(share, self.spectra, strict=True):
            power += weight * np.abs(spectrum) ** 2
        # As in spectrum_averages: mean power of groups less power of the mean, over groups - 1.
        return mean, (power - np.abs(mean) ** 2) / (np.count_nonzero(kept) - 1)


@dataclass(frozen=True, slots=True, eq=False)
class MeanSpectrum:
    """A mean spectrum in the quantity's unit, its floor subtracted; zero outside the band.

    ``noise`` is the power that noise leaves on it; ``unsteady`` that of the pickup which may differ
    between the shot and its floor.
    """

    shot: _Groups
    floor: _Groups | None
    mean: Complexes
    noise: Floats
    unsteady: Floats

    @classmethod
    def of(cls, measured: MeasuredTraces, step: float, grid: Grid) -> MeanSpectrum:
        """Average a shot, and subtract the mean of its floor."""
        shot = _group_spectra(measured, step, grid)
        mean, noise = shot.mean()
        if measured.floor is None:
            return cls(shot, None, mean, noise, np.zeros(noise.shape))
        floor = _group_spectra(measured.floor, step, grid)
        pickup, rest = floor.mean()
        coherent = np.maximum(np.abs(pickup) ** 2 - rest, 0.0)
        unsteady = measured.pickup_repeatability**2 * coherent
        return cls(shot, floor, mean - pickup, noise + rest, unsteady)

    def without(self) -> Iterator[Iterator[tuple[Complexes, Floats]]]:
        """Yield, for the shot and for its floor, (mean, noise) with each group left out."""
        if self.floor is None:
            yield map(self.shot.mean, range(len(self.shot.weights)))
            return
        pickup, rest = self.floor.mean()
        mean, noise = self.shot.mean()
        groups = (self.shot.mean(g) for g in range(len(self.shot.weights)))
        yield ((m - pickup, n + rest) for m, n in groups)
        groups = (self.floor.mean(g) for g in range(len(self.floor.weights)))
        yield ((mean - p, noise + r) for p, r in groups)


def _group_spectra(measured: MeasuredTraces, step: float, grid: Grid) -> _Groups:
    """Average groups of repeats on one time axis, in the quantity's unit."""
    repeats, samples = measured.traces.shape
    frequency = scipy.fft.rfftfreq(samples, step)
    transfer = transfer_at(measured.transducer, frequency)
    known = np.isfinite(transfer)
    inverse = np.where(known, 1.0, 0.0) / np.where(known, transfer, 1.0)
    inverse = inverse * np.exp(-2j * np.pi * frequency * measured.start[0])
    later = measured.start - measured.start[0]
    count = min(repeats, GROUPS, max(FEWEST, _GROUP_MEMORY // samples))
    edges = [repeats * i // count for i in range(count + 1)]
    spectra = np.zeros((count, frequency.size), complex)
    for group in range(count):
        row = edges[group]
        for block in row_blocks(measured.traces, row, edges[group + 1]):
            centred = (block - block.mean(axis=-1, keepdims=True)) * grid.window
            shifts = later[row : row + len(block)]
            for spectrum, shift in zip(scipy.fft.rfft(centred, axis=-1), shifts, strict=True):
                # Records whose first samples differ relative to the trigger meet on one time axis.
                turned = np.exp(-2j * np.pi * frequency * shift) if shift else 1.0
                spectra[group] += spectrum * turned
            row += len(block)
        spectra[group] *= inverse / (edges[group + 1] - edges[group])
    return _Groups(spectra, np.diff(edges) / np.float64(repeats))
