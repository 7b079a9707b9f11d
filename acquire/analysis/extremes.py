"""Peak-to-peak of a coherent mean, without counting noise as signal.

The largest sample of a noisy mean is chosen *because* its noise is high, so it overstates. Here
the places of the extremes are chosen on all rows but a few and read on those few (cross-fitting),
in turn; noise where it is read is then independent of the choice.
"""

from __future__ import annotations

import numpy as np

from acquire.analysis.estimates import Estimate
from acquire.analysis.inputs import Floats
from acquire.analysis.quadratic import satterthwaite

FOLDS = 16


def extremes_estimate(target: Floats, floor: Floats | None) -> Estimate:
    """Estimate the peak-to-peak of (mean of target rows - mean of floor rows).

    Parameters
    ----------
    target, floor : shape (row, time), at least 2 rows each.
    """
    mean = target.mean(axis=0)
    if floor is not None:
        mean = mean - floor.mean(axis=0)
    highs, lows = _places(target, floor)
    value = 0.0
    shots = [target] if floor is None else [target, floor]
    variances, freedoms = [], []
    folds = len(highs)
    for sign, shot in zip((1.0, -1.0), shots, strict=False):
        contrasts = np.empty(shot.shape[0])
        for fold, (high, low) in enumerate(zip(highs, lows, strict=True)):
            part = slice(fold, None, folds)
            contrasts[part] = shot[part, high] - shot[part, low]
        value += sign * float(contrasts.mean())
        variances.append(float(contrasts.var(ddof=1)) / contrasts.size)
        freedoms.append(contrasts.size - 1.0)
    variance = sum(variances)
    naive = float(np.ptp(mean))
    null = _null_spread(shots)
    return Estimate(
        squared=value * abs(value),
        linear=variance,
        quadratic=3 * variance**2,
        freedom=satterthwaite(variances, freedoms),
        seen=naive,
        floor=null,
        slack=(naive - value) ** 2 / 12,
    )


def _places(target: Floats, floor: Floats | None) -> tuple[list[int], list[int]]:
    """Return where the extremes lie when each fold of rows is left out in turn."""
    counts = [target.shape[0]] + ([] if floor is None else [floor.shape[0]])
    folds = min(FOLDS, *counts)
    sums = [target.sum(axis=0)] + ([] if floor is None else [floor.sum(axis=0)])
    highs, lows = [], []
    for fold in range(folds):
        part = slice(fold, None, folds)
        rest = (sums[0] - target[part].sum(axis=0)) / (counts[0] - target[part].shape[0])
        if floor is not None:
            others = counts[1] - floor[part].shape[0]
            rest = rest - (sums[1] - floor[part].sum(axis=0)) / others
        highs.append(int(np.argmax(rest)))
        lows.append(int(np.argmin(rest)))
    return highs, lows


def _null_spread(shots: list[Floats]) -> float:
    """Return the peak-to-peak that the mean shows by noise alone.

    Half of the rows of each shot against the other half: the signal cancels, the noise stays.
    """
    total = np.zeros(shots[0].shape[1])
    for shot in shots:
        signs = np.where(np.arange(shot.shape[0]) % 2 == 0, 1.0, -1.0)
        signs -= signs.mean()
        total += signs @ (shot - shot.mean(axis=0)) / shot.shape[0]
    return float(np.ptp(total))
