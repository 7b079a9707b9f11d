"""Scope profiles: the YAML form of ``drivers.profile.ScopeProfile``.

The numbers are those of a maker's data sheet; where the instrument says otherwise, it is right.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from functools import cache, partial
from importlib.resources import files
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field

from acquire.bench.schema import Model, Name, Text
from acquire.errors import BadInputError, Problem
from acquire.quantities import Fraction, Hertz, Ohms, SampleRate, SecondsOrZero, Volts
from acquire.textfile import Check, Complaint, TextSource, load, validated
from drivers.profile import ScopeProfile


class ScopeFile(Model):
    """One oscilloscope model, or a family of like models."""

    floorshot_scope: Literal[1]
    """Version of this format."""
    dialect: Name
    """Command dialect that it speaks (drivers/README.md lists them)."""
    maker: Text
    """Regular expression for field 1 of `*IDN?`, the whole field, without case."""
    model: Text
    """Likewise for field 2."""
    channels: Annotated[int, Field(ge=1, le=64)]
    """Analogue inputs."""
    vertical_ranges: Annotated[tuple[Volts, ...], Field(min_length=1, max_length=100)]
    """Full scale, not per division; ascending."""
    vertical_divisions: Annotated[int, Field(ge=1, le=20)]
    """Divisions in full scale."""
    horizontal_divisions: Annotated[int, Field(ge=1, le=20)]
    """Divisions in a record."""
    bandwidth: Annotated[Hertz, Field(examples=["500 MHz"])]
    """-3 dB, at 50 ohm."""
    maximum_sample_rate: SampleRate
    """With one channel per converter in use."""
    maximum_record_length: Annotated[int, Field(ge=100)]
    """Samples per channel."""
    record_lengths: Annotated[tuple[Annotated[int, Field(ge=1)], ...], Field(max_length=100)] = ()
    """Those that can be chosen, ascending; none = any up to the maximum."""
    bits: Annotated[int, Field(ge=6, le=16)]
    """Converter resolution."""
    code_bits: Literal[8, 16]
    """Bits of a code to ask for over the wire."""
    input_impedances: Annotated[tuple[Ohms, ...], Field(min_length=1, max_length=10)]
    """What can be selected."""
    gain_accuracy: Annotated[Fraction, Field(examples=["2 %"])]
    """DC vertical gain accuracy, half-width, relative to full scale."""
    maximum_segments: Annotated[int, Field(ge=1)] = 1
    """Records in one arming; 1 = no segmented capture."""
    settling_time: Annotated[SecondsOrZero, Field(examples=["50 ms"])] = 0.0
    """Wait after a change of range, impedance or time base."""
    quirks: Annotated[tuple[Name, ...], Field(max_length=20)] = ()
    """Named departures from its dialect."""


def read_scope_profile(source: TextSource, name: str) -> ScopeProfile:
    """Return the profile called ``name`` that a text describes.

    Raises
    ------
    BadInputError
        With every mistake in it.
    """
    file = validated(source, ScopeFile, _checks)
    values = {key: getattr(file, key) for key in ScopeFile.model_fields if key != "floorshot_scope"}
    return ScopeProfile(name=name, **{**values, "quirks": frozenset(file.quirks)})


@cache
def shipped_scope_profiles() -> dict[str, ScopeProfile]:
    """Return every scope profile that comes with the program, by name."""
    return _read_all(Path(str(files("profiles"))) / "scopes")


def scope_profiles_for(folder: Path | None) -> dict[str, ScopeProfile]:
    """Return the shipped profiles and those in ``scopes`` in a bench's folder, which go first.

    Raises
    ------
    BadInputError
        With every mistake in every one of them.
    """
    own = _read_all(folder / "scopes") if folder is not None else {}
    shipped = {name: p for name, p in shipped_scope_profiles().items() if name not in own}
    return {**own, **shipped}


def _read_all(folder: Path) -> dict[str, ScopeProfile]:
    found: dict[str, ScopeProfile] = {}
    problems: list[Problem] = []
    for path in sorted(folder.glob("*.yaml")):
        try:
            found[path.stem] = read_scope_profile(load(path), path.stem)
        except BadInputError as error:
            problems += error.problems
    if problems:
        raise BadInputError(problems)
    return found


# -- what a profile must mean ----------------------------------------------------------------------


def _checks(file: ScopeFile) -> Iterator[Check]:
    yield partial(_expression, file, "maker")
    yield partial(_expression, file, "model")
    yield partial(_ascending, file, "vertical_ranges")
    yield partial(_ascending, file, "record_lengths")
    yield partial(_codes, file)
    yield partial(_longest, file)


def _expression(file: ScopeFile, field: str) -> Iterator[Complaint]:
    try:
        re.compile(getattr(file, field))
    except re.error as error:
        yield (field,), f"this is not a regular expression: {error}"


def _ascending(file: ScopeFile, field: str) -> Iterator[Complaint]:
    values = getattr(file, field)
    for index in range(1, len(values)):
        if values[index] <= values[index - 1]:
            yield (field, index), "must be larger than the one before it"


def _codes(file: ScopeFile) -> Iterator[Complaint]:
    if file.bits > file.code_bits:
        message = (
            f"a converter of {file.bits} bits does not fit into codes of {file.code_bits} bits"
        )
        yield ("code_bits",), message


def _longest(file: ScopeFile) -> Iterator[Complaint]:
    if file.record_lengths and file.record_lengths[-1] > file.maximum_record_length:
        yield ("record_lengths",), "the last one is longer than maximum_record_length"
