"""Which floor shots a floor visit consists of: one for each set of ranges that has to be covered.

The floor depends on the vertical range, so a floor corrects only shots at its own range. Several
quantities are recorded at once: the k-th floor shot of a visit takes every quantity at its k-th
needed range, and a quantity that needs fewer stays at its last one.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from acquire.runfile.records import ShotEntry

SAME = 1e-6
"""Ranges read back this close to each other are one range, relative. [1]"""


def sets_of_ranges(
    quantities: Sequence[str], shots: Iterable[ShotEntry], *, before_step: int, only_missing: bool
) -> list[dict[str, float]]:
    """Return the ranges of each floor shot of a visit, in order. [V]

    Parameters
    ----------
    quantities : of the recipe.
    shots : stored so far.
    before_step : the visit's own plan step; only shots of earlier steps count.
    only_missing : leave out what an earlier floor covers.
    """
    earlier = [shot for shot in shots if shot.step < before_step]
    others = [shot for shot in earlier if shot.role != "floor"]
    floors = [shot for shot in earlier if shot.role == "floor"]
    needed = {q: _ranges(others, q) for q in quantities}
    wanted = {
        q: [r for r in ranges if not (only_missing and _holds(_ranges(floors, q), r))]
        for q, ranges in needed.items()
    }
    count = max((len(ranges) for ranges in wanted.values()), default=0)
    found = []
    for k in range(count):
        ranges = {}
        for quantity in quantities:
            own = wanted[quantity] or needed[quantity][-1:]
            if own:
                ranges[quantity] = own[min(k, len(own) - 1)]
        found.append(ranges)
    return found


def uncovered(
    sets: Iterable[dict[str, float]], taken: Iterable[ShotEntry]
) -> list[dict[str, float]]:
    """Return the sets of ranges that no floor shot of the visit has yet, in order. [V]

    Parameters
    ----------
    sets : of the visit. taken : its shots so far; one of them may have been removed by hand.
    """
    stored = [shot.ranges for shot in taken]
    return [ranges for ranges in sets if not any(_alike(ranges, one) for one in stored)]


def _alike(one: Mapping[str, float], other: Mapping[str, float]) -> bool:
    return one.keys() == other.keys() and all(_holds([other[q]], one[q]) for q in one)


def _ranges(shots: Iterable[ShotEntry], quantity: str) -> list[float]:
    """Return the distinct ranges of a quantity, in order of first use. [V]"""
    found: list[float] = []
    for shot in shots:
        volts = shot.ranges.get(quantity)
        if volts is not None and not _holds(found, volts):
            found.append(volts)
    return found


def _holds(ranges: Iterable[float], volts: float) -> bool:
    return any(abs(volts - r) <= SAME * abs(r) for r in ranges)
