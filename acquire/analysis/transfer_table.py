"""A calibration over frequency, from CSV text to a ``TransferTable``.

The header line names each column and its unit, in this manner::

    frequency [MHz], transfer impedance [dB(ohm)], phase [deg], uncertainty (k=2) [dB]

Columns may stand in any order; phase and uncertainty may be missing. The unit stands in brackets or
parentheses at the end, or after a last blank or underscore. Separators are comma, semicolon or
tab; with the latter two a decimal comma is understood. Lines that begin with ``#`` are remarks.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np

from acquire.analysis.inputs import Floats, TransferTable

_COLUMNS = MappingProxyType(
    {
        "frequency": ("frequency", "freq", "f"),
        "magnitude": (
            "magnitude",
            "transfer impedance",
            "transfer ratio",
            "impedance",
            "zt",
            "|zt|",
            "|z|",
            "z",
        ),
        "phase": ("phase", "angle"),
        "uncertainty": ("uncertainty", "u"),
    }
)
_FREQUENCY_UNITS = MappingProxyType({"hz": 1.0, "khz": 1e3, "mhz": 1e6, "ghz": 1e9})
_OHM = MappingProxyType({"ohm": 1.0, "v/a": 1.0, "1": 1.0, "v/v": 1.0, "mohm": 1e-3, "kohm": 1e3})
_DECIBEL = ("db(ohm)", "dbohm", "db(1ohm)", "db")
_PHASE_UNITS = MappingProxyType({"deg": math.pi / 180.0, "rad": 1.0})
_SPELLINGS = MappingProxyType(
    {"ohms": "ohm", "ω": "ohm", "°": "deg", "degrees": "deg", " ": ""}  # in lower case
)
_UNIT_AT_END = re.compile(r"[\[(]\s*((?:[^\[\]()]|\([^()]*\))+)\s*[\])]\s*$")
_FACTOR = re.compile(r"\(?\s*k\s*=\s*([0-9]+(?:\.[0-9]+)?)\s*\)?")


@dataclass(frozen=True, slots=True)
class TableProblem:
    """One mistake in the text. ``line`` is 1-based; 0 means the text as a whole."""

    line: int
    message: str

    def __str__(self) -> str:
        return f"line {self.line}: {self.message}" if self.line else self.message


class TransferTableError(ValueError):
    """The text is not a transfer table; every mistake found, each with its line."""

    def __init__(self, problems: tuple[TableProblem, ...]) -> None:
        self.problems = problems
        super().__init__("\n".join(map(str, problems)))


@dataclass(frozen=True, slots=True)
class _Column:
    kind: str
    unit: str
    factor: float


def parse_table(text: str, coverage_factor: float = 2.0) -> TransferTable:
    """Read a transfer table.

    Parameters
    ----------
    text : the CSV.
    coverage_factor : of an uncertainty column whose header gives no ``k=``, and is not called
        "standard uncertainty". [1]

    Returns
    -------
    Frequency in Hz, magnitude in ohm (or 1), phase in rad, uncertainty standard and relative.

    Raises
    ------
    TransferTableError : with all mistakes found.
    """
    lines = [
        (number, line)
        for number, line in enumerate(text.removeprefix("\ufeff").splitlines(), start=1)
        if line.strip() and not line.lstrip().startswith("#")
    ]
    if not lines:
        raise TransferTableError((TableProblem(0, "the table is empty; expected a header line"),))
    separator = _separator(lines[0][1])
    columns = _header(lines[0][0], lines[0][1].split(separator), coverage_factor)
    rows, problems = _rows(lines[1:], columns, separator)
    if not problems and len(rows) < 2:
        problems.append(TableProblem(0, f"expected at least 2 points, found {len(rows)}"))
    if problems:
        raise TransferTableError(tuple(problems))
    return _table({c.kind: i for i, c in enumerate(columns)}, columns, np.array(rows))


def _separator(header: str) -> str:
    return next((mark for mark in ("\t", ";") if mark in header), ",")


def _header(line: int, cells: list[str], coverage_factor: float) -> list[_Column]:
    columns, problems = [], []
    for cell in cells:
        try:
            columns.append(_column(cell.strip().strip('"').strip(), coverage_factor))
        except ValueError as error:
            problems.append(TableProblem(line, str(error)))
    kinds = [column.kind for column in columns]
    for kind in ("frequency", "magnitude"):
        if kind not in kinds and not problems:
            spellings = ", ".join(_COLUMNS[kind][:3])
            problems.append(TableProblem(line, f"no {kind} column; name one of: {spellings}"))
    problems.extend(
        TableProblem(line, f"more than one {kind} column")
        for kind in sorted({kind for kind in kinds if kinds.count(kind) > 1})
    )
    if problems:
        raise TransferTableError(tuple(problems))
    return columns


def _column(cell: str, coverage_factor: float) -> _Column:
    name = cell.lower()
    factor = coverage_factor
    if stated := _FACTOR.search(name):
        factor = float(stated[1])
        name = name.replace(stated[0], " ").strip()
    if bracketed := _UNIT_AT_END.search(name):
        unit, name = bracketed[1], name[: bracketed.start()]
    else:
        name, _, unit = name.replace("_", " ").strip().rpartition(" ")
    name = name.replace("_", " ").strip()
    if name.startswith("standard "):
        factor = 1.0
    name = name.removeprefix("standard ").removeprefix("expanded ").removeprefix("relative ")
    for spelling, plain in _SPELLINGS.items():
        unit = unit.replace(spelling, plain)
    for kind, spellings in _COLUMNS.items():
        if name in spellings:
            _check_unit(cell, kind, unit)
            if not factor > 0.0:
                raise ValueError(f"column {cell!r}: a coverage factor must be above 0")
            return _Column(kind, unit, factor)
    known = ", ".join(_COLUMNS)
    raise ValueError(f"column {cell!r} is not known; expected {known}, each with its unit")


def _check_unit(cell: str, kind: str, unit: str) -> None:
    allowed: Mapping[str, tuple[str, ...]] = {
        "frequency": tuple(_FREQUENCY_UNITS),
        "magnitude": (*_OHM, *_DECIBEL),
        "phase": tuple(_PHASE_UNITS),
        "uncertainty": ("%", "db", *_OHM),
    }
    if unit not in allowed[kind]:
        raise ValueError(
            f"column {cell!r}: unit {unit or 'missing'!r} is not one of {', '.join(allowed[kind])}"
        )


def _rows(
    lines: list[tuple[int, str]], columns: list[_Column], separator: str
) -> tuple[list[list[float]], list[TableProblem]]:
    rows: list[list[float]] = []
    problems: list[TableProblem] = []
    frequency = next(i for i, column in enumerate(columns) if column.kind == "frequency")
    last = 0.0
    for number, line in lines:
        cells = [cell.strip().strip('"').strip() for cell in line.split(separator)]
        while len(cells) > len(columns) and not cells[-1]:
            cells.pop()
        if len(cells) != len(columns):
            message = f"expected {len(columns)} values, found {len(cells)}"
            problems.append(TableProblem(number, message))
            continue
        try:
            row = [_number(cell, separator) for cell in cells]
            _check_row(row, columns)
        except ValueError as error:
            problems.append(TableProblem(number, str(error)))
            continue
        if row[frequency] <= last:
            found = cells[frequency]
            message = f"frequencies must ascend from above 0, found {found} after {last:g}"
            problems.append(TableProblem(number, message))
        last = row[frequency]
        rows.append(row)
    return rows, problems


def _number(cell: str, separator: str) -> float:
    text = cell if separator == "," else cell.replace(",", ".")
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise ValueError(f"{cell!r} is not a finite number")
    return value


def _check_row(row: list[float], columns: list[_Column]) -> None:
    for value, column in zip(row, columns, strict=True):
        if column.kind == "magnitude" and column.unit in _OHM and value <= 0.0:
            raise ValueError(f"a magnitude must be above 0, found {value:g}")
        if column.kind == "uncertainty" and value < 0.0:
            raise ValueError(f"an uncertainty must not be negative, found {value:g}")


def _table(place: Mapping[str, int], columns: list[_Column], data: Floats) -> TransferTable:
    def take(kind: str, convert: Callable[[Floats, _Column], Floats]) -> Floats | None:
        if kind not in place:
            return None
        return convert(data[:, place[kind]], columns[place[kind]])

    frequency = data[:, place["frequency"]] * _FREQUENCY_UNITS[columns[place["frequency"]].unit]
    magnitude = _magnitude(data[:, place["magnitude"]], columns[place["magnitude"]])
    return TransferTable(
        frequency=frequency,
        magnitude=magnitude,
        phase=take("phase", lambda values, column: values * _PHASE_UNITS[column.unit]),
        relative_uncertainty=take(
            "uncertainty", lambda values, column: _relative(values, column, magnitude)
        ),
    )


def _magnitude(values: Floats, column: _Column) -> Floats:
    if column.unit in _DECIBEL:
        return np.asarray(10.0 ** (values / 20.0))
    return values * _OHM[column.unit]


def _relative(values: Floats, column: _Column, magnitude: Floats) -> Floats:
    standard = values / column.factor
    if column.unit == "%":
        return standard / 100.0
    if column.unit == "db":
        return standard * (math.log(10.0) / 20.0)
    return standard * _OHM[column.unit] / magnitude
