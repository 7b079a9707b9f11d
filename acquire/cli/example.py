"""``floorshot example``: the files that ship with the program, to begin one's own from."""

from __future__ import annotations

import click

from acquire.cli import console, names


@click.command(
    short_help="Print a shipped recipe, bench or probe profile, to begin your own from.",
    epilog="Exit codes: 0 printed; 2 there is none of that name.",
)
@click.argument("name", required=False)
def command(name: str | None) -> int:
    """Print the shipped file called NAME; without NAME, list what there is.

    \b
    Examples:
      floorshot example
      floorshot example wind_tunnel_simulated > my_bench.yaml
      floorshot example bonding_lead > my_recipe.yaml
    """
    if name is not None:
        console.say(names.locate_example(name).read_text(encoding="utf-8").rstrip("\n"))
        return 0
    for kind in names.KINDS:
        console.say(f"{kind:<7} {', '.join(names.shipped(kind))}")
    return 0
