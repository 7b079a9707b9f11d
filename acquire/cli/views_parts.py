"""What ``spectrum`` and ``pulse`` share: which shots, and tables as CSV."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence

import click

condition_option = click.option("--condition", metavar="NAME", help="Only this condition.")
quantity_name_option = click.option(
    "--quantity",
    metavar="NAME",
    help="Only this quantity. [default: all but the one that only triggers]",
)
csv_option = click.option("--csv", "as_csv", is_flag=True, help="Print all of it as CSV.")


def to_csv(columns: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
    """Return rows as CSV (RFC 4180 but for line ends); an unknown number is an empty cell."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(columns)
    writer.writerows(["" if cell is None else cell for cell in row] for row in rows)
    return text.getvalue().rstrip("\n")
