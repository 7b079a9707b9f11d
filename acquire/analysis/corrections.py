"""The four floor corrections, as one literal table.

Each takes the same pair of shots and gives the level of the conducted current under its own
assumption, and the rigorous bounds that hold without that assumption. To add one, write its two
functions and add one line to `CORRECTIONS`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from acquire.analysis.estimates import Estimate
from acquire.analysis.extremes import extremes_estimate
from acquire.analysis.inputs import Correction, Floats
from acquire.analysis.measures import Measure
from acquire.analysis.quadratic import coherent_estimate, satterthwaite
from acquire.analysis.shots import Shot

Bounds = tuple[float, float]


@dataclass(frozen=True, slots=True, eq=False)
class Pair:
    """A shot, the floor at its range, and the measure asked of them.

    Attributes
    ----------
    shot, floor : of the same quantity at the same vertical range.
    measure : one of `MEASURES`.
    pickup_error : standard, how far the pickup differs between the two shots. [unit]
    """

    shot: Shot
    floor: Shot
    measure: Measure
    pickup_error: float = 0.0

    @property
    def observed(self) -> float:
        """Mean level of a record of the shot, as taken."""
        return float(self.shot.levels[self.measure.name].mean())

    @property
    def floor_level(self) -> float:
        """Mean level of a record of the floor, as taken."""
        return float(self.floor.levels[self.measure.name].mean())


@dataclass(frozen=True, slots=True)
class FloorCorrection:
    """One way to take the floor off.

    Attributes
    ----------
    right_when : the assumption, in a few words.
    estimate : pair -> level under that assumption.
    bounds : (pair, coverage factor) -> lowest and highest level that hold without it. [unit]
    """

    right_when: str
    estimate: Callable[[Pair], Estimate]
    bounds: Callable[[Pair, float], Bounds]


def coherent_floor(pair_floor: Shot, measure: Measure) -> float:
    """Return the level of the floor's part that repeats with the trigger. [unit]"""
    return shot_estimate(pair_floor, None, measure).value


def shot_estimate(shot: Shot, floor: Shot | None, measure: Measure) -> Estimate:
    """Return the coherent estimate of a shot, less a floor where one is given."""
    rows = [s.rows for s in (shot, floor) if s is not None]
    if measure.basis is None:
        return extremes_estimate(rows[0], rows[1] if floor is not None else None)
    based = [measure.basis(part, shot.capture.step) for part in rows]
    return coherent_estimate(based[0], based[1] if floor is not None else None)


def _mean_and_variance(levels: Floats) -> tuple[float, float, float]:
    """Return the mean, the variance of the mean and its freedom (GUM 4.2)."""
    size = levels.size
    variance = float(levels.var(ddof=1)) / size if size > 1 else float("nan")
    return float(levels.mean()), variance, size - 1.0


def _none(pair: Pair) -> Estimate:
    level, variance, freedom = _mean_and_variance(pair.shot.levels[pair.measure.name])
    return Estimate(level**2, variance, 0.0, freedom, level, pair.floor_level)


def _amplitude(pair: Pair) -> Estimate:
    level, variance, freedom = _mean_and_variance(pair.shot.levels[pair.measure.name])
    under, below, other = _mean_and_variance(pair.floor.levels[pair.measure.name])
    rest = level - under
    return Estimate(
        squared=rest * abs(rest),
        linear=variance + below,
        quadratic=3 * (variance + below) ** 2,
        freedom=satterthwaite([variance, below], [freedom, other]),
        seen=level,
        floor=under,
    )


def _power(pair: Pair) -> Estimate:
    squares = pair.shot.levels[pair.measure.name] ** 2
    level, variance, freedom = _mean_and_variance(squares)
    under, below, other = _mean_and_variance(pair.floor.levels[pair.measure.name] ** 2)
    null = below * (1 + pair.floor.repeats / pair.shot.repeats)
    clear = max(0.0, variance + below - null)
    squared = level - under
    return Estimate(
        squared=squared,
        linear=clear / (4 * max(squared, np.sqrt(null), np.finfo(float).tiny)),
        quadratic=null,
        freedom=satterthwaite([variance, below], [freedom, other]),
        seen=float(np.sqrt(level)),
        floor=float(np.sqrt(under)),
    )


def _coherent(pair: Pair) -> Estimate:
    return shot_estimate(pair.shot, pair.floor, pair.measure).with_pickup(pair.pickup_error)


def _triangle(pair: Pair, k: float) -> Bounds:  # noqa: ARG001 - one signature for all
    return abs(pair.observed - pair.floor_level), pair.observed + pair.floor_level


def _cross_term(pair: Pair, k: float) -> Bounds:  # noqa: ARG001 - one signature for all
    """Solve M^2 + 2 M C cos + floor^2 = observed^2 for cos = -1 .. 1, C the coherent floor."""
    coherent = coherent_floor(pair.floor, pair.measure)
    squared = max(0.0, _power(pair).squared)
    root = float(np.sqrt(squared + coherent**2))
    return root - coherent, root + coherent


def _pickup(pair: Pair, k: float) -> Bounds:
    level = shot_estimate(pair.shot, pair.floor, pair.measure).value
    return max(0.0, level - k * pair.pickup_error), level + k * pair.pickup_error


CORRECTIONS: dict[Correction, FloorCorrection] = {
    "none": FloorCorrection("the floor is negligible; else a lower bound", _none, _triangle),
    "amplitude": FloorCorrection("pickup is in phase with the residual", _amplitude, _triangle),
    "power": FloorCorrection("pickup is independent of the residual", _power, _cross_term),
    "coherent": FloorCorrection(
        "the trigger is on the source event and the leads have not moved", _coherent, _pickup
    ),
}
