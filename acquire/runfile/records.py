"""What goes into a run file and comes out of it, independent of HDF5."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Literal, Protocol

from acquire.analysis.inputs import Codes, Role

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


class TraceLike(Protocol):
    """What the spool needs of a trace; ``drivers.trace.Trace`` has it all.

    ``codes`` has shape (samples,), int8 or int16; volts = gain * code + offset. Units as there.
    """

    @property
    def codes(self) -> Codes: ...  # noqa: D102 - described by the class
    @property
    def gain(self) -> float: ...  # noqa: D102
    @property
    def offset(self) -> float: ...  # noqa: D102
    @property
    def start(self) -> float: ...  # noqa: D102
    @property
    def step(self) -> float: ...  # noqa: D102
    @property
    def bits(self) -> int: ...  # noqa: D102
    @property
    def preamble(self) -> str: ...  # noqa: D102


@dataclass(frozen=True, slots=True)
class ShotEntry:
    """One committed shot, without its samples.

    ``ranges`` is full scale by quantity [V]; ``samples`` and ``interval`` [s] are what the
    instrument delivered, ``header.record_length`` what was asked for.
    """

    header: ShotHeader
    quality: ShotQuality
    samples: int
    interval: float

    @property
    def name(self) -> str:
        """``NN_role_condition``."""
        return self.header.name

    @property
    def order(self) -> int:
        """Position in the run, from 0."""
        return self.header.order

    @property
    def step(self) -> int:
        """The plan step that asked for it."""
        return self.header.step

    @property
    def role(self) -> Role:
        """Reference, floor, target or open circuit."""
        return self.header.role

    @property
    def condition(self) -> str:
        """As in the recipe."""
        return self.header.condition

    @property
    def repeats(self) -> int:
        """Records in the shot."""
        return self.header.repeats

    @property
    def ranges(self) -> dict[str, float]:
        """Full scale by quantity. [V]"""
        return {c.quantity: c.vertical_range for c in self.header.channels}


@dataclass(frozen=True, slots=True)
class Findings:
    """What opening an existing spool came upon.

    Attributes
    ----------
    shots : committed shots.
    discarded : temp files of shots that were never committed; removed.
    torn_event : whether the last line of the event log was cut short; removed.
    consolidated : the run file that this spool already went into, where only the tidying is left.
    """

    shots: int = 0
    discarded: tuple[str, ...] = ()
    torn_event: bool = False
    consolidated: Path | None = None


@dataclass(frozen=True, slots=True)
class StoredResult:
    """One result document in a run file.

    ``name`` is "" for the run's own result and ``again_NN`` for each later analysis;
    ``recipe_text`` is the recipe that a later analysis used, "" where it used the run's own.
    """

    name: str
    made: datetime
    software: str
    document: str
    recipe_text: str = ""


@dataclass(frozen=True, slots=True)
class Damage:
    """One place that is not what was written. ``place`` is a path inside ``file``, or "" ."""

    file: str
    place: str
    found: str

    def __str__(self) -> str:
        where = f"{self.file}: {self.place}" if self.place else self.file
        return f"{where}: {self.found}"
