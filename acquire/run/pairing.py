"""Which floor belongs to a shot: the one taken at its own vertical range, nearest in time."""

from __future__ import annotations

from collections.abc import Sequence

from acquire.analysis.inputs import Capture


def floor_of(capture: Capture, captures: Sequence[Capture]) -> Capture | None:
    """Return the floor that corrects ``capture``; None where no usable one was taken.

    A floor taken at another vertical range, or with records of another length, never corrects.
    """
    floors = [
        c
        for c in captures
        if c.role == "floor"
        and c.quantity == capture.quantity
        and not c.faults
        and abs(c.vertical_range / capture.vertical_range - 1) < 1e-6
        and c.codes.shape[1] == capture.codes.shape[1]
    ]
    return min(floors, key=lambda c: abs(c.order - capture.order), default=None)
