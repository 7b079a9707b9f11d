"""The result as a JSON document that other programs rely on; its schema ships beside this file.

An undefined or infinite number is null. The same result and the same ``run`` give the same bytes.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from importlib import resources
from typing import Any

from acquire.analysis.results import (
    Attenuation,
    ConditionResult,
    Drift,
    Level,
    LimitVerdict,
    Result,
)

FORMAT = "floorshot-result"
VERSION = 1


def to_document(result: Result, run: Mapping[str, object]) -> dict[str, object]:
    """Return the document of a result.

    Parameters
    ----------
    result : of `acquire.analysis.evaluate`.
    run : what identifies the run (identifier, site, hashes, times); plain JSON values.
    """
    return {
        "format": FORMAT,
        "version": VERSION,
        "run": _plain(run),
        "results": [_condition(r) for r in result.results],
        "limits": [_limit(v) for v in result.limits],
        "verdict": result.verdict,
        "drift": [_drift(d) for d in result.drift],
        "remarks": list(result.remarks),
    }


def to_json(document: Mapping[str, object]) -> str:
    """Return the document as text: keys in the order given, two spaces, one newline at the end.

    Raises
    ------
    ValueError : the document holds NaN or an infinity.
    """
    return json.dumps(document, indent=2, ensure_ascii=False, allow_nan=False) + "\n"


def schema() -> dict[str, Any]:
    """Return the JSON Schema (draft 2020-12) of the document."""
    text = resources.files("acquire.analysis").joinpath("result.schema.json").read_text("utf-8")
    loaded: dict[str, Any] = json.loads(text)
    return loaded


def _condition(result: ConditionResult) -> dict[str, object]:
    return {
        "condition": result.condition,
        "quantity": result.quantity,
        "measure": result.measure,
        "reference": _level(result.reference),
        "observed": _level(result.observed),
        "floor": _level(result.floor),
        "corrected": _level(result.corrected),
        "corrected_interval": [_number(end) for end in result.corrected_interval],
        "decision_threshold": _number(result.decision_threshold),
        "detection_limit": _number(result.detection_limit),
        "attenuation": _attenuation(result.attenuation),
        "by_method": {
            name: {
                "corrected": _level(method.corrected),
                "attenuation": _attenuation(method.attenuation),
                "bounds_db": [_number(end) for end in method.bounds_db],
            }
            for name, method in result.by_method.items()
        },
        "budget": [
            {
                "source": line.source,
                "kind": line.kind,
                "standard_uncertainty_db": _number(line.standard_uncertainty_db),
                "degrees_of_freedom": _number(line.degrees_of_freedom),
            }
            for line in result.budget
        ],
        "why_method": result.why_method,
        "remarks": list(result.remarks),
    }


def _level(level: Level) -> dict[str, object]:
    return {
        "value": _number(level.value),
        "unit": level.unit,
        "standard_uncertainty": _number(level.standard_uncertainty),
    }


def _attenuation(attenuation: Attenuation) -> dict[str, object]:
    return {
        "ratio": _number(attenuation.ratio),
        "db": _number(attenuation.db),
        "interval_db": [_number(end) for end in attenuation.interval_db],
        "coverage": attenuation.coverage,
        "method": attenuation.method,
        "state": attenuation.state,
        "reason": attenuation.reason,
    }


def _limit(verdict: LimitVerdict) -> dict[str, object]:
    limit = verdict.limit
    return {
        "condition": limit.condition,
        "quantity": limit.quantity,
        "measure": limit.measure,
        "attenuation_at_least": _number(limit.attenuation_at_least),
        "residual_at_most": _number(limit.residual_at_most),
        "verdict": verdict.verdict,
        "reason": verdict.reason,
    }


def _drift(drift: Drift) -> dict[str, object]:
    return {
        "quantity": drift.quantity,
        "measure": drift.measure,
        "db": _number(drift.db),
        "within_allowance": drift.within_allowance,
        "remark": drift.remark,
    }


def _number(value: float | None) -> float | None:
    return float(value) if value is not None and math.isfinite(value) else None


def _plain(value: object) -> object:
    """Return JSON values with every undefined number as None."""
    if isinstance(value, Mapping):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, Sequence) and not isinstance(value, str):
        return [_plain(item) for item in value]
    if isinstance(value, float):
        return _number(value)
    return value
