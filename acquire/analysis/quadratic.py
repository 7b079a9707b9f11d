"""Squared levels of coherent means without noise bias: products between different repeats.

For rows ``x_i = s + n_i`` the mean of ``x_i . x_j`` over ``i != j`` estimates ``s . s`` unbiased,
whatever the noise; the squared level of the mean trace overestimates it by ``tr(cov)/N``. For
target less floor the estimate is the same U-statistic of both shots:

    U = X - 2 (mean x).(mean y) + Y,   X = sum_{i != j} x_i.x_j / (N (N - 1)),   Y likewise

Everything follows from the Gram matrix of the rows, so a record of any length costs the same.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.linalg import block_diag, helmert

from acquire.analysis.estimates import SquaredEstimate
from acquire.analysis.inputs import Floats

TINY = float(np.finfo(float).tiny)


@dataclass(frozen=True, slots=True)
class Products:
    """Sums over the Gram matrix of one shot.

    ``coherent`` is the unbiased squared level of the mean, ``total`` the mean squared level of a
    row, ``incoherent`` their difference.
    """

    coherent: float
    total: float

    @property
    def incoherent(self) -> float:
        """Squared level of what does not repeat, per row."""
        return self.total - self.coherent


def products(gram: Floats) -> Products:
    """Return the coherent and the total squared level of a shot from its Gram matrix.

    Parameters
    ----------
    gram : shape (row, row), at least 2 rows.
    """
    count = gram.shape[0]
    trace = float(np.trace(gram))
    return Products((float(gram.sum()) - trace) / (count * (count - 1)), trace / count)


def coherent_estimate(shots: Sequence[Floats]) -> SquaredEstimate:
    """Estimate the level of the mean of a shot, less the mean of a floor where one is given.

    Parameters
    ----------
    shots : one or two (target, floor), each of shape (row, coordinate) in the measure's basis,
        at least 2 rows.
    """
    rows = np.concatenate(shots)
    sizes = [part.shape[0] for part in shots]
    gram: Floats = rows @ rows.T
    weights = np.repeat([1 / sizes[0], *(-1 / size for size in sizes[1:])], sizes)
    parts = _slices(sizes)
    sums = [products(gram[part, part]) for part in parts]
    noise = sum(max(0.0, p.incoherent) / size for p, size in zip(sums, sizes, strict=True))
    squared = float(weights @ gram @ weights) - noise
    first_order, freedom = _first_order(gram, weights, parts)
    quadratic, of_mean = _second_order(gram, sizes)
    # The scatter of the first-order terms holds the second-order variance twice.
    clear = max(0.0, first_order - 2 * quadratic) / (4 * max(np.sqrt(quadratic), squared, TINY))
    noise_freedom = max(1.0, 2 * noise**2 / max(of_mean, TINY))
    return SquaredEstimate(
        squared=squared,
        linear=clear,
        quadratic=quadratic,
        freedom=freedom,
        seen=float(np.sqrt(max(0.0, squared) + noise)),
        floor=float(np.sqrt(noise)),
        noise_freedom=(noise_freedom, noise_freedom * (sum(sizes) - len(sizes))),
    )


def _slices(sizes: Sequence[int]) -> list[slice]:
    ends = np.cumsum([0, *sizes])
    return [slice(int(a), int(b)) for a, b in itertools.pairwise(ends)]


def _first_order(gram: Floats, weights: Floats, parts: Sequence[slice]) -> tuple[float, float]:
    """Return the variance of the squared level's first-order terms, and its freedom.

    Term of row k: twice its deviation from its own mean, along (the mean of the others of its
    shot less the other shot's mean).
    """
    variances, freedoms = [], []
    for part in parts:
        along = np.sign(weights[part]) * (gram[part] @ weights)
        own = gram[part, part]
        size = own.shape[0]
        deviation = np.diag(own) - 2 * own.mean(axis=1) + own.mean()
        term = along - deviation / (size - 1)
        variances.append(4 * float(term.var(ddof=1)) / size)
        freedoms.append(size - 1.0)
    return sum(variances), satterthwaite(variances, freedoms)


def _second_order(gram: Floats, sizes: Sequence[int]) -> tuple[float, float]:
    """Return the variance without a signal of the estimate, and of the mean's squared level.

    The latter is twice the trace of the squared covariance of the difference of the means; the
    estimate's own is larger, for it also has to learn the noise from the same rows. Orthonormal
    contrasts of the rows of a shot are free of the signal and have the covariance of one row; the
    product of two different contrasts has the trace of (the product of) the covariances as its
    mean square.
    """
    contrasts = block_diag(*(helmert(size) for size in sizes))
    squares = (contrasts @ gram @ contrasts.T) ** 2
    parts = _slices([size - 1 for size in sizes])
    estimate = mean = 0.0
    for a, part in enumerate(parts):
        for b, other in enumerate(parts):
            block = squares[part, other]
            count = block.shape[0]
            if a != b:
                trace = float(block.mean())
            elif count > 1:
                trace = (float(block.sum()) - float(np.trace(block))) / (count * (count - 1))
            else:  # two rows: the square of the one contrast's square, far too large, so safe
                trace = float(block[0, 0])
            mean += 2 * trace / (sizes[a] * sizes[b])
            estimate += 2 * trace / (sizes[a] * (sizes[b] if a != b else sizes[b] - 1))
    return estimate, mean


def satterthwaite(variances: Sequence[float], freedoms: Sequence[float]) -> float:
    """Return the effective degrees of freedom of a sum of variances (GUM equation G.2b)."""
    total = sum(variances)
    below = sum(v * v / f for v, f in zip(variances, freedoms, strict=True) if np.isfinite(f))
    return float(total * total / below) if below > 0 else float("inf")
