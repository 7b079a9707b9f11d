"""``python -m acquire.runfile.walkdamaged FILE KIND``: compare a damaged file with its manifest.

Run by `acquire.runfile.verify` in a process of its own, because HDF5 meets unchecked bytes here.
Prints a JSON list of [place, what is wrong].
"""

from __future__ import annotations

import hashlib
import itertools
import json
import math
import os
import resource
import sys
from pathlib import Path
from typing import Any

import h5py
import numpy as np

from acquire.errors import DamagedFileError
from acquire.runfile.manifest import codes_bytes, differences, entry_of, read_manifest

UNREADABLE = (
    DamagedFileError,
    OSError,
    KeyError,
    ValueError,
    TypeError,
    RuntimeError,
    MemoryError,
)
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
                rows, lost = _rows(item, place) if "rows" in stored[place] else (None, [])
                found[place] = entry_of(item, place, path, rows)
            except UNREADABLE as error:
                text = " ".join(str(error).removeprefix(f"{path}: {place}: ").split())
                wrong.append((place, text[:200]))
            else:
                wrong += [(f"{place}[{row}]", "the trace cannot be read") for row in lost]
                for row in lost:
                    stored[place]["rows"][row] = ""
        readable = {place: stored[place] for place in found}
        return sorted([*wrong, *differences(readable, found)])


def _rows(item: Any, place: str) -> tuple[list[str], list[int]]:
    """Digest trace by trace, past HDF5's own check, which would condemn a whole chunk of traces."""
    if not isinstance(item, h5py.Dataset) or item.ndim != 2 or not item.chunks:
        raise DamagedFileError(f"{place}: no traces any more")
    repeats, samples = item.shape
    digests = [hashlib.sha256() for _ in range(repeats)]
    lost: set[int] = set()
    for row, start in itertools.product(
        range(0, repeats, item.chunks[0]), range(0, samples, item.chunks[1])
    ):
        rows = range(row, min(repeats, row + item.chunks[0]))
        try:
            chunk = _raw_chunk(item, row, start)
            for index, trace in zip(rows, chunk, strict=False):
                digests[index].update(codes_bytes(trace[: samples - start]))
        except UNREADABLE:
            lost.update(rows)
    return [d.hexdigest() for d in digests], sorted(lost)


def _raw_chunk(item: Any, row: int, start: int) -> Any:
    _, data = item.id.read_direct_chunk((row, start))
    size = math.prod(item.chunks) * item.dtype.itemsize
    return np.frombuffer(data[:size], item.dtype).reshape(item.chunks)


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
    except UNREADABLE as error:
        text = " ".join(str(error).split())[:200]
        wrong = [("structure", f"HDF5's own structure can no longer be followed: {text}")]
    sys.stdout.write(json.dumps(wrong))
    sys.stdout.flush()
    os._exit(0)  # HDF5's own tidying at exit may stumble over the damage


if __name__ == "__main__":
    main(sys.argv[1:])
