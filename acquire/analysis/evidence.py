"""Which correction does the evidence support? Tested, and said in one sentence.

The coherent correction rests on events that repeat. Both parts of that can be tested: how much of
the floor repeats with the trigger, and whether the target scatters from record to record by more
than the floor does. The test uses squared levels: RMS, or the band's own level.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy import special

from acquire.analysis.estimates import Factor
from acquire.analysis.inputs import Correction, Floats
from acquire.analysis.measures import Measure, rms_basis
from acquire.analysis.quadratic import coherent_estimate, products
from acquire.analysis.shots import Shot

Basis = Callable[[Floats, float], Floats]

SIGNIFICANCE = 0.01
"""Probability of taking scatter for a signal."""

UNREPEATED = 0.1
"""Part of the event's squared level that may scatter before the mean is not the event. [1]

0.1 makes the level of the mean up to 0.46 dB lower than that of the event."""


@dataclass(frozen=True, slots=True)
class Repetition:
    """How one shot repeats.

    Attributes
    ----------
    coherent : part of the shot's squared level that repeats with the trigger. [1]
    significant : whether that part is beyond chance.
    excess : squared scatter between records beyond the floor's, relative to the squared coherent
        level of the conducted current; 0 where not significant. [1]
    """

    coherent: float
    significant: bool
    excess: float


class Evidence:
    """Tests each shot once for all measures that rest on the same levels."""

    def __init__(self) -> None:
        self._known: dict[tuple[Shot, Shot | None, Basis], Repetition] = {}

    def repetition(self, shot: Shot, floor: Shot | None, measure: Measure) -> Repetition:
        """Return how a shot repeats, against the floor at its range."""
        key = (shot, floor, measure.basis or rms_basis)
        if key not in self._known:
            self._known[key] = repetition(shot, floor, measure)
        return self._known[key]


def repetition(shot: Shot, floor: Shot | None, measure: Measure) -> Repetition:
    """Test how a shot repeats, against the floor at its range."""
    own, scatter = _based(shot, measure)
    sums = products(own @ own.T)
    group = shot.repeats / own.shape[0]
    total = sums.coherent + group * sums.incoherent
    alone = coherent_estimate([own])
    significant = alone.detected(Factor(float(special.ndtri(1 - SIGNIFICANCE)), SIGNIFICANCE))
    part = min(1.0, max(0.0, sums.coherent / total)) if total > 0 else 0.0
    if floor is None:
        return Repetition(part, significant, 0.0)
    other, floor_scatter = _based(floor, measure)
    excess = float(scatter.mean() - floor_scatter.mean())
    error = float(
        np.sqrt(scatter.var(ddof=1) / scatter.size + floor_scatter.var(ddof=1) / floor_scatter.size)
    )
    freedom = min(scatter.size, floor_scatter.size) - 1
    beyond = excess > float(special.stdtrit(freedom, 1 - SIGNIFICANCE)) * error
    level = coherent_estimate([own, other]).squared
    relative = excess / max(level, excess) if beyond and excess > 0 else 0.0
    return Repetition(part, significant, relative)


def choose(target: Repetition, reference: Repetition, floor: Repetition) -> tuple[Correction, str]:
    """Return the correction that the evidence supports, and why."""
    repeats = (
        f"{100 * floor.coherent:.3g} % of the floor's power repeats with the trigger"
        f" ({'significant' if floor.significant else 'not beyond chance'}), "
        f"{100 * target.coherent:.3g} % of the target's, {100 * reference.coherent:.3g} % of the"
        " reference's"
    )
    worst = max(target.excess, reference.excess)
    if worst <= UNREPEATED:
        return "coherent", f"coherent: the events repeat; {repeats}"
    return "power", (
        f"power: the events do not repeat (scatter beyond the floor's is {100 * worst:.3g} % of "
        f"the power), and power subtraction does not rest on repetition; {repeats}"
    )


def _based(shot: Shot, measure: Measure) -> tuple[Floats, Floats]:
    """Return the rows in the measure's basis, and each row's squared scatter per record."""
    basis = measure.basis if measure.basis is not None else rms_basis
    rows = basis(shot.rows, shot.capture.step)
    rest = rows - rows.mean(axis=0)
    count = rows.shape[0]
    scale = shot.repeats / count * count / max(1, count - 1)
    scatter: Floats = np.einsum("ij,ij->i", rest, rest) * scale
    return rows, scatter
