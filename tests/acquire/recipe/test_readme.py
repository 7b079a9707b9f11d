"""Every key of every file has its row, word for word, and every row is of a key."""

from pathlib import Path

import pytest

import acquire
from acquire.analysis.measures import MEASURES
from acquire.bench import json_schema as bench_schema
from acquire.quantities import PREFIXES, UNITS
from acquire.recipe import json_schema as recipe_schema

ROOT = Path(acquire.__file__).parent
PAGES = {
    "recipe": [recipe_schema()],
    "bench": [bench_schema("bench"), bench_schema("probe"), bench_schema("scope")],
}


def written(node):
    """How a value is written: choices, an example, or what it is."""
    if "enum" in node:
        return ", ".join(f"`{choice}`" for choice in node["enum"])
    if "const" in node:
        return f"`{node['const']}`"
    if "examples" in node:
        return " or ".join(f"`{example}`" for example in node["examples"])
    if "anyOf" in node:
        return written(node["anyOf"][0])
    return {
        "boolean": "`true`, `false`", "string": "a text", "array": "a list",
        "integer": "a whole number", "number": "a number",
    }.get(node.get("type", ""), "a block")  # fmt: skip


def left_out(name, node, required):
    default = node.get("default")
    if name in required:
        return "needed"
    if default in (None, "", []):
        return "none"
    if isinstance(default, list):
        return f"`[{', '.join(default)}]`"
    return f"`{str(default).lower() if isinstance(default, bool) else default}`"


def rows(schema):
    for block in (schema, *schema.get("$defs", {}).values()):
        for name, node in block["properties"].items():
            says = " ".join(node["description"].split())
            default = left_out(name, node, block.get("required", ()))
            yield f"| `{name}` | {written(node)} | {default} | {says} |"


@pytest.mark.parametrize("page", PAGES)
def test_the_rows_of_the_page_are_those_of_the_schema(page):
    lines = (ROOT / page / "README.md").read_text(encoding="utf-8").splitlines()
    there = {line for line in lines if line.startswith("| `")}
    wanted = {row for schema in PAGES[page] for row in rows(schema)}

    assert wanted - there == set()
    assert there - wanted == set()


def test_every_unit_and_prefix_is_named():
    page = (ROOT / "recipe" / "README.md").read_text(encoding="utf-8")
    paragraph = page[page.index("A number that has a unit") :].split("\n\n")[0]

    for unit in UNITS.values():
        assert any(spelling in paragraph for spelling in unit.spellings)
    for prefix in PREFIXES:
        assert prefix in paragraph or ord(prefix) in (0xB5, 0x3BC)
    assert MEASURES


@pytest.mark.parametrize("page", PAGES)
def test_every_link_leads_somewhere(page):
    text = (ROOT / page / "README.md").read_text(encoding="utf-8")
    links = [part.split(")")[0].split("#")[0] for part in text.split("](")[1:]]

    assert links
    assert [link for link in links if not (ROOT / page / link).is_file()] == []
