"""Run the contract suite and print dialect x rule, as drivers/README.md shows it.

From the project's folder; names of dialects may follow::

    python tests/drivers/contract_table.py [DIALECT ...]

It ends with 1 where a rule is broken. Each row is one test of `test_dialects.py`.
"""

from __future__ import annotations

import sys
from collections import defaultdict
from collections.abc import Generator, Mapping
from pathlib import Path

import pytest

SUITE = Path(__file__).with_name("test_dialects.py")
BROKEN, KEPT = "BROKEN", "kept"


class Table:
    """A pytest plugin that keeps what became of each test, by rule and dialect."""

    def __init__(self, dialects: list[str]) -> None:
        self.dialects = dialects
        self.cells: dict[str, dict[str, set[str]]] = defaultdict(lambda: defaultdict(set))

    def pytest_collection_modifyitems(self, items: list[pytest.Item]) -> None:
        """Leave out the dialects that were not asked for."""
        if self.dialects:
            items[:] = [item for item in items if dialect_of(item) in self.dialects]

    @pytest.hookimpl(hookwrapper=True)
    def pytest_runtest_makereport(self, item: pytest.Function) -> Generator[None]:
        """Note the outcome of the test, or of a fixture that did not come about."""
        outcome = yield
        report = outcome.get_result()
        if report.when == "call" or not report.passed:
            self.cells[rule_of(item.originalname)][dialect_of(item)].add(_word(report))


def dialect_of(item: pytest.Item) -> str:
    """Return the dialect that a test of the suite is about."""
    return str(item.callspec.params["dialect"])


def rule_of(function: str) -> str:
    """Return the rule that a test's name tells: ``test_no_error`` is ``no error``."""
    return function.removeprefix("test_").replace("_", " ")


def _word(report: pytest.TestReport) -> str:
    if report.skipped:
        assert isinstance(report.longrepr, tuple)
        return report.longrepr[2].removeprefix("Skipped: ").partition(":")[0]
    return KEPT if report.passed else BROKEN


def cell(words: set[str]) -> str:
    """Return what one cell says: broken if anything is, kept if anything was looked at."""
    for word in (BROKEN, KEPT):
        if word in words:
            return word
    return ", ".join(sorted(words))


def lines(cells: Mapping[str, Mapping[str, set[str]]]) -> list[str]:
    """Return the table in Markdown."""
    dialects = list(dict.fromkeys(dialect for row in cells.values() for dialect in row))
    table = [f"| rule | {' | '.join(dialects)} |", "|---" * (len(dialects) + 1) + "|"]
    for rule, row in cells.items():
        words = " | ".join(cell(row.get(dialect, set())) for dialect in dialects)
        table.append(f"| {rule} | {words} |")
    return table


def main(dialects: list[str]) -> int:
    """Run the suite, for these dialects or for all, and print the table."""
    table = Table(dialects)
    code = pytest.main(["-q", "--no-header", "-p", "no:cacheprovider", str(SUITE)], [table])
    sys.stdout.write("\n".join(lines(table.cells)) + "\n")
    return int(code)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
