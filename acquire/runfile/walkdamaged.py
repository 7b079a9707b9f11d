"""``python -m acquire.runfile.walkdamaged FILE KIND``: compare a damaged file with its manifest.

Run by `acquire.runfile.verify` in a process of its own, because HDF5 meets unchecked bytes here.
Prints a JSON list of [place, what is wrong].
"""

from __future__ import annotations

import json
import os
import resource
import sys
from pathlib import Path
from typing import Any

import h5py

from acquire.errors import DamagedFileError
from acquire.runfile.manifest import differences, entry_of, read_manifest

_MEMORY = 4 << 30
"""Bytes of address space that damaged bytes may make HDF5 ask for."""


def compare(path: Path) -> list[tuple[str, str]]:
    """Compare place by place, so that one unreadable place does not hide the others."""
    with h5py.File(path, "r") as file:
        stored = read_manifest(file, path)
        found: dict[str, Any] = {}
        wrong: list[tuple[str, str]] = []
        for place in stored:
            try:
                item = _hard(file, place)
                found[place] = entry_of(item, place, path)
            except (DamagedFileError, OSError, KeyError, ValueError, RuntimeError) as error:
                wrong.append((place, f"cannot be read: {' '.join(str(error).split())[:160]}"))
        readable = {place: stored[place] for place in found}
        return sorted([*wrong, *differences(readable, found)])


def _hard(file: Any, place: str) -> Any:
    item = file["/"]
    for name in [part for part in place.split("/") if part]:
        if not isinstance(item.get(name, getlink=True), h5py.HardLink):
            raise KeyError(f"{name} is gone")
        item = item[name]
    return item


def main(arguments: list[str]) -> int:
    """Print what is wrong; 0 if the comparison could be made."""
    resource.setrlimit(resource.RLIMIT_AS, (_MEMORY, _MEMORY))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    try:
        wrong = compare(Path(arguments[0]))
    except (DamagedFileError, OSError, KeyError, ValueError, RuntimeError) as error:
        text = " ".join(str(error).split())[:200]
        wrong = [("structure", f"HDF5's own structure can no longer be followed: {text}")]
    sys.stdout.write(json.dumps(wrong))
    sys.stdout.flush()
    os._exit(0)  # HDF5's own tidying at exit may stumble over the damage


if __name__ == "__main__":
    main(sys.argv[1:])
