"""The recipe: what is to be proved, in which order. It names no instrument address and no site.

Field names here *are* the YAML keys, and the texts under them are what an editor shows. Quantities
are SI floats after validation; the unit types say what a person may write (`acquire.quantities`).
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, StringConstraints, WithJsonSchema

from acquire.analysis.measures import MEASURES
from acquire.quantities import (
    Coverage,
    Decibels,
    DecibelsOrMore,
    Hertz,
    Level,
    Ohms,
    PositiveLevel,
    SampleRate,
    Seconds,
    SecondsOrZero,
)

Name = Annotated[str, StringConstraints(pattern=r"^[a-z][a-z0-9_]{0,39}$")]
"""A name in a recipe: it becomes part of a group name in the run file."""

MeasureName = Annotated[
    str,
    StringConstraints(pattern=r"^[a-z][a-z0-9_]{0,39}$"),
    WithJsonSchema({"type": "string", "enum": list(MEASURES)}),
]
"""A key of ``acquire.analysis.measures.MEASURES``."""

Text = Annotated[str, StringConstraints(min_length=1, max_length=2000)]
Repeats = Annotated[int, Field(ge=2, le=100_000)]


class Model(BaseModel):
    """Strict, frozen, and unknown keys are errors."""

    model_config = ConfigDict(
        strict=True, extra="forbid", frozen=True, use_attribute_docstrings=True
    )


class Conductor(Model):
    """The conductor under test and what it is there for."""

    name: Text
    """What it is called where it is installed."""
    protective: bool
    """Whether it protects people. Then its continuity is checked, and it is never opened."""
    mains_connected: bool
    """Whether it is connected to the mains, so that the cautions say so."""
    continuity_limit: Annotated[Ohms, Field(examples=["0.1 ohm"])] = 0.1
    """Largest 4-wire resistance through a candidate in a protective conductor."""


class Quantity(Model):
    """A named physical signal; the bench binds the name to a scope input and a probe."""

    kind: Literal["current", "voltage"]
    """What is measured, so in A or in V."""
    description: str = ""
    """For people."""
    expected_peak: PositiveLevel | None = None
    """Where known: spares tries when the vertical range is looked for."""
    evaluated: bool = True
    """Whether results are computed of it; `false` for one that only triggers."""


class Trigger(Model):
    """An edge on one of the quantities (level in its own unit) or on the external input (in V)."""

    source: Name
    """A quantity of this recipe, or `external`."""
    level: Level
    """In the source's own unit: A for a current, V for a voltage and for `external`."""
    slope: Literal["positive", "negative"] = "positive"
    """Direction of the edge."""
    timeout: Annotated[Seconds, Field(examples=["5 s"])] = 5.0
    """How long to wait for one event before the record counts as missed."""


class Acquisition(Model):
    """One record, and how many of them make a shot."""

    duration: Annotated[Seconds, Field(examples=["40 us"])]
    """Time that one record covers."""
    pre_trigger: Annotated[SecondsOrZero, Field(examples=["4 us"])]
    """How much of it lies before the trigger."""
    minimum_sample_rate: SampleRate
    """The run is refused on a scope that samples slower."""
    minimum_bandwidth: Annotated[Hertz | None, Field(examples=["100 MHz"])] = None
    """Likewise for scope, probe and bandwidth limit."""
    repeats: Repeats
    """Records in a shot, 2 to 100 000; more of them lower the floor and narrow the interval."""
    trigger: Trigger
    """What starts a record."""
    require_valid_calibration: bool = False
    """Whether a calibration that has ended, or has no date, refuses the run or only warns."""


class Condition(Model):
    """A named state of the conductor and the probe."""

    kind: Literal["bare", "candidate", "no_current", "open_circuit"]
    """`bare`: nothing in circuit; `candidate`: one in circuit; `no_current`: the probe shorted or
    off the conductor; `open_circuit`: the conductor opened, its voltage measured."""
    description: Text
    """What an operator is told to set."""


class Shot(Model):
    """One entry of the sequence."""

    role: Literal["reference", "floor", "target", "open_circuit"]
    """What it is for; each role has its kind of condition."""
    condition: Name
    """A condition of this recipe."""
    repeats: Repeats | None = None
    """Records in this shot, where it is not `acquisition: repeats`."""


class Analysis(Model):
    """How the result is computed from the traces."""

    correction: Literal["auto", "none", "amplitude", "power", "coherent"] = "auto"
    """Floor correction that is reported; all of them are computed and stored."""
    measures: Annotated[tuple[MeasureName, ...], Field(min_length=1, max_length=50)] = (
        "peak_to_peak",
        "rms",
    )
    """Numbers that are taken from every trace."""
    coverage: Coverage = 0.95
    """Probability that an interval covers the true value."""
    margin: Annotated[DecibelsOrMore, Field(examples=["3 dB"])] = 3.0
    """A target that stands less than this above the floor is only a bound."""
    drift_allowance: Annotated[DecibelsOrMore, Field(examples=["1 dB"])] = 1.0
    """Largest accepted change from opening to closing reference."""


class Limit(Model):
    """A requirement; give exactly one of the two bounds."""

    condition: Name
    """The candidate that it judges."""
    quantity: Name
    """A quantity of this recipe."""
    measure: MeasureName
    """One of `analysis: measures`."""
    attenuation_at_least: Annotated[Decibels | None, Field(examples=["20 dB"])] = None
    """Bound on reference over residual."""
    residual_at_most: PositiveLevel | None = None
    """Bound on the residual, in the unit of the quantity."""


class Recipe(Model):
    """The whole file."""

    floorshot_recipe: Literal[1]
    """Version of this format."""
    title: Text
    """One line, printed above the result."""
    purpose: Text
    """What is to be proved, and why."""
    conductor: Conductor
    """The conductor under test."""
    quantities: Annotated[dict[Name, Quantity], Field(min_length=1, max_length=64)]
    """What is measured at the same time, by name."""
    acquisition: Acquisition
    """How a record is taken."""
    conditions: Annotated[dict[Name, Condition], Field(min_length=2, max_length=200)]
    """The states that the conductor is put into, by name."""
    shots: Annotated[tuple[Shot, ...], Field(min_length=3, max_length=1000)]
    """The sequence."""
    order: Literal["fewest_hands", "as_written"] = "fewest_hands"
    """Where a person sets the conditions: whether, to spare hands, shots between two references are
    taken together by condition, and floors last. Relays always follow the sequence as written."""
    analysis: Analysis = Analysis()
    """How results are computed."""
    limits: Annotated[tuple[Limit, ...], Field(max_length=1000)] = ()
    """What has to be met for the verdict `pass`."""
