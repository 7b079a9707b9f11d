"""A result as rows of plain numbers, for a spreadsheet or a report of one's own."""

from __future__ import annotations

from collections.abc import Iterator

from acquire.cli.background import Document
from acquire.cli.table import verdict_of

_LEVELS = ("reference", "observed", "floor", "corrected")

COLUMNS = (
    "run", "condition", "quantity", "measure", "unit",
    *(column for name in _LEVELS for column in (name, f"u({name})")),
    "attenuation [dB]", "interval low or at least [dB]", "interval high [dB]", "coverage",
    "correction", "state", "verdict", "reason",
)  # fmt: skip
"""Levels and their standard uncertainties u are in ``unit``; an unknown number is empty."""


def result_rows(document: Document) -> Iterator[tuple[object, ...]]:
    """Yield one row a result, as ``COLUMNS`` names them."""
    for result in document["results"]:
        attenuation = result["attenuation"]
        levels = [result[name] for name in _LEVELS]
        yield (
            document["run"].get("run_id"),
            result["condition"], result["quantity"], result["measure"],
            result["reference"]["unit"],
            *(cell for one in levels for cell in (one["value"], one["standard_uncertainty"])),
            attenuation["db"], *attenuation["interval_db"], attenuation["coverage"],
            attenuation["method"], attenuation["state"], verdict_of(result, document["limits"]),
            attenuation["reason"],
        )  # fmt: skip
