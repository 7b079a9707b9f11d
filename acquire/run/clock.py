"""Two clocks: the wall clock says when, the monotonic clock says how long.

The wall clock may be set while a run goes on (by a person, by the network, at a summer time
change that somebody made by hand). Intervals inside a run therefore come from the monotonic clock
alone, and a jump of the wall clock against it is told.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta

JUMP = 1.0
"""A difference between the clocks that is told. [s]"""


def _now() -> datetime:
    return datetime.now(UTC)


@dataclass(slots=True)
class RunClock:
    """Time since the run's zero, over restarts too.

    Attributes
    ----------
    zero : when the run was started. [UTC]
    wall, monotonic : the clocks. [UTC, s]
    """

    zero: datetime
    wall: Callable[[], datetime] = _now
    monotonic: Callable[[], float] = time.monotonic
    _anchor: float = field(init=False)
    _at_anchor: float = field(init=False)
    _jumped: float = field(init=False, default=0.0)

    def __post_init__(self) -> None:
        self._anchor = self.monotonic()
        self._at_anchor = (self.wall() - self.zero).total_seconds()

    def since_zero(self, monotonic: float | None = None) -> float:
        """Return the time from the run's zero to a reading of the monotonic clock, or now. [s]"""
        at = self.monotonic() if monotonic is None else monotonic
        return self._at_anchor + at - self._anchor

    def utc(self) -> datetime:
        """Return the time that a wall clock nobody touched would show. [UTC]"""
        return self.zero + timedelta(seconds=self.since_zero())

    def jump(self) -> float | None:
        """Return by how much the wall clock jumped since this was asked last, or None. [s]"""
        apart = (self.wall() - self.zero).total_seconds() - self.since_zero()
        moved = apart - self._jumped
        if abs(moved) < JUMP:
            return None
        self._jumped = apart
        return moved
