"""``floorshot show``: what a run file says."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING

import click

from acquire.cli import console
from acquire.cli.options import run_file_argument
from acquire.cli.views_parts import to_csv
from acquire.errors import BadInputError

if TYPE_CHECKING:
    from acquire.runfile import RunFile


@click.command(
    short_help="Print the result of a run file.",
    epilog="Exit codes: 0 shown; 2 no run file, damaged, or without a result.",
)
@run_file_argument
@click.option("--json", "as_json", is_flag=True, help="Print the result document, as it is stored.")
@click.option("--csv", "as_csv", is_flag=True, help="Print one row a result as CSV.")
@click.option("--events", is_flag=True, help="Print what happened, one JSON object a line.")
@click.option(
    "--analysis",
    metavar="NAME",
    help="Which result, where there are several: 'first' (the run's own) or 'again_NN'. "
    "The latest is shown otherwise.",
)
def command(file: Path, as_json: bool, as_csv: bool, events: bool, analysis: str | None) -> int:
    """Print the result of run file FILE as tables, with the method and what it rests on.

    Above the tables stand run, time, site and hashes of what was run; below them the correction
    behind each number, why that one, the two largest contributions to its interval (standard
    uncertainties u; type A from statistics, B otherwise: JCGM 100), the drift of the reference,
    the limits, and what was measured with.

    Levels carry their unit; attenuation is in dB and as an amplitude ratio, with the interval at
    the recipe's coverage (95 % unless it says otherwise). 'at least' means that the target cannot
    be told from the floor.

    \b
    Examples:
      floorshot show runs/20261125T120000Z-ab12.h5
      floorshot show FILE --json | python -m json.tool
      floorshot show FILE --csv > result.csv
      floorshot show FILE --events
    """
    from acquire.runfile import RunFile

    if as_json + as_csv + events > 1:
        raise click.UsageError("give one of --json, --csv and --events")
    with RunFile.open(file) as run:
        if events:
            _print_events(run)
        else:
            _print_result(run, analysis, as_json=as_json, as_csv=as_csv)
    return 0


def _print_events(run: RunFile) -> None:
    for event in run.stream_events():
        line = {"at": event.at.isoformat(), "name": event.name, "data": dict(event.data)}
        console.say(json.dumps(line, ensure_ascii=False))


def _print_result(run: RunFile, analysis: str | None, *, as_json: bool, as_csv: bool) -> None:
    from acquire.cli.equipment import equipment_of  # it reads probe profiles, which --help need not

    known = _documents(run)
    name = list(known)[-1] if analysis is None else analysis
    if name not in known:
        raise BadInputError(f"{run.path}: no result '{name}'; there are {', '.join(known)}")
    if as_json:
        console.say(known[name])
        return
    if as_csv:
        from acquire.cli.rows import COLUMNS, result_rows

        console.say(to_csv(COLUMNS, result_rows(json.loads(known[name]))))
        return
    label = f"{name} (there are {', '.join(known)})" if len(known) > 1 else ""
    console.show_result(json.loads(known[name]), label=label, equipment=equipment_of(run))


def _documents(run: RunFile) -> dict[str, str]:
    """Return every stored result document by its name, the run's own first."""
    known = {result.name or "first": result.document for result in run.results}
    if not known:
        raise BadInputError(
            f"{run.path}: holds no result (state: {run.state}); its shots are there, and "
            "'floorshot reanalyse' computes a result from them if there are enough"
        )
    return known
