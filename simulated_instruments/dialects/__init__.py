"""One module per dialect; `TWINS` maps a dialect's name to its simulated oscilloscope."""

from __future__ import annotations

from simulated_instruments.dialects.keysight_infiniium import KeysightInfiniium
from simulated_instruments.dialects.keysight_infiniivision import KeysightInfiniivision
from simulated_instruments.dialects.lecroy import Lecroy
from simulated_instruments.dialects.rigol import Rigol
from simulated_instruments.dialects.rohde_schwarz import RohdeSchwarz
from simulated_instruments.dialects.siglent_old import SiglentOld
from simulated_instruments.dialects.tektronix import Tektronix
from simulated_instruments.dialects.tektronix_old import TektronixOld
from simulated_instruments.scope import SimulatedScope

TWINS: dict[str, type[SimulatedScope]] = {
    "keysight_infiniivision": KeysightInfiniivision,
    "keysight_infiniium": KeysightInfiniium,
    "lecroy": Lecroy,
    "rigol": Rigol,
    "rohde_schwarz": RohdeSchwarz,
    "siglent_old": SiglentOld,
    "tektronix": Tektronix,
    "tektronix_old": TektronixOld,
}
