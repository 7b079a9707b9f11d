"""From a spool to the run file: written under a temp name, proved, named; then the spool goes."""

from __future__ import annotations

import contextlib
import hashlib
import shutil
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import h5py
import numpy as np

from acquire.errors import DamagedFileError, RefusedError, StorageError
from acquire.runfile.apart import examine
from acquire.runfile.coding import compact, stored, utc, write_checked
from acquire.runfile.durable import free_space, human, sync_folder, writing
from acquire.runfile.manifest import (
    RowDigests,
    blocks,
    differences,
    read_manifest,
    store_manifest,
    take_manifest,
)
from acquire.runfile.records import RunState, ShotEntry
from acquire.runfile.sealedreader import SealedReader
from acquire.runfile.sealedwriter import SealedWriter
from acquire.runfile.shotgroup import CHUNK, ShotGroup, create_codes, write_numbers
from acquire.runfile.tables import parse_document, write_events, write_result
from acquire.runfile.tree import LARGEST_PACKED, walk

if TYPE_CHECKING:
    from acquire.runfile.spool import Spool

FORMAT, VERSION = "floorshot-run", 1
MARKER = "consolidated.json"
"""In a spool: the run file that it went into, once that was proved."""
_NO_VALUES = "This is a netCDF dimension but not a netCDF variable. %10d"
"""The name by which netCDF readers know an axis that has a length but no values."""


@dataclass(frozen=True, slots=True)
class ShotSize:
    """What one shot will need: ``code_bytes`` is 1 (int8) or 2 (int16)."""

    repeats: int
    samples: int
    quantities: int
    code_bytes: int


