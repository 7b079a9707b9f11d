"""Means over repeats, floors subtracted, and what the repeats tell of the uncertainty.

Both functions return (observed, floor, net, standard uncertainty of net, degrees of freedom), each
of shape (bins,), as power densities.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from acquire.analysis.inputs import Floats
from acquire.analysis.spectrum_grid import Grid, Traces, row_blocks

FEWEST_GROUPS = 3
"""A coherent mean's noise, and the spread of that, need so many groups of repeats."""
_GROUPS = 16
_GROUP_MEMORY = 1 << 26
"""Mean traces of groups hold at most so many samples together."""

Numbers = tuple[Floats, Floats, Floats, Floats, Floats]


def net_power(grid: Grid, volts: Traces, floor: Traces | None) -> Numbers:
    """Subtract mean powers: right where the floor is independent of the shot."""
    observed, variance = _mean_density(grid, volts)
    degrees = np.full(observed.shape, volts.shape[0] - 1.0)
    if floor is None:
        return observed, np.zeros_like(observed), observed, np.sqrt(variance), degrees
    level, spread = _mean_density(grid, floor)
    degrees = satterthwaite((variance, degrees), (spread, degrees * 0.0 + floor.shape[0] - 1.0))
    return observed, level, observed - level, np.sqrt(variance + spread), degrees


def _mean_density(grid: Grid, traces: Traces) -> tuple[Floats, Floats]:
    """Return the mean over repeats and the variance of that mean, in one pass over blocks."""
    mean = squares = np.zeros(grid.starts.size)
    count = 0
    for block in row_blocks(traces):
        density = grid.density(block)
        rows, here = len(density), density.mean(axis=0)
        # Merging of means and sums of squares: Chan, Golub and LeVeque, 1979.
        shift = here - mean
        squares = squares + ((density - here) ** 2).sum(axis=0)
        squares = squares + shift**2 * (count * rows / (count + rows))
        mean = mean + shift * (rows / (count + rows))
        count += rows
    return mean, squares / ((count - 1) * count)


def net_coherent(
    grid: Grid, volts: Traces, floor: Traces | None, pickup_repeatability: float
) -> Numbers:
    """Subtract mean traces; the floor of this way is the noise that the means still carry."""
    shot = _Groups.of(grid, volts)
    pickup = None if floor is None else _Groups.of(grid, floor)
    minus = np.zeros(grid.samples) if pickup is None else pickup.mean
    noise = 0.0 if pickup is None else pickup.noise
    observed = grid.density((shot.mean - minus)[None])[0]
    left = shot.noise + noise
    variance = _jackknife(
        [
            grid.density((mean - minus)[None])[0] - rest - noise
            for mean, rest in shot.without_each(grid)
        ]
    )
    degrees = np.full(observed.shape, len(shot.weights) - 1.0)
    if pickup is not None:
        spread = _jackknife(
            [
                grid.density((shot.mean - mean)[None])[0] - rest - shot.noise
                for mean, rest in pickup.without_each(grid)
            ]
        )
        degrees = satterthwaite(
            (variance, degrees), (spread, degrees * 0.0 + len(pickup.weights) - 1.0)
        )
        coherent = np.maximum(grid.density(pickup.mean[None])[0] - pickup.noise, 0.0)
        unsteady = pickup_repeatability**2 * coherent
        residual = np.maximum(observed - left, 0.0)
        variance = variance + spread + 2.0 * residual * unsteady + unsteady**2
    return observed, left, observed - left, np.sqrt(variance), degrees


@dataclass(frozen=True, slots=True, eq=False)
class _Groups:
    """Mean traces of groups of repeats.

    ``means`` has shape (groups, time); ``weights`` the share of repeats in each; ``mean`` is of
    all; ``density`` that of each group mean; ``noise`` the density that noise leaves on ``mean``.
    """

    means: Floats
    weights: Floats
    mean: Floats
    density: Floats
    noise: Floats

    @classmethod
    def of(cls, grid: Grid, traces: Traces) -> _Groups:
        repeats, samples = traces.shape
        count = min(repeats, _GROUPS, max(FEWEST_GROUPS, _GROUP_MEMORY // samples))
        edges = [repeats * i // count for i in range(count + 1)]
        means = np.zeros((count, samples))
        for group, (start, stop) in enumerate(itertools.pairwise(edges)):
            for block in row_blocks(traces, start, stop):
                means[group] += block.sum(axis=0, dtype=np.float64)
            means[group] /= stop - start
        weights = np.diff(edges) / repeats
        mean = weights @ means
        density = np.stack([grid.density(row[None])[0] for row in means])
        noise = _noise_of_mean(weights, density, grid.density(mean[None])[0])
        return cls(means, weights, mean, density, noise)

    def without_each(self, grid: Grid) -> Iterator[tuple[Floats, Floats]]:
        """Yield (mean, noise of that mean) with one group after another left out."""
        for left_out, weight in enumerate(self.weights):
            kept = np.arange(len(self.weights)) != left_out
            mean = (self.mean - weight * self.means[left_out]) / (1.0 - weight)
            noise = _noise_of_mean(
                self.weights[kept] / (1.0 - weight),
                self.density[kept],
                grid.density(mean[None])[0],
            )
            yield mean, noise


def _noise_of_mean(weights: Floats, density: Floats, of_mean: Floats) -> Floats:
    """Return the noise power on a mean from that of its groups.

    With n_g of n repeats in group g, and noise power s of one repeat, the weighted mean of group
    powers exceeds the power of the mean by ``s * groups / n - s / n``, whatever the signal.
    """
    return np.asarray((weights @ density - of_mean) / (len(weights) - 1))


def _jackknife(without: list[Floats]) -> Floats:
    """Return the variance of a statistic from its values with one group left out each."""
    values = np.stack(without)
    return np.asarray((len(values) - 1) * values.var(axis=0))


def satterthwaite(*terms: tuple[Floats, Floats]) -> Floats:
    """Return effective degrees of freedom of a sum of (variance, degrees) (GUM G.4.1)."""
    total = np.sum([variance for variance, _ in terms], axis=0)
    parts = np.sum([variance**2 / degrees for variance, degrees in terms], axis=0)
    fewest = np.min([degrees for _, degrees in terms], axis=0)
    effective = np.array(fewest, dtype=np.float64)
    np.divide(total**2, parts, out=effective, where=parts > 0.0)
    return effective
