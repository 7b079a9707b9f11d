"""``floorshot run``: measure, analyse and store."""

from __future__ import annotations

from pathlib import Path

import click

from acquire.cli import running
from acquire.cli.options import bench_option, output_option, recipe_argument

EXIT_CODES = (
    "Exit codes: 0 every limit met; 1 a limit not met; 2 bad input or refused, nothing was "
    "contacted or changed; 3 a limit undecided, or a result only a bound; 4 an instrument or the "
    "fixture failed, what was taken is kept; 5 interrupted, what was taken is kept. After 4 and 5, "
    "'floorshot resume' goes on."
)


@click.command(short_help="Measure, analyse and store.", epilog=EXIT_CODES)
@recipe_argument
@bench_option
@output_option
def command(recipe: str, bench: str, output: Path) -> int:
    """Carry RECIPE out on a bench, print the result and store the run as one file.

    RECIPE is a YAML file, or the name of a shipped one. Cautions are shown at the start and at
    every change of condition. Every finished shot is safe on disk before the next begins; Ctrl-C
    ends the run with what it has (twice: at once).

    With an operator fixture the program asks on the terminal, shows the cautions, and waits until
    the name of the condition is typed. Without a terminal such a run is refused before it starts.

    \b
    Examples:
      floorshot run bonding_lead --bench my_bench.yaml
      floorshot run my_recipe.yaml --bench my_bench.yaml --output /data/runs
    """
    from acquire.cli.loading import load_parts
    from acquire.run.runner import run

    loaded_recipe, loaded_bench = load_parts(recipe, bench)
    return running.carry_out(
        lambda listener, gate, stop: run(
            loaded_recipe, loaded_bench, output, gate=gate, on_event=listener, stop=stop
        )
    )
