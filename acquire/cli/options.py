"""Arguments and options that several commands share, so that they read alike everywhere."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import click

recipe_argument = click.argument("recipe", metavar="RECIPE")

bench_option = click.option(
    "--bench",
    "-b",
    required=True,
    metavar="BENCH",
    help="Bench profile: a YAML file, or the name of a shipped one.",
)

output_option = click.option(
    "--output",
    "-o",
    type=click.Path(path_type=Path, file_okay=False),
    default=Path("runs"),
    show_default=True,
    help="Folder for run files; it is made if it is missing.",
)

seed_option = click.option(
    "--seed",
    type=click.IntRange(0, 2**32 - 1),
    default=1,
    show_default=True,
    help="Of the simulated circuit's noise; the same seed gives the same measurement.",
)


def _run_file(_ctx: click.Context, _argument: click.Parameter, path: Path) -> Path:
    if path.suffix == ".spool" and path.is_dir():
        raise click.BadParameter(
            f"'{path}' is the spool of a run that has not ended: 'floorshot resume {path}' goes on "
            f"with it and writes the run file, 'floorshot verify {path}' reads what it holds"
        )
    if path.is_dir():
        raise click.BadParameter(f"'{path}' is a folder; give a run file (*.h5) in it")
    return path


run_file_argument = click.argument(
    "file", metavar="FILE", type=click.Path(path_type=Path, exists=True), callback=_run_file
)

Decorator = Callable[[Callable[..., Any]], Callable[..., Any]]


def quantity_option(name: str, unit: str, *, help: str, default: str | None = None) -> Decorator:
    """Return an option whose value is written with its unit, such as ``100 uH``; in SI inside."""

    def read(_ctx: click.Context, _option: click.Parameter, value: str | None) -> float | None:
        from acquire.quantities import parse_quantity

        try:
            return None if value is None else parse_quantity(value, unit)
        except ValueError as error:
            raise click.BadParameter(str(error)) from error

    return click.option(
        name, callback=read, metavar=f"[{unit}]", default=default, show_default=True, help=help
    )
