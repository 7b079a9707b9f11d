"""Whether a shot looks like what it is said to be.

A relay that stuck still answers that it switched. The levels of the shots are independent evidence:
a reference far below the opening one has perhaps a candidate in circuit, and a target as high as
the reference has perhaps none. Nothing is decided by it; it is told, stored, and stands in the
result.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from acquire.analysis.inputs import Role
from acquire.runfile.records import Event

REFERENCE_APART = 3.0
"""A reference this far from the opening one is suspect (or twice the drift allowance). [dB]"""
TARGET_LIKE = 0.5
"""A target this close to the reference is suspect. [dB]"""


@dataclass(frozen=True, slots=True)
class LevelSeen:
    """Mean peak of each quantity in one shot. [V]"""

    shot: str
    role: Role
    condition: str
    peaks: Mapping[str, float]


@dataclass(frozen=True, slots=True)
class Suspicion:
    """Why a shot does not look like what it is said to be. ``db`` is its level over ``against``."""

    shot: str
    against: str
    quantity: str
    db: float
    text: str


def suspicions(
    shot: LevelSeen, earlier: Sequence[LevelSeen], currents: Sequence[str], drift_allowance: float
) -> Iterator[Suspicion]:
    """Yield what is suspect about a finished shot.

    Parameters
    ----------
    shot, earlier : levels.
    currents : quantities that a candidate is meant to change.
    drift_allowance : of the recipe. [dB]
    """
    opening = next((seen for seen in earlier if seen.role == "reference"), None)
    if opening is None:
        return
    for quantity in currents:
        over = _db(shot.peaks.get(quantity), opening.peaks.get(quantity))
        if over is None:
            continue
        if shot.role == "reference" and abs(over) > max(REFERENCE_APART, 2 * drift_allowance):
            yield _reference(shot, opening, earlier, quantity, over)
        if shot.role == "target" and abs(over) < TARGET_LIKE:
            yield Suspicion(
                shot.shot, opening.shot, quantity, over,
                f"{shot.shot}: {quantity} is within {TARGET_LIKE:g} dB of {opening.shot}; the "
                "candidate does nothing here, or is not in circuit (check the relay or the wiring)",
            )  # fmt: skip


def _reference(
    shot: LevelSeen, opening: LevelSeen, earlier: Sequence[LevelSeen], quantity: str, over: float
) -> Suspicion:
    text = f"{shot.shot}: {quantity} is {over:+.1f} dB from the opening reference {opening.shot}"
    twin = _nearest_target(shot, earlier, quantity)
    if twin is not None and abs(twin[1]) < abs(over):
        text += (
            f" and looks like {twin[0].shot}: that candidate may still be in circuit (check the "
            "relay or the wiring)"
        )
    else:
        text += "; the source changed, or the condition is not the one that was asked for"
    return Suspicion(shot.shot, opening.shot, quantity, over, text)


def _nearest_target(
    shot: LevelSeen, earlier: Sequence[LevelSeen], quantity: str
) -> tuple[LevelSeen, float] | None:
    apart = [
        (seen, over)
        for seen in earlier
        if seen.role == "target"
        and (over := _db(shot.peaks.get(quantity), seen.peaks.get(quantity))) is not None
    ]
    return min(apart, key=lambda pair: abs(pair[1]), default=None)


def _db(one: float | None, other: float | None) -> float | None:
    return 20 * math.log10(one / other) if one and other else None


def levels_of(events: Iterable[Event]) -> list[LevelSeen]:
    """Return the levels of the shots that an event log tells of, in order."""
    found = []
    for event in events:
        if event.name == "shot_stored":
            data: Mapping[str, Any] = event.data
            found.append(
                LevelSeen(data["shot"], data["role"], data["condition"], dict(data["peaks"]))
            )
    return found
