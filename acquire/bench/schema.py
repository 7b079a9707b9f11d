"""The bench profile and the probe profile: with what, at which site. Neither names a measurement.

Field names here *are* the YAML keys.
"""

from __future__ import annotations

from datetime import date
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, StringConstraints

from acquire.quantities import Amperes, Fraction, Hertz, Ohms, Seconds, Volts

Name = Annotated[str, StringConstraints(pattern=r"^[a-z][a-z0-9_]{0,39}$")]
FileName = Annotated[str, StringConstraints(pattern=r"^[A-Za-z0-9_][A-Za-z0-9_.-]{0,99}$")]
Text = Annotated[str, StringConstraints(min_length=1, max_length=2000)]


class Model(BaseModel):
    """Strict, frozen, and unknown keys are errors."""

    model_config = ConfigDict(strict=True, extra="forbid", frozen=True)


class Identity(Model):
    """Which unit must answer, where that matters; compared without case."""

    maker: Text | None = None
    model: Text | None = None
    serial: Text | None = None


class Instrument(Model):
    """What every instrument on the bench has."""

    resource: Text
    identity: Identity = Identity()
    calibration_due: date | None = None
    timeout: Seconds = 5.0


class Scope(Instrument):
    """The oscilloscope; ``profile`` overrides what ``*IDN?`` would choose."""

    profile: FileName | None = None


class Input(Model):
    """One scope input, bound to the quantity of the same name in a recipe.

    50 ohm is set only because it is written here, and then ``maximum_input`` (the peak voltage
    that the input survives) must be given: the runner refuses a range beyond it.
    """

    channel: Annotated[int, Field(ge=1, le=64)]
    probe: FileName
    coupling: Literal["DC", "AC"] = "DC"
    input_impedance: Ohms = 1e6
    maximum_input: Volts | None = None
    bandwidth_limit: Hertz | None = None
    pickup_repeatability: Fraction = 0.02


class OperatorFixture(Model):
    """A person sets each condition and confirms it."""

    kind: Literal["operator"]


class RelayFixture(Instrument):
    """A relay unit sets each condition: name -> channels that are closed in it."""

    kind: Literal["relay"]
    conditions: Annotated[dict[Name, tuple[Annotated[int, Field(ge=0)], ...]], Field(min_length=1)]
    settling_time: Seconds = 0.05


class Retry(Model):
    """How much is tried again before a run gives up."""

    reconnects: Annotated[int, Field(ge=0, le=100)] = 3
    reconnect_wait: Seconds = 0.5
    shot_tries: Annotated[int, Field(ge=1, le=20)] = 3


class Bench(Model):
    """The whole bench profile."""

    floorshot_bench: Literal[1]
    site: Text
    scope: Scope
    inputs: Annotated[dict[Name, Input], Field(min_length=1)]
    fixture: Annotated[OperatorFixture | RelayFixture, Field(discriminator="kind")]
    ohmmeter: Instrument | None = None
    retry: Retry = Retry()


class Band(Model):
    """Where a transfer impedance holds."""

    low: Hertz
    high: Hertz


class Probe(Model):
    """One transducer.

    A current probe gives ``transfer_impedance`` (volts into the scope per ampere) and may name a
    CSV ``table`` beside this file; a voltage probe gives ``attenuation`` (10 for a 10:1 probe).
    ``uncertainty`` is expanded, with ``coverage_factor``, relative.
    """

    floorshot_probe: Literal[1]
    name: Text
    kind: Literal["current", "voltage"]
    transfer_impedance: Ohms | None = None
    attenuation: Annotated[float, Field(gt=0)] | None = None
    table: FileName | None = None
    band: Band
    uncertainty: Fraction
    coverage_factor: Annotated[float, Field(gt=0, le=10)] = 2.0
    maximum_current: Amperes | None = None
    serial: str = ""
    calibrated: date | None = None
    calibration_due: date | None = None
