"""One shot as the estimators need it: few rows, per-record levels, and how noisy a sample is.

A shot of many repeats is reduced to at most `MOST_ROWS` rows, each the mean of equally many
consecutive repeats (within one). The scatter between such rows still gives the variance of the
mean, the products between different rows are still free of noise bias, and memory stays bounded
whatever the number of repeats.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.fft import next_fast_len

from acquire.analysis.inputs import Capture, Complexes, Floats
from acquire.analysis.measures import MEASURES, block_values, record_levels, row_blocks

MOST_ROWS = 64
LEAST_ROWS = 8
MOST_SAMPLES = 1 << 25
"""Samples of one shot held as floats (256 MiB), as long as `LEAST_ROWS` allows."""

PAD = 64
"""Samples of edge padding around a fractional shift, against its circular wrap. [sample]"""


@dataclass(frozen=True, slots=True, eq=False)
class Shot:
    """One capture, reduced.

    Attributes
    ----------
    capture : what it came from.
    repeats : records in it.
    rows : shape (row, time), in the quantity's unit, aligned.
    levels : measure -> level of each record as taken, shape (repeat,).
    noise : standard deviation of one sample between repeats, RMS over the record; None for one
        repeat. In the quantity's unit.
    lsb : one code, in the quantity's unit.
    swing : mean peak-to-peak of a record at the scope's input. [V]
    """

    capture: Capture
    repeats: int
    rows: Floats
    levels: Mapping[str, Floats]
    noise: float | None
    lsb: float
    swing: float

    def mean(self) -> Floats:
        """Return the coherent mean trace. Shape (time,)."""
        mean: Floats = self.rows.mean(axis=0)
        return mean


def prepare(capture: Capture, measures: Iterable[str], delays: Floats | None = None) -> Shot:
    """Reduce a capture.

    Parameters
    ----------
    capture : one quantity of one shot.
    measures : keys of `MEASURES`.
    delays : how much later each record's event is than it should be, shape (repeat,), or None
        for records that need no alignment. [sample]
    """
    rows, noise = _rows_and_noise(capture, delays)
    return Shot(
        capture=capture,
        repeats=capture.codes.shape[0],
        rows=rows,
        levels={name: record_levels(capture, MEASURES[name]) for name in measures},
        noise=noise,
        lsb=float(np.abs(capture.gain).mean() / capture.transducer.transfer),
        swing=_swing(capture),
    )


def pool(shots: Sequence[Shot]) -> Shot:
    """Return several shots of one condition at one range as one; the last names it."""
    last = shots[-1]
    if len(shots) == 1:
        return last
    repeats = sum(shot.repeats for shot in shots)
    noises = [shot.noise**2 * shot.repeats for shot in shots if shot.noise is not None]
    return Shot(
        capture=last.capture,
        repeats=repeats,
        rows=np.concatenate([shot.rows for shot in shots]),
        levels={
            name: np.concatenate([shot.levels[name] for shot in shots]) for name in last.levels
        },
        noise=float(np.sqrt(sum(noises) / repeats)) if len(noises) == len(shots) else None,
        lsb=last.lsb,
        swing=float(np.mean([shot.swing for shot in shots])),
    )


def _swing(capture: Capture) -> float:
    spread = capture.codes.max(axis=1).astype(np.int64) - capture.codes.min(axis=1)
    return float((spread * np.abs(capture.gain)).mean())


def most_rows(repeats: int, length: int) -> int:
    """Return into how many rows the repeats are grouped."""
    bound = max(LEAST_ROWS, MOST_SAMPLES // max(1, length))
    return min(repeats, MOST_ROWS, bound)


def _rows_and_noise(capture: Capture, delays: Floats | None) -> tuple[Floats, float | None]:
    repeats, length = capture.codes.shape
    count = most_rows(repeats, length)
    group = np.repeat(np.arange(count), [len(part) for part in _parts(repeats, count)])
    rows = np.zeros((count, length))
    energy = 0.0
    for block in row_blocks(repeats, length):
        values = block_values(capture, block)
        if delays is not None:
            values = advance(values, delays[block])
        energy += float(np.einsum("ij,ij->", values, values))
        np.add.at(rows, group[block], values)
    total = rows.sum(axis=0)
    rows /= np.bincount(group)[:, None]
    if repeats < 2:
        return rows, None
    between = max(0.0, energy - float(total @ total) / repeats)
    return rows, float(np.sqrt(between / ((repeats - 1) * length)))


def _parts(repeats: int, count: int) -> list[Floats]:
    return np.array_split(np.arange(repeats, dtype=np.float64), count)


def advance(values: Floats, delays: Floats) -> Floats:
    """Return each row moved earlier by its delay, by a linear phase. Shape (row, time).

    Parameters
    ----------
    values : shape (row, time).
    delays : shape (row,); fractions are meant. [sample]
    """
    if not np.any(delays):
        return values
    length = values.shape[1]
    size = next_fast_len(length + 2 * PAD, real=True)
    padded = np.pad(values, ((0, 0), (PAD, size - length - PAD)), mode="edge")
    spectrum = np.fft.rfft(padded, axis=1)
    spectrum *= turns(size, delays)
    moved: Floats = np.fft.irfft(spectrum, n=size, axis=1)[:, PAD : PAD + length]
    return moved


def turns(size: int, delays: Floats) -> Complexes:
    """Return exp(2 pi i f d) for each delay d [sample] and frequency f of a real transform.

    As products of a coarse and a fine turn, which takes a fifth of the time of the exponentials.

    Parameters
    ----------
    size : of the transform. [sample]
    delays : shape (row,).

    Returns
    -------
    Shape (row, size // 2 + 1).
    """
    count = size // 2 + 1
    side = math.isqrt(count) + 1
    steps = (2j * np.pi / size) * np.arange(side) * delays[:, None]
    both = np.exp(side * steps)[:, :, None] * np.exp(steps)[:, None, :]
    return np.asarray(both.reshape(delays.size, side * side)[:, :count])
