"""``floorshot predict``: what a candidate of a known impedance would do here."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from acquire.cli import console
from acquire.cli.options import quantity_option, run_file_argument
from acquire.errors import BadInputError, Problem

if TYPE_CHECKING:
    from acquire.analysis.candidates import Candidate
    from acquire.analysis.prediction import Prediction

ROWS_PER_DECADE = 5
"""Of the printed table over frequency; ``--json`` has all of it."""

HEADER = "frequency [MHz], impedance [ohm], phase [deg]"
"""Of an impedance table."""


@click.command(
    short_help="What a candidate of a known impedance would do, from a run.",
    epilog="Exit codes: 0 predicted; 2 bad input, or the run has not measured what is needed.",
)
@run_file_argument
@quantity_option("--inductance", "H", help="Of an inductor, such as 100uH.")
@quantity_option("--series-resistance", "ohm", help="Of the inductor's wire. [default: none]")
@quantity_option("--parallel-resistance", "ohm", help="Its core loss. [default: none]")
@quantity_option("--parallel-capacitance", "F", help="Its stray capacitance. [default: none]")
@click.option(
    "--impedance-table",
    metavar="CSV",
    type=click.Path(path_type=Path, exists=True, dir_okay=False),
    help=f"Measured impedance over frequency; its header names columns and units: '{HEADER}'.",
)
@quantity_option(
    "--tolerance", "%", help="Standard uncertainty of the candidate's impedance. [default: 0 %]"
)
@quantity_option("--fault-current", "A", help="For the voltage drop at mains frequency.")
@quantity_option("--mains-frequency", "Hz", default="50 Hz", help="Of the supply.")
@quantity_option("--coverage", "%", default="95 %", help="Of the intervals.")
@click.option("--voltage", metavar="QUANTITY", help="Open-circuit voltage, where there are two.")
@click.option("--current", metavar="QUANTITY", help="Bare current, where there are two.")
@click.option("--json", "as_json", is_flag=True, help="Print all of it as JSON.")
def command(
    file: Path,
    inductance: float | None,
    series_resistance: float | None,
    parallel_resistance: float | None,
    parallel_capacitance: float | None,
    impedance_table: Path | None,
    tolerance: float | None,
    fault_current: float | None,
    mains_frequency: float,
    coverage: float,
    voltage: str | None,
    current: str | None,
    as_json: bool,
) -> int:
    """Say what a candidate would take from the current in run file FILE.

    The run must have measured the open-circuit voltage as well (a shot of the role open_circuit):
    with the bare current it gives the impedance of the source. The candidate is an inductor, or a
    table of impedance over frequency.

    With --fault-current, the voltage that the candidate would drop at mains frequency is given
    too. Whether it may be fitted is for the local electrical code and a licensed person to say.

    \b
    Examples:
      floorshot predict FILE --inductance 100uH --fault-current 200A
      floorshot predict FILE --impedance-table choke.csv --tolerance '10 %'
    """
    from acquire.analysis.prediction import predict
    from acquire.run.source import source_of

    strays = (series_resistance, parallel_resistance, parallel_capacitance)
    try:
        if inductance is not None and impedance_table is None:
            candidate = inductor_of(inductance, *strays, tolerance)
        elif impedance_table is not None and inductance is None:
            candidate = tabulated_of(impedance_table, tolerance)
        else:
            raise click.UsageError("give one of --inductance and --impedance-table")
        found = predict(
            source_of(file, voltage, current), candidate, coverage, mains_frequency, fault_current
        )
    except ValueError as error:
        raise BadInputError(str(error)) from error
    if as_json:
        console.say(json.dumps(document(found), indent=2, ensure_ascii=False, allow_nan=False))
    else:
        _show(found)
    return 0


def inductor_of(
    inductance: float,
    series_resistance: float | None = None,
    parallel_resistance: float | None = None,
    parallel_capacitance: float | None = None,
    tolerance: float | None = None,
) -> Candidate:
    """Return an inductor with its strays, named by them; SI values, None = none.

    Raises
    ------
    ValueError
        If a value is not physical.
    """
    from acquire.analysis.candidates import inductor
    from acquire.quantities import format_quantity

    made = inductor(
        inductance,
        series_resistance or 0.0,
        math.inf if parallel_resistance is None else parallel_resistance,
        parallel_capacitance or 0.0,
        tolerance or 0.0,
    )
    strays = (
        (series_resistance, "ohm", "in series"),
        (parallel_resistance, "ohm", "in parallel"),
        (parallel_capacitance, "F", "in parallel"),
    )
    told = [f"{format_quantity(value, unit)} {how}" for value, unit, how in strays if value]
    name = ", ".join([f"inductor of {format_quantity(inductance, 'H')}", *told])
    return replace(made, name=name)


def tabulated_of(path: Path, tolerance: float | None = None) -> Candidate:
    """Return the candidate whose impedance is in a CSV table, named by the file.

    Raises
    ------
    BadInputError
        With every mistake in the table, by line.
    ValueError
        If the table has no phase.
    """
    from acquire.analysis.candidates import tabulated
    from acquire.analysis.transfer_table import TransferTableError, parse_table

    try:
        table = parse_table(path.read_text(encoding="utf-8"))
    except TransferTableError as error:
        raise BadInputError([_problem(path, p.line, p.message) for p in error.problems]) from error
    except (OSError, UnicodeDecodeError) as error:
        raise BadInputError(f"{path}: cannot be read as text: {error}") from error
    candidate = tabulated(f"the impedance of {path.name}", table)
    return candidate if tolerance is None else replace(candidate, relative_uncertainty=tolerance)


def _problem(path: Path, line: int, message: str) -> Problem:
    header = f". A header that can be read: {HEADER}" if line == 1 else ""
    return Problem(str(path), line, 1 if line else 0, "", f"{message}{header}")


def document(found: Prediction) -> dict[str, Any]:
    """Return a prediction as plain JSON values; what is not predicted is null."""
    table = found.to_table()
    return {
        "format": "floorshot-prediction",
        "version": 1,
        "candidate": found.candidate,
        "coverage": found.coverage,
        "levels": [
            {
                "measure": level.measure,
                "reference": level.reference,
                "predicted": level.predicted,
                "unit": "A",
                "attenuation_db": level.attenuation_db,
                "interval_db": [level.low_db, level.high_db],
            }
            for level in found.levels
        ],
        "over_frequency": [
            {
                "frequency": row[0],
                "attenuation_db": row[1],
                "interval_db": [row[2], row[3]],
            }
            for row in table.rows
        ],
        "energy_outside_fraction": found.energy_outside_fraction,
        "mains_frequency": found.mains_frequency,
        "fault_current": found.fault_current,
        "voltage_drop": found.voltage_drop,
        "caution": found.caution,
        "remarks": list(found.remarks),
    }


def _show(found: Prediction) -> None:
    from rich.table import Table

    from acquire.analysis.digits import format_db
    from acquire.cli.numbers import engineering

    levels = Table("Measure", "Bare", "Predicted", "Attenuation", box=None, pad_edge=False)
    for level in found.levels:
        levels.add_row(
            level.measure,
            engineering(level.reference, "A"),
            engineering(level.predicted, "A"),
            format_db(level.attenuation_db, (level.low_db, level.high_db)),
        )
    frequencies = Table("Frequency", "Attenuation", box=None, pad_edge=False)
    for frequency, db, low, high in _thinned(found):
        frequencies.add_row(engineering(frequency, "Hz"), format_db(db, (low, high)))
    console.say(f"{found.candidate}, predicted from the measured source")
    console.say(f"(intervals at {100 * found.coverage:g} %)\n")
    console.show(levels)
    console.say()
    console.show(frequencies)
    if found.voltage_drop is not None:
        drop, at = engineering(found.voltage_drop, "V"), engineering(found.fault_current, "A")
        mains = engineering(found.mains_frequency, "Hz")
        console.say(f"\nVoltage drop at {mains} and a fault current of {at}: {drop}")
    for remark in found.remarks:
        console.say(f"- {remark}")
    console.caution([found.caution])


def _thinned(found: Prediction) -> list[tuple[float, float, float, float]]:
    """Return a few rows a decade, of those that are predicted."""
    rows: dict[int, tuple[float, float, float, float]] = {}
    for frequency, db, low, high in zip(
        found.frequency, found.attenuation_db, found.low_db, found.high_db, strict=True
    ):
        if math.isfinite(db):
            key = round(ROWS_PER_DECADE * math.log10(frequency))
            rows.setdefault(key, (float(frequency), float(db), float(low), float(high)))
    return list(rows.values())
