"""What goes into a run file and comes out of it, independent of HDF5."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Literal

from acquire.analysis.inputs import Role

RunState = Literal["complete", "partial", "interrupted", "faulted"]


@dataclass(frozen=True, slots=True)
class InstrumentRecord:
    """One instrument as it was met.

    ``settings`` are the instrument's own words, read back; ``role`` is "scope", "switch" or
    "ohmmeter".
    """

    role: str
    resource: str
    idn: str
    calibration_due: str | None
    settings: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class RunHeader:
    """Everything known before the first shot.

    Attributes
    ----------
    run_id : unique, sortable: UTC time to the second and a random tail.
    site : from the bench profile.
    recipe_text, bench_text : the exact texts that were run; ``*_name`` the file names (no folders).
    probe_texts : name -> exact text of every probe profile (and ``name.csv`` of its table).
    *_sha256 : canonical content hashes (layout and comments do not change them).
    plan_json : the compiled plan.
    software : name and version of what ran.
    started : [UTC]
    """

    run_id: str
    site: str
    recipe_name: str
    recipe_text: str
    recipe_sha256: str
    bench_name: str
    bench_text: str
    bench_sha256: str
    probe_texts: Mapping[str, str]
    plan_json: str
    plan_sha256: str
    software: str
    started: datetime


@dataclass(frozen=True, slots=True)
class ChannelRecord:
    """How one quantity was connected and set while a shot was taken (read back, not requested)."""

    quantity: str
    channel: int
    unit: Literal["V"]
    vertical_range: float
    vertical_offset: float
    coupling: str
    input_impedance: float
    probe: str
    bits: int
    gain_accuracy: float
    pickup_repeatability: float


@dataclass(frozen=True, slots=True)
class ShotHeader:
    """What is known of a shot before its first record.

    ``name`` is ``NN_role_condition``; ``step`` is the plan step that asked for it; ``attempt``
    counts from 1.
    """

    name: str
    order: int
    step: int
    role: Role
    condition: str
    repeats: int
    record_length: int
    started: datetime
    attempt: int
    channels: tuple[ChannelRecord, ...]
    settings: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class ShotQuality:
    """What the checks after a shot found; stored with it."""

    clipped: Mapping[str, int] = field(default_factory=dict)
    remarks: tuple[str, ...] = ()
    faults: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Event:
    """One line of what happened. ``name`` is stable and documented; ``data`` is JSON-able."""

    name: str
    at: datetime
    data: Mapping[str, object] = field(default_factory=dict)
