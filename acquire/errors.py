"""Every error that a user can cause or meet, with the exit code it ends the program with.

    FloorshotError
    ├── BadInputError        2  a recipe, bench, probe or option is wrong; nothing was contacted
    ├── RefusedError         2  the run was refused before it started (no space, ...)
    │   └── BusyError        2  another run holds an instrument of the bench
    ├── InstrumentFault      4  an instrument or the fixture failed; what was taken is kept
    ├── ContinuityError      4  a protective conductor failed its continuity check
    ├── StorageError         4  the disk would not take what was to be written; the rest is kept
    ├── Interrupted          5  stopped by a person or a signal; what was taken is kept
    └── DamagedFileError     2  a run file or spool cannot be trusted

Each message names the file, line, field or instrument, what was found, what was expected and what
to do. A traceback is never part of a message.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import IntEnum


class ExitCode(IntEnum):
    """What ``floorshot run`` (and, where it applies, every other command) returns."""

    OK = 0
    """Every limit met, or the command did what it was asked."""
    LIMIT_NOT_MET = 1
    """A limit was not met."""
    BAD_INPUT = 2
    """Bad input; nothing was contacted or changed."""
    UNDECIDED = 3
    """A limit could not be decided, or a result is only a bound."""
    FAULT = 4
    """An instrument or the fixture failed; the run is kept and can be resumed."""
    INTERRUPTED = 5
    """Interrupted; the run is kept and can be resumed."""


class FloorshotError(Exception):
    """The base of all errors that are shown to a user as a message instead of a traceback."""

    exit_code: ExitCode = ExitCode.FAULT


@dataclass(frozen=True, slots=True)
class Problem:
    """One mistake in one text file.

    Attributes
    ----------
    file : as the user named it.
    line, column : 1-based; 0 where the file as a whole is meant.
    field : dotted path, such as ``shots.1.role``.
    message : what was found, what was expected and what to do.
    excerpt : the source line, or an empty text.
    """

    file: str
    line: int
    column: int
    field: str
    message: str
    excerpt: str = ""

    def __str__(self) -> str:
        place = f"{self.file}:{self.line}:{self.column}" if self.line else self.file
        head = (
            f"{place}: {self.field}: {self.message}" if self.field else f"{place}: {self.message}"
        )
        if not self.excerpt:
            return head
        return f"{head}\n    {self.excerpt}\n    {' ' * (self.column - 1)}^"


class BadInputError(FloorshotError):
    """One or more mistakes in what the user gave, all reported at once."""

    exit_code = ExitCode.BAD_INPUT

    def __init__(self, problems: Sequence[Problem] | str) -> None:
        self.problems: tuple[Problem, ...] = () if isinstance(problems, str) else tuple(problems)
        super().__init__(
            problems if isinstance(problems, str) else "\n".join(map(str, self.problems))
        )


class RefusedError(FloorshotError):
    """The run was refused before anything was changed."""

    exit_code = ExitCode.BAD_INPUT


class BusyError(RefusedError):
    """Another run holds an instrument of the bench; it may be free later."""


class DamagedFileError(FloorshotError):
    """A run file or a spooled shot is not what was written."""

    exit_code = ExitCode.BAD_INPUT


class StorageError(FloorshotError):
    """The disk is full, read-only or failing; everything committed before is kept."""

    exit_code = ExitCode.FAULT


class InstrumentFault(FloorshotError):  # noqa: N818 - the trade's word; an "error" is a queue entry
    """An instrument or the fixture failed beyond what the retry policy allows."""

    exit_code = ExitCode.FAULT


class ContinuityError(InstrumentFault):
    """A protective conductor did not pass its continuity check; the run stops there."""


class Interrupted(FloorshotError):  # noqa: N818 - a person's wish, not an error
    """A person or a signal asked the run to stop."""

    exit_code = ExitCode.INTERRUPTED
