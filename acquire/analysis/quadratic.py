"""Squared levels of coherent means without noise bias: products between different repeats.

For rows ``x_i = s + n_i`` the mean of ``x_i . x_j`` over ``i != j`` estimates ``s . s`` unbiased,
whatever the noise; the squared level of the mean trace overestimates it by ``tr(cov)/N``. For
target less floor the estimate is the same U-statistic of both shots:

    U = X - 2 (mean x).(mean y) + Y,   X = sum_{i != j} x_i.x_j / (N (N - 1)),   Y likewise

Everything follows from the Gram matrix of the rows, so a record of any length costs the same.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.linalg import helmert

from acquire.analysis.estimates import Estimate
from acquire.analysis.inputs import Floats


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
    """Return the coherent and the total squared level of a shot from its Gram matrix."""
    count = gram.shape[0]
    trace = float(np.trace(gram))
    if count < 2:
        return Products(trace, trace)
    return Products((float(gram.sum()) - trace) / (count * (count - 1)), trace / count)


def coherent_estimate(target: Floats, floor: Floats | None) -> Estimate:
    """Estimate the level of (mean of target rows - mean of floor rows).

    Parameters
    ----------
    target, floor : rows in the measure's basis, shape (row, coordinate), at least 2 rows each.
    """
    count = target.shape[0]
    rows = target if floor is None else np.concatenate([target, floor])
    gram = rows @ rows.T
    own = products(gram[:count, :count])
    squared = own.coherent
    noise = own.incoherent / count
    if floor is not None:
        other = products(gram[count:, count:])
        squared += other.coherent - 2 * float(gram[:count, count:].mean())
        noise += other.incoherent / floor.shape[0]
    linear, freedom = _linear(gram, count, squared)
    quadratic, pairs = _quadratic(gram, count)
    # The scatter of the first-order terms holds the second-order variance twice.
    over = max(np.sqrt(quadratic), squared, np.finfo(float).tiny)
    clear = max(0.0, linear - 2 * quadratic) / (4 * over)
    return Estimate(
        squared=squared,
        linear=clear,
        quadratic=quadratic,
        freedom=freedom,
        seen=float(np.sqrt(max(0.0, squared) + noise)),
        floor=float(np.sqrt(noise)),
        quadratic_freedom=pairs,
    )


def _linear(gram: Floats, count: int, squared: float) -> tuple[float, float]:  # noqa: ARG001
    """Return the variance of the squared level's first-order terms, and its freedom.

    Term of row k: twice its deviation from its own mean, along (the mean of the others less the
    other shot's mean).
    """
    variances, freedoms = [], []
    weights = np.zeros(gram.shape[0])
    weights[:count] = 1 / count
    if gram.shape[0] > count:
        weights[count:] = -1 / (gram.shape[0] - count)
    for part in (slice(0, count), slice(count, gram.shape[0])):
        size = gram[part, part].shape[0]
        if size < 2:
            continue
        along = gram[part] @ weights
        own = gram[part, part]
        own_mean = own.mean(axis=1)
        deviation = np.diag(own) - 2 * own_mean + own.mean()
        sign = 1.0 if part.start == 0 else -1.0
        term = sign * (along - along.mean()) - deviation / (size - 1)
        variances.append(4 * float(term.var(ddof=1)) / size)
        freedoms.append(size - 1.0)
    return sum(variances), satterthwaite(variances, freedoms)


def _quadratic(gram: Floats, count: int) -> tuple[float, float]:
    """Return twice the trace of the squared covariance of the difference, and its freedom.

    Orthonormal contrasts of the rows are free of the signal and have the covariance of one row;
    the product of two different contrasts has the trace of the squared covariance as its mean
    square.
    """
    sizes = [count] + ([gram.shape[0] - count] if gram.shape[0] > count else [])
    blocks = np.zeros((sum(size - 1 for size in sizes), gram.shape[0]))
    row = column = 0
    for size in sizes:
        blocks[row : row + size - 1, column : column + size] = helmert(size)
        row, column = row + size - 1, column + size
    inner = (blocks @ gram @ blocks.T) ** 2
    first = sizes[0] - 1
    total, pairs = 0.0, 0.0
    for a, size_a in enumerate(sizes):
        for b, size_b in enumerate(sizes):
            piece = inner[
                slice(0, first) if a == 0 else slice(first, None),
                slice(0, first) if b == 0 else slice(first, None),
            ]
            if a == b:
                off = size_a - 1
                if off < 2:
                    total += 2 * float(np.trace(piece)) / (size_a * size_b)
                    pairs += 1
                    continue
                mean = (float(piece.sum()) - float(np.trace(piece))) / (off * (off - 1))
                pairs += off * (off - 1) / 2
            else:
                mean = float(piece.mean())
                pairs += piece.size / 2
            total += 2 * mean / (size_a * size_b)
    return total, pairs


def satterthwaite(variances: list[float], freedoms: list[float]) -> float:
    """Return the effective degrees of freedom of a sum of variances (GUM equation G.2b)."""
    total = sum(variances)
    below = sum(v * v / f for v, f in zip(variances, freedoms, strict=True) if np.isfinite(f))
    return float(total * total / below) if below > 0 else float("inf")
