"""``floorshot resume``: go on with a run that was broken off."""

from __future__ import annotations

from pathlib import Path

import click

from acquire.cli import running
from acquire.cli.run import EXIT_CODES


@click.command(short_help="Go on with a run that was broken off.", epilog=EXIT_CODES)
@click.argument("spool", metavar="SPOOL", type=click.Path(path_type=Path))
@click.option(
    "--bench",
    "-b",
    metavar="BENCH",
    help="Bench profile; it must say the same as at the start. The one stored in the spool is "
    "used otherwise.",
)
def command(spool: Path, bench: str | None) -> int:
    """Go on with the run whose spool folder is SPOOL; 'run' says where that is.

    Recipe, bench profile, instruments and settings are proven to be those of the run, and only
    what is missing is taken. The break stands in the result; where no reference would follow it,
    one is added. A run that is complete, and whose spool was only not tidied away, is shown; its
    file is read back before the spool goes.

    \b
    Example:
      floorshot resume runs/20261125T120000Z-ab12cd.spool
    """
    from acquire.bench import load_bench
    from acquire.cli import names
    from acquire.run.resume import resume

    loaded = None if bench is None else load_bench(names.locate("bench", bench))
    return running.carry_out(
        lambda listener, gate, stop: resume(
            spool, bench=loaded, gate=gate, on_event=listener, stop=stop
        )
    )
