"""README.md has every command, exit code, measure, correction, state, verdict, and no dead link."""

import re
from pathlib import Path
from typing import get_args

import click
import pytest

from acquire.analysis import results
from acquire.analysis.corrections import CORRECTIONS
from acquire.analysis.measures import MEASURES
from acquire.cli import COMMANDS, failures, group
from acquire.errors import ExitCode

ROOT = Path(__file__).resolve().parents[3]
README = (ROOT / "README.md").read_text(encoding="utf-8")
ROWS = [line for line in README.splitlines() if line.startswith("| ")]


def has_row(first_cell):
    return any(row.startswith(f"| {first_cell}") for row in ROWS)


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_has_a_row_and_a_help_that_is_enough_to_use_it(name):
    assert has_row(f"`floorshot {name}")

    command = group.get_command(click.Context(group), name)

    assert command is not None
    text = command.get_help(click.Context(command, info_name=name))
    assert "Exit codes:" in text
    assert f"floorshot {name}" in text  # an example
    assert command.get_short_help_str(limit=200)


def test_every_row_of_a_command_is_a_command():
    named = {match[1] for row in ROWS if (match := re.match(r"\| `floorshot (\w+)", row))}

    assert named == set(COMMANDS)


@pytest.mark.parametrize("code", [*map(int, ExitCode), failures.UNEXPECTED])
def test_every_exit_code_has_a_row(code):
    assert has_row(f"{code} |")


@pytest.mark.parametrize(
    "word", [*MEASURES, *CORRECTIONS, *get_args(results.State), "auto"], ids=str
)
def test_every_measure_correction_and_state_is_described(word):
    assert has_row(f"`{word}` |") or (word == "auto" and "`auto`" in README)


@pytest.mark.parametrize("verdict", [*get_args(results.Verdict), "no limit"])
def test_every_verdict_is_named(verdict):
    assert f"`{verdict}`" in README


def test_every_link_leads_to_a_file_of_the_project():
    links = re.findall(r"\]\(([^)#]+)\)", README)
    local = [link for link in links if "://" not in link]

    assert local
    assert [link for link in local if not (ROOT / link).is_file()] == []


@pytest.mark.parametrize("name", ["demo", "test"])
def test_the_two_commands_are_one_line_each(name):
    block = README.split(f"<!-- command: {name} -->\n```sh\n")[1].split("\n```")[0]

    assert block
    assert "\n" not in block
