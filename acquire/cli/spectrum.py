"""``floorshot spectrum``: attenuation over frequency, from a run file."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import click

from acquire.cli import console
from acquire.cli.options import run_file_argument
from acquire.cli.views_parts import condition_option, csv_option, quantity_name_option, to_csv

if TYPE_CHECKING:
    from acquire.run.views import CandidateSpectrum


@click.command(
    short_help="Attenuation over frequency, from a run file.",
    epilog="Exit codes: 0 shown; 2 bad input, or two shots that cannot be compared.",
)
@run_file_argument
@condition_option
@quantity_name_option
@click.option(
    "--averaging",
    type=click.Choice(["power", "coherent"]),
    default="power",
    show_default=True,
    help="Of the repeats: their power, or the power of their mean (deeper, if events repeat).",
)
@click.option(
    "--per-decade",
    type=click.IntRange(1, 1000),
    default=5,
    show_default=True,
    help="Bands to a decade into which neighbouring bins are joined.",
)
@csv_option
def command(
    file: Path,
    condition: str | None,
    quantity: str | None,
    averaging: Literal["power", "coherent"],
    per_decade: int,
    as_csv: bool,
) -> int:
    """Print each candidate's attenuation over frequency, from run file FILE.

    The floor is subtracted in power, band by band. A band in which the target does not stand out
    of its floor says 'at least'; one in which the reference does not stand out says nothing. Levels
    are dB(µA) or dB(µV) RMS in the resolution bandwidth that stands beside them; they are no
    receiver's readings.

    \b
    Examples:
      floorshot spectrum runs/20261125T120000Z-ab12.h5
      floorshot spectrum FILE --averaging coherent --per-decade 20 --csv > spectrum.csv
    """
    from acquire.analysis.spectrum_grid import SpectrumSetup
    from acquire.run.views import spectra_of

    setup = SpectrumSetup(averaging=averaging, bins_per_decade=per_decade)
    found = spectra_of(file, setup, condition, quantity)
    if as_csv:
        console.say(_csv(found))
        return 0
    for one in found:
        _show(one)
    return 0


def _csv(found: list[CandidateSpectrum]) -> str:
    tables = [(one, one.spectrum.to_table()) for one in found]
    columns = ("shot", "condition", "quantity", *tables[0][1].columns)
    return to_csv(
        columns,
        [
            (one.shot, one.condition, one.quantity, *row)
            for one, table in tables
            for row in table.rows
        ],
    )


def _show(one: CandidateSpectrum) -> None:
    from rich.table import Table

    from acquire.analysis.digits import format_db
    from acquire.cli.numbers import engineering

    spectrum = one.spectrum
    level = f"dB(µ{spectrum.unit})"
    table = Table(
        "Frequency", "Bandwidth", f"Reference\n{level}", f"Target\n{level}", f"Floor\n{level}",
        "Attenuation", box=None, pad_edge=False,
    )  # fmt: skip
    blank = 0
    for (
        frequency,
        width,
        reference,
        target,
        floor,
        _,
        db,
        low,
        high,
        state,
    ) in spectrum.to_table().rows:
        if state == "unmeasured":
            blank += 1
            continue
        assert isinstance(frequency, float)
        assert isinstance(width, float)
        table.add_row(
            engineering(frequency, "Hz"), engineering(width, "Hz"),
            *(_whole(cell) for cell in (reference, target, floor)),
            format_db(_number(db), (_number(low), _number(high))),
        )  # fmt: skip
    coverage = 100 * spectrum.coverage
    console.say(
        f"{one.condition}, {one.quantity} ({one.shot}): {spectrum.averaging} averaging, "
        f"window {spectrum.window}, intervals at {coverage:g} %"
    )
    console.show(table)
    if blank:
        console.say(f"In {blank} more bands the reference itself does not stand out of its floor.")
    console.say()


def _number(cell: object) -> float | None:
    return cell if isinstance(cell, float) and math.isfinite(cell) else None


def _whole(cell: object) -> str:
    number = _number(cell)
    return "-" if number is None else f"{number:.1f}"
