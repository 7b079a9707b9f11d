"""``floorshot check``: whether a run would work, by asking the bench."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from acquire.cli import claims, console
from acquire.cli.options import bench_option, output_option, recipe_argument
from acquire.errors import ExitCode

if TYPE_CHECKING:
    from acquire.run.preflight import Finding

_STYLE = {"ok": "green", "warning": "yellow", "refusal": "bold red"}


@click.command(
    short_help="Contact the bench and say whether the recipe would run on it.",
    epilog="Exit codes: 0 it would run (warnings included); 2 it would be refused; 4 an "
    "instrument failed, or is not the one expected.",
)
@recipe_argument
@bench_option
@output_option
def command(recipe: str, bench: str, output: Path) -> int:
    """Contact the bench and look at everything that RECIPE needs there.

    Identities, error queues, calibration dates, whether sample rate, bandwidth, record length and
    ranges fit, the output folder, and the disk space. The oscilloscope is reset and configured as
    the recipe asks. Then every wired input is recorded once at each range without waiting for a
    trigger: its level and noise are shown by name, and dropped, because that is no data. No relay
    moves and nothing is stored.

    \b
    Examples:
      floorshot check bonding_lead --bench my_bench.yaml
      floorshot check my_recipe.yaml --bench my_bench.yaml --output /data/runs
    """
    from acquire.cli.loading import load_parts
    from acquire.run.preflight import Finding, check

    loaded_recipe, loaded_bench = load_parts(recipe, bench)
    findings = [Finding("warning", "installation", text) for text in claims.foreign_claims()]
    findings += check(loaded_recipe, loaded_bench, output)
    _show(findings)
    refusals = [finding.exit_code for finding in findings if finding.kind == "refusal"]
    return int(max(refusals, default=ExitCode.OK))


def _show(findings: list[Finding]) -> None:
    from rich.table import Table
    from rich.text import Text

    table = Table.grid(padding=(0, 2, 0, 0))
    for finding in findings:
        kind = Text(finding.kind, style=_STYLE[finding.kind])
        table.add_row(kind, finding.subject, finding.text)
    console.show(table)
    refusals, warnings = (
        sum(finding.kind == kind for finding in findings) for kind in ("refusal", "warning")
    )
    if refusals:
        console.say(f"\nThe run would be refused ({_count(refusals, 'refusal')}).")
    else:
        console.say(f"\nThe run would start ({_count(warnings, 'warning')}).")


def _count(number: int, what: str) -> str:
    return f"{number} {what}" if number == 1 else f"{number} {what}s"
