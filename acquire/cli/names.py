"""Which file a person means: a path, or the name of one that ships with the program."""

from __future__ import annotations

import difflib
from collections.abc import Mapping
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Literal

from acquire.errors import BadInputError

Kind = Literal["recipe", "bench", "probe"]

_FOLDERS: dict[Kind, str] = {"recipe": "recipes", "bench": "benches", "probe": "probes"}

KINDS: tuple[Kind, ...] = ("recipe", "bench", "probe")
"""What ships with the program."""


@cache
def shipped(kind: Kind) -> dict[str, Path]:
    """Return every file of a kind that ships with the program, by its name without ``.yaml``."""
    folder = Path(str(files("profiles"))) / _FOLDERS[kind]
    return {path.stem: path for path in sorted(folder.glob("*.yaml"))}


def locate(kind: Kind, given: str) -> Path:
    """Return the file that ``given`` means; a file of that path goes before a shipped name.

    Raises
    ------
    BadInputError
        If it is neither, with what there is.
    """
    path = Path(given)
    if path.is_file():
        return path
    if path.is_dir():
        raise BadInputError(f"{given}: this is a folder; give the {kind} file itself")
    known = shipped(kind)
    if given in known:
        return known[given]
    raise BadInputError(
        f"{given}: there is no such {kind} file, and none of that name is shipped"
        f"{_near(given, known)}"
    )


def locate_example(name: str) -> Path:
    """Return the shipped file of that name, whatever its kind.

    Raises
    ------
    BadInputError
        If there is none, with what there is.
    """
    known = {name: path for kind in KINDS for name, path in shipped(kind).items()}
    if name in known:
        return known[name]
    raise BadInputError(f"nothing called '{name}' is shipped{_near(name, known)}")


def _near(given: str, known: Mapping[str, Path]) -> str:
    near = difflib.get_close_matches(given, known, n=1)
    hint = f"; did you mean '{near[0]}'?" if near else ""
    return f"{hint} (shipped: {', '.join(known) or 'none'})"
