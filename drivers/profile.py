"""What one oscilloscope model can do, as plain data.

The numbers come from YAML files in ``profiles/scopes`` (read and checked by ``acquire.bench``); a
driver only consults them. A profile is what the data sheet promises: where the instrument itself
reports something else, the report wins.
"""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class ScopeProfile:
    """One model (or a family of like models).

    Attributes
    ----------
    name : the profile's file name without extension.
    dialect : key into ``drivers.catalogue.DIALECTS``.
    maker, model : regular expressions, matched without case against fields 1 and 2 of ``*IDN?``.
    channels : number of analogue inputs.
    vertical_ranges : full-scale ranges, ascending. [V]
    vertical_divisions : divisions of full scale, where the dialect speaks in volts per division.
    horizontal_divisions : divisions of a record, where the dialect speaks in time per division.
    bandwidth : -3 dB analogue bandwidth at 50 ohm. [Hz]
    maximum_sample_rate : with one channel per converter in use. [Sa/s]
    maximum_record_length : samples per channel.
    record_lengths : the lengths that can be chosen; empty = any up to the maximum.
    bits : converter resolution.
    code_bits : bits of the codes to ask for over the wire, 8 or 16.
    input_impedances : what can be selected. [ohm]
    gain_accuracy : DC vertical gain accuracy as a half-width, relative to full scale. [1]
    maximum_segments : 1 = no segmented capture.
    settling_time : wait after a change of range, impedance or time base. [s]
    quirks : named departures of this model from its dialect.
    """

    name: str
    dialect: str
    maker: str
    model: str
    channels: int
    vertical_ranges: tuple[float, ...]
    vertical_divisions: int
    horizontal_divisions: int
    bandwidth: float
    maximum_sample_rate: float
    maximum_record_length: int
    bits: int
    code_bits: int
    input_impedances: tuple[float, ...]
    gain_accuracy: float
    record_lengths: tuple[int, ...] = ()
    maximum_segments: int = 1
    settling_time: float = 0.0
    quirks: frozenset[str] = frozenset()

    def range_at_least(self, volts: float) -> float | None:
        """Return the smallest full-scale range that is not below ``volts``, or None. [V]"""
        return next((r for r in self.vertical_ranges if r >= volts * (1 - 1e-9)), None)

    def record_length_for(self, samples: float) -> int:
        """Return the smallest record length that holds so many samples.

        Where none does, the longest: what is read back then falls short and is refused.
        """
        if not self.record_lengths:
            return min(math.ceil(samples), self.maximum_record_length)
        enough = (n for n in sorted(self.record_lengths) if n >= samples * (1 - 1e-9))
        return next(enough, max(self.record_lengths))
