"""``floorshot pulse``: what kind of signal each shot holds."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from acquire.cli import console
from acquire.cli.options import quantity_option, run_file_argument
from acquire.cli.views_parts import condition_option, csv_option, quantity_name_option, to_csv

if TYPE_CHECKING:
    from rich.table import Table

    from acquire.run.views import ShotFacts

UNKNOWN = "-"
"""Stands where a fact is not known."""


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
    for quantity in dict.fromkeys(one.quantity for one in found):
        _show([one for one in found if one.quantity == quantity])
    return 0


def _show(found: Sequence[ShotFacts]) -> None:
    """Print the facts of one quantity: a row a fact, a column a shot, as many as there is room."""
    terminal = console.rich_console()
    room = max(1, (terminal.width - FACT_WIDTH) // SHOT_WIDTH)
    for begin in range(0, len(found), room):
        console.say(f"{found[0].quantity}")
        console.show(table_of(found[begin : begin + room]))
        console.say()
    remarks = remarks_of(found)
    for remark in remarks:
        console.show(f"- {remark}")
    if remarks:
        console.say()


FACT_WIDTH = 28
SHOT_WIDTH = 15
"""Columns of a terminal that a fact's name and a shot's values take."""


def table_of(found: Sequence[ShotFacts]) -> Table:
    """Return the facts of a few shots side by side; a fact that a shot lacks is a dash."""
    from rich.table import Table

    facts = [_facts(one) for one in found]
    names = list(dict.fromkeys(name for column in facts for name in column))
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
    table.add_column("shot\nrole\ncondition", min_width=FACT_WIDTH - 2, no_wrap=True)
    for one in found:
        table.add_column("\n".join(one.shot.split("_", 2)), overflow="fold")
    for name in sorted(names, key=_place):
        table.add_row(name, *(column.get(name, UNKNOWN) for column in facts))
    return table


def _place(name: str) -> tuple[int, str]:
    """Order the rings behind the rest, which stay as they come."""
    return (1, name.split()[1]) if name.startswith("ring ") else (0, "")


def remarks_of(found: Sequence[ShotFacts]) -> list[str]:
    """Return each remark once, with the shots that it is about."""
    about: dict[str, list[str]] = {}
    for one in found:
        for remark in one.facts.remarks:
            about.setdefault(remark, []).append(one.shot.split("_", 1)[0])
    return [f"shot {', '.join(shots)}: {remark}" for remark, shots in about.items()]


def _facts(one: ShotFacts) -> dict[str, str]:
    """Return what is known of one shot as words, by a name that is the same for all shots."""
    source = one.facts.rate_source
    told: dict[str, str] = {}
    for name, value, unit in one.facts.to_table().rows:
        plain = str(name).removesuffix(f" ({source})")
        told[plain] = _words(value, str(unit))
        if plain != name:
            told["  from"] = str(source)
    return told


def _words(value: object, unit: str) -> str:
    from acquire.cli.numbers import engineering

    if not isinstance(value, float):
        return UNKNOWN
    if unit != "1":
        return engineering(value, unit)
    return f"{value:.0f}" if value.is_integer() else f"{value:#.3g}"
