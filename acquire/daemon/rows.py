"""A result document as a flat table: one row a result, for CSV files and data frames."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping
from typing import Any

SIDE_BY_SIDE = ("by_method", "budget")
"""Tables inside a result that have no place in a row; they stay in the document."""


def rows(document: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Return the results of a result document as flat rows.

    A value inside another is named by both: ``attenuation_db``, ``reference_value``; the ends of an
    interval end in ``_low`` and ``_high``. What was decided about a result's limits is not in
    it: a limit is a row of its own in ``document["limits"]``.

    Parameters
    ----------
    document : as ``floorshot show --json`` prints it, or ``Client.result`` returns it.

    Examples
    --------
    >>> rows({"results": [{"condition": "choke", "attenuation": {"db": 21.5}}]})
    [{'condition': 'choke', 'attenuation_db': 21.5}]
    """
    return [_flat(result) for result in document["results"]]


def as_csv(document: Mapping[str, Any]) -> str:
    """Return the same rows as CSV (RFC 4180) with a header line; an undefined number is empty."""
    table = rows(document)
    names = list(dict.fromkeys(name for row in table for name in row))
    out = io.StringIO(newline="")
    writer = csv.DictWriter(out, names or ["condition", "quantity", "measure"])
    writer.writeheader()
    writer.writerows(table)
    return out.getvalue()


def _flat(values: Mapping[str, Any], before: str = "") -> dict[str, Any]:
    found: dict[str, Any] = {}
    for key, value in values.items():
        name = before + key
        if key in SIDE_BY_SIDE:
            continue
        if isinstance(value, Mapping):
            found |= _flat(value, f"{name}_")
        elif not isinstance(value, list):
            found[name] = value
        elif key.split("_")[-1] in ("interval", "db") and len(value) == 2:
            found |= {f"{name}_low": value[0], f"{name}_high": value[1]}
        elif all(isinstance(one, str) for one in value):
            found[name] = "; ".join(value)
    return found
