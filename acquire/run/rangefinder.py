"""Carry out the ranging decisions on the instrument: look, decide, set, look again.

What is decided, and why, stands in `acquire.run.ranging`; nothing here is stored but the events.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from acquire.run.acquirer import Acquirer
from acquire.run.checks import extremes
from acquire.run.plan import RANGING_EVENTS
from acquire.run.ranging import Decision, Extremes, RangeState, decide

MOST_TRIES = 10
"""Ranging that has not ended by then goes on with the ranges it has reached."""


@dataclass(frozen=True, slots=True)
class Seen:
    """What a few events looked like on one quantity, and volts per code. [V]"""

    events: list[Extremes]
    code: float


def find_ranges(
    acquirer: Acquirer, doing: str, start: Mapping[str, float] | None = None
) -> dict[str, float]:
    """Find the range of every quantity; return full scales as read back. [V]

    Parameters
    ----------
    acquirer : with a configured scope, which is left at the ranges found.
    doing : for messages.
    start : where to begin, by quantity; else where the scope stands. [V]
    """
    return acquirer.retrying(doing, lambda: _find(acquirer, dict(start or {})))


def _find(acquirer: Acquirer, start: Mapping[str, float]) -> dict[str, float]:
    setup = acquirer.setup
    setup.set_segments(1)
    setup.set_ranges(start)
    too_small = dict.fromkeys(setup.bound, 0.0)
    chosen: set[str] = set()
    for attempt in range(1, MOST_TRIES + 1):
        seen = _look(acquirer)
        wanted: dict[str, float] = {}
        for quantity in setup.bound:
            decision = _decide(acquirer, quantity, seen[quantity], too_small[quantity], attempt)
            too_small[quantity] = decision.too_small
            asked = setup.wanted[quantity].vertical_range
            if decision.verdict == "next" and not _equal(decision.vertical_range, asked):
                wanted[quantity] = decision.vertical_range
            elif quantity not in chosen:
                chosen.add(quantity)
                acquirer.events.emit(
                    "range_chosen", quantity=quantity, fill=decision.fill, reason=decision.reason,
                    vertical_range=setup.channels[quantity].vertical_range,
                )  # fmt: skip
        if not wanted:
            break
        chosen -= wanted.keys()
        setup.set_ranges(wanted)
    return setup.full_scales()


def _look(acquirer: Acquirer) -> dict[str, Seen]:
    events: dict[str, list[Extremes]] = {quantity: [] for quantity in acquirer.setup.bound}
    code = dict.fromkeys(events, 0.0)
    for record in acquirer.records(RANGING_EVENTS, "ranging"):
        for quantity, trace in record.traces.items():
            events[quantity].append(extremes(trace))
            code[quantity] = abs(trace.gain)
    return {quantity: Seen(found, code[quantity]) for quantity, found in events.items()}


def _decide(
    acquirer: Acquirer, quantity: str, seen: Seen, too_small: float, attempt: int
) -> Decision:
    setup = acquirer.setup
    state = RangeState(
        current=setup.channels[quantity].vertical_range,
        available=setup.ranges(quantity),
        code=seen.code,
        at_least=setup.at_least(quantity),
        too_small=too_small,
    )
    decision = decide(state, seen.events)
    acquirer.events.emit(
        "range_tried", quantity=quantity, vertical_range=state.current, attempt=attempt,
        peak=max(event.peak for event in seen.events), fill=decision.fill,
        clipped=any(event.clipped for event in seen.events),
    )  # fmt: skip
    return decision


def _equal(one: float, other: float) -> bool:
    return abs(one - other) <= 1e-6 * max(abs(one), abs(other))
