"""The run file (HDF5) and the spool that it grows in; nothing else in the project knows HDF5.

Names are loaded when they are first asked for: `examine` runs in a short-lived process that needs
neither the records nor what they rest on.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from acquire.runfile.consolidate import ShotSize, estimate_bytes, refuse_without_space
    from acquire.runfile.eventlog import EventLog
    from acquire.runfile.finish import finish_run
    from acquire.runfile.integrity import verify
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

_HOME = {
    "RESERVED": "shotgroup",
    "ChannelRecord": "records",
    "Damage": "records",
    "Event": "records",
    "EventLog": "eventlog",
    "Findings": "records",
    "InstrumentRecord": "records",
    "RunFile": "reader",
    "RunHeader": "records",
    "RunState": "records",
    "ShotEntry": "records",
    "ShotHeader": "records",
    "ShotQuality": "records",
    "ShotSize": "consolidate",
    "ShotWriter": "shotwriter",
    "Spool": "spool",
    "StoredResult": "records",
    "TraceLike": "records",
    "TraceStream": "shotwriter",
    "add_result": "reanalysis",
    "estimate_bytes": "consolidate",
    "finish_run": "finish",
    "refuse_without_space": "consolidate",
    "verify": "integrity",
}

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
    "finish_run",
    "refuse_without_space",
    "verify",
]


def __getattr__(name: str) -> object:
    if name not in _HOME:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_HOME[name]}"), name)
