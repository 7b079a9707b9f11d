"""Peak-to-peak of a coherent mean, without counting noise as signal.

The largest sample of a noisy mean is chosen *because* its noise is high, so it overstates. The mean
is first freed of noise by a gain per frequency, in short overlapping segments:

    H = max(0, 1 - N / P)^(3/4)

with ``P`` the power of the mean and ``N`` that part of it which the scatter between repeats
explains, both smoothed over neighbouring frequencies. (Wiener's exponent, 1, is best in the mean
square but takes a carrier's share from the event too: 0.1 to 0.3 dB low, 6 dB above the floor; 1/2
leaves white noise in, 0.3 dB high. Measured.) Where the event is, H is near 1; elsewhere the noise
is taken out before the extremes are read. What the choice of H and of the extremes adds to the
uncertainty is in the jackknife, which repeats everything with each group of rows left out.

Some noise is left, and a weak event still reads high. How much is asked of a bootstrap: the freed
mean is taken for the event, noise like that between the rows is added, and all is done again. The
level is corrected by what that adds, which in turn counts as a standard uncertainty: the freed
mean is not the event, so the correction may be wrong by as much as it is.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from acquire.analysis.estimates import ExtremeEstimate
from acquire.analysis.inputs import Complexes, Floats
from acquire.analysis.quadratic import satterthwaite

SEGMENT = 256
"""Samples of a segment; neighbours overlap by half."""

SMOOTH = 17
"""Frequencies of a segment over which powers are smoothed (of SEGMENT / 2 + 1)."""

GROUPS = 16
"""Most groups of rows that the jackknife leaves out in turn."""

DRAWS = 40
"""Draws of noise from which its peak-to-peak is known."""


@dataclass(frozen=True, slots=True, eq=False)
class _Sums:
    """Sums over rows, in segments and frequencies; shape (group, segment, frequency)."""

    values: Complexes
    powers: Floats
    counts: Floats

    def total(self, without: int | None = None) -> tuple[Complexes, Floats, float]:
        """Return the mean, the power's mean and the number of rows, less one group."""
        value, power, count = self.values.sum(0), self.powers.sum(0), float(self.counts.sum())
        if without is not None:
            value, power = value - self.values[without], power - self.powers[without]
            count -= float(self.counts[without])
        return value / count, power / count, count


def extremes_estimate(shots: Sequence[Floats]) -> ExtremeEstimate:
    """Estimate the peak-to-peak of the mean of a shot, less the mean of a floor where given.

    Parameters
    ----------
    shots : one or two (target, floor), each of shape (row, time), at least 2 rows.
    """
    length = shots[0].shape[1]
    segments = Segments(length)
    sums = [_sums(rows, segments) for rows in shots]
    whole = [s.total() for s in sums]
    value = _freed_peak_to_peak(segments, whole, whole)
    variances, freedoms = [], []
    for place, own in enumerate(sums):
        groups = own.counts.size
        left = np.array(
            [
                _freed_peak_to_peak(
                    segments, [*whole[:place], own.total(group), *whole[place + 1 :]], whole
                )
                for group in range(groups)
            ]
        )
        variances.append((groups - 1) * float(left.var()))
        freedoms.append(groups - 1.0)
    mean, raw = _mean_and_difference(shots)
    floor, spread, again = _noise_alone(shots, segments, whole)
    corrected = value**2 / again if again > 0 else value
    variances.append((value - corrected) ** 2)
    freedoms.append(np.inf)
    return ExtremeEstimate(
        value=corrected,
        linear=sum(variances),
        freedom=satterthwaite(variances, freedoms),
        seen=float(np.ptp(mean)),
        floor=floor,
        spread=spread,
        raw=raw,
    )


def freed_peak_to_peak(rows: Floats) -> float:
    """Return the peak-to-peak of the mean of rows, freed of noise."""
    segments = Segments(rows.shape[1])
    whole = [_sums(rows, segments).total()]
    return _freed_peak_to_peak(segments, whole, whole)


def places(mean: Floats) -> tuple[int, int]:
    """Return where the highest and the lowest sample of a mean lie."""
    return int(np.argmax(mean)), int(np.argmin(mean))


class Segments:
    """Overlapping segments of a record, and back (weighted overlap and add)."""

    def __init__(self, length: int) -> None:
        self.length = length
        self.size = min(SEGMENT, 1 << max(3, length.bit_length() - 1))
        self.hop = self.size // 2
        at = (np.arange(self.size) + 0.5) / self.size
        self.window: Floats = np.sin(np.pi * at)
        """The square root of a raised cosine: applied twice, neighbours add up to one."""
        self.pad = (self.hop, self.hop + (-length) % self.hop)

    def spectra(self, values: Floats) -> Complexes:
        """Return the spectra of all segments. Shape (..., segment, frequency)."""
        edges = [(0, 0)] * (values.ndim - 1) + [self.pad]
        padded = np.pad(values, edges)
        view = np.lib.stride_tricks.sliding_window_view(padded, self.size, axis=-1)
        spectra: Complexes = np.fft.rfft(view[..., :: self.hop, :] * self.window, axis=-1)
        return spectra

    def trace(self, spectra: Complexes) -> Floats:
        """Return the record that the segments make up. Shape (time,)."""
        pieces = np.fft.irfft(spectra, n=self.size, axis=-1) * self.window
        halves = pieces.reshape(pieces.shape[0], 2, self.hop)
        joined = np.zeros((pieces.shape[0] + 1, self.hop))
        joined[:-1] += halves[:, 0]
        joined[1:] += halves[:, 1]
        trace: Floats = joined.ravel()[self.hop : self.hop + self.length]
        return trace


