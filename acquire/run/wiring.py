"""A look at every wired input, by name, without a trigger: its level and its noise at each range.

The rules of this file:

* What is recorded here is no data. It is recorded without a trigger, looked at and dropped; nothing
  of it is stored, and every sentence about it says so.
* Nothing is judged but what cannot be right: an input that clips at its largest range, or shows
  not even noise at its smallest.
* From the largest range down, and for each input no further than it clips: what clips at one range
  clips at every smaller one, and no input is driven further beyond its range than need be.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import zip_longest

import numpy as np

from acquire.quantities import format_quantity
from acquire.run.setup import ScopeSetup
from drivers.scope import AcquisitionStatus
from drivers.trace import Trace

PATIENCE = 5.0
"""For one record without a trigger, beside its own length. [s]"""
MOST = 16
"""Ranges that are looked at; of more, so many, evenly spread. 1-2-5 steps from 1 mV make 13."""
LONG = 10.0
"""That all records together may last; of long records fewer are taken, but two at least. [s]"""
_PIECE = 1 << 20  # samples that are looked at together; a deep record is not doubled in memory


@dataclass(frozen=True, slots=True)
class Look:
    """One input at one range.

    Attributes
    ----------
    vertical_range : full scale. [V]
    level : mean of the record. [V]
    noise : rms about the mean. [V]
    clipped : whether samples lie at the ends of the range.
    flat : whether all samples are the same code.
    """

    vertical_range: float
    level: float
    noise: float
    clipped: bool
    flat: bool

    def __str__(self) -> str:
        scale = format_quantity(self.vertical_range, "V")
        if self.clipped:
            return f"{scale}: clips"
        numbers = (format_quantity(value, "V", 2) for value in (self.level, self.noise))
        return f"{scale}: {', '.join(numbers)}"


@dataclass(frozen=True, slots=True)
class InputSeen:
    """What one input showed, from its largest range down to where it clips.

    Attributes
    ----------
    quantity, channel, probe : which input, in the words of the bench profile.
    looks : one per range; none where no record came.
    complete : whether a record came at every range that was asked for.
    """

    quantity: str
    channel: int
    probe: str
    looks: tuple[Look, ...]
    complete: bool = True

    @property
    def suspect(self) -> str:
        """What cannot be right, or an empty text."""
        if not self.looks:
            return "no record came; it cannot be said whether anything is connected"
        if self.looks[0].clipped:
            return "it clips at its largest range; look at probe, attenuator and what is connected"
        if self.looks[-1].clipped:
            return ""
        if not self.complete:
            return "no record came at the smaller ranges"
        if self.looks[-1].flat:
            return "not even noise at its smallest range; is its input on, and anything connected?"
        return ""

    def __str__(self) -> str:
        shown = "; ".join(map(str, self.looks))
        text = f"{self.quantity} through {self.probe}, recorded without a trigger, no data"
        text += f"; full scale: level, noise rms = {shown}" if shown else ""
        return f"{text}. {self.suspect[:1].upper()}{self.suspect[1:]}" if self.suspect else text


def look(setup: ScopeSetup) -> Iterator[InputSeen]:
    """Record once at each range that may be used, and yield what each input showed.

    The scope is left at the ranges where it stood, its sweep normal.

    Raises
    ------
    DriverError, InstrumentFault
        RequestError where the scope cannot record without a trigger.
    """
    before = {quantity: s.vertical_range for quantity, s in setup.wanted.items()}
    most = max(2, min(MOST, int(LONG / setup.recipe.acquisition.duration)))
    ranges = {
        q: spread([r for r in setup.ranges(q) if r >= setup.at_least(q)], most)
        for q in setup.bound
    }  # fmt: skip
    seen: dict[str, list[Look]] = {quantity: [] for quantity in setup.bound}
    complete = True
    for row in zip_longest(*(reversed(found) for found in ranges.values())):
        chosen = {
            q: r for q, r in zip(ranges, row, strict=True)
            if r is not None and not (seen[q] and seen[q][-1].clipped)
        }  # fmt: skip
        if not chosen:
            break
        setup.set_ranges(chosen)
        patience = PATIENCE + setup.recipe.acquisition.duration
        if setup.scope.record_untriggered(patience) is not AcquisitionStatus.COMPLETE:
            complete = False
            break
        for quantity in chosen:
            settings = setup.channels[quantity]
            trace = setup.scope.fetch(settings.channel)
            seen[quantity].append(_seen(trace, settings.vertical_range))
    setup.set_ranges(before)
    for quantity, connection in setup.bound.items():
        wired = connection.input
        yield InputSeen(quantity, wired.channel, wired.probe, tuple(seen[quantity]), complete)


def spread(ranges: Sequence[float], most: int) -> list[float]:
    """Return at most so many of the ranges, evenly spread, the first and the last among them."""
    if len(ranges) <= most:
        return list(ranges)
    return [ranges[round(place)] for place in np.linspace(0, len(ranges) - 1, most)]


def _seen(trace: Trace, vertical_range: float) -> Look:
    codes = trace.codes
    mean = float(codes.mean(dtype=np.float64))
    pieces = (codes[first : first + _PIECE] - mean for first in range(0, codes.size, _PIECE))
    squares = sum(float(piece @ piece) for piece in pieces)
    return Look(
        vertical_range,
        level=mean * trace.gain + trace.offset,
        noise=(squares / codes.size) ** 0.5 * abs(trace.gain),
        clipped=trace.clipping.clipped,
        flat=bool(codes.min() == codes.max()),
    )
