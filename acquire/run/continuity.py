"""Whether a protective conductor still conducts after a change of condition.

A 4-wire reading leaves out the leads. It is a check before a measurement, at the small current of
an ohmmeter: it says nothing of a fault current, and replaces no inspection.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from acquire.errors import ContinuityError
from acquire.quantities import format_quantity
from drivers.ohmmeter import Ohmmeter

READINGS = 3
"""The largest of these counts: one lucky reading must not pass a bad joint."""


@dataclass(frozen=True, slots=True)
class Continuity:
    """The largest reading (``inf`` = open) against the limit. [ohm]"""

    condition: str
    ohms: float
    limit: float

    @property
    def passed(self) -> bool:
        """Whether the conductor is good enough; NaN and infinity are not."""
        return math.isfinite(self.ohms) and self.ohms <= self.limit


def measure(ohmmeter: Ohmmeter, condition: str, limit: float) -> Continuity:
    """Measure once the condition stands. Raises what the driver raises."""
    readings = [ohmmeter.resistance_4_wire() for _ in range(READINGS)]
    worst = math.inf if any(math.isnan(r) for r in readings) else max(map(abs, readings))
    return Continuity(condition, worst, limit)


def require(found: Continuity, conductor: str) -> None:
    """Stop the run where the check failed.

    Raises
    ------
    ContinuityError
        Naming what was found, what was expected and what to do.
    """
    if found.passed:
        return
    shown = "open" if math.isinf(found.ohms) else format_quantity(found.ohms, "ohm")
    raise ContinuityError(
        f"{conductor} in the condition {found.condition} measures {shown}; at most "
        f"{format_quantity(found.limit, 'ohm')} is allowed (4-wire). The run stops here and is "
        "kept. Have the joints, the relays and the candidate checked before it goes on"
    )
