"""The four floor corrections, as one literal table.

Each takes the same pair of shots and gives the level of the conducted current under its own
assumption, and the rigorous bounds that hold without that assumption. To add one, write its two
functions and add one line to `CORRECTIONS` (and its name to `inputs.Correction`).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np

from acquire.analysis.estimates import Estimate, ExtremeEstimate, Factor, SquaredEstimate
from acquire.analysis.extremes import extremes_estimate, freed_peak_to_peak
from acquire.analysis.inputs import Correction, Floats
from acquire.analysis.measures import Measure
from acquire.analysis.pickup import pickup_along
from acquire.analysis.quadratic import coherent_estimate, satterthwaite
from acquire.analysis.shots import Shot
from acquire.analysis.summary import TypeA, type_a

Bounds = tuple[float, float]


@dataclass(frozen=True, slots=True, eq=False)
class Pair:
    """A shot, the floor at its range, and the measure asked of them.

    Attributes
    ----------
    shot, floor : of the same quantity at the same vertical range.
    measure : one of `MEASURES`.
    members : record levels of each shot that was pooled into ``shot``.
    memo : estimates made so far, by correction; several results share a reference.
    """

    shot: Shot
    floor: Shot
    measure: Measure
    members: tuple[Floats, ...] = ()
    memo: dict[Correction, Estimate] = field(default_factory=dict)

    @property
    def observed(self) -> float:
        """Mean level of a record of the shot, as taken."""
        return float(self.shot.levels[self.measure.name].mean())

    @property
    def floor_level(self) -> float:
        """Mean level of a record of the floor, as taken."""
        return float(self.floor.levels[self.measure.name].mean())

    @property
    def pickup_repeatability(self) -> float:
        """Standard, relative, of the pickup between the shot and its floor. [1]"""
        return self.shot.capture.pickup_repeatability


@dataclass(frozen=True, slots=True)
class FloorCorrection:
    """One way to take the floor off.

    Attributes
    ----------
    right_when : the assumption, in a few words.
    estimate : pair -> level under that assumption.
    bounds : (pair, level as estimated, coverage factor) -> lowest and highest level that hold
        without it. [unit]
    """

    right_when: str
    estimate: Callable[[Pair], Estimate]
    bounds: Callable[[Pair, float, Factor], Bounds]


def coherent(measure: Measure, *shots: Shot) -> SquaredEstimate | ExtremeEstimate:
    """Return the level of the mean of a shot, less the mean of a floor where one is given."""
    if measure.basis is None:
        return extremes_estimate([shot.rows for shot in shots])
    return coherent_estimate([measure.basis(s.rows, s.capture.step) for s in shots])


def coherent_level(measure: Measure, shot: Shot) -> float:
    """Return the level of the part of a shot that repeats with the trigger. [unit]"""
    if measure.basis is None:
        return freed_peak_to_peak(shot.rows)
    return coherent(measure, shot).value


def estimate(pair: Pair, name: Correction) -> Estimate:
    """Return the level of a pair under one correction, computed once."""
    if name not in pair.memo:
        pair.memo[name] = CORRECTIONS[name].estimate(pair)
    return pair.memo[name]


def _freedom(one: TypeA, other: TypeA) -> float:
    return satterthwaite([one.variance, other.variance], [one.freedom, other.freedom])


def _none(pair: Pair) -> Estimate:
    seen = type_a(pair.shot.levels[pair.measure.name])
    return SquaredEstimate(
        seen.mean**2, seen.variance, 0.0, seen.freedom, seen.mean, pair.floor_level
    )


def _amplitude(pair: Pair) -> Estimate:
    seen = type_a(pair.shot.levels[pair.measure.name])
    floor = type_a(pair.floor.levels[pair.measure.name])
    rest = seen.mean - floor.mean
    variance = seen.variance + floor.variance
    return SquaredEstimate(
        squared=rest * abs(rest),
        linear=variance,
        quadratic=3 * variance**2,
        freedom=_freedom(seen, floor),
        seen=seen.mean,
        floor=floor.mean,
    )


def _power(pair: Pair) -> Estimate:
    seen = type_a(pair.shot.levels[pair.measure.name] ** 2)
    floor = type_a(pair.floor.levels[pair.measure.name] ** 2)
    null = floor.variance * (1 + pair.floor.repeats / pair.shot.repeats)
    clear = max(0.0, seen.variance + floor.variance - null)
    squared = seen.mean - floor.mean
    rest = SquaredEstimate(
        squared=squared,
        linear=clear / (4 * max(squared, np.sqrt(null), np.finfo(float).tiny)),
        quadratic=null,
        freedom=_freedom(seen, floor),
        seen=float(np.sqrt(seen.mean)),
        floor=float(np.sqrt(floor.mean)),
    )
    if pair.measure.basis is not None:
        return rest
    # The squares of extremes do not add up; by the triangle inequality the level lies between
    # seen - floor and seen, and anywhere there is as likely.
    half = max(rest.seen - rest.value, rest.value - rest.seen + rest.floor)
    return replace(rest, slack=half**2 / 3)


def _coherent(pair: Pair) -> Estimate:
    level = coherent(pair.measure, pair.shot, pair.floor)
    relative = pair.pickup_repeatability
    if relative == 0:
        return level
    floor = coherent_level(pair.measure, pair.floor)
    along = pickup_along(pair.measure, pair.shot, pair.floor)
    return level.with_pickup(relative * min(along, floor), relative * floor)


def _triangle(pair: Pair, level: float, factor: Factor) -> Bounds:  # noqa: ARG001
    return abs(pair.observed - pair.floor_level), pair.observed + pair.floor_level


def _cross_term(pair: Pair, level: float, factor: Factor) -> Bounds:  # noqa: ARG001
    """Solve M^2 + 2 M C cos = observed^2 - floor^2 for cos = -1 .. 1, C the coherent floor."""
    repeated = coherent_level(pair.measure, pair.floor)
    root = float(np.hypot(level, repeated))
    return root - repeated, root + repeated


def _pickup(pair: Pair, level: float, factor: Factor) -> Bounds:
    if pair.pickup_repeatability == 0:
        return level, level
    error = pair.pickup_repeatability * coherent_level(pair.measure, pair.floor)
    return max(0.0, level - factor.k * error), level + factor.k * error


CORRECTIONS: dict[Correction, FloorCorrection] = {
    "none": FloorCorrection("the floor is negligible; else a lower bound", _none, _triangle),
    "amplitude": FloorCorrection("pickup is in phase with the residual", _amplitude, _triangle),
    "power": FloorCorrection("pickup is independent of the residual", _power, _cross_term),
    "coherent": FloorCorrection(
        "the trigger is on the source event and the leads have not moved", _coherent, _pickup
    ),
}
