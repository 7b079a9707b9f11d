"""A plain table for export: names with units, and rows of numbers, texts or nothing."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

Cell = float | str | None


@dataclass(frozen=True, slots=True)
class Table:
    """Columns and rows.

    Attributes
    ----------
    columns : each with its unit in brackets, such as ``frequency [Hz]``.
    rows : as many cells each as there are columns; None where there is no finite number.
    """

    columns: tuple[str, ...]
    rows: tuple[tuple[Cell, ...], ...]


def table_of(columns: Sequence[tuple[str, Sequence[object] | np.ndarray]]) -> Table:
    """Return a table from (name, values) pairs of equal length.

    Raises
    ------
    ValueError : the columns differ in length.
    """
    names = tuple(name for name, _ in columns)
    cells = [[_cell(value) for value in values] for _, values in columns]
    return Table(names, tuple(zip(*cells, strict=True)))


def _cell(value: object) -> Cell:
    if value is None or isinstance(value, str):
        return value
    number = float(value)  # type: ignore[arg-type]  # numpy scalars of any kind arrive here
    return number if math.isfinite(number) else None
