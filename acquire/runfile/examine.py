"""``python -m acquire.runfile.examine MODE KIND FILE...``: let HDF5 meet a file's bytes, apart.

Run by `acquire.runfile.apart` in a process of its own, because HDF5's parser, in C, can be made to
die, to spin or to ask for any amount of memory by bytes that nobody checked. One line of JSON, a
list of [place, what is wrong], is printed for each file; a line with a dot says "still alive".

vet     the seal, the structure, every attribute and small dataset; the codes' index, not the codes
verify  everything, and each damaged place by name
"""

from __future__ import annotations

import hashlib
import io
import itertools
import json
import math
import os
import resource
import sys
import time
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

import h5py
import numpy as np

from acquire.errors import DamagedFileError
from acquire.runfile.completeness import incomplete
from acquire.runfile.manifest import (
    codes_bytes,
    differences,
    entry_of,
    read_manifest,
    take_manifest,
)
from acquire.runfile.seal import SealedFile, span
from acquire.runfile.sealedreader import SealedReader
from acquire.runfile.tree import walk

UNREADABLE = (
    DamagedFileError,
    OSError,
    KeyError,
    ValueError,
    TypeError,
    RuntimeError,
    MemoryError,
    SystemError,
    AttributeError,
)
_MEMORY = 4 << 30
"""Bytes of address space that such bytes may make HDF5 ask for."""
_BEAT = 0.5
"""Seconds between two signs of life."""
Wrong = list[tuple[str, str]]


class _Heart:
    """Says that this process is alive whenever bytes were read, but not too often."""

    def __init__(self) -> None:
        self._last = time.monotonic()

    def beat(self) -> None:
        now = time.monotonic()
        if now - self._last > _BEAT:
            self._last = now
            sys.stdout.write(".\n")
            sys.stdout.flush()


_HEART = _Heart()


class _Unchecked(io.FileIO):
    """A file whose seal is broken: all its bytes, and a sign of life with each read."""

    def readinto(self, buffer: Any, /) -> int:
        _HEART.beat()
        view = memoryview(buffer).cast("B")
        got = super().readinto(view) or 0
        view[got:] = bytes(len(view) - got)
        return len(view)


def vet(path: Path, kind: str) -> Wrong:
    """Touch all that a reader will touch but the codes themselves."""
    codes: dict[str, list[str]] = {}
    with SealedReader(path, kind, on_read=_HEART.beat, check=False) as reader:
        take_manifest(_indexed(walk(reader.file, path), codes), path, codes)
        reader.manifest()
    return []


def _indexed(
    items: Iterable[tuple[str, Any]], codes: dict[str, list[str]]
) -> Iterator[tuple[str, Any]]:
    """Read the index of each dataset of codes, and mark it as one whose values are not read."""
    for place, item in items:
        if isinstance(item, h5py.Dataset) and item.ndim == 2 and item.dtype.kind == "i":
            if item.chunks:
                item.id.get_num_chunks()
            codes[place] = [""]
        yield place, item


def verify(path: Path, kind: str) -> Wrong:
    """Compare everything with what was written, and name each place that differs."""
    try:
        with SealedFile(path, on_read=_HEART.beat) as sealed:
            size = sealed.seal.size
            broken = [(span(b, size), "not what was written") for b in sealed.damaged_blocks()]
    except DamagedFileError as error:
        text = _plain(error, path)
        if "not an HDF5 file" in text or "is empty" in text:
            return [("", text)]
        return [("seal", text), *_damaged(path)]
    return [*_damaged(path), *broken] if broken else _whole(path, kind)


def _whole(path: Path, kind: str) -> Wrong:
    with SealedReader(path, kind, on_read=_HEART.beat, check=False) as reader:
        found = take_manifest(walk(reader.file, path), path)
        stored = reader.manifest()
        wrong = differences(stored, found)
        if kind == "floorshot-run" and not wrong:
            wrong = incomplete(reader.file)
    if kind == "floorshot-shot" and f"/shots/{path.stem}" not in stored:
        wrong.append(("/shots", f"the shot in this file is not {path.stem}"))
    return wrong


def _damaged(path: Path) -> Wrong:
    """Compare place by place, so that one unreadable place does not hide the others."""
    try:
        with _Unchecked(path) as source, h5py.File(source, "r") as file:
            return _place_by_place(file, path)
    except UNREADABLE as error:
        text = _plain(error, path)
        return [("structure", f"HDF5's own structure can no longer be followed: {text}")]


def _place_by_place(file: Any, path: Path) -> Wrong:
    stored = read_manifest(file, path)
    found: dict[str, Any] = {}
    wrong: Wrong = []
    for place in stored:
        try:
            item = _hard(file, place)
            rows, lost = _rows(item, place) if "rows" in stored[place] else (None, [])
            found[place] = entry_of(item, place, path, rows)
        except UNREADABLE as error:
            wrong.append((place, _plain(error, path).removeprefix(f"{place}: ")))
        else:
            wrong += [(f"{place}[{row}]", "the trace cannot be read") for row in lost]
            for row in lost:
                stored[place]["rows"][row] = found[place]["rows"][row]
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
            for index, trace in zip(rows, _raw_chunk(item, row, start), strict=False):
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


def _plain(error: BaseException, path: Path) -> str:
    text = " ".join(str(error).removeprefix(f"{path}: ").split())
    return text[:300] or type(error).__name__


MODES = {"vet": vet, "verify": verify}


def main(arguments: list[str]) -> None:
    """Print what is wrong with each file."""
    mode, kind, *files = arguments
    resource.setrlimit(resource.RLIMIT_AS, (_MEMORY, _MEMORY))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    for file in files:
        path = Path(file)
        try:
            wrong = MODES[mode](path, kind)
        except UNREADABLE as error:
            wrong = [("", _plain(error, path))]
        sys.stdout.write(json.dumps(wrong) + "\n")
        sys.stdout.flush()
    os._exit(0)  # HDF5's own tidying at exit may stumble over the damage


if __name__ == "__main__":
    main(sys.argv[1:])
