"""``floorshot pulse``: what kind of signal each shot holds."""

from __future__ import annotations

from pathlib import Path

import click

from acquire.cli import console
from acquire.cli.options import quantity_option, run_file_argument
from acquire.cli.views_parts import condition_option, csv_option, quantity_name_option, to_csv


@click.command(
    short_help="Bursts, duty cycle, crest factor, ringing and rise time of each shot.",
    epilog="Exit codes: 0 shown; 2 bad input.",
)
@run_file_argument
@condition_option
@quantity_name_option
@quantity_option(
    "--burst-rate", "Hz", help="Of the source, where it is known. [default: from the records]"
)
@csv_option
def command(
    file: Path,
    condition: str | None,
    quantity: str | None,
    burst_rate: float | None,
    as_csv: bool,
) -> int:
    """Say what kind of signal the shots in run file FILE hold, floors aside.

    A high peak with a tiny duty cycle is the normal case: the RMS over a short record is then far
    above the RMS over the burst period, which is given too. Terms and methods are those of
    IEEE 181; levels are medians over the repeats, and noise is in them.

    \b
    Examples:
      floorshot pulse runs/20261125T120000Z-ab12.h5
      floorshot pulse FILE --condition bare --burst-rate '8 kHz'
    """
    from acquire.run.views import facts_of

    found = facts_of(file, condition, quantity, burst_rate)
    rows = [
        (one.shot, one.condition, one.quantity, *row)
        for one in found
        for row in one.facts.to_table().rows
    ]
    if as_csv:
        console.say(to_csv(("shot", "condition", "quantity", "fact", "value", "unit"), rows))
        return 0
    for one in found:
        console.say(f"{one.shot}, {one.quantity}")
        for fact, value, unit in one.facts.to_table().rows:
            console.say(f"  {fact!s:<34} {_words(value, str(unit))}")
        for remark in one.facts.remarks:
            console.say(f"  - {remark}")
        console.say()
    return 0


def _words(value: object, unit: str) -> str:
    from acquire.cli.numbers import engineering

    if not isinstance(value, float):
        return "not known"
    return f"{value:.3g}" if unit == "1" else engineering(value, unit)