def _sums(rows: Floats, segments: Segments) -> _Sums:
    """Return the sums over each group of rows."""
    count = rows.shape[0]
    groups = min(GROUPS, count)
    first = segments.spectra(rows[0])
    values = np.zeros((groups, *first.shape), dtype=np.complex128)
    powers = np.zeros(values.shape)
    for number, row in enumerate(rows):
        spectrum = segments.spectra(row)
        values[number % groups] += spectrum
        powers[number % groups] += spectrum.real**2 + spectrum.imag**2
    counts = np.bincount(np.arange(count) % groups).astype(np.float64)
    return _Sums(values, powers, counts)


def _freed_peak_to_peak(
    segments: Segments,
    means: Sequence[tuple[Complexes, Floats, float]],
    whole: Sequence[tuple[Complexes, Floats, float]],
) -> float:
    """Return the peak-to-peak of the difference of means, freed of noise."""
    return float(np.ptp(segments.trace(_freed(_difference(means), _noise_power(means, whole)))))


def _difference(means: Sequence[tuple[Complexes, Floats, float]]) -> Complexes:
    return means[0][0] - means[1][0] if len(means) > 1 else means[0][0]


def _noise_power(
    means: Sequence[tuple[Complexes, Floats, float]],
    whole: Sequence[tuple[Complexes, Floats, float]],
) -> Floats:
    """Return the smoothed power of noise in the difference of means."""
    noise = np.zeros(means[0][0].shape)
    for mean, full in zip(means, whole, strict=True):
        noise += _scatter(mean if mean[2] > 1 else full) / mean[2]
    return smooth(noise)


def _freed(difference: Complexes, noise: Floats) -> Complexes:
    """Return spectra with the gain for each frequency applied."""
    above = smooth(difference.real**2 + difference.imag**2)
    share = np.divide(noise, above, out=np.ones_like(above), where=above > 0)
    # Two roots make the power of 3/4 ten times faster than ** does.
    root = np.sqrt(np.clip(1 - share, 0.0, 1.0))
    freed: Complexes = difference * (root * np.sqrt(root))
    return freed


def _scatter(mean: tuple[Complexes, Floats, float]) -> Floats:
    """Return the power of what differs between rows, per row."""
    value, power, count = mean
    scatter: Floats = power - value.real**2 - value.imag**2
    return np.maximum(scatter, 0.0) * count / (count - 1)


def smooth(powers: Floats) -> Floats:
    """Return the running mean over `SMOOTH` frequencies, mirrored at the ends."""
    reach = min(SMOOTH, 2 * powers.shape[-1] - 1) // 2
    padded = np.pad(powers, ((0, 0), (reach + 1, reach)), mode="symmetric")
    total = np.cumsum(padded, axis=-1)
    width = 2 * reach + 1
    smoothed: Floats = (total[:, width:] - total[:, :-width]) / width
    return smoothed


def _mean_and_difference(shots: Sequence[Floats]) -> tuple[Floats, float]:
    """Return the mean, and the variance of the difference of its extremes."""
    mean: Floats = shots[0].mean(axis=0)
    if len(shots) > 1:
        mean = mean - shots[1].mean(axis=0)
    high, low = places(mean)
    contrasts = [rows[:, high] - rows[:, low] for rows in shots]
    return mean, sum(float(c.var(ddof=1)) / c.size for c in contrasts)


def _noise_alone(
    shots: Sequence[Floats],
    segments: Segments,
    whole: Sequence[tuple[Complexes, Floats, float]],
) -> tuple[float, float, float]:
    """Return what noise alone shows, and what the freed mean shows when noise is added again.

    The noise: the rows' deviations from their mean, with random normal weights: the event cancels,
    and the covariance of the mean remains. The weights are the same in every call.

    Returns
    -------
    Mean and standard deviation of the noise's peak-to-peak in the mean; mean of the freed
    peak-to-peak of the freed mean with that noise. [unit]
    """
    draw = np.random.default_rng(0)
    weights = []
    for rows in shots:
        count = rows.shape[0]
        drawn = draw.standard_normal((DRAWS, count))
        weights.append((drawn - drawn.mean(axis=1, keepdims=True)) / np.sqrt(count * (count - 1)))
    power = _noise_power(whole, whole)
    event = segments.spectra(segments.trace(_freed(_difference(whole), power)))
    found, again = np.empty(DRAWS), np.empty(DRAWS)
    for number in range(DRAWS):
        noise = np.zeros(shots[0].shape[1])
        for weight, rows in zip(weights, shots, strict=True):
            noise += weight[number] @ rows
        found[number] = np.ptp(noise)
        again[number] = np.ptp(segments.trace(_freed(event + segments.spectra(noise), power)))
    return float(found.mean()), float(found.std(ddof=1)), float(again.mean())
