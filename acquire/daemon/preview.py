"""Traces made small enough for a picture without losing a peak."""

from __future__ import annotations

import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from acquire.analysis.inputs import Codes, Transducer
from acquire.bench import parse_probe
from acquire.daemon.messages import Preview, TraceMessage
from acquire.errors import DamagedFileError
from acquire.runfile.glimpse import Glimpse, newest


def envelope(values: npt.NDArray[Any], points: int) -> tuple[Codes, Codes, int]:
    """Return the lowest and the highest value of each bucket, and the samples in a bucket.

    Parameters
    ----------
    values : shape (samples,), at least one.
    points : at most so many buckets; the last one may be shorter than the others.
    """
    bucket = max(1, math.ceil(values.size / points))
    starts = np.arange(0, values.size, bucket)
    return np.minimum.reduceat(values, starts), np.maximum.reduceat(values, starts), bucket


def of_run(number: int, path: Path, points: int) -> Preview:
    """Return the newest stored record of each role.

    Parameters
    ----------
    path : the spool's folder, or the run file.
    points : at most so many buckets a trace.

    Raises
    ------
    DamagedFileError
        If the run's data are gone or damaged.
    """
    texts, glimpses = newest(path)
    probes: dict[str, Transducer] = {}
    for name in {glimpse.channel.probe for glimpse in glimpses}:
        probes[name] = _transducer(texts, name, path)
    traces = [_trace(one, probes[one.channel.probe], points, glimpses) for one in _shown(glimpses)]
    return Preview(run=number, traces=traces)


def _shown(glimpses: tuple[Glimpse, ...]) -> list[Glimpse]:
    """Leave one floor a quantity: the one at the target's range, or else the newest."""
    shown = [one for one in glimpses if one.shot.role != "floor"]
    for quantity in dict.fromkeys(one.channel.quantity for one in glimpses):
        of_it = [one for one in glimpses if one.channel.quantity == quantity]
        floors = [one for one in of_it if one.shot.role == "floor"]
        targets = [one for one in of_it if one.shot.role == "target"]
        matching = [one for one in floors if targets and _alike(one, targets[-1])]
        shown += (matching or floors)[-1:]
    return sorted(shown, key=lambda one: one.shot.order)


def _alike(one: Glimpse, other: Glimpse) -> bool:
    """Return whether two records are of one quantity at one range."""
    mine, its = one.channel, other.channel
    return (mine.quantity, mine.vertical_range) == (its.quantity, its.vertical_range)


def _transducer(texts: Mapping[str, str], name: str, path: Path) -> Transducer:
    if name not in texts:
        raise DamagedFileError(f"{path}: the text of the probe {name} is missing")
    return parse_probe(texts[name], name, table_text=texts.get(f"{name}.csv")).transducer


def _trace(
    one: Glimpse, probe: Transducer, points: int, all_of_them: tuple[Glimpse, ...]
) -> TraceMessage:
    low, high, bucket = envelope(one.codes, points)
    ends = (one.gain * low + one.offset, one.gain * high + one.offset)
    lowest, highest = ends if one.gain > 0 else ends[::-1]
    return TraceMessage(
        role=one.shot.role,
        condition=one.shot.condition,
        shot=one.shot.name,
        quantity=one.channel.quantity,
        repeat=one.shot.repeats,
        repeats=one.shot.repeats,
        samples=int(one.codes.size),
        start=one.start,
        interval=one.shot.interval,
        bucket=bucket,
        lowest=lowest.tolist(),
        highest=highest.tolist(),
        peak_to_peak=_peak_to_peak(one),
        vertical_range=one.channel.vertical_range,
        unit=probe.unit,
        per_unit=probe.transfer,
        margin_db=_margin(one, all_of_them),
    )


def _peak_to_peak(one: Glimpse) -> float:
    return abs(one.gain) * (int(one.codes.max()) - int(one.codes.min()))


def _margin(one: Glimpse, all_of_them: tuple[Glimpse, ...]) -> float | None:
    """Return how far a record stands above the floor record that was taken at its range. [dB]"""
    floors = [floor for floor in all_of_them if floor.shot.role == "floor" and _alike(floor, one)]
    if one.shot.role == "floor" or not floors:
        return None
    level, under = _peak_to_peak(one), _peak_to_peak(floors[-1])
    return 20 * math.log10(level / under) if level > 0 < under else None
