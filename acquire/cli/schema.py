"""``floorshot schema``: the JSON Schema of everything that is written or read as text."""

from __future__ import annotations

import json
from typing import Any

import click

from acquire.cli import console

KINDS = ("recipe", "bench", "probe", "scope", "result")
"""What has a schema."""


@click.command(
    short_help="Print the JSON Schema of a file format.",
    epilog="Exit codes: 0 printed; 2 bad usage.",
)
@click.argument("what", type=click.Choice(KINDS))
def command(what: str) -> int:
    """Print the JSON Schema of recipes, of bench, probe and scope profiles, or of results.

    An editor that knows YAML schemas completes and checks while you type; put the schema beside
    the file and name it in the file's first line:

    \b
      # yaml-language-server: $schema=recipe.schema.json

    \b
    Examples:
      floorshot schema recipe > recipe.schema.json
      floorshot schema result > result.schema.json
    """
    console.say(json.dumps(schema_of(what), indent=2, ensure_ascii=False))
    return 0


def schema_of(what: str) -> dict[str, Any]:
    """Return the JSON Schema (draft 2020-12) of one of `KINDS`."""
    if what == "result":
        from acquire.analysis.document import schema

        return schema()
    if what == "recipe":
        from acquire.recipe import json_schema as recipe_schema

        return recipe_schema()
    from acquire.bench import json_schema as bench_schema

    return bench_schema("scope" if what == "scope" else "bench" if what == "bench" else "probe")
