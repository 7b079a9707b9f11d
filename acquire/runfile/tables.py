"""The event log and the result document as tables that any HDF5 tool shows.

A number that the document leaves undefined (null) is NaN in a table; texts are UTF-8, fixed width.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import datetime
from typing import Any

import numpy as np

from acquire.errors import BadInputError
from acquire.runfile.coding import utc
from acquire.runfile.eventlog import data_text
from acquire.runfile.records import Event

_ROWS = 1024
"""Events written at once."""
_WIDEST = 2000
"""Bytes of the longest text in a result table; the JSON document has it whole."""
Row = dict[str, object]


def write_events(
    file: Any, events: Callable[[], Iterable[Event]], check: Callable[[], None]
) -> None:
    """Write ``/events``; ``events`` is called twice, and never held in memory as a whole."""
    count, widest = 0, 2
    for event in events():
        count, widest = count + 1, max(widest, len(data_text(event).encode()))
    kind = np.dtype([("at", "S27"), ("name", "S60"), ("data", f"S{widest}")])
    rows = max(1, min(_ROWS, (1 << 22) // kind.itemsize))
    table = file.create_dataset(
        "events", (count,), kind, chunks=(min(count, rows),) if count else None
    )
    table.make_scale("events")  # its own axis: a netCDF reader complains of data without one
    table.attrs["at"] = "UTC, ISO 8601"
    table.attrs["data"] = "JSON"
    start, pending = 0, []
    for event in events():
        pending.append((utc(event.at), event.name, data_text(event).encode()))
        if len(pending) == rows:
            table[start : start + rows] = np.array(pending, kind)
            start, pending = start + rows, []
            check()
    if pending:
        table[start:] = np.array(pending, kind)


def parse_document(text: str) -> dict[str, Any]:
    """Return the result document, or refuse what is none."""
    try:
        document = json.loads(text)
    except (ValueError, RecursionError) as error:
        raise BadInputError(f"the result document is not JSON: {error}") from None
    if not isinstance(document, dict) or document.get("format") != "floorshot-result":
        raise BadInputError('the result document does not say "format": "floorshot-result"')
    return document


def write_result(
    group: Any, text: str, *, made: datetime, software: str, recipe_text: str = ""
) -> None:
    """Write one result: the exact JSON text as an attribute, and its tables."""
    document = parse_document(text)
    group.attrs["json"] = text
    group.attrs["made"] = utc(made)
    group.attrs["software"] = software
    if recipe_text:
        group.attrs["recipe"] = recipe_text
    results = [r for r in document.get("results") or [] if isinstance(r, dict)]
    limits = [r for r in document.get("limits") or [] if isinstance(r, dict)]
    tables = {
        "attenuation": [_attenuation(r) for r in results],
        "by_method": [row for r in results for row in _by_method(r)],
        "budget": [row for r in results for row in _budget(r)],
        "limits": [_limit(r) for r in limits],
    }
    for name, rows in tables.items():
        if rows:
            group.create_dataset(name, data=_table(rows)).make_scale(name)


def _table(rows: Sequence[Row]) -> Any:
    """Build a structured array; a column is a number where its first rows' values are."""
    kinds: list[tuple[str, str]] = []
    for name in rows[0]:
        values = [row[name] for row in rows]
        if any(isinstance(v, str) for v in values):
            width = max(1, *(len(_bytes(v)) for v in values))
            kinds.append((name, f"S{width}"))
        else:
            kinds.append((name, "<f8"))
    cells = [
        tuple(_bytes(row[n]) if k[0] == "S" else _number(row[n]) for n, k in kinds) for row in rows
    ]
    return np.array(cells, np.dtype(kinds))


def _bytes(value: object) -> bytes:
    text = "" if value is None else str(value)
    return text.encode()[:_WIDEST].decode(errors="ignore").encode()


def _number(value: object) -> float:
    return float(value) if isinstance(value, int | float) else float("nan")


def _key(result: Mapping[str, Any]) -> Row:
    return {k: _text(result.get(k)) for k in ("condition", "quantity", "measure")}


def _text(value: object) -> str:
    return "" if value is None else str(value)


def _level(name: str, level: object) -> Row:
    data = level if isinstance(level, dict) else {}
    return {
        name: data.get("value"),
        f"{name}_unit": _text(data.get("unit")),
        f"{name}_standard_uncertainty": data.get("standard_uncertainty"),
    }


def _shown(attenuation: object) -> Row:
    data = attenuation if isinstance(attenuation, dict) else {}
    low, high = _pair(data.get("interval_db"))
    return {
        "ratio": data.get("ratio"),
        "db": data.get("db"),
        "interval_low_db": low,
        "interval_high_db": high,
        "coverage": data.get("coverage"),
        "method": _text(data.get("method")),
        "state": _text(data.get("state")),
        "reason": _text(data.get("reason")),
    }


def _pair(value: object) -> tuple[object, object]:
    return (value[0], value[1]) if isinstance(value, list) and len(value) == 2 else (None, None)


def _attenuation(result: Mapping[str, Any]) -> Row:
    row = _key(result)
    for name in ("reference", "observed", "floor", "corrected"):
        row |= _level(name, result.get(name))
    return row | _shown(result.get("attenuation"))


def _by_method(result: Mapping[str, Any]) -> list[Row]:
    methods = result.get("by_method")
    if not isinstance(methods, dict):
        return []
    rows: list[Row] = []
    for method, data in methods.items():
        inner = data if isinstance(data, dict) else {}
        low, high = _pair(inner.get("bounds_db"))
        row = _key(result) | _level("corrected", inner.get("corrected"))
        row |= _shown(inner.get("attenuation")) | {"method": _text(method)}
        rows.append(row | {"bound_low_db": low, "bound_high_db": high})
    return rows


def _budget(result: Mapping[str, Any]) -> list[Row]:
    return [
        _key(result)
        | {
            "source": _text(line.get("source")),
            "kind": _text(line.get("kind")),
            "standard_uncertainty_db": line.get("standard_uncertainty_db"),
            "degrees_of_freedom": line.get("degrees_of_freedom"),
        }
        for line in result.get("budget") or []
        if isinstance(line, dict)
    ]


def _limit(item: Mapping[str, Any]) -> Row:
    inner = item.get("limit")
    limit = inner if isinstance(inner, dict) else item
    return _key(limit) | {
        "attenuation_at_least_db": limit.get("attenuation_at_least"),
        "residual_at_most": limit.get("residual_at_most"),
        "verdict": _text(item.get("verdict")),
        "reason": _text(item.get("reason")),
    }
