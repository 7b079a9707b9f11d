"""``floorshot demo``: the whole job, on a bench that is not there."""

from __future__ import annotations

from pathlib import Path

import click

from acquire.cli import console, running, simulated_profile
from acquire.cli.options import seed_option
from acquire.cli.simulate import dialect_option
from acquire.errors import ExitCode

RECIPE = "bonding_lead"
"""The shipped recipe that is carried out."""


@click.command(
    short_help="Show the whole job on a simulated bench.",
    epilog="Exit codes: 0 the whole chain ran, whatever the candidates' verdicts; otherwise as "
    "for 'floorshot run'.",
)
@click.option(
    "--output",
    "-o",
    type=click.Path(path_type=Path, file_okay=False),
    default=Path("demo"),
    show_default=True,
    help="Folder for the run file and the bench profile; it is made if it is missing.",
)
@seed_option
@dialect_option
def command(output: Path, seed: int, dialect: str) -> int:
    """Start a simulated bench, run a shipped recipe on it, and print the result.

    In a wind tunnel, the fan's inverter drives bursts of noise current down the bonding lead of
    the force-balance rack. Three candidates are tried. Everything is invented but the way: the
    instruments are contacted over VISA, and the run file is like any other.

    \b
    Examples:
      floorshot demo
      floorshot demo --dialect tektronix --seed 7 --output elsewhere
    """
    from acquire.cli.loading import load_parts
    from acquire.run.plan import compile_plan
    from acquire.run.runner import run
    from simulated_instruments.bench import SimulatedBench

    output.mkdir(parents=True, exist_ok=True)
    profile = output / "simulated_bench.yaml"
    simulated_profile.refuse_foreign_file(profile)
    with SimulatedBench(seed=seed, dialect=dialect) as bench:
        simulated_profile.write(profile, bench.resources)
        recipe, loaded = load_parts(RECIPE, str(profile))
        plan = compile_plan(recipe, loaded)
        console.say(plan.title)
        console.show(recipe.recipe.purpose)
        console.say("\nPlan:")
        for line in plan.describe():
            console.say(line)
        console.say()
        code = running.carry_out(
            lambda listener, gate, stop: run(
                recipe, loaded, output, gate=gate, on_event=listener, stop=stop
            )
        )
    ran_to_its_end = code in (ExitCode.OK, ExitCode.LIMIT_NOT_MET, ExitCode.UNDECIDED)
    return int(ExitCode.OK) if ran_to_its_end else code
