"""The table of the contract in drivers/README.md is the suite's own, row by row."""

from __future__ import annotations

import importlib.util
import re
import sys
from pathlib import Path

from drivers.catalogue import DIALECTS


def load(name):
    """Load a file beside this one, which is no package."""
    path = Path(__file__).with_name(f"{name}.py")
    spec = importlib.util.spec_from_file_location(f"loaded_{name}", path)
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


SUITE, PRINTER = load("test_dialects"), load("contract_table")
KEPT, BROKEN = PRINTER.KEPT, PRINTER.BROKEN
README = Path(__file__).resolve().parents[2] / "drivers" / "README.md"


def table():
    """Return the page's table: header, then the cells of each rule."""
    text = README.read_text()
    rows = [
        [field.strip() for field in line.strip("|").split("|")]
        for line in text[text.index("| rule |") :].splitlines()
        if line.startswith("|")
    ]
    header = rows[0]
    return header, {row[0]: row[1:] for row in rows[2:] if len(row) == len(header)}


def test_page_lists_every_rule_and_every_dialect():
    header, rows = table()
    tests = [name for name in vars(SUITE) if name.startswith("test_")]

    assert header[1:] == list(DIALECTS)
    assert sorted(rows) == sorted(map(PRINTER.rule_of, tests))


def test_page_says_what_the_suite_would():
    """Nothing broken; and what is missing is missing for a reason that the suite names."""
    header, rows = table()
    source = Path(SUITE.__file__).read_text()
    reasons = set(re.findall(r'"(none|not done|not needed): ', source))

    assert {word for row in rows.values() for word in row} <= {KEPT, *reasons}
    for dialect, reason in SUITE.NO_SEGMENTS.items():
        column = header.index(dialect) - 1
        assert rows["segments in one arming"][column] == reason.partition(":")[0]


def test_cells():
    assert PRINTER.cell({KEPT, BROKEN}) == BROKEN
    assert PRINTER.cell({KEPT, "none"}) == KEPT
    assert PRINTER.cell({"not done"}) == "not done"
    assert PRINTER.lines(
        {"a rule": {"one": {KEPT}, "two": {"none"}}, "other": {"two": {KEPT}}}
    ) == [
        "| rule | one | two |",
        "|---|---|---|",
        "| a rule | kept | none |",
        "| other |  | kept |",
    ]
