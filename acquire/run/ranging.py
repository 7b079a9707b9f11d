"""Which vertical range comes next: a pure decision from what a few events looked like.

The aim is that the largest excursion fills 60 to 90 % of full scale without one clipped sample.
Instruments offer ranges in steps (often 1-2-5), so the aim is met as nearly as the steps allow: the
smallest range whose 90 % holds the signal. The range is centred on zero, because the signals are
bursts to both sides of zero; an offset would trade range on one side for noise on the other.

A source does not repeat exactly. The decision therefore rests on several events and leaves room for
twice their scatter above the largest. Ranging records are not data and are not stored.
"""

from __future__ import annotations

import statistics
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

FILL_LOW = 0.60
"""Fill below which a smaller range is wanted, where there is one. [1]"""
FILL_HIGH = 0.90
"""Fill that no excursion may exceed. [1]"""
SCATTER_FACTOR = 2.0
"""Room above the largest of the events seen, in their standard deviations (our choice). [1]"""
CODES_UNCERTAIN = 1.5
"""A peak is read to about this many codes, which matters on a range far too large. [codes]"""
CLIP_STEP = 10.0
"""After clipping the peak is unknown; the range grows by this factor. A peak that then shows is at
least 5 % of full scale, which is enough to choose the right range at once. [1]"""


@dataclass(frozen=True, slots=True)
class Extremes:
    """What one event reached on one quantity: lowest and highest sample. [V]"""

    low: float
    high: float
    clipped: bool

    @property
    def peak(self) -> float:
        """The larger excursion from zero. [V]"""
        return max(abs(self.low), abs(self.high))


@dataclass(frozen=True, slots=True)
class RangeState:
    """What is known so far about one quantity.

    Attributes
    ----------
    current : full scale as the instrument reads it back. [V]
    available : full-scale ranges that may be used, ascending. [V]
    code : volts per code at ``current``. [V]
    at_least : no smaller range (a trigger level must lie inside it). [V]
    too_small : the largest range that is known to clip. [V]
    """

    current: float
    available: tuple[float, ...]
    code: float
    at_least: float = 0.0
    too_small: float = 0.0


@dataclass(frozen=True, slots=True)
class Decision:
    """``next``: try ``vertical_range``; ``done``: use it; ``cannot``: no range holds the signal."""

    verdict: Literal["next", "done", "cannot"]
    vertical_range: float
    fill: float
    reason: str
    too_small: float


def allowed(
    ranges: Sequence[float], input_impedance: float, maximum_input: float | None
) -> tuple[float, ...]:
    """Return the ranges that may be selected, ascending. [V]

    At 50 ohm a range that reaches beyond what the input survives would invite a signal that
    destroys it; such a range is never selected.
    """
    if maximum_input is None or input_impedance > 100.0:
        return tuple(sorted(ranges))
    return tuple(r for r in sorted(ranges) if r / 2 <= maximum_input * (1 + 1e-9))


def first_range(
    available: Sequence[float], expected_peak: float | None, at_least: float = 0.0
) -> float:
    """Return where ranging begins: room for the expected peak [V], else the largest range. [V]"""
    if not available:
        raise ValueError("no range may be selected")
    if expected_peak is None:
        return available[-1]
    wanted = max(2 * expected_peak / FILL_HIGH, at_least)
    return smallest(available, wanted) or available[-1]


def smallest(available: Sequence[float], volts: float, above: float = 0.0) -> float | None:
    """Return the smallest range of at least ``volts`` that is also larger than ``above``. [V]"""
    return next((r for r in available if r >= volts * (1 - 1e-9) and r > above * (1 + 1e-6)), None)


def decide(state: RangeState, events: Sequence[Extremes]) -> Decision:
    """Choose what to do after some events were seen at ``state.current``.

    Parameters
    ----------
    state : what is known of the quantity.
    events : at least one.

    Returns
    -------
    The decision, with the fill that the largest excursion has at ``state.current``.
    """
    peak = max(e.peak for e in events)
    fill = 2 * peak / state.current
    if any(e.clipped for e in events):
        return _grow(state, fill)
    scatter = statistics.stdev(e.peak for e in events) if len(events) > 1 else 0.0
    needed = 2 * (peak + SCATTER_FACTOR * scatter) / FILL_HIGH
    best = smallest(state.available, max(needed, state.at_least), state.too_small)
    if best is None:
        return _top(state, fill)
    if best > state.current * (1 + 1e-6):
        return Decision("next", best, fill, "more room for scatter", state.too_small)
    cautious = max(needed + 2 * CODES_UNCERTAIN * state.code / FILL_HIGH, state.at_least)
    target = smallest(state.available, cautious, state.too_small) or state.current
    if target >= state.current * (1 - 1e-6):
        why = "smallest range that holds it" if fill < FILL_LOW else "fills the range"
        return Decision("done", state.current, fill, why, state.too_small)
    return Decision("next", target, fill, "fills too little", state.too_small)


def _grow(state: RangeState, fill: float) -> Decision:
    """After clipping: a range at least ``CLIP_STEP`` larger, or the largest, or none."""
    too_small = max(state.too_small, state.current)
    larger = smallest(state.available, state.current * CLIP_STEP, too_small)
    if larger is None and state.available[-1] > too_small * (1 + 1e-6):
        larger = state.available[-1]
    if larger is None:
        return Decision(
            "cannot",
            state.current,
            fill,
            f"the signal clips at the largest range that may be selected, {state.current:g} V",
            too_small,
        )
    return Decision("next", larger, fill, "clipped", too_small)


def _top(state: RangeState, fill: float) -> Decision:
    """Nothing clipped, but no range leaves the wanted room: take the largest, and say so."""
    largest = state.available[-1]
    if largest > state.current * (1 + 1e-6):
        return Decision("next", largest, fill, "more room for scatter", state.too_small)
    return Decision(
        "done", state.current, fill, "largest range: less room than wanted", state.too_small
    )
