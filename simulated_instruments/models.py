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
        ScopeModel(
            model="QR-1104",
            dialect="rigol",
            bits=8,
            vertical_divisions=8,
            horizontal_divisions=12,
            ranges=_one_two_five(1e-3, 10.0, 8),
            bandwidth=100e6,
            maximum_rate=1e9,
            memory=24_000_000,
            levels=200,
            code_low=-127,
            code_high=128,
            record_lengths=(12_000, 120_000, 1_200_000, 12_000_000, 24_000_000),
            lags=True,
            maximum_segments=1000,
        ),
        ScopeModel(
            model="QD-4034",
            dialect="lecroy",
            bits=12,
            vertical_divisions=8,
            horizontal_divisions=10,
            ranges=_one_two_five(1e-3, 10.0, 8),
            bandwidth=350e6,
            maximum_rate=2.5e9,
            memory=25_000_000,
            levels=4000,
            code_low=-2048,
            code_high=2047,
            record_lengths=tuple(m * 10**e for e in (2, 3, 4, 5, 6) for m in (5, 10, 25)),
            noise=(90e-6, 3e-4),
            gain_accuracy=0.005,
            reports_subsample=True,
            lags=True,
        ),
        ScopeModel(
            model="QH-2004",
            dialect="rohde_schwarz",
            bits=10,
            vertical_divisions=8,
            horizontal_divisions=12,
            ranges=_one_two_five(1e-3, 5.0, 8),
            bandwidth=300e6,
            maximum_rate=2.5e9,
            memory=10_000_000,
            levels=800,
            code_low=-510,
            code_high=511,
            record_lengths=tuple(m * 10**e for e in (3, 4, 5, 6) for m in (5, 10, 20))[:-1],
            noise=(100e-6, 6e-4),
        ),
        ScopeModel(
            model="QS-1104",
            dialect="siglent_old",
            bits=8,
            vertical_divisions=8,
            horizontal_divisions=14,
            ranges=_one_two_five(1e-3, 10.0, 8),
            bandwidth=100e6,
            maximum_rate=1e9,
            memory=14_000_000,
            levels=200,
            code_low=-128,
            code_high=127,
            record_lengths=tuple(m * 10**e for e in (3, 4, 5, 6) for m in (7, 14)),
            lags=True,
            maximum_segments=1,
        ),
        ScopeModel(
            model="QI-9254",
            dialect="keysight_infiniium",
            bits=8,
            vertical_divisions=8,
            horizontal_divisions=10,
            ranges=_one_two_five(1e-3, 5.0, 8),
            bandwidth=2.5e9,
            maximum_rate=20e9,
            memory=100_000_000,
            levels=240,
            code_low=-124,
            code_high=124,
            noise=(200e-6, 2e-3),
        ),
        ScopeModel(
            model="QT-2014",
            dialect="tektronix_old",
            bits=8,
            vertical_divisions=8,
            horizontal_divisions=10,
            ranges=_one_two_five(2e-3, 5.0, 8),
            bandwidth=100e6,
            maximum_rate=1e9,
            memory=2_500,
            levels=200,
            code_low=-128,
            code_high=127,
            record_lengths=(2_500,),
            impedances=(1e6,),
            lags=True,
            maximum_segments=1,
        ),
    )
}
