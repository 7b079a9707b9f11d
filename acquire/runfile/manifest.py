"""What a file contains, as digests: made when it is written, compared when it is verified.

The manifest of a file has one entry for each group and dataset::

    {"/shots/00_reference_bare/lead_current": {
        "dtype": "|i1", "shape": [30, 100000],
        "rows": [SHA-256 of each row],          # codes, one row = one trace
        "attributes": {"probe": SHA-256, ...}},
     "/recipe": {"dtype": "|S812", "shape": [], "sha256": "...", "attributes": {...}}, ...}

Digests are over the values (little-endian, row by row), not over HDF5's bytes, so they name a place
and survive a faithful copy by another tool. The seal covers the rest of the file.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from typing import Any

import h5py
import numpy as np

from acquire.errors import DamagedFileError
from acquire.runfile.tree import BY_REFERENCE, LARGEST_TEXT, is_placeholder, trusting_nothing

Entry = dict[str, Any]
OWN = ("manifest", "manifest_sha256")
"""Root attributes that the manifest itself lives in."""
_BLOCK = 1 << 20
"""Values read at once."""


def take_manifest(
    items: Iterable[tuple[str, Any]], path: Path, known: Mapping[str, list[str]] | None = None
) -> dict[str, Entry]:
    """Return the manifest of an open file.

    Parameters
    ----------
    items : what is in it, as `walk` yields it.
    path : for messages.
    known : row digests by place, which are not read again.
    """
    known = {} if known is None else known
    return {place: entry_of(item, place, path, known.get(place)) for place, item in items}


def entry_of(item: Any, place: str, path: Path, rows: list[str] | None = None) -> Entry:
    """Return the manifest's entry for one object; ``rows`` are digests that are known already."""
    with trusting_nothing(path, place):
        entry: Entry = {"attributes": _attributes(item, place)}
        if isinstance(item, h5py.Dataset):
            entry |= {"dtype": _type_text(item.dtype), "shape": list(item.shape)}
            entry |= _digest(item) if rows is None else {"rows": rows}
    return entry


def _type_text(dtype: Any) -> str:
    return str(dtype.descr) if dtype.names else str(dtype.str)


def _attributes(item: Any, place: str) -> dict[str, str]:
    skip = BY_REFERENCE | (set(OWN) if place == "/" else set())
    return {n: _text_digest(item.attrs[n]) for n in sorted(item.attrs) if n not in skip}


def _text_digest(value: Any) -> str:
    if isinstance(value, str):
        data = b"text " + value.encode("utf-8", "surrogateescape")
    else:
        array = np.asarray(value)
        data = f"{array.dtype.newbyteorder('<').str} ".encode() + _little(array).tobytes()
    return hashlib.sha256(data).hexdigest()


def _digest(item: Any) -> Entry:
    if item.ndim == 2 and item.dtype.kind == "i":
        rows = RowDigests()
        for row, _, block in blocks(item):
            rows.update(row, block)
        return {"rows": rows.done()}
    if item.id.get_storage_size() == 0 and is_placeholder(item):
        return {"sha256": ""}
    if item.ndim == 1:
        return {"sha256": _stream(_pieces(item))}
    return {"sha256": _stream(iter([np.asarray(item[()])]))}


