"""The simulated oscilloscope models, as one table. Maker and models are invented."""

from __future__ import annotations

from dataclasses import dataclass

MAKER = "QUILLMOOR INSTRUMENTS"


def _one_two_five(low: float, high: float, factor: float) -> tuple[float, ...]:
    """Return factor * (1, 2, 5, 10, ...) from ``low`` to ``high`` per division. [V full scale]"""
    steps = (m * 10.0**e for e in range(-4, 3) for m in (1, 2, 5))
    return tuple(round(factor * s, 9) for s in steps if low * 0.999 <= s <= high * 1.001)


@dataclass(frozen=True, slots=True)
class ScopeModel:
    """What one model is.

    Attributes
    ----------
    model, dialect : as in ``*IDN?``; key of the dialect's class.
    ranges : full-scale ranges, ascending. [V]
    bandwidth : [Hz]  maximum_rate : [Sa/s]
    memory : samples per channel. record_lengths : the choices; empty = the instrument decides.
    levels : converter steps that full scale spans.
    code_low, code_high : where the converter saturates, in codes from the centre of the range.
    noise : of the front end at full bandwidth: sqrt(noise[0]^2 + (noise[1] * range)^2). [V, 1]
    gain_accuracy, offset_accuracy : half-widths relative to full scale, drawn per input and range.
    reports_subsample : whether the time of the first sample is told to a fraction of a sample.
    lags : whether a status query right after arming may still answer for the time before.
    maximum_segments : of one arming.
    """

    model: str
    dialect: str
    bits: int
    vertical_divisions: int
    horizontal_divisions: int
    ranges: tuple[float, ...]
    bandwidth: float
    maximum_rate: float
    memory: int
    levels: int
    code_low: int
    code_high: int
    record_lengths: tuple[int, ...] = ()
    channels: int = 4
    impedances: tuple[float, ...] = (50.0, 1e6)
    noise: tuple[float, float] = (120e-6, 1.5e-3)
    gain_accuracy: float = 0.02
    offset_accuracy: float = 0.002
    reports_subsample: bool = False
    lags: bool = False
    maximum_segments: int = 1000


MODELS = {
    m.dialect: m
    for m in (
        ScopeModel(
            model="QV-3054",
            dialect="keysight_infiniivision",
            bits=8,
            vertical_divisions=8,
            horizontal_divisions=10,
            ranges=_one_two_five(1e-3, 5.0, 8),
            bandwidth=500e6,
            maximum_rate=2.5e9,
            memory=4_000_000,
            levels=252,
            code_low=-127,  # one beyond full scale: the reserved codes 1 and 255
            code_high=127,
        ),
        ScopeModel(
            model="QC-4104",
            dialect="tektronix",
            bits=8,
            vertical_divisions=10,
            horizontal_divisions=10,
            ranges=_one_two_five(1e-3, 10.0, 10),
            bandwidth=1e9,
            maximum_rate=5e9,
            memory=10_000_000,
            levels=250,
            code_low=-128,
            code_high=127,
            record_lengths=(1_000, 10_000, 100_000, 1_000_000, 10_000_000),
            reports_subsample=True,
            lags=True,
        ),
    )
}
