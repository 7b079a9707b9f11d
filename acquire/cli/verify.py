"""``floorshot verify``: whether files are what was written."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from acquire.cli import console
from acquire.errors import DamagedFileError, ExitCode

if TYPE_CHECKING:
    from acquire.runfile.records import Damage


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
        for line in _lines(damage):
            console.complain(line)
        if damage:
            whole = False
        else:
            console.say(f"{path}: whole")
    return int(ExitCode.OK if whole else ExitCode.BAD_INPUT)


def _lines(damage: list[Damage]) -> list[str]:
    """Return a line for each file and finding, with every place where it was found.

    One byte of HDF5's own structure may make many places unreadable, all in the same way.
    """
    places: dict[tuple[str, str], list[str]] = {}
    for one in damage:
        places.setdefault((one.file, one.found), []).append(one.place)
    return [
        ": ".join(part for part in (file, ", ".join(filter(None, where)), found) if part)
        for (file, found), where in places.items()
    ]
