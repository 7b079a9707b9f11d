"""Quantities on the command line carry their unit, like those in a file."""

import click
import pytest
from click.testing import CliRunner

from acquire.cli.options import quantity_option, run_file_argument


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


@click.command()
@run_file_argument
def read(file):
    click.echo(file)


@pytest.mark.parametrize(
    ("name", "advice"),
    [
        ("20261125T120000Z-ab12.spool", "floorshot resume"),
        ("runs", "give a run file (*.h5)"),
        ("missing.h5", "does not exist"),
    ],
)
def test_what_is_no_run_file_is_told_with_what_to_do(name, advice, tmp_path):
    if not name.startswith("missing"):
        (tmp_path / name).mkdir()

    done = CliRunner().invoke(read, [str(tmp_path / name)])

    assert done.exit_code == 2
    assert advice in " ".join(done.output.split())


def test_a_run_file_is_handed_over_as_a_path(tmp_path):
    path = tmp_path / "a.h5"
    path.touch()

    assert CliRunner().invoke(read, [str(path)]).output.strip() == str(path)
