"""``floorshot verify``: whether files are what was written."""

from __future__ import annotations

from pathlib import Path

import click

from acquire.cli import console
from acquire.errors import DamagedFileError, ExitCode


@click.command(
    short_help="Find any byte of a run file that is not what was written.",
    epilog="Exit codes: 0 all whole; 2 something is damaged, or is no run file.",
)
@click.argument(
    "files", metavar="FILE...", nargs=-1, required=True, type=click.Path(path_type=Path)
)
def command(files: tuple[Path, ...]) -> int:
    """Read each FILE again and name every place that is not what was written.

    A FILE is a run file, or the spool folder of a run that has not ended yet. Raw data, texts,
    settings, events and results are all covered. Nothing is changed.

    \b
    Examples:
      floorshot verify runs/*.h5
      floorshot verify runs/20261125T120000Z-ab12.spool
    """
    from acquire.runfile import verify

    whole = True
    for path in files:
        try:
            damage = verify(path)
        except DamagedFileError as error:
            console.complain(str(error))
            whole = False
            continue
        for place in damage:
            console.complain(str(place))
        if damage:
            whole = False
        else:
            console.say(f"{path}: whole")
    return int(ExitCode.OK if whole else ExitCode.BAD_INPUT)
