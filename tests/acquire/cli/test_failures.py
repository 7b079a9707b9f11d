"""Whatever goes wrong ends as one message and the documented exit code."""

import click
import pytest

from acquire import errors
from acquire.cli import failures
from drivers import errors as driver_errors


def raiser(problem):
    def command():
        raise problem

    return command


@pytest.fixture(autouse=True)
def _no_debug():
    yield
    failures.set_debug(False)


@pytest.mark.parametrize(
    ("problem", "code"),
    [
        (errors.BadInputError("wrong"), 2),
        (errors.RefusedError("busy"), 2),
        (errors.DamagedFileError("flipped"), 2),
        (errors.InstrumentFault("dead"), 4),
        (errors.ContinuityError("open"), 4),
        (errors.StorageError("full"), 4),
        (errors.Interrupted("stopped"), 5),
        (KeyboardInterrupt(), 5),
        (click.Abort(), 5),
        (click.UsageError("no such option"), 2),
        (click.FileError("x.h5", "is gone"), 2),
        (driver_errors.TimedOutError("no answer", instrument="scope"), 4),
        (ZeroDivisionError("a defect"), 70),
    ],
)
def test_each_kind_of_failure_has_its_code_and_no_traceback(
    problem, code, capsys, tmp_path, monkeypatch
):
    monkeypatch.setattr(failures.tempfile, "tempdir", str(tmp_path))

    assert failures.guarded(raiser(problem)) == code

    shown = capsys.readouterr()
    assert shown.out == ""
    assert shown.err.strip()
    assert "Traceback" not in shown.err


def test_every_error_of_ours_carries_a_code():
    """A class added to the tree without one would end as a fault by accident."""
    for kind in errors.FloorshotError.__subclasses__():
        assert isinstance(vars(kind).get("exit_code"), errors.ExitCode), kind


def test_every_problem_of_a_file_is_printed_with_a_count(capsys):
    problems = [
        errors.Problem("r.yaml", 3, 7, "title", "is missing", "title:"),
        errors.Problem("r.yaml", 9, 1, "shots", "is empty"),
    ]

    assert failures.guarded(raiser(errors.BadInputError(problems))) == 2

    lines = capsys.readouterr().err.splitlines()
    assert lines[0] == "r.yaml:3:7: title: is missing"
    assert lines[3] == "r.yaml:9:1: shots: is empty"
    assert lines[-1] == "2 problems found; nothing was contacted or changed."


def test_the_traceback_of_a_defect_is_kept_where_the_message_says(capsys, tmp_path, monkeypatch):
    monkeypatch.setattr(failures.tempfile, "tempdir", str(tmp_path))

    assert failures.guarded(raiser(ZeroDivisionError("by nothing"))) == failures.UNEXPECTED

    (kept,) = tmp_path.glob("floorshot-*.traceback.txt")
    shown = capsys.readouterr().err
    assert str(kept) in shown
    assert "ZeroDivisionError: by nothing" in shown
    assert "Traceback (most recent call last)" in kept.read_text()


def test_debug_shows_the_traceback_at_once(capsys):
    failures.set_debug(True)

    assert failures.guarded(raiser(ZeroDivisionError("by nothing"))) == failures.UNEXPECTED

    assert "Traceback (most recent call last)" in capsys.readouterr().err


def test_a_command_that_returns_a_code_ends_with_it():
    assert failures.guarded(lambda: 3) == 3
    assert failures.guarded(lambda: None) == 0
