"""One channel of one triggered record, as the instrument's own integer codes.

The rules of this file:

* Codes stay integers: volts = gain * code + offset. The codes are signed int8 or int16, whatever
  the wire carried (an unsigned byte b is stored as b - 128 and the offset moved by 128 gains).
* Everything needed to read the codes travels with them; nothing is looked up later.
* Evidence of clipping is stated together with the *kind* of evidence, because "nothing says that
  it clipped" is weaker than "it did not clip".
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
import numpy.typing as npt

from drivers.errors import AnswerError

Codes = npt.NDArray[np.int8] | npt.NDArray[np.int16]

ClipEvidence = Literal["reserved codes", "flag", "grid edge", "end codes"]
"""How a family shows that the input left the range (strongest first)."""


@dataclass(frozen=True, slots=True)
class Clipping:
    """What the record itself says about leaving the range.

    Attributes
    ----------
    evidence : the kind of evidence that this family offers.
    high, low : samples at or beyond the upper / lower end; with "flag" evidence 1 stands for "yes".
    holes : samples that the instrument marks as never acquired.
    """

    evidence: ClipEvidence
    high: int = 0
    low: int = 0
    holes: int = 0

    @property
    def clipped(self) -> bool:
        """Whether any sample left the range."""
        return self.high > 0 or self.low > 0


@dataclass(frozen=True, slots=True, eq=False)
class Trace:
    """One channel of one triggered record.

    Attributes
    ----------
    codes : shape (samples,), int8 or int16, C-contiguous.
    gain : volts per code. [V]
    offset : volts at code 0. [V]
    start : time of the first sample relative to the trigger; negative = pre-trigger. [s]
    step : sample interval. [s]
    bits : bits that the converter really resolves (not the width of the code).
    code_low, code_high : the lowest and highest code that an unclipped sample can take.
    clipping : what the record says about over-range.
    preamble : the scaling answer as the instrument gave it, for the file.
    """

    codes: Codes
    gain: float
    offset: float
    start: float
    step: float
    bits: int
    code_low: int
    code_high: int
    clipping: Clipping
    preamble: str = ""
    unit: Literal["V"] = field(default="V")

    def __post_init__(self) -> None:
        """Refuse a scale that turns codes into no numbers, whichever dialect it comes from.

        Raises
        ------
        AnswerError
            If gain, offset or times are not ordinary numbers, the gain is 0 or the step not above.
        """
        scale = (self.gain, self.offset, self.start, self.step)
        if not all(map(math.isfinite, scale)) or self.gain == 0 or self.step <= 0:
            raise AnswerError(
                "gain, offset, start and step of a record cannot be "
                + ", ".join(f"{value:g}" for value in scale)
            )

    def volts(self) -> npt.NDArray[np.float64]:
        """Return the samples. Shape (samples,). [V]"""
        return np.multiply(self.codes, self.gain, dtype=np.float64) + self.offset
