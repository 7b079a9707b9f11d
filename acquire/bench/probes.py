"""Probe profiles: where they are found, what they must mean, and the transducer they stand for."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from functools import partial
from importlib.resources import files
from pathlib import Path
from typing import Any

import numpy as np

from acquire.analysis.inputs import Transducer, TransferTable
from acquire.analysis.transfer_table import TransferTableError, parse_table
from acquire.bench.schema import Probe
from acquire.errors import BadInputError, Problem
from acquire.quantities import format_quantity
from acquire.textfile import (
    Check,
    Complaint,
    TextSource,
    did_you_mean,
    load,
    parse,
    read_text,
    validated,
)

_FARTHEST = 3.0
"""A table whose median is this many times the flat transfer is taken for a mistaken unit."""


@dataclass(frozen=True, eq=False)
class LoadedProbe:
    """A probe profile, with the texts that it came from.

    Attributes
    ----------
    probe : as written.
    source : text and places.
    table_text : the CSV of its table, exactly; None where it has none.
    transducer : how volts at the scope become the quantity.
    """

    probe: Probe
    source: TextSource
    table_text: str | None
    transducer: Transducer

    @property
    def text(self) -> str:
        """Exactly what was loaded."""
        return self.source.text

    def said(self) -> dict[str, Any]:
        """Return what the profile and its table say, without their layout."""
        table = self.transducer.table
        columns = () if table is None else (
            table.frequency, table.magnitude, table.phase, table.relative_uncertainty
        )  # fmt: skip
        return {
            "probe": self.probe.model_dump(mode="json", exclude_defaults=True, exclude={"table"}),
            "table": [None if column is None else column.tolist() for column in columns],
        }


class ProbeFolders:
    """Where the probe profiles of a bench are: beside it, in ``probes`` beside it, then shipped."""

    def __init__(self, folder: Path | None) -> None:
        shipped = Path(str(files("profiles"))) / "probes"
        own = [] if folder is None else [folder / "probes"]
        self.of_probes = [*own, shipped]
        self.folders = self.of_probes if folder is None else [folder, *self.of_probes]

    def known(self) -> list[str]:
        """Return the names that a person may have meant (a bench's own folder holds more)."""
        return sorted({path.stem for f in self.of_probes for path in f.glob("*.yaml")})

    def read(self, name: str) -> LoadedProbe | None:
        """Return a probe, or None where there is no file of that name."""
        for folder in self.folders:
            path = folder / f"{name}.yaml"
            if path.is_file():
                return loaded_probe(load(path), name, partial(_read_beside, folder))
        return None


class ProbeTexts:
    """Probe profiles as a run file keeps them: name -> text, and ``name.csv`` -> its table."""

    def __init__(self, texts: Mapping[str, str]) -> None:
        self.texts = texts

    def known(self) -> list[str]:
        """Return the names that there are."""
        return sorted(name for name in self.texts if not name.endswith(".csv"))

    def read(self, name: str) -> LoadedProbe | None:
        """Return a probe, or None where there is no text of that name."""
        if name not in self.texts:
            return None
        return parse_probe(self.texts[name], name, table_text=self.texts.get(f"{name}.csv"))


def _read_beside(folder: Path, name: str) -> str:
    return read_text(folder / name)


def load_probe(path: Path | str) -> LoadedProbe:
    """Read a probe profile; its table stands beside it.

    Raises
    ------
    BadInputError
        With every mistake in both.
    """
    file = Path(path)
    return loaded_probe(load(file), file.stem, partial(_read_beside, file.parent))


def parse_probe(text: str, name: str, *, table_text: str | None = None) -> LoadedProbe:
    """Read the text of a probe profile called ``name``, and of its table.

    Raises
    ------
    BadInputError
        With every mistake in both.
    """

    def read_table(table: str) -> str:
        if table_text is None:
            message = f"the text of this table ('{table}') is not there"
            raise BadInputError([Problem(name, 0, 0, "table", message)])
        return table_text

    return loaded_probe(parse(text, name), name, read_table)


def loaded_probe(source: TextSource, name: str, read_table: Callable[[str], str]) -> LoadedProbe:
    """Return the probe that a text describes; ``read_table`` gives the text of its table."""
    probe = validated(source, Probe, _checks)
    text = table = None
    if probe.table is not None:
        try:
            text = read_table(probe.table)
            table = parse_table(text, probe.coverage_factor)
        except BadInputError as error:
            raise BadInputError(
                [source.problem(("table",), f"{p.file}: {p.message}") for p in error.problems]
            ) from error
        except TransferTableError as error:
            raise BadInputError(
                [Problem(probe.table, p.line, 1 if p.line else 0, "", p.message)
                 for p in error.problems]
            ) from error  # fmt: skip
        problems = [source.problem(*complaint) for complaint in _table_fits(probe, table)]
        if problems:
            raise BadInputError(problems)
    return LoadedProbe(probe, source, text, _transducer(probe, name, table))


def _flat(probe: Probe) -> float:
    """Return volts at the scope per unit of the quantity. [ohm or 1]"""
    if probe.transfer_impedance is not None:
        return probe.transfer_impedance
    assert probe.attenuation is not None
    return 1 / probe.attenuation


def _transducer(probe: Probe, name: str, table: TransferTable | None) -> Transducer:
    return Transducer(
        name=name,
        unit="A" if probe.kind == "current" else "V",
        transfer=_flat(probe),
        band=(probe.band.low, probe.band.high),
        relative_uncertainty=probe.uncertainty / probe.coverage_factor,
        table=table,
    )


# -- what a probe profile must mean ----------------------------------------------------------------


def _checks(probe: Probe) -> Iterator[Check]:
    yield partial(_transfer, probe)
    yield partial(_band, probe)
    yield partial(_dates, probe)
    yield partial(_current_only, probe)


def _transfer(probe: Probe) -> Iterator[Complaint]:
    current = probe.kind == "current"
    wanted, other = ("transfer_impedance", "attenuation") if current else (
        "attenuation", "transfer_impedance"
    )  # fmt: skip
    example = "5 ohm" if current else "10"
    if getattr(probe, wanted) is None:
        message = f"a {probe.kind} probe needs {wanted}; write it like '{wanted}: {example}'"
        yield ("kind",), message
    if getattr(probe, other) is not None:
        yield (other,), f"a {probe.kind} probe has no {other}; leave it out"


def _current_only(probe: Probe) -> Iterator[Complaint]:
    if probe.kind == "voltage" and probe.maximum_current is not None:
        yield ("maximum_current",), "a voltage probe has no maximum_current; leave it out"


def _band(probe: Probe) -> Iterator[Complaint]:
    if probe.band.low >= probe.band.high:
        message = (
            f"the band begins at {format_quantity(probe.band.low, 'Hz')} and ends at "
            f"{format_quantity(probe.band.high, 'Hz')}; its low end must be below its high end"
        )
        yield ("band", "low"), message


def _dates(probe: Probe) -> Iterator[Complaint]:
    made, due = probe.calibrated, probe.calibration_due
    if made is not None and due is not None and made > due:
        yield ("calibration_due",), f"is before the calibration itself ({made})"


def _table_fits(probe: Probe, table: TransferTable) -> Iterator[Complaint]:
    inside = (table.frequency >= probe.band.low) & (table.frequency <= probe.band.high)
    if not inside.any():
        ends = " to ".join(format_quantity(float(f), "Hz") for f in table.frequency[[0, -1]])
        message = f"{probe.table}: its frequencies ({ends}) lie outside the band of this probe"
        yield ("table",), message
        return
    median, flat = float(np.median(table.magnitude[inside])), _flat(probe)
    if not flat / _FARTHEST <= median <= flat * _FARTHEST:
        message = (
            f"{probe.table}: the median in the band is {median:.3g} V per unit, but the profile "
            f"says {flat:.3g}; check the unit in the table's header"
        )
        yield ("table",), message


def no_such_probe(written: str, known: list[str]) -> str:
    """Say that a bench names a probe that is nowhere."""
    if written.endswith(".yaml"):
        return f"there is no probe profile '{written}'; write the name without .yaml"
    return f"there is no probe profile '{written}'{did_you_mean(written, known)}"
