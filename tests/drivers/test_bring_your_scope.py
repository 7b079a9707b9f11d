"""The page "Bring your scope" stays true: its paths, its names, its hooks, its program."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from drivers.catalogue import DIALECTS
from drivers.scpi_scope import ScpiScope
from simulated_instruments.bench import SimulatedBench

ROOT = Path(__file__).resolve().parents[2]
PAGE = (ROOT / "drivers" / "BRING_YOUR_SCOPE.md").read_text()
FOLDERS = "drivers|simulated_instruments|profiles|tests|acquire"


def test_every_path_is_there():
    paths = set(re.findall(rf"\b((?:{FOLDERS})/[\w./*]+)", PAGE))
    real = {p for p in paths if "YOURS" not in p and "MAKER" not in p}

    assert len(real) > 10
    assert [p for p in sorted(real) if not list(ROOT.glob(p.rstrip(".")))] == []


def test_every_link_leads_to_a_heading():
    for link in re.findall(r"\]\(([^)]+)\)", PAGE):
        path, _, anchor = link.partition("#")
        headings = re.findall(r"^#+ (.+)$", (ROOT / "drivers" / path).read_text(), re.MULTILINE)
        assert anchor in {heading.lower().replace(" ", "-") for heading in headings}, link


def test_every_family_can_be_told():
    told = re.findall(r"^\|[^|]+\| `(\w+)` \|", PAGE, re.MULTILINE)

    assert sorted(told) == sorted(DIALECTS)


def test_every_hook_of_the_base_is_listed():
    """What a dialect replaces, in any of those that there are, the page names."""
    base = {name for name in vars(ScpiScope) if not name.startswith("_")}
    replaced = {
        name
        for kind in DIALECTS.values()
        for one in kind.__mro__[: kind.__mro__.index(ScpiScope)]
        for name in vars(one)
        if name in base or getattr(ScpiScope, name, None) in (None, object)
    }
    table = PAGE[PAGE.index("| you write |") : PAGE.index("## 7")]
    listed = {word for row in table.splitlines() for word in re.findall(r"`(\w+)`", row[:80])}
    optional = {"CODE_BITS", "COUNTS_WHILE_RUNNING", "arm_free", "acquired_segments"}
    hooks = {name for name in replaced & base if name not in optional}

    assert hooks - listed == set()


@pytest.mark.parametrize("dialect", ["tektronix", "rohde_schwarz"])
def test_the_program_runs(dialect, capsys):
    program = PAGE[PAGE.index("```python\n") + 10 :].partition("```")[0]
    with SimulatedBench(seed=2, dialect=dialect) as bench:
        bench.circuit.set_condition("bare")
        exec(
            compile(program, "BRING_YOUR_SCOPE.md", "exec"), {"resource": bench.resources["scope"]}
        )

    printed = capsys.readouterr().out
    assert "AcquisitionStatus.COMPLETE" in printed
    assert printed.endswith("()\n")
