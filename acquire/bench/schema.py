"""The bench profile and the probe profile: with what, at which site. Neither names a measurement.

Field names here *are* the YAML keys, and the texts under them are what an editor shows.
"""

from __future__ import annotations

from datetime import date
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, StringConstraints, WithJsonSchema
from pydantic.functional_validators import BeforeValidator
from pydantic_core import PydanticCustomError

from acquire.quantities import (
    Amperes,
    Fraction,
    Hertz,
    Ohms,
    Seconds,
    SecondsOrZero,
    Volts,
)

Name = Annotated[str, StringConstraints(pattern=r"^[a-z][a-z0-9_]{0,39}$")]
FileName = Annotated[str, StringConstraints(pattern=r"^[A-Za-z0-9_][A-Za-z0-9_.-]{0,99}$")]
Text = Annotated[str, StringConstraints(min_length=1, max_length=2000)]


def _read_date(written: object) -> object:
    """Read an ISO 8601 calendar date; YAML 1.2 knows no dates, so it arrives as text."""
    if isinstance(written, str) and len(written) == len("2027-03-31"):
        try:
            return date.fromisoformat(written)
        except ValueError:
            pass
    found = f"'{written[:40]}'" if isinstance(written, str) else "no text"
    raise PydanticCustomError(
        "quantity", "{sentence}", {"sentence": f"expected a date like 2027-03-31, found {found}"}
    )


Day = Annotated[
    date,
    BeforeValidator(_read_date),
    WithJsonSchema({"type": "string", "format": "date", "examples": ["2027-03-31"]}),
]


class Model(BaseModel):
    """Strict, frozen, and unknown keys are errors."""

    model_config = ConfigDict(
        strict=True, extra="forbid", frozen=True, use_attribute_docstrings=True
    )


class Identity(Model):
    """Which unit must answer, where that matters; compared without case."""

    maker: Text | None = None
    """First field of its `*IDN?` answer."""
    model: Text | None = None
    """Second field."""
    serial: Text | None = None
    """Third field."""


class Instrument(Model):
    """What every instrument on the bench has."""

    resource: Text
    """VISA resource string, such as `TCPIP::192.168.0.7::INSTR`."""
    identity: Identity = Identity()
    """Which unit must answer there."""
    calibration_due: Day | None = None
    """When its calibration ends."""
    timeout: Annotated[Seconds, Field(examples=["5 s"])] = 5.0
    """How long one answer may take."""


class Scope(Instrument):
    """The oscilloscope."""

    profile: FileName | None = None
    """Scope profile to use, where its answer to `*IDN?` should not choose one."""


class Input(Model):
    """One scope input, bound to the quantity of the same name in a recipe."""

    channel: Annotated[int, Field(ge=1, le=64)]
    """Number of the input on the scope."""
    probe: FileName
    """Name of a probe profile, without `.yaml`."""
    coupling: Literal["DC", "AC"] = "DC"
    """Coupling of the input."""
    input_impedance: Ohms = 1e6
    """50 ohm is set only because it is written here."""
    maximum_input: Annotated[Volts | None, Field(examples=["5 V"])] = None
    """Peak voltage that the input survives; needed at 50 ohm. Ranges beyond it are refused."""
    bandwidth_limit: Annotated[Hertz | None, Field(examples=["20 MHz"])] = None
    """Low pass of the input; none by default."""
    pickup_repeatability: Annotated[Fraction, Field(examples=["2 %"])] = 0.02
    """How well what the leads pick up repeats from condition to condition, standard, relative."""


class OperatorFixture(Model):
    """A person sets each condition and confirms it."""

    kind: Literal["operator"]
    """Who or what sets the conditions."""


class RelayFixture(Instrument):
    """A relay unit sets each condition."""

    kind: Literal["relay"]
    """Who or what sets the conditions."""
    conditions: Annotated[
        dict[Name, Annotated[tuple[Annotated[int, Field(ge=0)], ...], Field(max_length=1000)]],
        Field(min_length=1, max_length=200),
    ]
    """Condition -> channels that are closed in it; all others that are named here are open."""
    settling_time: Annotated[SecondsOrZero, Field(examples=["50 ms"])] = 0.05
    """Wait after a switch."""


class Retry(Model):
    """How much is tried again before a run gives up."""

    reconnects: Annotated[int, Field(ge=0, le=100)] = 3
    """Tries to reach an instrument again whose link was lost."""
    reconnect_wait: Annotated[SecondsOrZero, Field(examples=["0.5 s"])] = 0.5
    """Wait before each of them."""
    shot_tries: Annotated[int, Field(ge=1, le=20)] = 3
    """How often a shot is taken before it is given up."""


class Bench(Model):
    """The whole bench profile."""

    floorshot_bench: Literal[1]
    """Version of this format."""
    site: Text
    """Where it stands; goes into every run file."""
    scope: Scope
    """What records."""
    inputs: Annotated[dict[Name, Input], Field(min_length=1, max_length=64)]
    """Quantity -> the scope input that it is wired to."""
    fixture: Annotated[OperatorFixture | RelayFixture, Field(discriminator="kind")]
    """What puts the conductor into a condition."""
    ohmmeter: Instrument | None = None
    """The 4-wire ohmmeter; needed where a recipe's conductor is protective."""
    retry: Retry = Retry()
    """How much is tried again."""


class Band(Model):
    """Where a transfer impedance holds."""

    low: Annotated[Hertz, Field(examples=["10 kHz"])]
    """Lower end."""
    high: Annotated[Hertz, Field(examples=["200 MHz"])]
    """Upper end."""


class Probe(Model):
    """One transducer."""

    floorshot_probe: Literal[1]
    """Version of this format."""
    name: Text
    """What is written on it."""
    kind: Literal["current", "voltage"]
    """What it measures."""
    transfer_impedance: Annotated[Ohms | None, Field(examples=["5 ohm"])] = None
    """Of a current probe: volts into the scope per ampere, flat over the band."""
    attenuation: Annotated[float, Field(gt=0, le=1e6)] | None = None
    """Of a voltage probe: 10 for a 10:1 probe."""
    table: FileName | None = None
    """CSV file beside this one, with the transfer over frequency from a calibration."""
    band: Band
    """Where the transfer holds."""
    uncertainty: Annotated[Fraction, Field(examples=["3 %"])]
    """Expanded, relative, of the transfer."""
    coverage_factor: Annotated[float, Field(gt=0, le=10)] = 2.0
    """What `uncertainty` was expanded with (k)."""
    maximum_current: Annotated[Amperes | None, Field(examples=["20 A"])] = None
    """Peak current that the probe survives or stays linear to."""
    serial: str = ""
    """Serial number."""
    calibrated: Day | None = None
    """When it was calibrated."""
    calibration_due: Day | None = None
    """When its calibration ends."""
