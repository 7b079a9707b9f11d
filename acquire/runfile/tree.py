"""What may stand in one of our HDF5 files, checked before anything is read.

A run file may come from anywhere. HDF5 lets a file point at other files, claim sizes that it does
not have, or hold itself; none of that is followed or allocated here.
"""

from __future__ import annotations

import contextlib
import re
from collections.abc import Iterator
from math import prod
from pathlib import Path
from typing import Any

import h5py

from acquire.errors import DamagedFileError

_NAME = re.compile(r"[A-Za-z0-9_][A-Za-z0-9_.-]{0,119}")
MOST_OBJECTS = 100_000
MOST_ATTRIBUTES = 500
DEEPEST = 4
LARGEST_TEXT = 1 << 26
"""Bytes of the largest single text, table row or attribute that is read."""
LARGEST_CHUNK = 1 << 26
LARGEST_PACKED = 1 << 22
"""Values of the largest compressed dataset (the time axis)."""
BY_REFERENCE = {"DIMENSION_LIST", "REFERENCE_LIST"}
"""Attributes by which HDF5 ties axes to data; they are never read here."""
_BY_REFERENCE = {name.encode() for name in BY_REFERENCE}
_PLAIN_ATTRIBUTES = (h5py.h5t.TypeStringID, h5py.h5t.TypeIntegerID, h5py.h5t.TypeFloatID)
_PLAIN = {h5py.h5z.FILTER_FLETCHER32}
_PACKED = _PLAIN | {h5py.h5z.FILTER_SHUFFLE, h5py.h5z.FILTER_DEFLATE}


@contextlib.contextmanager
def trusting_nothing(path: Path, place: str) -> Iterator[None]:
    """Turn whatever reading strange HDF5 raises into one clear `DamagedFileError`."""
    try:
        yield
    except (OSError, KeyError, ValueError, TypeError, RuntimeError, AttributeError) as error:
        raise DamagedFileError(f"{path}: {place}: cannot be read: {_short(error)}") from error
    except (MemoryError, RecursionError, OverflowError, SystemError) as error:
        raise DamagedFileError(f"{path}: {place}: makes no sense: {_short(error)}") from error


def _short(error: BaseException) -> str:
    text = " ".join(str(error).split())
    return text[:200] or type(error).__name__


def walk(file: Any, path: Path) -> Iterator[tuple[str, Any]]:
    """Yield ``(place, object)`` for every group and dataset, the root first, each one checked.

    Raises
    ------
    DamagedFileError
        At the first thing that no run file contains.
    """
    seen: set[Any] = set()
    waiting: list[tuple[str, Any, int]] = [("/", file["/"], 0)]
    while waiting:
        place, item, depth = waiting.pop()
        with trusting_nothing(path, place):
            _register(seen, item, path, place)
            _check_attributes(item, path, place)
            if isinstance(item, h5py.Dataset):
                _check_dataset(item, path, place)
            children = [] if isinstance(item, h5py.Dataset) else _children(item, path, place, depth)
        yield place, item
        waiting.extend(reversed(children))


def _register(seen: set[Any], item: Any, path: Path, place: str) -> None:
    info = h5py.h5o.get_info(item.id)
    if info.addr in seen:
        raise DamagedFileError(f"{path}: {place}: the same object under two names; refused")
    seen.add(info.addr)
    if len(seen) > MOST_OBJECTS:
        raise DamagedFileError(f"{path}: more than {MOST_OBJECTS} objects; refused")


def _children(group: Any, path: Path, place: str, depth: int) -> list[tuple[str, Any, int]]:
    if depth >= DEEPEST or len(group) > MOST_OBJECTS:
        raise DamagedFileError(f"{path}: {place}: groups nested or filled beyond any run file")
    found: list[tuple[str, Any, int]] = []
    for name in group:
        inner = f"{place.rstrip('/')}/{name}"
        if not _NAME.fullmatch(name):
            raise DamagedFileError(f"{path}: {place}: {name[:80]!r} is not a name we write")
        link = group.get(name, getlink=True)
        if not isinstance(link, h5py.HardLink):
            kind = type(link).__name__
            raise DamagedFileError(f"{path}: {inner}: a {kind} to elsewhere; refused")
        item = group[name]
        if not isinstance(item, h5py.Group | h5py.Dataset):
            raise DamagedFileError(f"{path}: {inner}: neither a group nor a dataset; refused")
        found.append((inner, item, depth + 1))
    return found


def _check_dataset(item: Any, path: Path, place: str) -> None:
    plist = item.id.get_create_plist()
    layout = plist.get_layout()
    if layout == h5py.h5d.VIRTUAL or plist.get_external_count():
        raise DamagedFileError(f"{path}: {place}: its data are in another file; refused")
    if item.shape is None or item.ndim > 2 or not _plain_type(item.dtype):
        raise DamagedFileError(
            f"{path}: {place}: type {str(item.dtype)[:80]} is none that we write"
        )
    filters = {plist.get_filter(i)[0] for i in range(plist.get_nfilters())}
    packed = bool(filters - _PLAIN)
    size, stored = prod(item.shape) * item.dtype.itemsize, item.id.get_storage_size()
    if packed and (filters - _PACKED or item.ndim != 1 or item.shape[0] > LARGEST_PACKED):
        raise DamagedFileError(f"{path}: {place}: compressed in a way that we do not write")
    if item.dtype.itemsize > LARGEST_TEXT or (
        item.chunks and prod(item.chunks) * item.dtype.itemsize > LARGEST_CHUNK
    ):
        raise DamagedFileError(f"{path}: {place}: pieces larger than any that we write")
    if stored == 0 and is_placeholder(item):
        return
    if stored > _size_of(item.file) or (not packed and stored < size):
        raise DamagedFileError(
            f"{path}: {place}: claims {size} bytes, but the file holds {stored} for it"
        )


def _size_of(file: Any) -> int:
    return int(file.id.get_filesize())


def is_placeholder(item: Any) -> bool:
    """Whether a dataset is the axis-without-values of a deep record."""
    name = item.attrs.get("NAME", b"") if "NAME" in item.attrs else b""
    return isinstance(name, bytes) and name.startswith(b"This is a netCDF dimension but not")


def _plain_type(dtype: Any) -> bool:
    if dtype.kind == "V" and dtype.names:
        return all(_plain_type(dtype[name]) and dtype[name].kind != "V" for name in dtype.names)
    return dtype.kind in "iufS" and dtype.itemsize > 0 and dtype.subdtype is None


def _check_attributes(item: Any, path: Path, place: str) -> None:
    count = h5py.h5a.get_num_attrs(item.id)
    if count > MOST_ATTRIBUTES:
        raise DamagedFileError(f"{path}: {place}: more attributes than any run file has")
    for index in range(count):  # h5py's own view of attributes takes three times as long
        attribute = h5py.h5a.open(item.id, index=index)
        if attribute.name in _BY_REFERENCE:
            continue
        if not isinstance(attribute.get_type(), _PLAIN_ATTRIBUTES) or attribute.shape not in (
            (),
            (1,),
        ):
            name = attribute.name.decode(errors="replace")
            raise DamagedFileError(f"{path}: {place}@{name[:80]}: not a text or number; refused")