def _pieces(item: Any) -> Iterator[Any]:
    step = max(1, min(_BLOCK, LARGEST_TEXT // item.dtype.itemsize))
    for start in range(0, item.shape[0], step):
        yield item[start : start + step]


def blocks(item: Any) -> Iterator[tuple[int, int, Any]]:
    """Yield a ``[repeat, time]`` dataset as ``(first row, first sample, 2-D block)``.

    A block is many whole traces, or a piece of one; at most `_BLOCK` samples either way.
    """
    repeats, samples = item.shape
    rows = max(1, _BLOCK // max(1, samples) // item.chunks[0] * item.chunks[0])
    for row in range(0, repeats, rows):
        for start in range(0, samples, _BLOCK):
            yield row, start, item[row : row + rows, start : start + _BLOCK]


class RowDigests:
    """The SHA-256 of each trace, from the blocks of `blocks` in their order."""

    def __init__(self) -> None:
        self._rows: list[str] = []
        self._open: Any = hashlib.sha256()
        self._row = 0

    def update(self, row: int, block: Any) -> None:
        """Take the next block."""
        for index, trace in enumerate(block, row):
            if index != self._row:
                self._next(index)
            self._open.update(codes_bytes(trace))

    def _next(self, row: int) -> None:
        self._rows.append(self._open.hexdigest())
        self._open, self._row = hashlib.sha256(), row

    def done(self) -> list[str]:
        """Return one digest for each row."""
        self._next(self._row + 1)
        return self._rows


def _stream(pieces: Iterator[Any]) -> str:
    digest = hashlib.sha256()
    for piece in pieces:
        digest.update(_little(piece).tobytes() if piece.ndim == 0 else codes_bytes(piece))
    return digest.hexdigest()


def codes_bytes(piece: Any) -> Any:
    """Return the canonical bytes of an array: little-endian, C order, if possible uncopied."""
    flat = np.ascontiguousarray(_little(piece))
    return flat.tobytes() if flat.dtype.names else flat.view(np.uint8).data


def _little(array: Any) -> Any:
    return array.astype(array.dtype.newbyteorder("<"), copy=False)


def store_manifest(file: Any, manifest: Mapping[str, Entry]) -> None:
    """Put the manifest, and its own digest, into the root attributes."""
    text = json.dumps(manifest, sort_keys=True, separators=(",", ":"))
    for name in OWN:
        if name in file.attrs:
            del file.attrs[name]
    file.attrs["manifest"] = text
    file.attrs["manifest_sha256"] = hashlib.sha256(text.encode()).hexdigest()


def read_manifest(file: Any, path: Path) -> dict[str, Entry]:
    """Return the stored manifest, checked against its own digest."""
    with trusting_nothing(path, "@manifest"):
        text, digest = file.attrs["manifest"], file.attrs["manifest_sha256"]
        if hashlib.sha256(text.encode("utf-8", "surrogateescape")).hexdigest() != digest:
            raise DamagedFileError(f"{path}: @manifest: not what was written")
        manifest = json.loads(text)
    if not isinstance(manifest, dict) or not all(isinstance(v, dict) for v in manifest.values()):
        raise DamagedFileError(f"{path}: @manifest: not a manifest")
    return manifest


def differences(stored: Mapping[str, Entry], found: Mapping[str, Entry]) -> list[tuple[str, str]]:
    """Compare two manifests: ``(place, what is wrong)`` for each difference."""
    wrong = [(place, "missing") for place in stored if place not in found]
    wrong += [(place, "not part of what was written") for place in found if place not in stored]
    for place in stored.keys() & found.keys():
        wrong += _entry_differences(place, stored[place], found[place])
    return sorted(wrong)


def _entry_differences(place: str, stored: Entry, found: Entry) -> list[tuple[str, str]]:
    wrong: list[tuple[str, str]] = []
    mine, theirs = stored.get("attributes", {}), found.get("attributes", {})
    for name in sorted(mine.keys() | theirs.keys()):
        if mine.get(name) != theirs.get(name):
            state = "missing" if name not in theirs else "not what was written"
            wrong.append((f"{place}@{name}", state))
    for key in ("dtype", "shape", "sha256"):
        if stored.get(key) != found.get(key):
            word = "values" if key == "sha256" else key
            wrong.append((place, f"{word} not what was written"))
    rows, others = stored.get("rows", []), found.get("rows", [])
    if len(rows) != len(others):
        wrong.append((place, f"{len(others)} traces, but {len(rows)} were written"))
    wrong += [
        (f"{place}[{row}]", "the trace is not what was written")
        for row, (a, b) in enumerate(zip(rows, others, strict=False))
        if a != b
    ]
    return wrong
