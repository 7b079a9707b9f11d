"""The run file (HDF5) and the spool that it grows in; nothing else in the project knows HDF5."""

from acquire.runfile.consolidate import ShotSize, estimate_bytes, refuse_without_space
from acquire.runfile.eventlog import EventLog
from acquire.runfile.reader import RunFile
from acquire.runfile.reanalysis import add_result
from acquire.runfile.records import (
    ChannelRecord,
    Damage,
    Event,
    Findings,
    InstrumentRecord,
    RunHeader,
    RunState,
    ShotEntry,
    ShotHeader,
    ShotQuality,
    StoredResult,
    TraceLike,
)
from acquire.runfile.shotgroup import RESERVED
from acquire.runfile.shotwriter import ShotWriter, TraceStream
from acquire.runfile.spool import Spool
from acquire.runfile.verify import verify

__all__ = [
    "RESERVED",
    "ChannelRecord",
    "Damage",
    "Event",
    "EventLog",
    "Findings",
    "InstrumentRecord",
    "RunFile",
    "RunHeader",
    "RunState",
    "ShotEntry",
    "ShotHeader",
    "ShotQuality",
    "ShotSize",
    "ShotWriter",
    "Spool",
    "StoredResult",
    "TraceLike",
    "TraceStream",
    "add_result",
    "estimate_bytes",
    "refuse_without_space",
    "verify",
]
