"""Find what is not what was written, in a run file or a spool, and name the place."""

from __future__ import annotations

import json
import subprocess  # a damaged file is only walked in a process that may die
import sys
from pathlib import Path

from acquire.errors import DamagedFileError
from acquire.runfile.coding import from_json, read_checked
from acquire.runfile.eventlog import DAMAGED, EventLog
from acquire.runfile.manifest import differences, take_manifest
from acquire.runfile.records import Damage, InstrumentRecord, RunHeader
from acquire.runfile.seal import SealedFile, span
from acquire.runfile.sealedreader import SealedReader
from acquire.runfile.shotgroup import ShotGroup

_SLOWEST = 20e6
"""Bytes a second below which the walk of a damaged file counts as stuck."""


def verify(path: Path) -> list[Damage]:
    """Read everything again and return each place that is not what was written; [] = whole.

    Parameters
    ----------
    path : a run file, or the folder of a spool.

    Raises
    ------
    DamagedFileError
        Where ``path`` is neither, or cannot be read at all.
    """
    if path.is_dir():
        return _verify_spool(path)
    if not path.exists():
        raise DamagedFileError(f"{path}: no such file")
    return _verify_file(path, "floorshot-run")


def _verify_spool(folder: Path) -> list[Damage]:
    if not (folder / "header.json").exists():
        raise DamagedFileError(f"{folder}: not a spooled run (no header.json in it)")
    found: list[Damage] = []
    header, instruments = folder / "header.json", folder / "instruments.json"
    try:
        from_json(RunHeader, read_checked(header, "header"), str(header))
    except DamagedFileError as error:
        found.append(_damage(header, "", error))
    if instruments.exists():
        try:
            text = read_checked(instruments, "instruments")
            from_json(list[InstrumentRecord], text, str(instruments))
        except DamagedFileError as error:
            found.append(_damage(instruments, "", error))
    log = EventLog(folder / "events.jsonl", writable=False)
    found += [
        Damage(str(log.path), f"line {event.data['line']}", "not what was written")
        for event in log.stream()
        if event.name == DAMAGED
    ]
    for shot in sorted((folder / "shots").glob("*.h5")):
        found += _verify_file(shot, "floorshot-shot")
    return found


def _damage(path: Path, place: str, error: Exception) -> Damage:
    return Damage(str(path), place, str(error).removeprefix(f"{path}: "))


def _verify_file(path: Path, kind: str) -> list[Damage]:
    try:
        with SealedFile(path) as sealed:
            size = sealed.seal.size
            broken = list(sealed.damaged_blocks())
    except DamagedFileError as error:
        text = str(error)
        if "not an HDF5 file" in text or "is empty" in text:
            return [_damage(path, "", error)]
        return [_damage(path, "seal", error), *_walk_apart(path, kind)]
    if not broken:
        return _verify_contents(path, kind)
    blocks = [Damage(str(path), span(b, size), "not what was written") for b in broken]
    return [*_walk_apart(path, kind), *blocks]


def _verify_contents(path: Path, kind: str) -> list[Damage]:
    try:
        with SealedReader(path, kind) as reader:
            wrong = differences(reader.manifest(), take_manifest(reader.file, path))
            for name in reader.group("/shots"):
                if kind == "floorshot-shot" and name != path.stem:
                    wrong.append((f"/shots/{name}", "in the file of another shot"))
                ShotGroup(reader.group(f"/shots/{name}"), name, path)
    except DamagedFileError as error:
        return [_damage(path, "", error)]
    return [Damage(str(path), place, text) for place, text in wrong]


def _walk_apart(path: Path, kind: str) -> list[Damage]:
    """Name the damaged places of a file whose bytes are known to be wrong.

    HDF5's parser, in C, may die or spin on such bytes; so it runs in a process of its own.
    """
    command = [sys.executable, "-m", "acquire.runfile.walkdamaged", str(path), kind]
    lost = [Damage(str(path), "structure", "HDF5's own structure can no longer be followed")]
    try:
        answer = subprocess.run(  # noqa: S603 - our own module, and a path as one argument
            command,
            capture_output=True,
            check=False,
            timeout=30 + path.stat().st_size / _SLOWEST,
        )
        wrong = json.loads(answer.stdout) if answer.returncode == 0 else None
    except (subprocess.TimeoutExpired, ValueError):
        wrong = None
    if wrong is None:
        return lost
    return [Damage(str(path), place, text) for place, text in wrong]
