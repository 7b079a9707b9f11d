"""``floorshot plan``: what a run would do, without contacting anything."""

from __future__ import annotations

import click

from acquire.cli import console
from acquire.cli.options import bench_option, recipe_argument


@click.command(
    short_help="Print the steps of a run; contacts nothing.",
    epilog="Exit codes: 0 printed; 2 a mistake in the recipe or the bench profile.",
)
@recipe_argument
@bench_option
@click.option("--json", "as_json", is_flag=True, help="Print the plan as JSON.")
def command(recipe: str, bench: str, as_json: bool) -> int:
    """Print the steps that RECIPE on a bench comes to, in order. Contacts nothing.

    RECIPE is a YAML file, or the name of a shipped one. All mistakes in both files are reported
    at once, each with file, line and column.

    \b
    Examples:
      floorshot plan bonding_lead --bench wind_tunnel_simulated
      floorshot plan my_recipe.yaml --bench my_bench.yaml --json
    """
    from acquire.cli.loading import load_parts
    from acquire.run.plan import compile_plan

    plan = compile_plan(*load_parts(recipe, bench))
    if as_json:
        console.say(plan.text)
        return 0
    console.say(plan.title)
    for line in plan.describe():
        console.say(line)
    return 0
