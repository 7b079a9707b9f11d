"""The group: help, version, near misses, and that a command's module loads only when needed."""

import subprocess
import sys
from pathlib import Path

import pytest

from acquire.cli import COMMANDS, invoke

ROOT = Path(__file__).resolve().parents[3]


def test_the_help_lists_every_command_with_its_short_help(capsys):
    assert invoke(["--help"]) == 0

    shown = capsys.readouterr().out
    for name in COMMANDS:
        assert f"\n  {name} " in shown
    assert "Exit codes" in shown


@pytest.mark.parametrize("name", COMMANDS)
def test_the_help_of_every_command_is_shown(name, capsys):
    assert invoke([name, "--help"]) == 0
    assert f"Usage: floorshot {name}" in capsys.readouterr().out


def test_an_unknown_command_names_the_nearest(capsys):
    assert invoke(["sho"]) == 2
    assert "Did you mean 'show'?" in capsys.readouterr().err


def test_the_version_is_told(capsys):
    assert invoke(["--version"]) == 0
    assert capsys.readouterr().out.startswith("floorshot")


def test_no_arguments_is_a_question_for_help(capsys):
    assert invoke([]) == 2
    shown = capsys.readouterr()
    assert "Usage: floorshot" in shown.out + shown.err


def test_the_help_loads_nothing_slow():
    """`--help` and completion must not wait for numpy, HDF5 or VISA."""
    program = (
        "import sys; from acquire.cli import invoke; invoke(['--help']); "
        "print(sorted({'numpy', 'h5py', 'scipy', 'pyvisa', 'pydantic', 'yaml'} & set(sys.modules)))"
    )

    done = subprocess.run(
        [sys.executable, "-c", program], cwd=ROOT, capture_output=True, text=True, timeout=60
    )

    assert done.stdout.splitlines()[-1] == "[]"
