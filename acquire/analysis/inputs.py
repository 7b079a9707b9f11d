"""What the analysis is given: arrays, SI floats and plain choices. It reads no file itself.

`acquire.run` (after a run) and `acquire.runfile` (for a re-analysis) fill these in; nothing in
`acquire.analysis` knows where the numbers come from.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Complexes = npt.NDArray[np.complex128]
Codes = npt.NDArray[np.int8] | npt.NDArray[np.int16]

Role = Literal["reference", "floor", "target", "open_circuit"]
Unit = Literal["A", "V"]
Correction = Literal["none", "amplitude", "power", "coherent"]


@dataclass(frozen=True, slots=True, eq=False)
class TransferTable:
    """A transfer impedance (or transfer ratio) over frequency, from a calibration.

    Attributes
    ----------
    frequency : shape (points,), ascending. [Hz]
    magnitude : shape (points,), volts at the scope per unit of the quantity. [ohm or 1]
    phase : shape (points,), or None where the calibration gives none. [rad]
    relative_uncertainty : shape (points,), standard, relative, or None. [1]
    """

    frequency: Floats
    magnitude: Floats
    phase: Floats | None = None
    relative_uncertainty: Floats | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Transducer:
    """How volts at the scope become the quantity: a current probe, a divider.

    Attributes
    ----------
    name : of the probe profile.
    unit : of the quantity: "A" through a current probe, "V" through a voltage probe.
    transfer : flat volts per unit; used for time-domain measures. [ohm or 1]
    band : (low, high) where ``transfer`` or ``table`` holds. [Hz]
    relative_uncertainty : standard uncertainty of ``transfer``, relative. [1]
    table : the calibration over frequency, or None for a flat probe.
    """

    name: str
    unit: Unit
    transfer: float
    band: tuple[float, float]
    relative_uncertainty: float
    table: TransferTable | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Capture:
    """One quantity of one shot.

    Attributes
    ----------
    shot : the shot's name in the run file, such as ``03_target_choke``.
    order : position of the shot in the run, from 0.
    role, condition, quantity : as in the recipe.
    codes : shape (repeat, time), int8 or int16.
    gain : volts per code, shape (repeat,). [V]
    offset : volts at code 0, shape (repeat,). [V]
    start : first sample relative to the trigger, shape (repeat,). [s]
    step : sample interval. [s]
    trigger_time : of each repeat since the first repeat of the run, shape (repeat,). [s]
    bits : bits that the converter resolves.
    vertical_range : full scale; a floor corrects only captures at its own range. [V]
    transducer : how volts become the quantity.
    gain_accuracy : half-width of the vertical gain, relative to full scale. [1]
    pickup_repeatability : standard, relative, of the pickup between conditions. [1]
    clipped : samples at or beyond an end of the range, over all repeats.
    faults : reasons that make the capture unusable (auto-triggered, wrong settings); empty = none.
    """

    shot: str
    order: int
    role: Role
    condition: str
    quantity: str
    codes: Codes
    gain: Floats
    offset: Floats
    start: Floats
    step: float
    trigger_time: Floats
    bits: int
    vertical_range: float
    transducer: Transducer
    gain_accuracy: float = 0.0
    pickup_repeatability: float = 0.0
    clipped: int = 0
    faults: tuple[str, ...] = ()

    def volts(self) -> Floats:
        """Return the samples at the scope's input. Shape (repeat, time). [V]"""
        scaled: Floats = self.codes * self.gain[:, None] + self.offset[:, None]
        return scaled

    def values(self) -> Floats:
        """Return the samples in the quantity's unit, by the flat transfer. Shape (repeat, time)."""
        scaled: Floats = self.volts() / self.transducer.transfer
        return scaled


@dataclass(frozen=True, slots=True)
class Limit:
    """One requirement of the recipe; exactly one of the two bounds is set.

    Attributes
    ----------
    condition, quantity, measure : which result it judges.
    attenuation_at_least : [dB]
    residual_at_most : in the quantity's unit.
    """

    condition: str
    quantity: str
    measure: str
    attenuation_at_least: float | None = None
    residual_at_most: float | None = None


@dataclass(frozen=True, slots=True)
class Choices:
    """The recipe's analysis choices.

    Attributes
    ----------
    correction : which floor correction is reported; "auto" = chosen by evidence.
    measures : keys of ``acquire.analysis.measures.MEASURES``.
    coverage : of every interval, such as 0.95. [1]
    margin : a target less than this above the floor is floor-limited. [dB]
    drift_allowance : largest accepted change from opening to closing reference. [dB]
    align : remove trigger jitter before averaging, where that helps.
    trigger_quantity : the quantity that triggered, used for alignment; None = external.
    """

    correction: Correction | Literal["auto"] = "auto"
    measures: tuple[str, ...] = ("peak_to_peak", "rms")
    coverage: float = 0.95
    margin: float = 3.0
    drift_allowance: float = 1.0
    align: bool = True
    trigger_quantity: str | None = None
    limits: tuple[Limit, ...] = field(default=())
