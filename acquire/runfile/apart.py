"""Have files examined in a process that may die, and be told what it found (see `examine`)."""

from __future__ import annotations

import json
import os
import selectors
import subprocess  # the point of this module
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Literal

from acquire.errors import DamagedFileError

STALLED = 20.0
"""Seconds without a sign of life after which the process counts as stuck. [s]"""
_LONGEST_LINE = 1 << 28
Wrong = list[tuple[str, str]]


def examine(mode: Literal["vet", "verify"], kind: str, paths: Sequence[Path]) -> dict[Path, Wrong]:
    """Return what is wrong with each file: ``(place, words)``; an empty list = nothing.

    Parameters
    ----------
    mode : "vet": is it safe to read; "verify": is it to the byte what was written.
    kind : the format that the files should have.
    paths : the files.
    """
    found: dict[Path, Wrong] = {}
    waiting = list(paths)
    while waiting:
        answers = _ask(mode, kind, waiting)
        found |= zip(waiting, answers, strict=False)
        del waiting[: len(answers)]
        if waiting:  # it died, or got stuck, over the next one; go on with those after it
            text = "HDF5's own structure can no longer be followed: reading it does not end well"
            found[waiting.pop(0)] = [("structure", text)]
    return found


def refuse_unless_sound(path: Path, kind: str) -> None:
    """Vet one file.

    Raises
    ------
    DamagedFileError
        Where this process had better not read it.
    """
    for place, text in examine("vet", kind, [path])[path]:
        raise DamagedFileError(f"{path}: {place}: {text}" if place else f"{path}: {text}")


def _ask(mode: str, kind: str, paths: Sequence[Path]) -> list[Wrong]:
    command = [sys.executable, "-m", "acquire.runfile.examine", mode, kind]
    with subprocess.Popen(  # noqa: S603 - our own module; each path is one argument
        [*command, *(str(p.absolute()) for p in paths)],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
    ) as process:
        try:
            lines = _lines(process)
        finally:
            process.kill()
    return [[(place, text) for place, text in json.loads(line)] for line in lines]


def _lines(process: subprocess.Popen[bytes]) -> list[bytes]:
    """Collect the answers until the process ends, dies or gets stuck."""
    assert process.stdout is not None
    fd, pending, lines = process.stdout.fileno(), b"", list[bytes]()
    with selectors.DefaultSelector() as selector:
        selector.register(fd, selectors.EVENT_READ)
        while selector.select(STALLED) and len(pending) < _LONGEST_LINE:
            data = os.read(fd, 1 << 16)
            if not data:
                break
            *whole, pending = (pending + data).split(b"\n")
            lines += [line for line in whole if line != b"."]
    return lines
