"""The recipe: what is to be proved, in which order. It names no instrument address and no site.

Field names here *are* the YAML keys. Quantities are SI floats after validation; the unit types say
which units a person may write (see ``acquire.quantities``).
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, StringConstraints

from acquire.quantities import (
    Decibels,
    Fraction,
    Hertz,
    Level,
    Ohms,
    SampleRate,
    Seconds,
)

Name = Annotated[str, StringConstraints(pattern=r"^[a-z][a-z0-9_]{0,39}$")]
"""A name in a recipe: it becomes part of a group name in the run file."""

Text = Annotated[str, StringConstraints(min_length=1, max_length=2000)]


class Model(BaseModel):
    """Strict, frozen, and unknown keys are errors."""

    model_config = ConfigDict(strict=True, extra="forbid", frozen=True)


class Conductor(Model):
    """The conductor under test and what it is there for."""

    name: Text
    protective: bool
    mains_connected: bool
    continuity_limit: Ohms = 0.1


class Quantity(Model):
    """A named physical signal; the bench binds the name to a scope input and a probe."""

    kind: Literal["current", "voltage"]
    description: str = ""
    expected_peak: Level | None = None


class Trigger(Model):
    """An edge on one of the quantities (level in its own unit) or on the external input (in V)."""

    source: Name
    level: Level
    slope: Literal["positive", "negative"] = "positive"
    timeout: Seconds = 5.0


class Acquisition(Model):
    """One record, and how many of them make a shot."""

    duration: Seconds
    pre_trigger: Seconds
    minimum_sample_rate: SampleRate
    minimum_bandwidth: Hertz | None = None
    repeats: Annotated[int, Field(ge=2, le=100_000)]
    trigger: Trigger
    require_valid_calibration: bool = False


class Condition(Model):
    """A named state of the conductor and the probe.

    ``kind``: ``bare`` (no candidate), ``candidate`` (one in circuit), ``no_current`` (probe shorted
    or off the conductor) or ``open_circuit`` (the conductor opened, its voltage measured).
    """

    kind: Literal["bare", "candidate", "no_current", "open_circuit"]
    description: Text


class Shot(Model):
    """One entry of the sequence."""

    role: Literal["reference", "floor", "target", "open_circuit"]
    condition: Name
    repeats: Annotated[int, Field(ge=2, le=100_000)] | None = None


class Analysis(Model):
    """How the result is computed from the traces."""

    correction: Literal["auto", "none", "amplitude", "power", "coherent"] = "auto"
    measures: Annotated[tuple[Name, ...], Field(min_length=1)] = ("peak_to_peak", "rms")
    coverage: Fraction = 0.95
    margin: Decibels = 3.0
    drift_allowance: Decibels = 1.0


class Limit(Model):
    """A requirement; give exactly one of the two bounds."""

    condition: Name
    quantity: Name
    measure: Name
    attenuation_at_least: Decibels | None = None
    residual_at_most: Level | None = None


class Recipe(Model):
    """The whole file."""

    floorshot_recipe: Literal[1]
    title: Text
    purpose: Text
    conductor: Conductor
    quantities: Annotated[dict[Name, Quantity], Field(min_length=1)]
    acquisition: Acquisition
    conditions: Annotated[dict[Name, Condition], Field(min_length=2)]
    shots: Annotated[tuple[Shot, ...], Field(min_length=3)]
    analysis: Analysis = Analysis()
    limits: tuple[Limit, ...] = ()
