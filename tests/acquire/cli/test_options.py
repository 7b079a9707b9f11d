"""Quantities on the command line carry their unit, like those in a file."""

import click
import pytest
from click.testing import CliRunner

from acquire.cli.options import quantity_option


@click.command()
@quantity_option("--inductance", "H", help="Of an inductor.")
@quantity_option("--coverage", "%", default="95 %", help="Of the intervals.")
def echo(inductance, coverage):
    click.echo(f"{inductance!r} {coverage!r}")


@pytest.mark.parametrize(
    ("arguments", "shown"),
    [
        ([], "None 0.95"),
        (["--inductance", "100uH"], "0.0001 0.95"),
        (["--inductance", "0.35 µH", "--coverage", "99 %"], "3.5e-07 0.99"),
    ],
    ids=["defaults", "no blank", "both"],
)
def test_a_quantity_is_si_inside(arguments, shown):
    assert CliRunner().invoke(echo, arguments).output.strip() == shown


@pytest.mark.parametrize("written", ["100", "100 uF", "much", ""])
def test_a_quantity_without_its_unit_is_bad_usage(written):
    done = CliRunner().invoke(echo, ["--inductance", written])

    assert done.exit_code == 2
    assert "100 uH" in done.output  # what to write instead
