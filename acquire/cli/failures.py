"""What a person sees when something goes wrong: one message, the right exit code, no traceback."""

from __future__ import annotations

import difflib
import os
import sys
import tempfile
import traceback
from collections.abc import Callable
from pathlib import Path

import click

from acquire.cli import console
from acquire.errors import BadInputError, ExitCode, FloorshotError, Interrupted

UNEXPECTED = 70
"""Exit code of a defect of ours (EX_SOFTWARE of ``sysexits.h``)."""

_BROKEN_PIPE = 141
"""What a shell reports of a program that SIGPIPE ended."""

_state = {"debug": False}


def set_debug(wanted: bool) -> None:
    """Say whether an unexpected error shows its traceback at once."""
    _state["debug"] = wanted


def unknown_command(name: str, known: list[str]) -> str:
    """Say that there is no such command, and which one may be meant."""
    near = difflib.get_close_matches(name, known, n=1)
    hint = f" Did you mean '{near[0]}'?" if near else ""
    return f"there is no command '{name}'.{hint} Commands: {', '.join(known)}."


def guarded(command: Callable[[], object]) -> int:
    """Call ``command`` and turn whatever comes of it into an exit code and at most one message."""
    try:
        returned = command()
    except BaseException as problem:  # noqa: BLE001 - the one place that sees everything last
        return _code_of(problem)
    return int(returned) if isinstance(returned, int) else int(ExitCode.OK)


def _code_of(problem: BaseException) -> int:
    match problem:
        case click.Abort() | KeyboardInterrupt():
            console.complain("Interrupted.")
            return int(Interrupted.exit_code)
        case click.exceptions.Exit():
            return problem.exit_code
        case click.ClickException():
            problem.show(file=sys.stderr)
            return int(ExitCode.BAD_INPUT)
        case BadInputError():
            _show_problems(problem)
            return int(problem.exit_code)
        case FloorshotError():
            console.complain(str(problem))
            return int(problem.exit_code)
        case BrokenPipeError():
            # The reader has gone; keep the interpreter from complaining about it once more.
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
            return _BROKEN_PIPE
        case SystemExit():
            return problem.code if isinstance(problem.code, int) else int(ExitCode.OK)
    return _unexpected(problem)


def _show_problems(error: BadInputError) -> None:
    console.complain(str(error))
    count = len(error.problems)
    if count:
        found = "1 problem" if count == 1 else f"{count} problems"
        console.complain(f"{found} found; nothing was contacted or changed.")


def _unexpected(problem: BaseException) -> int:
    """Report what no one foresaw. Errors of a driver that slipped through end here as a fault."""
    first_line = (str(problem).splitlines() or [""])[0]
    what = f"{type(problem).__name__}: {first_line}" if first_line else type(problem).__name__
    code = int(ExitCode.FAULT) if _is_driver_error(problem) else UNEXPECTED
    if _state["debug"]:
        console.complain("".join(traceback.format_exception(problem)).rstrip())
        return code
    kept = _keep_traceback(problem)
    where = f"; the traceback is in {kept}" if kept else ""
    console.complain(f"Unexpected error, {what}{where} (floorshot --debug shows it).")
    return code


def _is_driver_error(problem: BaseException) -> bool:
    module = sys.modules.get("drivers.errors")
    return module is not None and isinstance(problem, module.DriverError)


def _keep_traceback(problem: BaseException) -> Path | None:
    try:
        handle, name = tempfile.mkstemp(prefix="floorshot-", suffix=".traceback.txt")
        with os.fdopen(handle, "w", encoding="utf-8") as file:
            file.writelines(traceback.format_exception(problem))
    except OSError:
        return None
    return Path(name)