def estimate_bytes(shots: Iterable[ShotSize]) -> int:
    """Return the disk space that a run needs at its peak, which is while the spool and the run file
    both exist. [byte]
    """  # noqa: D205 - one sentence
    total = 4 << 20
    for shot in shots:
        traces = shot.repeats * shot.quantities
        codes = traces * (shot.samples * shot.code_bytes + 4 * -(-shot.samples // CHUNK))
        total += 2 * (codes + codes // 8000 + 512 * traces + 65536) + shot.samples // 8
    return total


def refuse_without_space(folder: Path, needed: int) -> None:
    """Refuse a run that would not fit.

    Raises
    ------
    RefusedError
        With the estimate and what is free.
    """
    free = free_space(folder)
    if free < needed:
        raise RefusedError(
            f"{folder}: about {human(needed)} needed, {human(free)} free; free some space, choose "
            "another folder, or take fewer repeats or shorter records"
        )


def consolidate(
    spool: Spool, path: Path, *, document_json: str | None, state: RunState, ended: datetime
) -> Path:
    """Write the run file of a spool, prove it, and remove the spool; see `Spool.consolidate`."""
    if document_json is not None:
        parse_document(document_json)
    if spool.found.consolidated:
        return tidy(spool, spool.found.consolidated)
    if path.exists():
        if same_run(spool, path):  # a crash came between the last name and the tidying
            return tidy(spool, path)
        raise RefusedError(f"{path}: exists and is never overwritten; choose another name")
    needed = sum(spool.shot_path(e.name).stat().st_size for e in spool.shots()) * 51 // 50
    needed += 4 << 20
    with writing(path, "making the folder"):
        path.parent.mkdir(parents=True, exist_ok=True)
    if (free := free_space(path.parent)) < needed:
        raise StorageError(
            f"{path}: about {human(needed)} needed for the run file, {human(free)} free; free some "
            "space or choose another folder, then resume: the spool is kept"
        )
    with SealedWriter(path, "writing the run file", needed) as out:
        known = _write(spool, out, document_json, state, ended)
        out.check()
        store_manifest(out.file, take_manifest(walk(out.file, out.temp), out.temp, known))
        out.commit(proof=prove)
    try:
        write_checked(spool.folder / MARKER, "marker", str(path.absolute()), "closing the spool")
    except StorageError:  # the run file stands; the spool is tidied when it is next opened
        return path
    remove_spool(spool.folder)
    spool.close()
    return path


def prove(path: Path) -> None:
    """Read a finished file back, wholly, and compare it with its manifest.

    Raises
    ------
    DamagedFileError
        With the first difference.
    """
    with SealedReader(path, FORMAT, check=False) as reader:
        found = take_manifest(walk(reader.file, path), path)
        wrong = differences(reader.manifest(), found)
    if wrong:
        raise DamagedFileError(f"{path}: read back, {wrong[0][0]} is {wrong[0][1]}")


def same_run(spool: Spool, path: Path) -> bool:
    """Return whether a whole run file is of this very run, and holds every shot of its spool."""
    if examine("verify", FORMAT, [path])[path]:
        return False
    try:
        with SealedReader(path, FORMAT) as reader:
            same = reader.file.attrs.get("run_id") == spool.header.run_id
            stored = reader.manifest()
    except DamagedFileError:
        return False
    return same and all(_holds_shot(stored, spool, entry) for entry in spool.shots())


def _holds_shot(stored: dict[str, Any], spool: Spool, entry: ShotEntry) -> bool:
    with SealedReader(spool.shot_path(entry.name), "floorshot-shot") as reader:
        mine = reader.manifest()
    places = [f"/shots/{entry.name}/{q}" for q in entry.ranges]
    return all(p in stored and stored[p].get("rows") == mine[p].get("rows") for p in places)


def require_file(folder: Path, path: Path) -> None:
    """Refuse to go on where the run file that a spool went into is gone."""
    if not path.exists():
        raise DamagedFileError(
            f"{folder}: this run was written to {path}, which is not there any more; if you "
            "moved that file, remove this folder by hand"
        )


def tidy(spool: Spool, path: Path) -> Path:
    """Remove and close a spool whose run file stands, having read that file back."""
    require_file(spool.folder, path)
    prove(path)
    remove_spool(spool.folder)
    spool.close()
    return path


def remove_spool(folder: Path) -> None:
    """Remove a spool whose run file stands. What cannot be removed does no harm and is left.

    The order matters: while anything that makes it look like a run is there, so is the marker that
    tells where the run went. (A crash in an arbitrary order once made a finished run look new.)
    """
    with contextlib.suppress(OSError):
        shutil.rmtree(folder / "shots", ignore_errors=True)
        for path in folder.iterdir():
            if path.name not in {"header.json", MARKER, "lock"}:
                path.unlink()
        sync_folder(folder)
        (folder / "header.json").unlink(missing_ok=True)
        sync_folder(folder)
        (folder / MARKER).unlink(missing_ok=True)
        (folder / "lock").unlink(missing_ok=True)
        folder.rmdir()
        sync_folder(folder.parent)


def _write(
    spool: Spool, out: SealedWriter, document: str | None, state: RunState, ended: datetime
) -> dict[str, list[str]]:
    file, header = out.file, spool.header
    roots = {
        "format": FORMAT,
        "format_version": VERSION,
        "run_id": header.run_id,
        "recipe_sha256": header.recipe_sha256,
        "bench_sha256": header.bench_sha256,
        "plan_sha256": header.plan_sha256,
        "software": header.software,
        "started": utc(header.started),
        "ended": utc(ended),
        "site": header.site,
        "state": state,
    }
    for name, value in roots.items():
        file.attrs[name] = stored(value)
    write_text(file, "recipe", header.recipe_text, header.recipe_name)
    write_text(file, "bench", header.bench_text, header.bench_name)
    write_text(file, "plan", header.plan_json, "plan.json")
    probes = file.create_group("probes")
    for number, (name, text) in enumerate(sorted(header.probe_texts.items())):
        write_text(probes, f"{number:02d}", text, name)
    _write_instruments(file.create_group("instruments"), spool)
    known: dict[str, list[str]] = {}
    shots = file.create_group("shots")
    for entry in spool.shots():
        out.check()
        known |= _copy_shot(spool, entry, shots.create_group(entry.name), out)
    write_events(file, spool.events.stream, out.check)
    results = file.create_group("results")
    if document is not None:
        write_result(results, document, made=ended, software=header.software)
    return known


def write_text(group: Any, name: str, text: str, label: str) -> None:
    """Write a text as a dataset of one string, with the name it had and its digest."""
    data = text.encode()
    kind = h5py.string_dtype("utf-8", max(1, len(data)))
    group.create_dataset(name, data=np.array(data, dtype=kind), dtype=kind)
    group[name].attrs["name"] = stored(label)
    group[name].attrs["bytes"] = len(data)
    group[name].attrs["sha256"] = hashlib.sha256(data).hexdigest()


def _write_instruments(group: Any, spool: Spool) -> None:
    counts: dict[str, int] = {}
    for record in spool.instruments:
        counts[record.role] = counts.get(record.role, 0) + 1
        number = counts[record.role]
        inner = group.create_group(record.role if number == 1 else f"{record.role}_{number}")
        inner.attrs["role"], inner.attrs["resource"] = record.role, stored(record.resource)
        inner.attrs["idn"] = stored(record.idn)
        inner.attrs["calibration_due"] = record.calibration_due or ""
        inner.attrs["settings"] = compact(record.settings)


def _copy_shot(
    spool: Spool, entry: ShotEntry, group: Any, out: SealedWriter
) -> dict[str, list[str]]:
    path, known = spool.shot_path(entry.name), {}
    with SealedReader(path, "floorshot-shot") as reader:
        place = f"/shots/{entry.name}"
        source, stored = reader.group(place), read_manifest(reader.file, path)
        for quantity in entry.ranges:
            rows = _copy_codes(source[quantity], group, quantity, entry, out)
            if rows != stored[f"{place}/{quantity}"]["rows"]:
                raise DamagedFileError(f"{path}: {place}/{quantity}: not what was written")
            known[f"{place}/{quantity}"] = rows
        write_numbers(group, entry, ShotGroup(source, entry.name, path).numbers)
    _write_axes(group, entry)
    return known


def _copy_codes(
    source: Any, group: Any, quantity: str, entry: ShotEntry, out: SealedWriter
) -> list[str]:
    target = create_codes(group, quantity, entry.repeats, entry.samples, source.dtype)
    digests = RowDigests()
    for row, start, block in blocks(source):
        target[row : row + len(block), start : start + block.shape[1]] = block
        digests.update(row, block)
        out.check()
    return digests.done()


def _write_axes(group: Any, entry: ShotEntry) -> None:
    """Give every dimension of every dataset its axis, without which xarray refuses the group."""
    start = float(group["start_time"][0, 0])
    group.attrs["time_start"] = start
    repeat = group.create_dataset("repeat", data=np.arange(entry.repeats, dtype=np.int32))
    repeat.make_scale("repeat")
    time = _time_axis(group, entry.samples, start, entry.interval)
    group["quantity"].make_scale("quantity")
    axes = {"repeat": repeat, "time": time, "quantity": group["quantity"]}
    shapes = dict.fromkeys(entry.ranges, ("repeat", "time"))
    shapes |= dict.fromkeys(("gain", "offset", "start_time"), ("quantity", "repeat"))
    for name, dims in {**shapes, "trigger_time": ("repeat",)}.items():
        for index, dim in enumerate(dims):
            group[name].dims[index].attach_scale(axes[dim])


def _time_axis(group: Any, samples: int, start: float, step: float) -> Any:
    if samples > LARGEST_PACKED:  # a tool would load the axis whole: 8 bytes a sample
        axis = group.create_dataset("time", (samples,), "<f4", chunks=(CHUNK,))
        axis.make_scale(_NO_VALUES % samples)
        return axis
    axis = group.create_dataset(
        "time",
        data=np.arange(samples, dtype="<i4"),
        chunks=(min(samples, 65536),),
        shuffle=True,
        compression="gzip",
        compression_opts=1,
    )
    axis.attrs["scale_factor"], axis.attrs["add_offset"], axis.attrs["units"] = step, start, "s"
    axis.make_scale("time")
    return axis
