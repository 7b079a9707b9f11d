"""One module per dialect; `TWINS` maps a dialect's name to its simulated oscilloscope."""

from __future__ import annotations

from simulated_instruments.dialects.keysight_infiniivision import KeysightInfiniivision
from simulated_instruments.dialects.tektronix import Tektronix
from simulated_instruments.scope import SimulatedScope

TWINS: dict[str, type[SimulatedScope]] = {
    "keysight_infiniivision": KeysightInfiniivision,
    "tektronix": Tektronix,
}
