"""Find one's way in a JSON Schema: which settings may stand in a block."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from acquire.textfile.source import Path

Schema = Mapping[str, Any]


def settings_at(schema: Schema, path: Path) -> dict[str, Schema]:
    """Return name -> schema of every setting that the block at ``path`` may have."""
    return {
        name: inner
        for block in _at(schema, schema, path)
        for name, inner in block.get("properties", {}).items()
    }


def _at(root: Schema, schema: Schema, path: Path) -> list[Schema]:
    """Return every branch of ``schema`` that describes the value at ``path``."""
    if "$ref" in schema:
        name = schema["$ref"].removeprefix("#/$defs/")
        return _at(root, root["$defs"][name], path)
    branches = [*schema.get("anyOf", ()), *schema.get("oneOf", ())]
    if branches:
        return [found for branch in branches for found in _at(root, branch, path)]
    if not path:
        return [schema]
    step, rest = path[0], path[1:]
    if isinstance(step, int):
        inner = schema.get("items")
    else:
        inner = schema.get("properties", {}).get(step) or _of_any_name(schema)
    return _at(root, inner, rest) if isinstance(inner, Mapping) else []


def _of_any_name(schema: Schema) -> object:
    patterns = schema.get("patternProperties", {})
    return next(iter(patterns.values()), schema.get("additionalProperties"))
