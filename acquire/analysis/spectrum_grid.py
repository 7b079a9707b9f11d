"""The frequencies of a spectrum, and how rows of samples become power densities on them."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Literal, Protocol

import numpy as np
import numpy.typing as npt

from acquire.analysis.bands import fast_length_within
from acquire.analysis.inputs import Floats, Transducer
from acquire.analysis.transfer import known_band, transfer_at

Averaging = Literal["power", "coherent"]

LONGEST = 1 << 24
"""A longer record is taken in segments, so that memory stays bounded. [samples]"""
_BLOCK = 1 << 22


class Traces(Protocol):
    """Rows of samples that are taken a few at a time: an array, or a `CaptureTraces`."""

    @property
    def shape(self) -> tuple[int, ...]:
        """(repeat, time)."""

    def __getitem__(self, rows: slice, /) -> npt.NDArray[np.floating[Any]]:
        """Return some rows."""


@dataclass(frozen=True, slots=True)
class SpectrumSetup:
    """How spectra are made.

    Attributes
    ----------
    averaging : "power" or "coherent".
    window : as `scipy.signal.get_window` takes it. The default tapers 5 % at either end: a burst
        early in the record keeps its weight, which a Hann window would take from it.
    segment : length of the averaged segments, half overlapped; None = the record. [samples]
    bins_per_decade : neighbouring bins are joined to so many a decade; None = each bin alone.
    band : (low, high) that is shown; None = all that is known. [Hz]
    """

    averaging: Averaging = "power"
    window: str | tuple[str, float] = ("tukey", 0.1)
    segment: int | None = None
    bins_per_decade: int | None = 50
    band: tuple[float, float] | None = None

    @property
    def window_name(self) -> str:
        """The window in words, such as "tukey 0.1"."""
        return self.window if isinstance(self.window, str) else " ".join(map(str, self.window))


@dataclass(frozen=True, slots=True, eq=False)
class SpectrumAxis:
    """The frequencies of a spectrum; every array has shape (bins,).

    Attributes
    ----------
    frequency : centre. [Hz]
    low, high : edges. [Hz]
    joined : bins of the transform that were joined.
    resolution_bandwidth : what a level holds: the window's noise bandwidth, or the width of a
        joined bin where that is more. [Hz]
    """

    frequency: Floats
    low: Floats
    high: Floats
    joined: npt.NDArray[np.int64]
    resolution_bandwidth: Floats


@dataclass(frozen=True, slots=True, eq=False)
class Grid:
    """How a row of samples becomes densities on the axis."""

    axis: SpectrumAxis
    rate: float
    samples: int
    segment: int
    window: Floats
    first: int
    """First bin of the transform that is kept."""
    starts: npt.NDArray[np.int64]
    """First bin of each joined bin, from ``first``."""
    scale: Floats
    """Power per squared volt of each kept bin: 1 / |transfer|^2."""

    @classmethod
    def make(cls, samples: int, step: float, transducer: Transducer, setup: SpectrumSetup) -> Grid:
        """Choose bins: inside the band, above 0 Hz, joined as the setup says."""
        import scipy.signal  # here: it takes a second, and few commands need a spectrum

        pieces = -(-samples // LONGEST)
        longest = samples if pieces == 1 else fast_length_within(samples // pieces)
        segment = min(setup.segment or samples, longest)
        window = np.asarray(scipy.signal.get_window(setup.window, segment, fftbins=True))
        width = 1.0 / (segment * step)
        frequency: Floats = np.arange(segment // 2 + 1) * np.float64(width)
        low, high = known_band(transducer)
        if setup.band is not None:
            low, high = max(low, setup.band[0]), min(high, setup.band[1])
        kept = np.flatnonzero((frequency >= low) & (frequency <= high) & (frequency > 0.0))
        if not kept.size:
            raise ValueError(
                f"no bin of the spectrum (each {width:g} Hz up to {frequency[-1]:g} Hz) lies "
                f"within {low:g} to {high:g} Hz"
            )
        first = int(kept[0])
        inside: Floats = frequency[kept]
        starts = np.arange(kept.size)
        if setup.bins_per_decade is not None:
            number = np.floor(setup.bins_per_decade * np.log10(inside) + 1e-9)
            starts = np.flatnonzero(np.diff(number, prepend=-np.inf))
        joined = np.diff(starts, append=kept.size)
        noise_bandwidth = np.sum(window**2) / np.sum(window) ** 2 / step
        edges: Floats = inside[starts] - np.float64(width / 2)
        axis = SpectrumAxis(
            frequency=np.add.reduceat(inside, starts) / joined,
            low=edges,
            high=edges + joined * width,
            joined=joined,
            resolution_bandwidth=np.maximum(noise_bandwidth, joined * width),
        )
        scale = np.abs(transfer_at(transducer, inside)) ** -2.0
        return cls(axis, 1.0 / step, samples, segment, window, first, starts, scale)

    def density(self, rows: npt.NDArray[np.floating[Any]]) -> Floats:
        """Return power densities, shape (rows, bins). [unit^2/Hz]"""
        import scipy.signal  # as above

        pieces = -(-self.samples // LONGEST)
        edges = [self.samples * i // pieces for i in range(pieces + 1)]
        # Single or double precision: welch keeps either; its stubs cannot say so.
        window: Any = self.window.astype(rows.dtype, copy=False)
        total = np.zeros((len(rows), self.scale.size))
        for start, stop in itertools.pairwise(edges):
            piece: Any = rows[:, start:stop]
            _, power = scipy.signal.welch(piece, self.rate, window, noverlap=self.segment // 2)
            total += power[:, self.first : self.first + self.scale.size]
        total *= self.scale / pieces
        return np.asarray(np.add.reduceat(total, self.starts, axis=-1) / self.axis.joined)


def row_blocks(
    traces: Traces, start: int = 0, stop: int | None = None
) -> Iterator[npt.NDArray[np.floating[Any]]]:
    """Yield some rows at a time, so that a block stays small."""
    last = traces.shape[0] if stop is None else stop
    height = max(1, _BLOCK // traces.shape[-1])
    for top in range(start, last, height):
        yield traces[top : min(top + height, last)]
